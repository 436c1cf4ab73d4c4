"""The whole job on the invented farm, from the command, held against its truth.

The bounds are stated before the run: what a grower could live with, not what was reached.
"""

import csv
import json
import shutil
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from openpyxl import load_workbook

from fruitvision.commands import demo as demo_command
from fruitvision.domain import Doubt, Forecast, MeasuredPhoto
from fruitvision.export import read_forecast_json
from fruitvision.share import shared_folder
from fruitvision.simulate.score import Scored, score_of
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from tests.conftest import Demo
from tests.test_bad_input import run

SAMPLES = shared_folder("samples")


@pytest.fixture(scope="module")
def forecast(demo: Demo) -> Forecast:
    return read_forecast_json(demo.out / "forecast.json")


@pytest.fixture(scope="module")
def photos(demo: Demo) -> tuple[MeasuredPhoto, ...]:
    with open_farm(demo.farm, create=False) as store:
        return store.measured_photos()


def scored(forecast: Forecast) -> dict[tuple[str, str], Scored]:
    table = load_size_table("box_counts_42lb")
    return {(item.name, item.what): item for item in score_of(forecast, SAMPLES, table)}


def test_the_pack_out_and_the_next_action_are_printed(demo: Demo) -> None:
    text = demo.text
    assert "Next best action: " in text
    assert "A forecast, not an offer" in text
    assert "Fewer than 8 trees or panels: a first look, no promise." in text
    for variety in ("Gala", "Fuji"):
        assert f"\n{variety}\n" in text


