"""Files that leave the tool, read back with other libraries."""

from __future__ import annotations

import csv
import json
import os
import re
import sys
import zipfile
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from fruitvision.domain import CropForecast, DepthGrade, Doubt, Forecast
from fruitvision.errors import StoreError
from fruitvision.export import (
    read_forecast_json,
    write_forecast_csv,
    write_forecast_json,
    write_forecast_xlsx,
    write_fruit_csv,
    write_photos_csv,
    write_refused_csv,
)
from tests.farm_records import crop, forecast, measured_photo, sha256

FORMULAS = ["=1+1", "+49 40", "-Block", "@SUM(A1)", " =HYPERLINK(1)", "\t=2", "＝3"]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def named(name: str) -> Forecast:
    """A forecast in which everything that people name bears this name."""
    one: CropForecast = replace(
        crop(name, name),
        classes=tuple(
            replace(c, size_class=f"{name}{i}") for i, c in enumerate(crop("", "").classes)
        ),
    )
    return replace(
        forecast(), farm=name, blocks=(one,), varieties=(one,), total=one, next_action=name
    )


# ---------------------------------------------------------------- JSON


def test_a_forecast_comes_back_from_json_exactly(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "forecast.json"
    write_forecast_json(forecast(), path)
    assert read_forecast_json(path) == forecast()


def test_the_json_says_its_version_what_it_is_and_what_the_doubts_mean(tmp_path: Path) -> None:
    write_forecast_json(forecast(farm="Großer Höhenweg"), tmp_path / "forecast.json")
    document = json.loads((tmp_path / "forecast.json").read_text(encoding="utf-8"))
    assert document["schema_version"] == 5
    assert document["note"] == "forecast, not an offer"
    assert document["doubt_words"]["no_calipers"] == Doubt.NO_CALIPERS.words
    assert document["forecast"]["farm"] == "Großer Höhenweg"
    hill = document["forecast"]["blocks"][0]
    assert hill["diameter_mm"]["p50"] == 72.4
    assert hill["classes"][1]["cartons"] == {"p10": 306.0, "p50": 340.0, "p90": 374.0}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no json", "holds no forecast"),
        ("[]", "holds no forecast"),
        ('{"schema_version": 1, "forecast": {}}', "holds no forecast: Forecast lacks blocks"),
        ('{"schema_version": 6}', r"has schema_version 6\. Update"),
        ('{"schema_version": "new"}', "holds no forecast"),
    ],
)
def test_a_file_that_is_no_forecast_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "forecast.json").write_text(text)
    with pytest.raises(StoreError, match=words):
        read_forecast_json(tmp_path / "forecast.json")


# ---------------------------------------------------------------- forecast.csv


def test_the_csv_has_a_row_per_crop_and_class_and_one_for_all_classes(tmp_path: Path) -> None:
    write_forecast_csv(forecast(), tmp_path / "forecast.csv")
    rows = rows_of(tmp_path / "forecast.csv")
    assert [(row["level"], row["name"], row["size_class"]) for row in rows] == [
        ("block", "Hill", "75-80"),
        ("block", "Hill", "70-75"),
        ("block", "Hill", "all"),
        ("block", "Mill", "all"),
        ("variety", "Gala", "75-80"),
        ("variety", "Gala", "70-75"),
        ("variety", "Gala", "all"),
        ("variety", "Fuji", "all"),
        ("farm", "Lindengrund", "75-80"),
        ("farm", "Lindengrund", "70-75"),
        ("farm", "Lindengrund", "all"),
    ]
    one_class, whole = rows[0], rows[2]
    assert [one_class[f"cartons_{p}"] for p in ("p10", "p50", "p90")] == ["306.0", "340.0", "374.0"]
    # 340 of 460 cartons.
    assert one_class["share_p50"] == "0.7391"
    assert one_class["fruit_p50"] == one_class["bins_p50"] == ""
    assert [whole[f"bins_{p}"] for p in ("p10", "p50", "p90")] == ["94.5", "105.0", "115.5"]
    assert (whole["fruit_p50"], whole["tonnes_p50"]) == ("227664", "39.8")
    assert (whole["cartons_p50"], whole["diameter_mm_p50"]) == ("460.0", "72.4")
    # 1 September 2026 is a Tuesday in ISO week 36.
    when = [whole[name] for name in ("pick_date", "pick_week", "pick_monday")]
    assert when == ["2026-09-01", "2026-W36", "2026-08-31"]
    assert whole["doubts"] == "default_growth;no_calipers"


