"""`fruitvision sheet` on a farm whose versions are frozen."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pypdf
import pytest

from fruitvision.pipeline.pick_plans import keep_plans, kept_plans
from fruitvision.pipeline.sheet import sold_as
from fruitvision.store import open_farm
from tests.sheet_records import BLOCKS, frozen_twice
from tests.test_bad_input import run


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sold") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        frozen_twice(store)
    return folder


def command(folder: Path, out: Path, *more: str) -> tuple[int, str]:
    return run("sheet", "--farm", str(folder), "--out", str(out), *more)


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


def test_every_variety_has_its_files_and_the_one_without_cartons_is_told(
    folder: Path, tmp_path: Path
) -> None:
    status, text = command(folder, tmp_path / "out")
    # Braeburn has no hand counts: left out, and said.
    assert status == 1
    assert "Braeburn is left out. Cartons of Braeburn are not known" in text
    assert names_in(tmp_path / "out") == [
        *(f"Fuji-sales-sheet-no2.{form}" for form in ("csv", "json", "pdf", "xlsx")),
        *(f"Gala-sales-sheet-no2.{form}" for form in ("csv", "json", "pdf", "xlsx")),
        "sales_sheet.schema.json",
    ]
    for name in names_in(tmp_path / "out"):
        assert name in text
    assert "not frozen" not in text


def test_a_buyers_copy_of_one_variety_in_two_forms(folder: Path, tmp_path: Path) -> None:
    status, _ = command(
        folder, tmp_path / "out", "--buyer", "--variety", "Gala", "--format", "pdf, CSV"
    )
    assert status == 0
    assert names_in(tmp_path / "out") == [
        "Gala-sales-sheet-no2-buyer.csv",
        "Gala-sales-sheet-no2-buyer.pdf",
    ]
    csv = (tmp_path / "out" / "Gala-sales-sheet-no2-buyer.csv").read_text(encoding="utf-8")
    (page,) = pypdf.PdfReader(tmp_path / "out" / "Gala-sales-sheet-no2-buyer.pdf").pages
    for text in (csv, page.extract_text()):
        assert [name for name in BLOCKS if name.casefold() in text.casefold()] == []
        assert "hidden fruit" in text


@pytest.mark.parametrize(
    ("more", "width"), [((), 595.28), (("--units", "us"), 612), (("--paper", "Letter"), 612)]
)
def test_the_paper_is_that_of_the_units_unless_it_is_named(
    folder: Path, tmp_path: Path, more: tuple[str, ...], width: float
) -> None:
    command(folder, tmp_path, "--variety", "Fuji", "--format", "pdf", *more)
    (page,) = pypdf.PdfReader(tmp_path / "Fuji-sales-sheet-no2.pdf").pages
    assert min(map(float, page.mediabox[2:])) == pytest.approx(width, abs=0.01)


def test_an_older_version_is_written_as_it_was_and_tells_no_change(
    folder: Path, tmp_path: Path
) -> None:
    with open_farm(folder, create=False) as store:
        first, second = (one.forecast_id for one in store.forecasts())
    for name, version in (("old", first), ("new", second)):
        status, _ = command(
            folder, tmp_path / name, "--variety", "Gala", "--version", version, "--format", "json"
        )
        assert status == 0
    old = json.loads((tmp_path / "old" / "Gala-sales-sheet-no1.json").read_text(encoding="utf-8"))
    new = json.loads((tmp_path / "new" / "Gala-sales-sheet-no2.json").read_text(encoding="utf-8"))
    assert (old["version"]["forecast_id"], old["earlier"]) == (first, None)
    assert new["earlier"]["forecast_id"] == first
    means = [one["lines"][-1]["mean_cartons"] for one in (old, new)]
    assert means[1] - means[0] == pytest.approx(new["lines"][-1]["change_cartons"], rel=1e-6)


def test_the_sheet_says_what_the_export_says(folder: Path, tmp_path: Path) -> None:
    run("export", "--farm", str(folder), "--out", str(tmp_path / "all"))
    command(folder, tmp_path / "sheet", "--format", "csv")
    weeks = pd.read_csv(tmp_path / "all" / "forecast_weeks.csv", dtype={"size_class": str})
    weeks = weeks[(weeks["level"] == "variety") & (weeks["name"] == "Gala")]
    table = pd.read_csv(tmp_path / "sheet" / "Gala-sales-sheet-no2.csv", dtype={"size_class": str})
    both = weeks.merge(table, on=["week", "monday", "size_class"], suffixes=("", "_of_sheet"))
    assert len(both) == len(weeks) > 20
    for percentile in ("p10", "p50", "p90"):
        column = f"cartons_{percentile}"
        assert list(both[column]) == list(both[f"{column}_of_sheet"])


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--format", "docx"), "A sales sheet has no form 'docx'."),
        (("--format", ","), "No form of the sheet is named."),
        (("--variety", "Galla"), "The forecast has no variety 'Galla'. Did you mean 'Gala'?"),
        (("--paper", "A3"), "Unknown paper 'A3'."),
        (("--version", "2026-08-17-none"), "No forecast has the version '2026-08-17-none'."),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else "",
)
def test_what_makes_no_sense_is_refused_in_a_sentence(
    folder: Path, tmp_path: Path, more: tuple[str, ...], words: str
) -> None:
    status, text = command(folder, tmp_path / "out", *more)
    assert status == 2
    assert words in " ".join(text.split())
    assert names_in(tmp_path / "out") == []


def test_a_variety_whose_cartons_are_not_known_alone_is_nothing_done(
    folder: Path, tmp_path: Path
) -> None:
    status, text = command(folder, tmp_path / "out", "--variety", "Braeburn")
    assert status == 2
    assert "Cartons of Braeburn are not known" in text
    assert names_in(tmp_path / "out") == []


def test_a_farm_without_forecast_says_how_to_make_one(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm"):
        pass
    status, text = command(tmp_path / "farm", tmp_path / "out")
    assert status == 2
    assert "There is no forecast of record yet." in text
    assert "fruitvision forecast" in text


def test_a_version_is_named_by_its_number_too(folder: Path, tmp_path: Path) -> None:
    with open_farm(folder, create=False) as store:
        first = store.forecasts()[0].forecast_id
    more = "--variety", "Gala", "--version", "1", "--format", "json"
    assert command(folder, tmp_path / "out", *more)[0] == 0
    sheet = json.loads((tmp_path / "out" / "Gala-sales-sheet-no1.json").read_text(encoding="utf-8"))
    assert sheet["version"]["forecast_id"] == first
    assert command(folder, tmp_path / "out", "--version", "9")[0] == 2
    exported = run(
        "export", "--farm", str(folder), "--out", str(tmp_path / "all"), "--version", "1"
    )
    assert (exported[0], first in exported[1]) == (0, True)


def test_a_sheet_goes_into_a_folder_outside_the_farm(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "prices.csv"
    file.write_text("kept")
    for out, words in ((file, "is a file"), (folder / "out", "in the farm's own folder")):
        status, text = command(folder, out)
        assert status == 2
        assert words in " ".join(text.split())
    assert (file.read_text(), (folder / "out").exists()) == ("kept", False)


def test_passes_that_were_moved_since_are_told_beside_the_sheets(
    folder: Path, tmp_path: Path
) -> None:
    farm = tmp_path / "farm"
    shutil.copytree(folder, farm)
    assert (
        "not those of this forecast" not in command(farm, tmp_path / "before", "--format", "csv")[1]
    )
    with open_farm(farm) as store:
        forecast = sold_as(store, None).forecast
        name, plan = next(iter(kept_plans(store, forecast).items()))
        later = replace(
            plan,
            picks=tuple(
                replace(one, pick_date=one.pick_date + timedelta(days=7)) for one in plan.picks
            ),
        )
        keep_plans({name: later}, {name: plan}, store, forecast, who="Ines")
    told = command(farm, tmp_path / "after", "--format", "csv")[1]
    of_variety = next(
        one.estimate.block.variety for one in forecast.inputs if one.estimate.block.block_id == name
    )
    for file in (tmp_path / "after").glob("*.csv"):
        in_it = f"otherwise than in this forecast ({name})" in file.read_text(encoding="utf-8-sig")
        assert in_it is file.name.startswith(of_variety)
    words = f"The farm's passes are not those of this forecast: {name}"
    assert words in " ".join(told.split())
    # And in the tables of the forecast itself.
    status, told = run("export", "--farm", str(farm), "--out", str(tmp_path / "export"))
    assert (status, words in " ".join(told.split())) == (0, True)
    weeks = (tmp_path / "export" / "forecast_weeks.csv").read_text(encoding="utf-8-sig")
    assert f"picks are planned otherwise, weeks are the forecast's: {name}; forecast" in weeks
