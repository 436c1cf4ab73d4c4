"""The order book: as it is typed, kept, and held against a forecast."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from fruitvision.domain import (
    ClassForecast,
    CropForecast,
    Estimate,
    Forecast,
    GradeForecast,
    OrderLine,
    SizeClass,
    SizeTable,
    WeekForecast,
)
from fruitvision.errors import FieldDataError, ForecastError, StoreError
from fruitvision.orders import CheckedOrders, OrderCell, check_orders, read_orders
from fruitvision.orders.classes import classes_meant
from fruitvision.orders.table import parse_week
from fruitvision.pipeline.orders import check_farm_orders, load_orders
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from tests.farm_records import HILL, about, forecast

MONDAY = date(2026, 9, 14)
NEXT = MONDAY + timedelta(days=7)
COUNTS = ("113", "100", "88", "80")
TABLE = SizeTable(
    name="four counts",
    unit="g",
    carton_kg=18.0,
    classes=tuple(
        SizeClass(name=name, low=low, high=low + 20, fruit_per_carton=int(name))
        for low, name in zip((150.0, 170.0, 190.0, 210.0), COUNTS, strict=True)
    ),
)
Cells = Mapping[tuple[date, str], Estimate]


def exactly(cartons: float) -> Estimate:
    return Estimate(cartons, cartons, cartons)


def crop(cells: Cells, *, classes: tuple[str, ...] = COUNTS) -> CropForecast:
    """A variety that brings in these cartons; every class stands alone."""
    rows = [
        WeekForecast(week=week, size_class=name, cartons=one) for (week, name), one in cells.items()
    ]
    whole = [WeekForecast(week=week, size_class="all", cartons=exactly(9999)) for week, _ in cells]
    return CropForecast(
        name="Gala",
        variety="Gala",
        pick_date=MONDAY,
        fruit=about(1000.0),
        diameter_mm=about(72.0),
        bins=about(10.0),
        tonnes=about(4.0),
        cartons=about(10_000.0),
        classes=tuple(
            ClassForecast(size_class=name, share=about(0.25), cartons=about(100.0))
            for name in classes
        ),
        doubts=(),
        weeks=(*rows, *whole),
    )


def sold_from(cells: Cells | None = None, *, of: CropForecast | None = None) -> Forecast:
    gala = of or crop(cells or {})
    return replace(forecast(), varieties=(gala,), blocks=(gala,), total=gala, table=TABLE)


def order(classes: str, cartons: int, **others: object) -> OrderLine:
    line = OrderLine(customer="C1", variety="Gala", classes=classes, week=MONDAY, cartons=cartons)
    return replace(line, **others)  # type: ignore[arg-type]


def cells_of(checked: CheckedOrders) -> dict[tuple[date, str], OrderCell]:
    return {(one.week, one.size_class): one for one in checked.cells}


# ---------------------------------------------------------------- classes


@pytest.mark.parametrize(
    ("text", "classes"),
    [
        ("88", {"88"}),
        ("80-100", {"80", "88", "100"}),
        ("100 – 80", {"80", "88", "100"}),
        ("88-88", {"88"}),
        ("All", set(COUNTS)),
    ],
)
def test_an_order_names_a_class_or_neighbouring_ones(text: str, classes: set[str]) -> None:
    assert classes_meant(text, TABLE) == classes


def test_classes_by_diameter_are_named_by_their_limits_too() -> None:
    table = load_size_table("classes_5mm")
    assert classes_meant("70-75", table) == {"70-75"}
    assert classes_meant("70–80", table) == {"70-75", "75-80"}
    assert classes_meant("70-75-80-85", table) == {"70-75", "75-80", "80-85"}


@pytest.mark.parametrize("text", ["90", "80-90", "80,88", "-80", "80-", "150-190", "=80"])
def test_what_is_no_class_is_refused(text: str) -> None:
    with pytest.raises(FieldDataError, match="no class of four counts") as err:
        classes_meant(text, TABLE)
    assert "Known: 100, 113, 80, 88." in err.value.fix


# ---------------------------------------------------------------- as typed


def write(folder: Path, *lines: str, name: str = "orders.csv") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


HEAD = "customer,variety,classes,week,cartons,kind,grade,pack"


def test_lines_are_read_in_their_order(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "customer;variety;classes;week;cartons;kind;grade;pack",
        "N7;Gala;80-100;2026-W38;1,200;Option;fancy;tray",
        "C1;Gala;88;2026-09-17;300;;;",
        "C1;Gala;ALL;2026-W38;5;firm;;",
    )
    found = read_orders(path)
    assert found.refused == ()
    assert found.rows == (
        OrderLine(
            customer="N7",
            variety="Gala",
            classes="80-100",
            week=MONDAY,
            cartons=1200,
            firm=False,
            grade="fancy",
            pack="tray",
        ),
        order("88", 300),
        order("all", 5),
    )


@pytest.mark.parametrize(
    ("row", "what"),
    [
        (",Gala,88,2026-W38,10,,,", "customer is empty"),
        ("C1,Gala,88,2026-W38,-10,,,", "cartons is -10"),
        ("C1,Gala,88,2026-W38,0,,,", "cartons is 0"),
        ("C1,Gala,88,2026-W38,10.5,,,", "cartons is 10.5"),
        ("C1,Gala,88,2026-W38,=SUM(A1),,,", "which is no number"),
        ("=cmd(),Gala,88,2026-W38,10,,,", "customer is '=cmd[(][)]', a formula"),
        ("C1,Gala,88,2026-W38,10,,,=A1", "pack is '=A1', a formula"),
        ("C1,Gala,88,2026-W54,10,,,", "a week that does not exist"),
        ("C1,Gala,88,38,10,,,", "week is '38', which is no date"),
        ("C1,Gala,88,14/09/2026,10,,,", "which is ambiguous"),
        ("C1,Gala,88,2026-W38,10,maybe,,", "kind is 'maybe'"),
        ("C1,Gala,88,2026-W38,10,,,,x", "more cells than the header"),
    ],
)
def test_a_row_that_can_not_be_meant_is_left_out_alone(tmp_path: Path, row: str, what: str) -> None:
    found = read_orders(write(tmp_path, HEAD, row, "C2,Gala,88,2026-W38,10,,,"))
    assert [line.customer for line in found.rows] == ["C2"]
    (refused,) = found.refused
    assert refused.line == 2
    assert re.search(what, refused.what)
    assert refused.fix


def test_a_line_twice_counts_once_and_two_that_differ_not_at_all(tmp_path: Path) -> None:
    found = read_orders(
        write(
            tmp_path,
            HEAD,
            "C1,Gala,88,2026-W38,10,,,",
            "C1,Gala,88,2026-09-14,10,firm,,",
            "C2,Gala,88,2026-W38,10,,,",
            "c2,Gala,88,2026-W38,20,,,",
            "C2,Gala,88,2026-W38,20,option,,",
        )
    )
    assert found.lines == (2, 6)
    assert [row.line for row in found.refused] == [3, 4, 5]
    assert found.refused[1].fix == "Add them up in one line."


def test_a_table_without_a_column_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FieldDataError, match="no column 'week'"):
        read_orders(write(tmp_path, "customer,variety,classes,cartons", "C1,Gala,88,10"))


def test_weeks_run_from_monday_over_the_new_year() -> None:
    # ISO 8601: 2026 has 53 weeks, the last from 28 December.
    assert parse_week("2026W53") == date(2026, 12, 28)
    assert parse_week("2027-01-03") == date(2026, 12, 28)
    assert parse_week("2027-w1") == date(2027, 1, 4)


# ---------------------------------------------------------------- against a forecast


def test_an_order_above_p10_is_oversold_there_and_not_at_p50() -> None:
    """Scenario 42 of the job: 2,500 of 100–113 against P10 2,300 and P50 2,700."""
    cells = {(MONDAY, "100"): Estimate(2300, 2700, 3050)}
    checked = check_orders(sold_from(cells), [order("100", 2500)])
    (cell,) = checked.cells
    assert (cell.p10.left, cell.p50.left, cell.safe) == (-200, 200, 0)
    assert checked.oversold == (cell,)
    (line,) = checked.lines
    assert (line.short_p10, line.short_p50, line.why) == (200, 0, "")


def test_the_mondays_table_of_the_job() -> None:
    """Section 11 of the job: 900 of 80–88 sold of P10 1,150 leave 250."""
    cells = {(MONDAY, "88"): Estimate(1150, 1400, 1680)}
    (cell,) = check_orders(sold_from(cells), [order("88", 900)]).cells
    assert (cell.p10.there, cell.p10.sold, cell.p10.left, cell.safe) == (1150, 900, 250, 250)


def test_an_order_over_several_classes_is_not_counted_twice() -> None:
    cells = {
        (MONDAY, "113"): Estimate(1000, 1200, 1500),
        (MONDAY, "100"): Estimate(1300, 1500, 1700),
        (MONDAY, "88"): Estimate(600, 700, 800),
        (MONDAY, "80"): Estimate(500, 600, 700),
    }
    checked = check_orders(sold_from(cells), [order("100-113", 2500), order("80-113", 900)])
    assert sum(one.p10.sold for one in checked.cells) == 3400
    assert sum(one.p10.left for one in checked.cells) == 3400 - 3400
    # 2,300 of 100 and 113 are there; the wide order is filled from 80 and 88.
    found = cells_of(checked)
    assert sum(found[MONDAY, name].p10.left for name in ("100", "113")) == -200
    assert sum(found[MONDAY, name].p10.left for name in ("80", "88")) == 200
    assert sum(one.p50.left for one in checked.cells) == 4000 - 3400
    assert [one.short_p10 for one in checked.lines] == [200, 0]
    assert [one.short_p50 for one in checked.lines] == [0, 0]


def test_what_stands_for_orders_over_several_classes_is_told_apart() -> None:
    cells = {(MONDAY, "88"): exactly(100), (MONDAY, "80"): exactly(60)}
    orders = [order("88", 70), order("80-88", 50), order("all", 100, firm=False)]
    found = cells_of(check_orders(sold_from(cells), orders))
    # 160 are there, 220 are ordered: 60 are short, of the option.
    assert sum(one.p10.sold for one in found.values()) == 220
    assert sum(one.p10.of_several for one in found.values()) == 150
    one_class = {name: one.p10.sold - one.p10.of_several for (_, name), one in found.items()}
    assert one_class == {"88": 70, "80": 0}


def test_firm_goes_before_option_and_first_come_first_served() -> None:
    cells = {(MONDAY, "88"): exactly(100)}
    orders = [
        order("88", 40, firm=False, customer="option"),
        order("88", 70, customer="first"),
        order("88", 50, customer="second"),
    ]
    checked = check_orders(sold_from(cells), orders)
    short = {one.order.customer: one.short_p10 for one in checked.lines}
    assert short == {"option": 40, "first": 0, "second": 20}
    (cell,) = checked.cells
    assert cell.p10.left == -60


def test_fruit_wait_for_a_later_order_and_never_come_back() -> None:
    cells = {(MONDAY, "88"): exactly(100), (NEXT, "88"): exactly(30)}
    later = check_orders(sold_from(cells), [order("88", 90, week=NEXT)])
    found = cells_of(later)
    # Fruit of the order's own week go first.
    assert (found[NEXT, "88"].p10.left, found[MONDAY, "88"].p10.left) == (0, 40)
    assert (found[NEXT, "88"].safe, found[MONDAY, "88"].safe) == (40, 40)
    earlier = check_orders(sold_from(cells), [order("88", 110)])
    found = cells_of(earlier)
    assert (found[MONDAY, "88"].p10.left, found[NEXT, "88"].p10.left) == (-10, 30)
    assert (found[MONDAY, "88"].safe, found[NEXT, "88"].safe) == (0, 30)


def test_an_order_after_the_last_week_stands_in_its_own_week_if_it_is_short() -> None:
    late = MONDAY + timedelta(weeks=8)
    cells = {(MONDAY, "88"): exactly(100)}
    checked = check_orders(sold_from(cells), [order("88", 120, week=late)])
    found = cells_of(checked)
    assert found[MONDAY, "88"].p10.left == 0
    assert (found[late, "88"].p10.there, found[late, "88"].p10.left) == (0, -20)


def test_a_safe_promise_counts_what_orders_can_make_room_for() -> None:
    # The wide order takes 88 or 80; either may be promised in full, but not both.
    cells = {(MONDAY, "88"): exactly(100), (MONDAY, "80"): exactly(100)}
    orders = [order("80-88", 100), order("80-88", 500, firm=False)]
    found = cells_of(check_orders(sold_from(cells), orders))
    assert (found[MONDAY, "88"].safe, found[MONDAY, "80"].safe) == (100, 100)
    # What is promised so is filled beside the firm orders, and not one carton more.
    for more, short in ((100, 0), (101, 1)):
        promised = check_orders(sold_from(cells), [orders[0], order("88", more)])
        assert sum(one.short_p10 for one in promised.lines) == short


def test_parts_of_cartons_are_not_sold() -> None:
    cells = {(MONDAY, "88"): Estimate(99.9, 120.4, 130.0)}
    (cell,) = check_orders(sold_from(cells), [order("88", 100)]).cells
    assert (cell.p10.there, cell.p10.left, cell.p50.there) == (99, -1, 120)


# ---------------------------------------------------------------- grades


def graded(cells: Cells) -> CropForecast:
    """Of every class 60 % fancy and 40 % standard."""
    plain = crop(cells)
    return replace(
        plain,
        grades=tuple(
            GradeForecast(
                grade=grade,
                size_class=one.size_class,
                cartons=Estimate(*(share * q for q in (90.0, 100.0, 110.0))),
            )
            for one in plain.classes
            for grade, share in (("fancy", 0.6), ("standard", 0.4))
        ),
    )


def test_an_order_of_a_grade_is_filled_from_its_part_of_the_class() -> None:
    crop_ = graded({(MONDAY, "88"): Estimate(100, 200, 300)})
    orders = [order("88", 30), order("88", 70, grade="fancy"), order("88", 5, grade="standard")]
    checked = check_orders(sold_from(of=crop_), orders)
    # 60 fancy at P10; the order of any grade takes standard.
    assert [one.short_p10 for one in checked.lines] == [0, 10, 0]
    assert [one.short_p50 for one in checked.lines] == [0, 0, 0]
    (cell,) = checked.cells
    assert (cell.p10.there, cell.p10.sold, cell.safe) == (100, 105, 5)


def test_a_grade_that_the_forecast_does_not_tell_fills_nothing() -> None:
    checked = check_orders(
        sold_from({(MONDAY, "88"): exactly(100)}), [order("88", 10, grade="fancy")]
    )
    (line,) = checked.lines
    assert line.short_p10 == 10
    assert line.why == "The forecast tells no grade fancy of Gala."
    assert checked.cells[0].p10.sold == 0


# ---------------------------------------------------------------- what the forecast can't tell


def why(made: Forecast, line: OrderLine) -> str:
    (checked,) = check_orders(made, [line]).lines
    assert checked.short_p10 == checked.short_p50 == line.cartons
    return checked.why


def test_an_order_that_nothing_can_fill_says_why() -> None:
    gala = sold_from({(NEXT, "88"): exactly(100)})
    assert why(gala, order("88", 5)) == "None of it is packed by then."
    assert why(gala, order("88", 5, variety="Fuji")) == "The forecast has no Fuji."
    assert why(gala, order("72", 5)).startswith("classes is '72', no class of four counts")
    unknown = replace(crop({}), cartons=None, weeks=())
    assert why(sold_from(of=unknown), order("88", 5)) == "Cartons of Gala are not known yet."


def test_a_first_look_fills_orders_of_all_classes_only() -> None:
    first = sold_from(
        of=replace(crop({}), classes=(), weeks=crop({(MONDAY, "88"): exactly(1)}).weeks)
    )
    assert "first look" in why(first, order("88", 5))
    (line,) = check_orders(first, [order("80-113", 5)]).lines
    assert line.short_p10 == 0
    assert [one.size_class for one in check_orders(first, []).cells] == ["all"]


def test_merged_classes_fill_orders_that_take_all_of_them() -> None:
    cells = {(MONDAY, "smaller"): exactly(50), (MONDAY, "88"): exactly(20)}
    far = sold_from(of=crop(cells, classes=("smaller", "88", "80", "larger")))
    assert "not told by themselves so far ahead" in why(far, order("113", 5))
    checked = check_orders(far, [order("100-113", 40), order("88-113", 25)])
    assert [one.short_p10 for one in checked.lines] == [0, 0]
    assert [one.p10.left for one in checked.cells] == [0, 5]


def test_a_forecast_without_its_size_table_is_refused() -> None:
    with pytest.raises(ForecastError, match="did not keep its size table"):
        check_orders(replace(sold_from(), table=None), [order("88", 5)])


# ---------------------------------------------------------------- kept


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as store:
        store.save_blocks([replace(HILL, variety="Gala")])
        yield store


def test_the_book_comes_back_as_it_was_saved_in_place_of_the_one_before(store: FarmStore) -> None:
    assert store.order_book() == ()
    book = (
        order("80-100", 900, firm=False, grade="fancy", pack="12 × 1 kg bags"),
        order("88", 10),
        order("80", 20),
    )
    store.save_order_book(book)
    assert store.order_book() == book
    store.save_order_book(book[:0:-1])
    assert store.order_book() == book[:0:-1]
    store.save_order_book([])
    assert store.order_book() == ()


def test_rows_are_checked_by_the_version_that_sales_works_with(
    store: FarmStore, tmp_path: Path
) -> None:
    path = write(
        tmp_path,
        HEAD,
        "C1,Gala,88,2026-W38,10,,,",
        "C1,Gala,90,2026-W38,10,,,",
        "C1,Gala,88,2026-W37,10,,,",
        "C1,Gala,88,2027-W40,10,,,",
        "C1,Galla,88,2026-W38,10,,,",
    )
    loaded = load_orders(path, store, who="Ines")
    # Without a forecast only the variety is known.
    assert (loaded.lines, loaded.before, loaded.checked_by) == (4, 0, "")
    made = sold_from({(MONDAY, "88"): exactly(100)})
    store.save_forecast(made)
    loaded = load_orders(path, store, who="Ines")
    assert (loaded.lines, loaded.before, loaded.checked_by) == (1, 4, made.forecast_id)
    assert [one.name for one in loaded.refused] == [f"orders.csv, line {n}" for n in (3, 4, 5, 6)]
    words = " ".join(one.what for one in loaded.refused)
    assert "classes is '90'" in words
    assert "lies before 2026-09-14, the first week in which Gala comes in" in words
    assert "more than a year after the crop of Gala" in words
    assert "No block is of variety 'Galla'" in words
    assert store.order_book() == (order("88", 10),)
    change = store.changes(most=1)[0]
    assert (change.who, change.about, change.after) == ("Ines", "orders", {"rows": 1})


def test_a_table_of_wrong_rows_only_wipes_nothing_out(store: FarmStore, tmp_path: Path) -> None:
    store.save_order_book([order("88", 10)])
    loaded = load_orders(write(tmp_path, HEAD, "C1,Gala,88,2026-W38,-5,,,"), store)
    assert loaded.lines == 0
    assert store.order_book() == (order("88", 10),)
    # An empty book is one, too.
    load_orders(write(tmp_path, HEAD), store)
    assert store.order_book() == ()


def test_the_farms_book_is_held_against_the_version_asked_for(store: FarmStore) -> None:
    made = sold_from({(MONDAY, "88"): exactly(100)})
    with pytest.raises(StoreError, match="no forecast yet"):
        check_farm_orders(store)
    store.save_forecast(made)
    with pytest.raises(StoreError, match="order book is empty"):
        check_farm_orders(store)
    store.save_order_book([order("88", 10)])
    found = check_farm_orders(store, made.forecast_id)
    assert found.checked.cells[0].p10.left == 90
    assert not found.frozen
    with pytest.raises(StoreError, match="No forecast has the version 'x'"):
        check_farm_orders(store, "x")
