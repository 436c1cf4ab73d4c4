"""Units that a user sees: factors, tables that come back, commands and the farm's usual units."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from fruitvision.console import DETAIL_FILES
from fruitvision.domain import Block, Estimate
from fruitvision.errors import SettingsError, SizeTableError
from fruitvision.export import (
    read_forecast_json,
    write_detail_csvs,
    write_forecast_csv,
    write_forecast_json,
    write_forecast_xlsx,
    write_fruit_csv,
    write_photos_csv,
)
from fruitvision.field_data import read_blocks
from fruitvision.office_data import read_weighed
from fruitvision.overlay import summary
from fruitvision.register import trees_by_spacing
from fruitvision.report.blocks import spacing_words
from fruitvision.settings import (
    Settings,
    all_settings_to_text,
    settings_from_text,
    settings_to_text,
)
from fruitvision.size_table import read_size_table
from fruitvision.store import open_farm
from fruitvision.unit_system import METRIC, US, Unit, UnitSystem, per_power, units_of
from tests.farm_records import measured_photo
from tests.test_bad_input import run
from tests.test_export_details import full, rows_of, sheet_of
from tests.walked_farm import add_good_block

# NIST Special Publication 811 (2008), appendix B.8, "factors for units listed alphabetically", in
# the units that the package keeps. Its acre rests on the survey foot, which is 2 millionths longer.
PRINTED = {
    "diameter": (25.4, 0.0),
    "cube": (1.638_706e4, 5e-7),
    "fruit": (28.349_52, 5e-7),
    "carton": (0.453_592_4, 5e-7),
    "crop": (0.907_184_7, 5e-7),
    "distance": (0.3048, 0.0),
    "area": (0.404_687_3, 5e-6),
}


@pytest.mark.parametrize("name", PRINTED)
def test_factors_are_those_of_the_standard(name: str) -> None:
    unit: Unit = getattr(US, name)
    size, relative = PRINTED[name]
    assert unit.size == pytest.approx(size, rel=relative, abs=0)
    assert getattr(METRIC, name).size == 1.0


def test_factors_are_exact_where_they_are_defined() -> None:
    # International yard and pound 1959: 0.9144 m, 0.45359237 kg; 4,840 square yards are an acre.
    assert US.area.size * 10_000 == pytest.approx(4840 * 0.9144**2, rel=1e-15)
    assert US.crop.size * 1000 == pytest.approx(2000 * 0.45359237, rel=1e-15)
    assert US.fruit.size * 16 == pytest.approx(453.59237, rel=1e-15)


@pytest.mark.parametrize("units", [METRIC, US])
@pytest.mark.parametrize("name", PRINTED)
def test_what_is_shown_comes_back(units, name: str) -> None:  # type: ignore[no-untyped-def]
    unit: Unit = getattr(units, name)
    for value in (0.0, 0.37, 71.2, 39_800.0):
        assert unit.kept(unit.shown(value)) == pytest.approx(value, rel=1e-15)
    found = unit.shown_range(Estimate(1.0, 2.0, 4.0))
    assert found is not None
    assert (found.p50 / found.p10, found.p90 / found.p10) == pytest.approx((2, 4))
    assert unit.shown_range(None) is None


def test_a_rule_of_mass_weighs_the_same_in_either_units() -> None:
    factor, power, mm = 3.1e-4, 3.04, 76.2
    in_ounces = per_power(US.fruit, US.diameter, factor, power) * 3.0**power
    assert US.fruit.kept(in_ounces) == pytest.approx(factor * mm**power)
    assert per_power(METRIC.fruit, METRIC.diameter, factor, power) == factor


def test_the_trade_reads_its_own_numbers() -> None:
    # Count 100 of a 42 lb box: 3⅛ inches, 190.5 g (Ontario, bin requirements; 42 lb ÷ 100).
    assert US.diameter.shown(79.375) == 3.125
    assert US.fruit.shown(190.5088) == pytest.approx(6.72, abs=1e-4)


def test_acres_and_feet_of_a_block() -> None:
    # 2 ha at 3.5 × 1.0 m are 5,714 trees, 4.94 ac and 11.5 × 3.28 ft.
    block = Block(
        block_id="Hill",
        variety="Gala",
        positions=5714,
        row_spacing_m=3.5,
        tree_spacing_m=1.0,
        area_ha=2.0,
    )
    assert spacing_words(block, METRIC) == "2.00 ha at 3.50 × 1.00 m: room for 5,714 trees"
    assert spacing_words(block, US) == "4.94 ac at 11.48 × 3.28 ft: room for 5,714 trees"
    assert spacing_words(replace(block, row_spacing_m=None), US) == "4.94 ac"
    assert spacing_words(replace(block, area_ha=None), US) == "11.48 × 3.28 ft"
    assert spacing_words(replace(block, area_ha=None, tree_spacing_m=None), US) == ""


# ---------------------------------------------------------------- tables


def same_but_units(metric: Path, us: Path, unit_of: Callable[[str], Unit | None]) -> int:
    """Compare two CSV files; columns by their place. Returns how many have other units."""
    differing = 0
    for row, other in zip(rows_of(metric), rows_of(us), strict=True):
        for (name, value), (us_name, us_value) in zip(row.items(), other.items(), strict=True):
            unit = unit_of(us_name)
            if unit is None:
                assert (name, value) == (us_name, us_value)
            else:
                assert name != us_name
                differing += 1
                if value:
                    # A last digit of either table.
                    last = 10.0 ** -len(us_value.partition(".")[2]) * unit.size
                    last = max(last, 10.0 ** -len(value.partition(".")[2]))
                    assert unit.kept(float(us_value)) == pytest.approx(float(value), abs=last)
    return differing


def test_every_csv_table_comes_back_from_the_other_units(tmp_path: Path) -> None:
    for name, units in (("metric", METRIC), ("us", US)):
        write_forecast_csv(full(), tmp_path / name / "forecast.csv", units)
        write_detail_csvs(full(), tmp_path / name, units)

    def unit_of(name: str) -> Unit | None:
        if name.startswith("growth") and "in3" in name:
            return US.cube
        if name.startswith("diameter"):
            return US.diameter
        return US.crop if name.startswith("short_tons") else None

    differing = 0
    for name in ("forecast.csv", *DETAIL_FILES):
        if "inputs" in name:
            continue
        differing += same_but_units(tmp_path / "metric" / name, tmp_path / "us" / name, unit_of)
    # Six columns of each row of forecast.csv, three of each pass.
    assert differing == 6 * len(rows_of(tmp_path / "us" / "forecast.csv")) + 3 * 2
    (inputs,) = rows_of(tmp_path / "us" / "forecast_inputs.csv")
    assert "diameter_mm" not in inputs
    assert float(inputs["diameter_in"]) * 25.4 == pytest.approx(68.0, abs=0.02)
    assert float(inputs["growth_in3_per_day"]) * 25.4**3 == pytest.approx(4000, abs=1)
    assert float(inputs["weight_factor"]) == pytest.approx(3.8e-4 * 25.4**3 / 28.349523, rel=1e-6)


def test_photos_and_fruit_are_written_in_inches(tmp_path: Path) -> None:
    photo = measured_photo("1.jpg")
    write_fruit_csv([photo], tmp_path / "fruit.csv", US)
    write_photos_csv([photo], tmp_path / "photos.csv", US)
    sized = [fruit for fruit in photo.fruit if fruit.diameter_mm is not None]
    written = [row for row in rows_of(tmp_path / "fruit.csv") if row["diameter_in"]]
    assert [25.4 * float(row["diameter_in"]) for row in written] == pytest.approx(
        [fruit.diameter_mm for fruit in sized], abs=0.02
    )
    assert not any("mm" in name for name in (*written[0], *rows_of(tmp_path / "photos.csv")[0]))
    assert photo.scale is not None
    (row,) = rows_of(tmp_path / "photos.csv")
    assert 25.4 * float(row["in_per_px"]) == pytest.approx(photo.scale.mm_per_px, abs=2e-6)
    assert " in" in summary(photo, US.diameter)
    assert "mm" not in summary(photo, US.diameter)


def test_the_workbook_says_its_units_in_the_heads_and_on_the_last_sheet(tmp_path: Path) -> None:
    for name, units in (("metric", METRIC), ("us", US)):
        write_forecast_xlsx(full(), tmp_path / f"{name}.xlsx", units)
    head, hill, *_ = sheet_of(tmp_path / "us.xlsx", "Blocks")
    assert head[11:14] == tuple(f"Picked {p} (short tons)" for p in ("P10", "P50", "P90"))
    assert head[17:20] == tuple(f"Mean diameter {p} (in)" for p in ("P10", "P50", "P90"))
    _, metric, *_ = sheet_of(tmp_path / "metric.xlsx", "Blocks")
    assert [907.18474e-3 * cell for cell in hill[11:14]] == pytest.approx(metric[11:14])
    assert [25.4 * cell for cell in hill[17:20]] == pytest.approx(metric[17:20])
    assert dict(sheet_of(tmp_path / "us.xlsx", "About"))["Units"].startswith("inches, short tons")
    for sheet in openpyxl.load_workbook(tmp_path / "us.xlsx"):
        heads = " ".join(str(cell.value) for cell in next(iter(sheet.iter_rows(max_row=1))))
        assert "mm" not in heads
        assert "tonnes" not in heads


def test_the_document_of_record_is_metric_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "forecast.json"
    write_forecast_json(full(), path)
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["units"].startswith("metric")
    assert read_forecast_json(path) == full()


# ---------------------------------------------------------------- settings and commands


def test_units_of_a_farm_change_no_number_and_no_forecast() -> None:
    us, metric = Settings(units="us"), Settings()
    assert us.sha256 == metric.sha256
    assert us.measuring_sha256 == metric.measuring_sha256
    assert all_settings_to_text(us) == all_settings_to_text(metric)
    assert settings_from_text(settings_to_text(us)) == us
    assert settings_to_text(metric) == ""


def test_unknown_units_are_refused_with_the_known_ones() -> None:
    with pytest.raises(SettingsError, match=r"no units 'metrik'.*Did you mean 'metric'.*us"):
        settings_from_text('units = "metrik"')
    with pytest.raises(SettingsError, match=r"'units' is 3.*word in quotes"):
        settings_from_text("units = 3")
    assert units_of("us") is US
    assert units_of(UnitSystem.METRIC) is METRIC


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        store.save_farm(replace(store.farm(), settings_text="draws = 400\n"))
    return tmp_path / "farm"


def test_commands_show_a_users_units(folder: Path, tmp_path: Path) -> None:
    farm = ("--farm", str(folder))
    _, metric = run("forecast", *farm)
    _, us = run("forecast", *farm, "--units", "us")
    assert " mm, " in metric
    assert " t, " in metric
    assert " in, " in us
    assert " short tons, " in us
    assert " mm" not in us
    # The same forecast: units are no part of it.
    versions = [re.findall(r"version (\S+)", words) for words in (metric, us)]
    assert versions[0] == versions[1] != []
    _, block = run("block", *farm, "--units", "us")
    assert " in, standard error 0." in block
    assert "in³ a day" in block
    run("export", *farm, "--out", str(tmp_path / "out"), "--units", "us")
    assert "diameter_in_p50" in rows_of(tmp_path / "out" / "forecast.csv")[0]
    assert read_forecast_json(tmp_path / "out" / "forecast.json").total.diameter_mm is not None
    status, words = run("forecast", *farm, "--units", "imperial")
    assert status == 2
    assert "'metric', 'us'" in words


def test_the_farms_units_stand_where_a_user_asks_for_none(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    farm = ("--farm", str(folder))
    (folder / "s.toml").write_text('draws = 400\nunits = "us"\n')
    _, words = run("forecast", *farm, "--settings", str(folder / "s.toml"))
    assert " short tons, " in words
    assert " short tons, " in run("forecast", *farm)[1]
    monkeypatch.setenv("FRUITVISION_UNITS", "metric")
    assert " short tons, " not in run("forecast", *farm)[1]
    assert " short tons, " in run("forecast", *farm, "--units", "us")[1]


# ---------------------------------------------------------------- what people type


def typed(folder: Path, name: str, *lines: str) -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_blocks_come_in_feet_and_acres(tmp_path: Path) -> None:
    head = "block,variety,positions,row_spacing_ft,tree_spacing_ft,area_acres,area_ha"
    found = read_blocks(
        typed(tmp_path, "b.csv", head, "Hill,Gala,5714,11.483,3.2808,4.9421,", "Dell,Gala,9,,,1,1")
    )
    (block,) = found.rows
    assert (block.row_spacing_m, block.tree_spacing_m) == pytest.approx((3.5, 1.0), abs=1e-3)
    assert block.area_ha == pytest.approx(2.0, abs=1e-4)
    assert trees_by_spacing(block) == 5714
    (refused,) = found.refused
    assert refused.what == "Both area_ha (1) and area_acres (1) are filled."


def test_weighed_fruit_come_in_ounces_and_inches(tmp_path: Path) -> None:
    head = "variety,weighed_on,diameter_in,mass_oz,mass_g"
    found = read_weighed(
        typed(
            tmp_path,
            "w.csv",
            head,
            "Gala,2026-08-30,3.125,6.72,",
            "Gala,2026-08-30,3.125,672,",
            "Gala,2026-08-30,3.125,6.72,190",
        )
    )
    (fruit,) = found.rows
    assert (fruit.diameter_mm, fruit.mass_g) == pytest.approx((79.375, 190.51), abs=0.01)
    assert [one.what for one in found.refused] == [
        "mass_oz is 672.",
        "Both mass_g (190) and mass_oz (6.72) are filled.",
    ]


def test_a_size_table_comes_in_inches_ounces_and_pounds(tmp_path: Path) -> None:
    by_inch = read_size_table(
        typed(
            tmp_path,
            "i.csv",
            "class,from_in,to_in,carton_lb",
            "large,2.875,3.25,42",
            "small,2.5,2.875,42",
        )
    )
    assert by_inch.unit == "mm"
    assert by_inch.carton_kg == pytest.approx(19.0509, abs=1e-4)
    assert [(one.low, one.high) for one in by_inch.classes] == [
        pytest.approx((63.5, 73.025)),
        pytest.approx((73.025, 82.55)),
    ]
    by_ounce = read_size_table(
        typed(tmp_path, "o.csv", "class,from_oz,to_oz,carton_kg", "a,5,6,18", "b,6,8,18")
    )
    assert by_ounce.unit == "g"
    assert by_ounce.classes[1].high == pytest.approx(226.796, abs=1e-3)
    for lines, words in (
        (("class,from_in,to_in,carton_lb", "a,2,2.5,42", "b,2.75,3,42"), r"gap.*2.5 to 2.75 in"),
        (
            ("class,from_in,to_in,from_mm,carton_lb", "a,2,2.5,50,42"),
            "mixes limits in in and in mm",
        ),
        (("class,from_in,to_in,carton_lb,carton_kg", "a,2,2.5,42,18"), "both carton_kg and"),
        (("class,from_in,to_in", "a,2,2.5"), "no column 'carton_kg'"),
    ):
        with pytest.raises(SizeTableError, match=words):
            read_size_table(typed(tmp_path, "bad.csv", *lines))