def test_every_file_is_written_and_says_the_same(demo: Demo, forecast: Forecast) -> None:
    out = demo.out
    assert len(list((out / "overlays").glob("*.jpg"))) == 40
    assert load_workbook(out / "forecast.xlsx").sheetnames[0] == "Pack-out"
    with (out / "forecast.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    gala = next(r for r in rows if r["name"] == "Gala North" and r["size_class"] == "113")
    kept = next(c for c in forecast.blocks if c.name == "Gala North")
    cartons = next(c.cartons for c in kept.classes if c.size_class == "113")
    assert float(gala["cartons_p50"]) == pytest.approx(cartons.p50, abs=0.05)
    assert json.loads((out / "forecast.json").read_text(encoding="utf-8"))["schema_version"] == 5


def test_the_number_of_fruit_is_near_the_truth(forecast: Forecast) -> None:
    numbers = scored(forecast)
    for block, bound in (("Gala North", 0.10), ("Fuji Slope", 0.20)):
        item = numbers[block, "fruit picked"]
        assert item.forecast.p50 == pytest.approx(item.truth, rel=bound)


def test_the_mean_diameter_at_the_pick_is_near_the_truth(forecast: Forecast) -> None:
    # Gala has calipers and two weeks to go; Fuji has neither, and seven weeks.
    numbers = scored(forecast)
    for block, bound_mm in (("Gala North", 2.0), ("Fuji Slope", 6.0)):
        item = numbers[block, "mean diameter mm"]
        assert item.forecast.p50 == pytest.approx(item.truth, abs=bound_mm)


def test_tonnes_and_cartons_are_near_the_truth(forecast: Forecast) -> None:
    numbers = scored(forecast)
    for what in ("tonnes", "cartons"):
        for block, bound in (("Gala North", 0.15), ("Fuji Slope", 0.30)):
            item = numbers[block, what]
            assert item.forecast.p50 == pytest.approx(item.truth, rel=bound)


def test_most_truths_lie_inside_the_printed_ranges(forecast: Forecast) -> None:
    inside = [item.inside for item in scored(forecast).values()]
    assert len(inside) >= 10
    assert np.mean(inside) >= 0.6


def test_six_trees_give_no_cartons_by_class(forecast: Forecast) -> None:
    # Fuji Slope was walked on 6 trees, and brings nearly half of the farm's fruit.
    crops = {crop.name: crop for crop in forecast.blocks}
    gala, fuji = crops["Gala North"], crops["Fuji Slope"]
    assert gala.classes
    assert (fuji.classes, forecast.total.classes) == ((), ())
    assert fuji.rests_on.startswith("Rests on 6 trees and 4 hand counts")


def test_every_number_is_an_ordered_range(forecast: Forecast) -> None:
    for crop in (*forecast.blocks, *forecast.varieties, forecast.total):
        assert crop.cartons is not None
        if not crop.classes:
            continue
        # Medians of classes need not add up to the whole; their ranges must hold it.
        assert sum(row.share.p10 for row in crop.classes) < 1
        assert sum(row.share.p90 for row in crop.classes) > 1
        assert sum(row.cartons.p10 for row in crop.classes) < crop.cartons.p50
        assert sum(row.cartons.p90 for row in crop.classes) > crop.cartons.p50


def test_the_scale_of_every_photo_is_right(photos: tuple[MeasuredPhoto, ...]) -> None:
    with (SAMPLES / "truth_markers.csv").open(encoding="utf-8", newline="") as stream:
        truth = {
            Path(row["photo"]).name: float(row["depth_mm"]) / float(row["focal_px"])
            for row in csv.DictReader(stream)
        }
    ratios = [photo.scale.mm_per_px / truth[photo.photo.name] for photo in photos if photo.scale]
    assert len(ratios) == 40
    assert np.mean(ratios) == pytest.approx(1, abs=0.003)
    assert max(abs(ratio - 1) for ratio in ratios) < 0.01


def test_sized_fruit_are_sized_without_much_bias(photos: tuple[MeasuredPhoto, ...]) -> None:
    truth: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    with (SAMPLES / "truth_photos.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            if float(row["visible_share"]) > 0.1:
                place = (float(row["x_px"]), float(row["y_px"]), float(row["width_px"]))
                truth[Path(row["photo"]).name].append(place)
    ratios = []
    for photo in photos:
        true = np.array(truth[photo.photo.name])
        for fruit in photo.fruit:
            if fruit.diameter_mm is not None:
                away = np.hypot(true[:, 0] - fruit.centre_x_px, true[:, 1] - fruit.centre_y_px)
                near = int(away.argmin())
                if away[near] < 0.4 * true[near, 2]:
                    ratios.append(fruit.width_px / true[near, 2])
    assert len(ratios) > 150
    assert np.median(ratios) == pytest.approx(1, abs=0.03)


def test_no_photo_of_the_samples_is_refused(photos: tuple[MeasuredPhoto, ...]) -> None:
    doubts = {doubt for photo in photos for doubt in photo.doubts}
    assert not doubts & {Doubt.BLURRED, Doubt.TOO_DARK, Doubt.NO_TREE, Doubt.NO_MARKER}


def test_a_second_demo_changes_nothing(
    demo: Demo, tmp_path: Path, forecast: Forecast, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "demo"
    shutil.copytree(demo.out, out)
    # Pictures are drawn anew from what is kept; the first demo's are looked at above.
    monkeypatch.setattr(demo_command, "write_picture", lambda *_: None)
    status, _ = run("demo", "--out", str(out))
    assert status == 0
    with open_farm(out / "farm", create=False) as store:
        assert len(store.measured_photos()) == 40
        assert [kept.forecast_id for kept in store.forecasts()] == [forecast.forecast_id]


def test_a_kept_forecast_is_exported_again_and_a_wrong_version_is_said(
    demo: Demo, tmp_path: Path, forecast: Forecast
) -> None:
    farm = str(demo.farm)
    assert run("export", "--farm", farm, "--out", str(tmp_path))[0] == 0
    assert read_forecast_json(tmp_path / "forecast.json") == forecast
    status, text = run("export", "--farm", farm, "--out", str(tmp_path), "--version", "none")
    assert status == 2
    assert forecast.forecast_id in text
