"""`fruitvision sheet`: the sales sheet of each variety, for the farm or for a buyer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fruitvision.commands.options import Farm, ShownUnits
from fruitvision.console import (
    check_outside,
    farm_settings_or,
    farm_store,
    say,
    say_not_printed,
    shown_units,
)
from fruitvision.errors import StoreError, did_you_mean

if TYPE_CHECKING:
    from fruitvision.sheet import SalesSheet


def sheet(
    farm: Farm,
    out: Annotated[Path, typer.Option("--out", help="Folder for the files; made if missing.")],
    buyer: Annotated[
        bool,
        typer.Option("--buyer", help="The copy for buyers: ranges, no blocks, notes or doubts."),
    ] = False,
    variety: Annotated[
        str | None, typer.Option("--variety", help="This variety only; else all of them.")
    ] = None,
    forms: Annotated[
        str | None, typer.Option("--format", help="Some of pdf,xlsx,csv,json; else all.")
    ] = None,
    version: Annotated[
        str | None, typer.Option("--version", help="Forecast version; else what sales works with.")
    ] = None,
    paper: Annotated[
        str | None, typer.Option("--paper", help="A4 or Letter; else by the units.")
    ] = None,
    units: ShownUnits = None,
) -> int:
    """Write the sales sheet of each variety: cartons by class and week, as PDF, XLSX, CSV and JSON.

    Example: fruitvision sheet --farm larkhill --out for-buyers --buyer --format pdf,xlsx
    """
    from fruitvision.export.sheets import SHEET_FORMS, checked_forms, usual_paper, write_sheets
    from fruitvision.forecast.words import use_quantiles
    from fruitvision.pipeline.pick_plans import moved_blocks, moved_words
    from fruitvision.pipeline.picked import picked_since, picked_words
    from fruitvision.pipeline.sheet import sales_sheets, sold_as, track_records
    from fruitvision.sheet import for_buyer

    check_outside(farm, out)
    if out.exists() and not out.is_dir():
        raise StoreError(f"{out} is a file.", fix="Name a folder; it is made if it is missing.")
    named = SHEET_FORMS if forms is None else [one.strip().lower() for one in forms.split(",")]
    asked = checked_forms([one for one in named if one])
    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, None)
        sold = sold_as(store, version)
        records = track_records(store, sold.forecast)
        moved = moved_blocks(store, sold.forecast)
        picked = picked_since(store, sold.forecast)
        made = sales_sheets(sold, use_quantiles(settings), track_records=records, moved=moved)
        blocks = [block.block_id for block in store.blocks()]
    names = [*blocks, *(block.name for block in sold.forecast.blocks)]
    sheets = _chosen(made.sheets, variety, [one.name for one in made.left_out])
    if buyer:
        sheets = [for_buyer(one, names) for one in sheets]
    shown = shown_units(units, settings)
    written = write_sheets(sheets, out, asked, units=shown, paper=paper or usual_paper(shown))
    left_out = [one for one in made.left_out if variety in (None, one.name)]
    say(f"{one.name} is left out. {one.what} {one.fix}" for one in left_out)
    if written:
        typer.echo(f"Written to {out}: {', '.join(path.name for path in written)}.")
    if sold.frozen is None:
        before = "before you send it " if buyer else ""
        typer.echo(
            f"This version is not frozen. Freeze it {before}with: fruitvision freeze --farm {farm}."
        )
    if moved:
        typer.echo(moved_words(moved))
    if picked:
        typer.echo(picked_words(picked))
    if not written:
        return 2
    lost = "pdf" in asked and say_not_printed(_names_on(sheets))
    return 1 if left_out or lost else 0


def _names_on(sheets: list[SalesSheet]) -> list[str]:
    """What people named, as it stands on the pages."""
    return [
        name
        for one in sheets
        for name in (one.variety, one.farm, one.version.frozen_by, *one.left_out_blocks)
    ]


def _chosen(
    sheets: tuple[SalesSheet, ...], variety: str | None, left_out: list[str]
) -> list[SalesSheet]:
    known = [one.variety for one in sheets]
    if variety is not None and variety not in (*known, *left_out):
        raise StoreError(
            f"The forecast has no variety '{variety}'.",
            fix=did_you_mean(variety, [*known, *left_out]),
        )
    return [one for one in sheets if variety in (None, one.variety)]