def test_every_csv_row_says_that_it_is_no_offer_and_where_it_comes_from(tmp_path: Path) -> None:
    write_forecast_csv(forecast(), tmp_path / "forecast.csv")
    for row in rows_of(tmp_path / "forecast.csv"):
        assert row["note"] == "forecast, not an offer"
        assert (row["made_on"], row["forecast_id"]) == ("2026-08-17", "2026-08-17-1")


def test_what_is_unknown_is_an_empty_cell(tmp_path: Path) -> None:
    unsure = replace(crop("Mill", "Fuji", cartons=(), pick_date=None), bins=None, tonnes=None)
    unsure = replace(unsure, cartons=None)
    write_forecast_csv(replace(forecast(), blocks=(unsure,)), tmp_path / "forecast.csv")
    row = rows_of(tmp_path / "forecast.csv")[0]
    unknown = ("pick_date", "pick_week", "bins_p50", "tonnes_p10", "cartons_p90", "diameter_mm_p50")
    assert [row[name] for name in unknown] == [""] * 6
    assert row["fruit_p50"] == "227664"


@pytest.mark.parametrize("name", FORMULAS)
def test_text_that_looks_like_a_formula_gets_an_apostrophe_in_csv(
    tmp_path: Path, name: str
) -> None:
    write_forecast_csv(named(name), tmp_path / "forecast.csv")
    rows = rows_of(tmp_path / "forecast.csv")
    assert {row["variety"] for row in rows} == {f"'{name}"}
    assert rows[0]["size_class"] == f"'{name}1"
    measured = measured_photo(name)
    write_fruit_csv([measured], tmp_path / "fruit.csv")
    assert rows_of(tmp_path / "fruit.csv")[0]["photo"] == f"'{name}"


# ---------------------------------------------------------------- workbook


def sheet_of(path: Path, name: str) -> list[tuple[Any, ...]]:
    return list(openpyxl.load_workbook(path)[name].iter_rows(values_only=True))


def test_the_pack_out_sheet_has_real_numbers_with_units_in_the_headers(tmp_path: Path) -> None:
    write_forecast_xlsx(forecast(), tmp_path / "forecast.xlsx")
    header, *rows = sheet_of(tmp_path / "forecast.xlsx", "Pack-out")
    assert header[:10] == (
        "Variety",
        "Pick week",
        "Monday of the week",
        "Size class",
        "Share P10 (%)",
        "Share P50 (%)",
        "Share P90 (%)",
        "P10 (cartons)",
        "P50 (cartons)",
        "P90 (cartons)",
    )
    # Large fruit first, as on the page.
    assert rows[0][:4] == ("Gala", "2026-W36", datetime(2026, 8, 31), "75-80")  # noqa: DTZ001
    assert rows[0][5] == pytest.approx(100 * 340 / 460)
    assert rows[0][7:10] == pytest.approx((306, 340, 374))
    assert rows[1][3] == "70-75"
    assert rows[2][3] == "all"
    assert rows[2][7:10] == pytest.approx((414, 460, 506))
    assert rows[2][10] == f"{Doubt.DEFAULT_GROWTH.words} {Doubt.NO_CALIPERS.words}"
    assert rows[3][:4] == ("Fuji", None, None, "all")
    assert rows[-1][0] == "Lindengrund (all)"


def test_the_blocks_sheet_has_real_dates_and_blank_cells_for_the_unknown(tmp_path: Path) -> None:
    write_forecast_xlsx(forecast(), tmp_path / "forecast.xlsx")
    header, hill, mill, total = sheet_of(tmp_path / "forecast.xlsx", "Blocks")
    assert header[5:11] == (
        "Picked P10 (fruit)",
        "Picked P50 (fruit)",
        "Picked P90 (fruit)",
        "Picked P10 (bins)",
        "Picked P50 (bins)",
        "Picked P90 (bins)",
    )
    assert hill[:4] == ("Hill", "Gala", datetime(2026, 9, 1), "2026-W36")  # noqa: DTZ001
    assert hill[4] == datetime(2026, 8, 31)  # noqa: DTZ001
    assert hill[8:11] == pytest.approx((94.5, 105, 115.5))
    assert hill[17:20] == pytest.approx((65.16, 72.4, 79.64))
    assert mill[2] is None
    assert mill[17:20] == (None, None, None)
    assert mill[20] == Doubt.NO_SIZES.words
    assert total[0] == "Lindengrund (all)"


