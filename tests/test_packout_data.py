"""Culls and grades of the packing line: typed, kept, and at work in the forecast."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from fruitvision.domain import (
    ClassGrade,
    CropForecast,
    Doubt,
    Forecast,
    SizeTable,
    VarietyCull,
    VarietyGrade,
)
from fruitvision.errors import ForecastError
from fruitvision.export import write_detail_csvs
from fruitvision.forecast.crop_draws import add_draws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.grades import NOT_GRADED, grade_shares
from fruitvision.forecast.shared import draw_shared
from fruitvision.packout_data import read_culls, read_grades
from fruitvision.pipeline import Refused, forecast_farm
from fruitvision.pipeline.office import load_tables
from fruitvision.records import from_json, to_json
from fruitvision.report import forecast_lines
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from tests import forecast_records
from tests.walked_farm import SETTINGS, add_good_block

TABLE = load_size_table("box_counts_42lb")
MONDAY = date(2026, 8, 17)


def write(folder: Path, *lines: str, name: str = "table.csv") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        yield store


def make(store: FarmStore, table: SizeTable = TABLE) -> tuple[Forecast, tuple[Refused, ...]]:
    return forecast_farm(store, table, SETTINGS, made_on=MONDAY)


def cartons_of(crop: CropForecast) -> dict[str, float]:
    return {row.size_class: row.cartons.p50 for row in crop.classes}


# ---------------------------------------------------------------- as typed


def test_culls_are_read_by_class_and_variety(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "size class,cull share,variety,cull share error",
        "150,0.4,,0.05",
        'extra large,"0,25",Gala',
        "100,15,",
        "88,-0.1,",
        ",0.2,",
        "80,,",
        "72,0.1,Fuji",
        "72,0.2,fuji",
        "64,0.1,,3",
    )
    found = read_culls(path)
    assert found.rows == (
        VarietyCull(variety="", size_class="150", cull_share=0.4, cull_share_error=0.05),
        VarietyCull(variety="Gala", size_class="extra large", cull_share=0.25),
    )
    said = {row.line: row.what for row in found.refused}
    assert said[4] == "cull_share is 15."
    assert said[5] == "cull_share is -0.1."
    assert said[6] == "size_class is empty."
    assert said[7] == "cull_share is empty."
    assert said[8] == "Class 72 of Fuji stands on lines 8 and 9."
    assert said[9] == "Class 72 of fuji stands on lines 8 and 9."
    assert said[10] == "cull_share_error is 3."


def test_grades_of_a_class_that_do_not_add_up_are_refused_together(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "variety,size_class,grade,share",
        "Gala,100,fancy,0.7",
        "Gala,100,standard,0.3",
        "Gala,88,fancy,0.7",
        "Gala,88,standard,0.2",
        "Gala,80,fancy,1",
        "Gala,80,Fancy,0.5",
    )
    found = read_grades(path)
    assert [(row.size_class, row.grade) for row in found.rows] == [
        ("100", "fancy"),
        ("100", "standard"),
    ]
    assert [row.line for row in found.refused] == [4, 5, 6, 7]
    assert found.refused[0].what == "The grades of class 88 of Gala add up to 0.90."
    assert "lines 6 and 7" in found.refused[2].what


def test_a_variety_that_no_block_has_is_refused_and_the_rest_is_kept(
    farm: FarmStore, tmp_path: Path
) -> None:
    path = write(tmp_path, "size_class,cull_share,variety", "100,0.1,Gala", "100,0.2,Galla")
    counts, refused = load_tables({"culls": path}, farm, farm.blocks())
    assert counts.words == "1 class with culls"
    assert [item.what for item in refused] == ["No block is of variety 'Galla'."]
    assert "Gala" in refused[0].fix
    assert farm.culls() == (VarietyCull(variety="Gala", size_class="100", cull_share=0.1),)


def test_a_new_table_of_a_variety_takes_the_place_of_the_old_one(farm: FarmStore) -> None:
    old = [VarietyCull(variety="Gala", size_class=c, cull_share=0.1) for c in ("88", "100")]
    other = VarietyCull(variety="", size_class="88", cull_share=0.3)
    new = VarietyCull(variety="Gala", size_class="80", cull_share=0.2)
    farm.save_culls([*old, other])
    farm.save_culls([new])
    farm.save_culls([])
    assert farm.culls() == (other, new)
    fancy = VarietyGrade(variety="Gala", size_class="88", grade="fancy", share=1.0)
    farm.save_grades([fancy, replace(fancy, size_class="80")])
    farm.save_grades([fancy])
    assert farm.grades() == (fancy,)


# ---------------------------------------------------------------- culls at work


def test_own_culls_take_from_their_classes_and_the_flat_share_from_the_others(
    farm: FarmStore,
) -> None:
    flat, _ = make(farm)
    assert Doubt.ASSUMED_CULLS in flat.blocks[0].doubts
    # Without error of the share: what is packed is then (1 - 0.5) against (1 - 0.2).
    farm.save_culls([VarietyCull(variety="Gala", size_class="100", cull_share=0.5)])
    exact = replace(SETTINGS, cull_share_error=0.0)
    own, refused = forecast_farm(farm, TABLE, exact, made_on=MONDAY)
    assert not refused
    farm.save_culls([VarietyCull(variety="Gala", size_class="100", cull_share=0.2)])
    usual, _ = forecast_farm(farm, TABLE, exact, made_on=MONDAY)
    before, after = cartons_of(usual.blocks[0]), cartons_of(own.blocks[0])
    assert after["100"] == pytest.approx(before["100"] * 0.5 / 0.8, rel=1e-9)
    assert {n: c for n, c in after.items() if n != "100"} == {
        n: c for n, c in before.items() if n != "100"
    }
    assert Doubt.ASSUMED_CULLS not in own.blocks[0].doubts
    assert "culls of 1 class by the farm's own pack-out" in own.blocks[0].rests_on
    assert own.bridge is not None
    moved = {step.cause: step.cartons for step in own.bridge.steps}
    assert moved["culls"] < 0


def test_lines_of_the_variety_are_stronger_than_those_for_all(farm: FarmStore) -> None:
    for_all = VarietyCull(variety="", size_class="100", cull_share=0.4, cull_share_error=0.06)
    farm.save_culls([for_all, VarietyCull(variety="Fuji", size_class="100", cull_share=0.9)])
    made, _ = make(farm)
    culls = made.inputs[0].losses.culls_by_class
    assert [(c.cull_share, c.cull_share_error) for c in culls] == [(0.4, 0.06)]
    farm.save_culls([VarietyCull(variety="Gala", size_class="88", cull_share=0.1)])
    made, _ = make(farm)
    culls = made.inputs[0].losses.culls_by_class
    assert [(c.size_class, c.cull_share) for c in culls] == [("88", 0.1)]


def test_classes_of_another_shipped_table_wait_and_a_slip_is_said(farm: FarmStore) -> None:
    farm.save_culls(
        [VarietyCull(variety="", size_class=c, cull_share=0.3) for c in ("70-75", "100", "1OO")]
    )
    made, refused = make(farm)
    assert [c.size_class for c in made.inputs[0].losses.culls_by_class] == ["100"]
    assert [item.name for item in refused] == ["culls, class 1OO"]
    assert "no class '1OO'" in refused[0].what
    by_mm, _ = make(farm, load_size_table("classes_5mm"))
    assert [c.size_class for c in by_mm.inputs[0].losses.culls_by_class] == ["70-75"]


# ---------------------------------------------------------------- grades at work


def test_grades_part_each_class_and_add_up_to_its_cartons() -> None:
    inputs = forecast_records.block_inputs(
        forecast_records.block_estimate(with_sizes=forecast_records.sizes())
    )
    table = forecast_records.TABLE
    small, large = (one.name for one in table.classes)
    grades = (
        ClassGrade(size_class=large, grade="fancy", share=0.75),
        ClassGrade(size_class=large, grade="standard", share=0.25),
    )
    shared = draw_shared(SETTINGS)
    crop = draw_block(replace(inputs, grades=grades), table, SETTINGS, shared)
    plain = draw_block(inputs, table, SETTINGS, shared)
    assert crop.cartons is not None
    assert plain.grades == {}
    assert list(crop.grades) == ["fancy", "standard", NOT_GRADED]
    assert np.allclose(crop.grades["fancy"][:, 1], 0.75 * crop.cartons[:, 1])
    assert not crop.grades["fancy"][:, 0].any()
    assert np.allclose(crop.grades[NOT_GRADED][:, 0], crop.cartons[:, 0])
    assert np.allclose(sum(crop.grades.values()), crop.cartons)
    total = add_draws([crop, plain])
    assert np.allclose(sum(total.grades.values()), total.cartons)
    assert np.allclose(total.grades["fancy"], crop.grades["fancy"])
    with pytest.raises(ForecastError, match=f"class '{small}x' that the size table lacks"):
        grade_shares((replace(grades[0], size_class=f"{small}x"),), table)
    with pytest.raises(ForecastError, match="share below 0, or none above it"):
        grade_shares((replace(grades[0], share=0.0),), table)


def test_grades_reach_report_files_and_the_kept_forecast(farm: FarmStore, tmp_path: Path) -> None:
    farm.save_grades(
        VarietyGrade(variety="", size_class=one.name, grade=grade, share=share)
        for one in TABLE.classes
        for grade, share in (("fancy", 0.6), ("standard", 0.4))
    )
    made, _ = make(farm)
    (fancy, standard) = (row for row in made.total.grades if row.size_class == "all")
    assert made.total.cartons is not None
    assert fancy.grade == "fancy"
    assert fancy.cartons.p50 == pytest.approx(0.6 * made.total.cartons.p50)
    assert standard.cartons.p90 == pytest.approx(0.4 * made.total.cartons.p90)
    assert any(line.strip().startswith("fancy ") for line in forecast_lines(made))
    write_detail_csvs(made, tmp_path)
    lines = (tmp_path / "forecast_grades.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("level,name,grade,size_class,cartons_p10")
    assert any(line.startswith("farm,Larkhill,fancy,all,") for line in lines)
    assert from_json(Forecast, to_json(made)) == made
    assert farm.forecasts()[-1] == made
