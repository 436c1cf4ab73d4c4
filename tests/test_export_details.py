"""Weeks, picks, bridge, uses and inputs of a forecast, in the workbook, CSV and JSON."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from datetime import date, datetime
from math import log
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from fruitvision.console import DETAIL_FILES
from fruitvision.domain import (
    Bridge,
    BridgeStep,
    Forecast,
    GradeForecast,
    Learned,
    LearnedNumber,
    PickForecast,
    Stage,
    UseQuantiles,
    WeekForecast,
)
from fruitvision.export import (
    detail_file,
    detail_tables,
    read_forecast_json,
    write_detail_csvs,
    write_forecast_csv,
    write_forecast_json,
    write_forecast_xlsx,
    write_weeks_csv,
)
from fruitvision.settings import Settings, all_settings_to_text
from fruitvision.size_table import load_size_table
from fruitvision.unit_system import US
from tests.farm_records import about, forecast
from tests.forecast_records import block_estimate, block_inputs, sizes

WEEK = date(2026, 8, 31)


def full() -> Forecast:
    """A forecast with everything, of one block that is picked twice."""
    old = forecast()
    weeks = (
        WeekForecast(week=WEEK, size_class="all", cartons=about(184.0)),
        WeekForecast(week=WEEK, size_class="70-75", cartons=about(48.0)),
        WeekForecast(week=WEEK, size_class="75-80", cartons=about(136.04)),
        WeekForecast(week=date(2026, 9, 7), size_class="all", cartons=about(276.0)),
    )
    picks = tuple(
        PickForecast(
            pick_date=day,
            fruit=about(fruit),
            diameter_mm=about(72.4),
            bins=about(52.5),
            cartons=about(230.0),
        )
        for day, fruit in ((date(2026, 9, 1), 91_066.0), (date(2026, 9, 9), 136_598.0))
    )
    hill = replace(
        old.blocks[0],
        picks=picks,
        weeks=weeks,
        rests_on="Rests on 12 trees.",
        grades=(GradeForecast(grade="fancy", size_class="all", cartons=about(300.0)),),
    )
    bridge = Bridge(
        earlier_id="2026-08-10-1",
        earlier_cartons=500.0,
        steps=(BridgeStep(cause="size", cartons=-52.25), BridgeStep(cause="growth", cartons=12.25)),
        cartons=460.0,
    )
    settings = Settings(promise_quantile=0.1, labour_quantile=0.5, bins_quantile=0.9)
    return replace(
        old,
        number=3,
        seed=7,
        blocks=(hill, old.blocks[1]),
        inputs=(block_inputs(block_estimate("Hill", with_sizes=sizes()), shares=(0.4, 0.6)),),
        bridge=bridge,
        quantiles=UseQuantiles(promise=0.1, labour=0.5, bins=0.9),
        settings_text=all_settings_to_text(settings),
        table=load_size_table("classes_5mm"),
    )


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def sheet_of(path: Path, name: str) -> list[tuple[Any, ...]]:
    return list(openpyxl.load_workbook(path)[name].iter_rows(values_only=True))


# ---------------------------------------------------------------- JSON


def test_a_full_forecast_comes_back_from_json_exactly(tmp_path: Path) -> None:
    write_forecast_json(full(), tmp_path / "forecast.json")
    assert read_forecast_json(tmp_path / "forecast.json") == full()


def test_json_of_the_first_version_stays_readable(tmp_path: Path) -> None:
    path = tmp_path / "forecast.json"
    write_forecast_json(forecast(), path)
    document = json.loads(path.read_text(encoding="utf-8"))
    new = {"number", "seed", "inputs", "bridge", "quantiles", "settings_text", "table", "what_if"}
    document["schema_version"] = 1
    document["forecast"] = {
        key: value for key, value in document["forecast"].items() if key not in new
    }
    for crop in document["forecast"]["blocks"]:
        del crop["picks"], crop["weeks"], crop["rests_on"], crop["grades"]
    del document["uses"]
    path.write_text(json.dumps(document), encoding="utf-8")
    assert read_forecast_json(path) == forecast()


def test_the_numbers_of_each_use_stand_in_the_json(tmp_path: Path) -> None:
    write_forecast_json(full(), tmp_path / "forecast.json")
    uses = json.loads((tmp_path / "forecast.json").read_text(encoding="utf-8"))["uses"]
    farm = {one["use"]: one for one in uses if one["level"] == "farm"}
    assert farm["promise"]["value"] == pytest.approx(414)
    assert (farm["labour"]["value"], farm["labour"]["unit"]) == (pytest.approx(105), "bins")
    assert farm["bins"]["value"] == pytest.approx(115.5)


# ---------------------------------------------------------------- CSV


def test_every_table_is_a_csv_file_that_says_what_it_is(tmp_path: Path) -> None:
    write_detail_csvs(full(), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(DETAIL_FILES)
    for name in DETAIL_FILES:
        rows = rows_of(tmp_path / name)
        assert rows
        assert {row["note"] for row in rows} == {"forecast, not an offer"}
        assert {row["forecast_id"] for row in rows} == {"2026-08-17-1"}


def test_weeks_have_a_row_for_each_class_and_one_for_all(tmp_path: Path) -> None:
    write_weeks_csv(full(), tmp_path / "weeks.csv")
    rows = rows_of(tmp_path / "weeks.csv")
    assert [(row["level"], row["name"], row["week"], row["size_class"]) for row in rows] == [
        ("block", "Hill", "2026-W36", "75-80"),
        ("block", "Hill", "2026-W36", "70-75"),
        ("block", "Hill", "2026-W36", "all"),
        ("block", "Hill", "2026-W37", "all"),
    ]
    assert rows[0]["monday"] == "2026-08-31"
    assert [rows[0][f"cartons_{p}"] for p in ("p10", "p50", "p90")] == ["122.4", "136.0", "149.6"]


def test_picks_bridge_and_inputs_have_units_in_their_heads(tmp_path: Path) -> None:
    write_detail_csvs(full(), tmp_path)
    first, second = rows_of(tmp_path / detail_file("picks"))
    assert (first["pass"], second["pass"], second["pick_date"]) == ("1", "2", "2026-09-09")
    assert (second["fruit_p50"], second["bins_p10"]) == ("136598", "47.2")
    bridge = rows_of(tmp_path / detail_file("bridge"))
    assert [(row["step"], float(row["expected_cartons"])) for row in bridge] == [
        ("before", 500.0), ("size", -52.2), ("growth", 12.2), ("now", 460.0)
    ]  # fmt: skip
    (inputs,) = rows_of(tmp_path / detail_file("inputs"))
    assert (inputs["block"], inputs["walked_on"], inputs["trees"]) == ("Hill", "2026-08-12", "12")
    assert (inputs["hidden_fruit_factor"], inputs["hand_counts"]) == ("1.5", "10")
    assert inputs["growth_mm3_per_day"] == "4000"
    assert inputs["weight_factor"] == "0.00038"
    assert inputs["passes"] == "2026-09-03 40 %; 2026-09-10 60 %"
    # 0.5 mm by trees and 3 % of 68 mm by scale: √(0.25 + 4.16) = 2.10.
    assert inputs["diameter_error_mm"] == "2.1"
    assert (inputs["learned_fruit_factor"], inputs["learned_accepted_by"]) == ("", "")


def test_what_was_learned_and_accepted_is_among_the_inputs(tmp_path: Path) -> None:
    learned = Learned(
        stage=Stage.PLAN,
        count=LearnedNumber(value=log(1.08), error=0.03),
        size_mm=LearnedNumber(value=-1.27),
        cull=LearnedNumber(value=0.021),
        who="Ines",
    )
    made = full()
    made = replace(made, inputs=tuple(replace(one, learned=learned) for one in made.inputs))
    write_detail_csvs(made, tmp_path, US)
    (inputs,) = rows_of(tmp_path / detail_file("inputs"))
    assert (inputs["learned_fruit_factor"], inputs["learned_fruit_factor_error"]) == (
        "1.08",
        "0.03",
    )
    assert (inputs["learned_diameter_in"], inputs["learned_cull_share"]) == ("-0.05", "0.021")
    assert inputs["learned_accepted_by"] == "Ines"


def test_a_what_if_says_so_in_every_row(tmp_path: Path) -> None:
    dry = replace(full(), what_if="dry season up to the pick")
    write_forecast_csv(dry, tmp_path / "forecast.csv")
    write_detail_csvs(dry, tmp_path)
    for name in ("forecast.csv", *DETAIL_FILES):
        notes = {row["note"] for row in rows_of(tmp_path / name)}
        assert notes == {"what if: dry season up to the pick; forecast, not an offer"}
    write_forecast_xlsx(dry, tmp_path / "forecast.xlsx")
    about_lines = dict(sheet_of(tmp_path / "forecast.xlsx", "About"))
    assert about_lines["What this is"].startswith("What if: dry season up to the pick")


def test_passes_that_were_moved_since_stand_in_every_row_of_weeks_and_days(tmp_path: Path) -> None:
    moved = ("Gala North", "Fuji Slope")
    write_forecast_csv(full(), tmp_path / "forecast.csv", moved=moved)
    write_detail_csvs(full(), tmp_path, moved=moved)
    write_weeks_csv(full(), tmp_path / "weeks.csv", moved=moved)
    note = (
        "picks are planned otherwise, weeks are the forecast's: Gala North, Fuji Slope; "
        "forecast, not an offer"
    )
    for name in ("forecast.csv", "weeks.csv", *DETAIL_FILES):
        assert {row["note"] for row in rows_of(tmp_path / name)} == {note}, name
    path = tmp_path / "forecast.xlsx"
    write_forecast_xlsx(full(), path, moved=moved)
    for sheet in ("Weeks", "Picks"):
        head, *rows = sheet_of(path, sheet)
        assert head[-1] == "Note"
        assert {row[-1] for row in rows} == {note}
    assert sheet_of(path, "Inputs")[0][-1] != "Note"
    assert dict(sheet_of(path, "About"))["What this is"] == f"P{note[1:]}."


def test_what_a_number_rests_on_stands_in_the_forecast_csv(tmp_path: Path) -> None:
    write_forecast_csv(full(), tmp_path / "forecast.csv")
    assert rows_of(tmp_path / "forecast.csv")[2]["rests_on"] == "Rests on 12 trees."


# ---------------------------------------------------------------- workbook


def test_the_workbook_has_a_sheet_for_each_table(tmp_path: Path) -> None:
    write_forecast_xlsx(full(), tmp_path / "forecast.xlsx")
    assert openpyxl.load_workbook(tmp_path / "forecast.xlsx").sheetnames == [
        "Pack-out", "Blocks", "Weeks", "Grades", "Picks", "Bridge", "Uses", "Inputs", "About"
    ]  # fmt: skip
    head, first, _, whole, *_ = sheet_of(tmp_path / "forecast.xlsx", "Weeks")
    assert head[4:] == ("Size class", "P10 (cartons)", "P50 (cartons)", "P90 (cartons)")
    assert first[3] == datetime(2026, 8, 31)  # noqa: DTZ001
    assert (first[4], whole[4]) == ("75-80", "all")
    assert first[5:] == pytest.approx((122.436, 136.04, 149.644))
    assert whole[5:] == pytest.approx((165.6, 184.0, 202.4))
    _, *steps = sheet_of(tmp_path / "forecast.xlsx", "Bridge")
    assert sum(step[2] for step in steps[:-1]) == pytest.approx(steps[-1][2])


def test_every_sheet_holds_what_the_table_holds(tmp_path: Path) -> None:
    write_forecast_xlsx(full(), tmp_path / "forecast.xlsx")
    for table in detail_tables(full()):
        head, *rows = sheet_of(tmp_path / "forecast.xlsx", table.sheet)
        assert head == tuple(column.head for column in table.columns)
        assert len(rows) == len(table.rows)
        for found, row in zip(rows, table.rows, strict=True):
            for cell, value in zip(found, row, strict=True):
                if isinstance(value, date):
                    assert cell.date() == value
                elif value in ("", None):
                    assert cell in ("", None)
                else:
                    expected = pytest.approx(value) if isinstance(value, float) else value
                    assert cell == expected


def test_a_table_that_holds_nothing_has_no_sheet(tmp_path: Path) -> None:
    write_forecast_xlsx(forecast(), tmp_path / "forecast.xlsx")
    names = openpyxl.load_workbook(tmp_path / "forecast.xlsx").sheetnames
    assert names == ["Pack-out", "Blocks", "About"]
    bare = [replace(one, grades=()) for one in full().blocks]
    write_forecast_xlsx(replace(full(), blocks=tuple(bare)), tmp_path / "forecast.xlsx")
    names = openpyxl.load_workbook(tmp_path / "forecast.xlsx").sheetnames
    assert "Grades" not in names
    assert "Weeks" in names


@pytest.mark.parametrize("name", ["=1+1", "+49 40", "@SUM(A1)", "=HYPERLINK(1)"])
def test_names_that_look_like_formulas_stay_text_in_all_tables(tmp_path: Path, name: str) -> None:
    one = full()
    hill = replace(one.blocks[0], name=name, variety=name)
    inputs = replace(
        one.inputs[0],
        estimate=replace(
            one.inputs[0].estimate, block=replace(one.inputs[0].estimate.block, block_id=name)
        ),
        growth=replace(one.inputs[0].growth, source=name),
    )
    named = replace(one, farm=name, blocks=(hill,), varieties=(hill,), inputs=(inputs,))
    write_detail_csvs(named, tmp_path)
    assert {row["farm"] for row in rows_of(tmp_path / "forecast_picks.csv")} == {f"'{name}"}
    assert {row["block"] for row in rows_of(tmp_path / "forecast_picks.csv")} == {f"'{name}"}
    assert rows_of(tmp_path / "forecast_inputs.csv")[0]["growth_source"] == f"'{name}"
    write_forecast_xlsx(named, tmp_path / "forecast.xlsx")
    workbook = openpyxl.load_workbook(tmp_path / "forecast.xlsx")
    cells = [cell for sheet in workbook for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert workbook["Picks"]["A2"].value == name
