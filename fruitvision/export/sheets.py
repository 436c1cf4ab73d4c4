"""The files of sales sheets: one a variety and form, in one folder."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.export.sheet_words import file_stem
from fruitvision.sheet import SalesSheet
from fruitvision.unit_system import METRIC, Units, UnitSystem

# Every form of a sheet, the one that is sent first.
SHEET_FORMS = ("pdf", "xlsx", "csv", "json")
# Papers that a page and a workbook are set up for.
SHEET_PAPERS = ("A4", "Letter")
SCHEMA_NAME = "sales_sheet.schema.json"


def usual_paper(units: Units) -> str:
    """Letter for those who use units of the United States, A4 for others."""
    return "Letter" if units.system is UnitSystem.US else "A4"


def write_sheets(
    sheets: Iterable[SalesSheet],
    folder: Path,
    forms: Sequence[str] = SHEET_FORMS,
    *,
    units: Units = METRIC,
    paper: str = "A4",
) -> tuple[Path, ...]:
    """Write every sheet in every form; beside JSON documents stands their schema.

    Returns
    -------
    tuple of Path
        The files, sheet by sheet.

    Raises
    ------
    SettingsError
        If a form or the paper is unknown.
    StoreError
        If a file can't be written.
    """
    checked_forms(forms)
    written: list[Path] = []
    stems: set[str] = set()
    for sheet in sheets:
        stem = file_stem(sheet, stems)
        stems.add(stem)
        for form in forms:
            path = folder / f"{stem}.{form}"
            write_sheet(sheet, path, form, units=units, paper=paper)
            written.append(path)
    if "json" in forms and written:
        from fruitvision.export.sheet_table import write_sheet_schema

        write_sheet_schema(folder / SCHEMA_NAME)
        written.append(folder / SCHEMA_NAME)
    return tuple(written)


def write_sheet(
    sheet: SalesSheet, path: Path, form: str, *, units: Units = METRIC, paper: str = "A4"
) -> None:
    """Write one sheet in one of `SHEET_FORMS`. A CSV table and a JSON document have no paper, and a
    document no units but metric ones.

    Raises
    ------
    SettingsError
        If the form or the paper is unknown.
    StoreError
        If the file can't be written.
    """
    checked_forms([form])
    if paper not in SHEET_PAPERS:
        raise SettingsError(f"Unknown paper '{paper}'.", fix=did_you_mean(paper, SHEET_PAPERS))
    if form == "pdf":
        from fruitvision.export.sheet_pdf import write_sheet_pdf

        write_sheet_pdf(sheet, path, units, paper=paper)
    elif form == "xlsx":
        from fruitvision.export.sheet_workbook import write_sheet_xlsx

        write_sheet_xlsx(sheet, path, units, paper=paper)
    elif form == "csv":
        from fruitvision.export.sheet_table import write_sheet_csv

        write_sheet_csv(sheet, path, units)
    else:
        from fruitvision.export.sheet_table import write_sheet_json

        write_sheet_json(sheet, path)


def checked_forms(forms: Sequence[str]) -> tuple[str, ...]:
    """The forms as they were given.

    Raises
    ------
    SettingsError
        If one is unknown, or none is given.
    """
    if not forms:
        raise SettingsError(
            "No form of the sheet is named.", fix=f"Name: {', '.join(SHEET_FORMS)}."
        )
    for form in forms:
        if form not in SHEET_FORMS:
            raise SettingsError(
                f"A sales sheet has no form '{form}'.", fix=did_you_mean(form, SHEET_FORMS)
            )
    return tuple(forms)
