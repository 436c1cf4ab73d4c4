"""Numbers, dates and units as people type and use them."""

from __future__ import annotations

import re
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitvision import units
from fruitvision.errors import FieldDataError


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("71.5", 71.5),
        ("71,5", 71.5),
        ("3,000", 3000.0),
        ("12,345,678", 12_345_678.0),
        ("1,234.5", 1234.5),
        ("1.234,5", 1234.5),
        ("1.234.567", 1_234_567.0),
        ("0,125", 0.125),
        ("3,00", 3.0),
        (",5", 0.5),
        (" 3 000 ", 3000.0),
        ("3\u00a0000,5", 3000.5),
        ("\u00a071,5\u00a0", 71.5),
        ("-2,5", -2.5),
        ("−2.5", -2.5),
        ("+7", 7.0),
    ],
)
def test_a_number_is_read_as_it_was_meant(text: str, value: float) -> None:
    assert units.parse_number(text) == value


@pytest.mark.parametrize(
    "text",
    [
        "abc",
        "7 1",
        "1,23,456",
        "12.34.56",
        "1,234,5",
        "1e3",
        "nan",
        "inf",
        "--3",
        "1_000",
        "٣",
        "=3",
    ],
)
def test_what_is_no_number_is_refused_by_field_name(text: str) -> None:
    with pytest.raises(FieldDataError, match=r"positions is '.*', which is no number"):
        units.parse_number(text, field="positions")


@pytest.mark.parametrize("text", ["", "   ", "\u00a0"])
def test_an_empty_cell_is_refused_by_field_name(text: str) -> None:
    with pytest.raises(FieldDataError, match=r"^positions is empty"):
        units.parse_number(text, field="positions")


@given(st.integers(min_value=-(10**9), max_value=10**9))
def test_thousands_signs_do_not_change_a_whole_number(value: int) -> None:
    with_commas = f"{value:,}"
    assert units.parse_number(with_commas) == value
    assert units.parse_number(with_commas.replace(",", " ")) == value
    assert units.parse_number(str(value)) == value


@given(st.integers(min_value=0, max_value=10**9), st.integers(min_value=0, max_value=99))
def test_decimal_point_and_decimal_comma_mean_the_same(whole: int, hundredths: int) -> None:
    english = f"{whole:,}.{hundredths:02d}"
    continental = english.replace(",", "x").replace(".", ",").replace("x", ".")
    assert units.parse_number(english) == float(f"{whole}.{hundredths:02d}")
    assert units.parse_number(continental) == units.parse_number(english)


@given(st.text(max_size=12))
def test_any_text_gives_a_number_or_a_plain_refusal(text: str) -> None:
    try:
        found = str(units.parse_number(text, field="cell"))
    except FieldDataError as err:
        found = str(err)
    assert re.match(r"cell is |-?\d", found)


def test_a_count_with_a_thousands_comma_is_read() -> None:
    assert units.parse_count("3,000", field="positions") == 3000
    assert units.parse_count("12.0") == 12


@pytest.mark.parametrize("text", ["0", "-5", "−5", "2.5", "2,5", "99999999999"])
def test_an_impossible_count_is_refused_by_field_name(text: str) -> None:
    with pytest.raises(FieldDataError, match=r"^positions is "):
        units.parse_count(text, field="positions")


def test_a_count_that_may_mean_two_things_is_refused() -> None:
    with pytest.raises(FieldDataError, match="may mean 3 or 3000"):
        units.parse_count("3.000", field="positions")


def test_zero_is_a_count_where_zero_makes_sense() -> None:
    assert units.parse_count("0", lowest=0) == 0
    with pytest.raises(FieldDataError, match="fruit_count is -1"):
        units.parse_count("-1", field="fruit_count", lowest=0)


def test_a_day_is_written_year_first() -> None:
    assert units.parse_date(" 2026-08-12 ") == date(2026, 8, 12)


@pytest.mark.parametrize("text", ["08/12/2026", "12.08.2026", "2026/08/12", "8-12-26"])
def test_an_ambiguous_day_is_refused_with_the_way_to_write_it(text: str) -> None:
    with pytest.raises(FieldDataError, match=r"pick_date is .* ambiguous.*2026-08-12"):
        units.parse_date(text, field="pick_date")


@pytest.mark.parametrize(
    ("text", "words"),
    [("2026-02-30", "does not exist"), ("soon", "no date"), ("", "empty"), ("20260812", "no date")],
)
def test_what_is_no_day_is_refused(text: str, words: str) -> None:
    with pytest.raises(FieldDataError, match=words):
        units.parse_date(text)


# 43,560 square feet to the acre; the row 11 × 2 ft, "2,000 trees/acre" in round figures, is from
# lagasseorchard.com (IFTA tour); 10-13 × 3-4 ft as 900-1300 from fruitgrowersnews.com, 30 Apr 2010.
@pytest.mark.parametrize(
    ("row_ft", "tree_ft", "per_acre", "per_hectare"),
    [
        (10, 3, 1452.0, 3588.0),
        (11, 2, 1980.0, 4892.7),
        (11, 3, 1320.0, 3261.8),
        (12, 3, 1210.0, 2990.0),
        (12, 4, 907.5, 2242.5),
        (13, 4, 837.7, 2070.0),
        (13, 3, 1116.9, 2760.0),
        (14, 6, 518.6, 1281.4),
    ],
)
def test_trees_per_area_follow_from_the_spacing(
    row_ft: float, tree_ft: float, per_acre: float, per_hectare: float
) -> None:
    assert units.trees_per_acre(row_ft, tree_ft) == pytest.approx(per_acre, abs=0.051)
    row_m, tree_m = units.metres_from_feet(row_ft), units.metres_from_feet(tree_ft)
    assert units.trees_per_hectare(row_m, tree_m) == pytest.approx(per_hectare, abs=0.051)


def test_two_hectares_hold_the_same_trees_in_both_systems() -> None:
    trees = 2 * units.trees_per_hectare(3.5, 1.0)
    acres = units.acres_from_hectares(2)
    row_ft, tree_ft = units.feet_from_metres(3.5), units.feet_from_metres(1.0)
    assert int(trees) == 5714
    assert acres == pytest.approx(4.94, abs=0.005)
    assert (round(row_ft, 1), round(tree_ft, 2)) == (11.5, 3.28)
    assert acres * units.trees_per_acre(row_ft, tree_ft) == pytest.approx(trees)


def test_a_spacing_without_area_is_refused() -> None:
    with pytest.raises(FieldDataError, match=r"3\.5 × 0 m has no area"):
        units.trees_per_hectare(3.5, 0)


def test_units_convert_as_defined() -> None:
    assert units.mm_from_inches(2.79) == pytest.approx(70.866)
    # 42 lb is the 19.05 kg box of HortScience 54(11):1947.
    assert round(units.kg_from_pounds(42), 2) == 19.05
    assert round(units.hectares_from_acres(1), 4) == 0.4047


@given(st.floats(min_value=1e-6, max_value=1e6))
def test_there_and_back_is_the_same_amount(value: float) -> None:
    assert units.mm_from_inches(units.inches_from_mm(value)) == pytest.approx(value)
    assert units.kg_from_pounds(units.pounds_from_kg(value)) == pytest.approx(value)
    assert units.metres_from_feet(units.feet_from_metres(value)) == pytest.approx(value)
    assert units.hectares_from_acres(units.acres_from_hectares(value)) == pytest.approx(value)