def test_the_about_sheet_says_how_far_to_trust_it(tmp_path: Path) -> None:
    write_forecast_xlsx(forecast(), tmp_path / "forecast.xlsx")
    lines = sheet_of(tmp_path / "forecast.xlsx", "About")
    words = "\n".join(f"{name}: {text}" for name, text in lines)
    assert "Made on: 2026-08-17" in words
    assert "Forecast, not an offer." in words
    assert "Next action: Hand-count 5 more trees in Mill." in words
    assert "fruitvision 0.1.0" in words
    assert "licensed advisers" in words
    for doubt in (Doubt.NO_SIZES, Doubt.DEFAULT_GROWTH, Doubt.NO_CALIPERS):
        assert f"Doubt: {doubt.words}" in words


def test_the_pack_out_sheet_stays_readable(tmp_path: Path) -> None:
    write_forecast_xlsx(forecast(), tmp_path / "forecast.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "forecast.xlsx")["Pack-out"]
    assert sheet.freeze_panes == "A2"
    assert sheet.column_dimensions["A"].width > 10
    # Gala and the farm have size classes, Fuji has none.
    charts = chart_texts(tmp_path / "forecast.xlsx")
    assert len(charts) == 2
    for text in charts:
        assert "'Pack-out'!$I$" in text
        assert "'Pack-out'!$D$" in text
        for side in ("plus", "minus"):
            (bars,) = re.findall(f"<c:{side}>(.*?)</c:{side}>", text, flags=re.DOTALL)
            # A tenth of 340 and of 120 cartons: large fruit first.
            assert [float(v) for v in re.findall("<c:v>(.*?)</c:v>", bars)] == [34.0, 12.0]


def chart_texts(path: Path) -> list[str]:
    with zipfile.ZipFile(path) as archive:
        return [
            archive.read(name).decode()
            for name in archive.namelist()
            if name.startswith("xl/charts/chart")
        ]


@pytest.mark.parametrize("name", [*FORMULAS, "https://example.org", "007"])
def test_text_stays_text_in_the_workbook(tmp_path: Path, name: str) -> None:
    write_forecast_xlsx(named(name), tmp_path / "forecast.xlsx")
    workbook = openpyxl.load_workbook(tmp_path / "forecast.xlsx")
    variety, block = workbook["Pack-out"]["A2"], workbook["Blocks"]["A2"]
    for cell in (variety, block):
        assert (cell.data_type, cell.hyperlink) == ("s", None)
    assert variety.value == block.value
    cells = [cell for sheet in workbook for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert not [t for t in chart_texts(tmp_path / "forecast.xlsx") if f"<c:f>{name[1:]}</c:f>" in t]


def test_the_same_forecast_gives_the_same_workbook(tmp_path: Path) -> None:
    write_forecast_xlsx(forecast(), tmp_path / "a.xlsx")
    write_forecast_xlsx(forecast(), tmp_path / "b.xlsx")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


# ---------------------------------------------------------------- tables of measurements


def test_fruit_csv_has_just_the_promised_columns(tmp_path: Path) -> None:
    write_fruit_csv(
        [measured_photo("a.jpg"), measured_photo("b é.jpg", fruit_count=1, sized=False)],
        tmp_path / "fruit.csv",
    )
    lines = (tmp_path / "fruit.csv").read_text(encoding="utf-8").splitlines()
    assert lines == [
        "photo,fruit_id,centre_x_px,centre_y_px,width_px,height_px,angle_deg,diameter_px,"
        "diameter_mm,diameter_error_mm,visible_share,score,on_this_row,doubts,"
        "depth_grade,distance_mm,same_as",
        "a.jpg,000,100.25,200.1,33.33,30.0,-12.5,33.0,71.3,4.2,0.9,0.75,false,,one plane,,",
        "a.jpg,001,101.25,200.1,33.33,30.0,-12.5,33.0,71.3,4.2,0.9,0.75,true,,one plane,,",
        "a.jpg,002,102.25,200.1,33.33,30.0,-12.5,33.0,71.3,4.2,0.9,0.75,true,,one plane,,",
        "b é.jpg,000,100.25,200.1,33.33,30.0,-12.5,33.0,,,0.9,0.75,false,"
        "not_sized;partly_hidden,,,",
    ]


def test_a_fruit_seen_from_two_places_has_its_distance_and_names_its_twin(tmp_path: Path) -> None:
    first, second = measured_photo("a.jpg", fruit_count=1), measured_photo("b.jpg", fruit_count=1)
    twin = (first.photo.photo_id, first.fruit[0].fruit_id)
    shared = replace(
        second.fruit[0],
        depth_grade=DepthGrade.TWO_VIEWS,
        distance_mm=2210.4,
        same_as=twin,
    )
    write_fruit_csv([first, replace(second, fruit=(shared,))], tmp_path / "fruit.csv")
    one, other = rows_of(tmp_path / "fruit.csv")
    assert (one["distance_mm"], one["same_as"]) == ("", "")
    assert other["depth_grade"] == "two views"
    assert float(other["distance_mm"]) == 2210
    assert other["same_as"] == f"a.jpg {twin[1]}"


def test_photos_csv_has_just_the_promised_columns(tmp_path: Path) -> None:
    taken_at = datetime(2026, 8, 12, 9, 30, tzinfo=timezone(timedelta(hours=-7)))
    write_photos_csv(
        [measured_photo("a.jpg", taken_at=taken_at), measured_photo("b.jpg", sized=False)],
        tmp_path / "photos.csv",
    )
    lines = (tmp_path / "photos.csv").read_text(encoding="utf-8").splitlines()
    # 150 mm / 87.5 px = 1.714286; two of three fruit are on this row.
    assert lines == [
        "photo,sha256,taken_at,mm_per_px,mm_per_px_error,fruit_count,doubts",
        f"a.jpg,{sha256('a.jpg')},2026-08-12T09:30:00-07:00,1.714286,0.01,2,",
        f"b.jpg,{sha256('b.jpg')},,,,2,no_marker",
    ]


def test_without_photos_the_tables_have_their_header(tmp_path: Path) -> None:
    write_fruit_csv([], tmp_path / "fruit.csv")
    write_photos_csv([], tmp_path / "photos.csv")
    assert rows_of(tmp_path / "fruit.csv") == rows_of(tmp_path / "photos.csv") == []
    assert (tmp_path / "photos.csv").read_text().startswith("photo,sha256,")


def test_what_was_left_out_is_listed_with_the_way_out(tmp_path: Path) -> None:
    @dataclass(frozen=True)
    class Left:
        name: str
        what: str
        fix: str

    write_refused_csv([Left("a.jpg", "0 bytes, empty.", "Copy it again.")], tmp_path / "r.csv")
    assert rows_of(tmp_path / "r.csv") == [
        {"name": "a.jpg", "what": "0 bytes, empty.", "fix": "Copy it again."}
    ]


# ---------------------------------------------------------------- writing


WRITERS = [write_forecast_json, write_forecast_csv, write_forecast_xlsx]


@pytest.mark.parametrize("write", WRITERS, ids=["json", "csv", "xlsx"])
def test_a_file_is_replaced_whole_and_nothing_is_left_beside_it(tmp_path: Path, write: Any) -> None:
    path = tmp_path / "forecast"
    path.write_text("old")
    write(forecast(), path)
    assert path.read_bytes()[:3] != b"old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("write", WRITERS, ids=["json", "csv", "xlsx"])
def test_a_place_that_can_not_be_written_is_refused(tmp_path: Path, write: Any) -> None:
    (tmp_path / "forecast").mkdir()
    with pytest.raises(StoreError, match=r"Can't write .*forecast: .*another folder"):
        write(forecast(), tmp_path / "forecast")
    assert list(tmp_path.iterdir()) == [tmp_path / "forecast"]


def test_a_forecast_that_can_not_be_written_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "forecast.json"
    path.write_text("old")
    broken = replace(forecast(), next_action=object())  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="can't hold a object"):
        write_forecast_json(broken, path)
    assert path.read_text() == "old"


@pytest.mark.skipif(sys.platform == "win32", reason="files have other rights there")
def test_a_new_file_has_the_rights_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    write_forecast_csv(forecast(), tmp_path / "forecast.csv")
    plain, written = (os.stat(tmp_path / name).st_mode for name in ("plain", "forecast.csv"))
    assert plain == written
