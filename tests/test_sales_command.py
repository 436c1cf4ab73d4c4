"""`fruitvision freeze` and `fruitvision harvest` on a farm of known trees."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import FrozenForecast, Pick, PickPlan
from fruitvision.store import open_farm
from tests.test_bad_input import run
from tests.walked_farm import add_good_block


@pytest.fixture(autouse=True)
def _before_the_pick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands run on a day on which all still hangs."""
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-08-20")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        passes = (date(2026, 9, 3), 0.6), (date(2026, 9, 10), 0.4)
        picks = tuple(Pick(pick_date=day, share=share) for day, share in passes)
        store.save_pick_plan("Hill", PickPlan(picks=picks))
    return tmp_path / "farm"


def command(name: str, folder: Path, *more: str) -> tuple[int, str]:
    return run(name, "--farm", str(folder), *more)


def make(folder: Path, *more: str, settings: str = "draws = 400\n") -> None:
    (folder / "s.toml").write_text(settings)
    status, text = command("forecast", folder, "--settings", str(folder / "s.toml"), *more)
    assert status == 0, text


def frozen(folder: Path) -> tuple[FrozenForecast, ...]:
    with open_farm(folder, create=False) as store:
        return store.frozen_forecasts()


def test_a_version_is_frozen_once_with_name_and_note(folder: Path) -> None:
    make(folder)
    status, text = command("freeze", folder, "--by", "Ines", "--note", "first quote")
    assert status == 0
    (one,) = frozen(folder)
    assert (one.frozen_by, one.note) == ("Ines", "first quote")
    assert f"Forecast {one.forecast_id} is frozen for sales, by Ines" in text
    _, text = command("freeze", folder, "--by", "Paul", "--note", "first quote")
    assert "was frozen already for sales, by Ines" in text
    assert frozen(folder) == (one,)


def test_a_forecast_of_a_pick_that_is_past_is_frozen_with_a_warning(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-12-20")
    make(folder)
    status, text = command("freeze", folder, "--by", "Ines")
    assert status == 1
    assert "is frozen for sales, by Ines" in text
    assert "the pick date was past when this forecast was made" in " ".join(text.split())
    _, text = command("harvest", folder)
    assert "the pick date was past when this forecast was made" in " ".join(text.split())
    out = folder.parent / "sheets"
    command("sheet", folder, "--out", str(out), "--format", "json")
    (path,) = out.glob("*no1.json")
    sheet = json.loads(path.read_text(encoding="utf-8"))
    assert {line["safe_cartons"] for line in sheet["lines"]} == {None}
    assert sheet["stage"] == "after the pick"


def test_a_what_if_and_an_unknown_version_are_refused(folder: Path) -> None:
    status, text = command("freeze", folder)
    assert status == 2
    assert "no forecast yet" in text
    make(folder, "--pick-shift", "5", "--keep")
    status, text = command("freeze", folder, "--by", "Ines")
    assert status == 2
    assert "is a what-if (picked 5 days later)" in text
    status, text = command("freeze", folder, "--version", "nothing")
    assert status == 2
    assert "No forecast has the version 'nothing'" in text
    assert frozen(folder) == ()


def test_the_harvest_is_printed_with_what_is_short_and_cautions(folder: Path) -> None:
    status, text = command("harvest", folder)
    assert status == 2
    assert "holds no forecast yet" in text
    make(folder, settings="draws = 400\ncrew = 1\nbins_per_picker_day = 0.5\nbins_on_hand = 500\n")
    status, text = command("harvest", folder)
    assert status == 0
    assert "Hill, pass 1 of 2" in text
    assert "Thu 3 Sep: Hill" in text
    assert "! Thu 3 Sep: short of " in text
    assert "pickers at P90." in text
    assert "Ladders: as trained only" in text
    assert "This forecast is not frozen." in text
    command("freeze", folder, "--by", "Ines")
    _, text = command("harvest", folder)
    assert "not frozen" not in text


def test_the_calendar_as_csv_adds_up(folder: Path, tmp_path: Path) -> None:
    make(folder, settings="draws = 400\ncrew = 1\n")
    out = tmp_path / "harvest.csv"
    assert command("harvest", folder, "--out", str(out))[0] == 0
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    (farm,) = (row for row in rows if row["level"] == "farm")
    for level in ("block", "day"):
        of_level = [row for row in rows if row["level"] == level]
        assert len(of_level) == 2
        for column in ("bins_mean", "picker_days_mean"):
            total = sum(float(row[column]) for row in of_level)
            assert total == pytest.approx(float(farm[column]), abs=0.11)
    day = next(row for row in rows if row["level"] == "day")
    assert (day["day"], day["week"], day["farm"]) == ("2026-09-03", "2026-W36", "Larkhill")
    assert int(day["pickers_short"]) > 0
    # Bins on hand are not set.
    assert (day["bins_short"], day["rooms_over"]) == ("", "")
    assert float(day["pickers_overtime"]) >= float(day["pickers_planned"])
    block = next(row for row in rows if row["level"] == "block")
    assert (block["day"], block["place_bins_on"]) == ("2026-09-03", "2026-09-02")
    assert day["note"] == "forecast, not an offer"
