"""The order book on the page for sales."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from fruitvision.domain import Forecast, OrderLine
from fruitvision.forecast.picks import monday_of
from fruitvision.orders import OrderCell, check_orders
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.sales import freeze
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from tests import records
from tests.app.pages import page, press, text, upload

WEEK = monday_of(records.PICK)
HEAD = "customer,variety,classes,week,cartons,kind\n"


@pytest.fixture
def sold(filled: Path) -> Forecast:
    with open_farm(filled) as store:
        made, _ = forecast_farm(
            store, load_size_table("box_counts_42lb"), Settings(draws=400), made_on=records.WALK
        )
        freeze(store, made.forecast_id, by="Ines", at=datetime(2026, 8, 17, 6, 0, tzinfo=UTC))
    return made


def cells_of(sold: Forecast) -> dict[str, OrderCell]:
    """Cells of the week without orders, those that bring most last."""
    cells = sorted(check_orders(sold, []).cells, key=lambda one: one.p10.there)
    return {one.size_class: one for one in cells if one.week == WEEK}


def order(cartons: int, *, classes: str = "all", firm: bool = True) -> OrderLine:
    return OrderLine(
        customer="C*1*", variety="Gala", classes=classes, week=WEEK, cartons=cartons, firm=firm
    )


def save(folder: Path, *lines: OrderLine) -> None:
    with open_farm(folder) as store:
        store.save_order_book(lines)


def table(app: AppTest) -> dict[str, list[str]]:
    """Cells of the table of the order book, by class."""
    (found,) = (
        body
        for body in re.findall(r'<table class="fv-sales">(.*?)</table>', text(app), re.DOTALL)
        if "Still safe" in body
    )
    lines = [
        re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", line)
        for line in re.findall(r"<tr[^>]*>(.*?)</tr>", found)
    ]
    return {line[0]: line[1:] for line in lines}


@pytest.mark.usefixtures("sold")
def test_without_orders_there_is_a_box_to_load_them() -> None:
    app = page("sales")
    assert not app.exception
    assert "No orders are kept yet" in text(app)
    assert "Still safe" not in text(app)


def test_what_is_sold_left_and_safe_is_shown_by_class(filled: Path, sold: Forecast) -> None:
    name, cell = list(cells_of(sold).items())[-1]
    there = cell.p10.there
    assert there > 9
    save(filled, order(6, classes=name), order(3, classes=name, firm=False))
    app = page("sales")
    assert not app.exception
    shown = table(app)
    assert shown["Class"] == ["Sold", "Left at P10", "Left at P50", "Still safe"]
    left = [there - 9, cell.p50.there - 9, there - 6]
    assert shown[name] == ["9", *(f"{one:,}" for one in left)]
    assert "Every order can be filled at P10" in text(app)
    assert "can't be filled" not in text(app)


def test_what_is_oversold_and_short_is_said_with_signs(filled: Path, sold: Forecast) -> None:
    name, cell = list(cells_of(sold).items())[-1]
    # The second order is filled from other classes.
    save(filled, order(cell.p10.there + 200, classes=name), order(3))
    app = page("sales")
    assert not app.exception
    # What an order over several classes takes stands apart: it may be filled from others.
    shown = table(app)
    assert shown["Class"][:3] == ["Sold, this class", "Sold, any of several", "Left at P10"]
    assert shown[name][:3] == [f"{cell.p10.there + 200:,}", "0", "▲ −200"]
    assert sum(int(row[1]) for one, row in shown.items() if one != "Class") == 3
    assert "3 cartons are sold to orders over several classes" in text(app)
    (warning,) = (one.value for one in app.warning if "oversold" in one.value)
    assert "▲ 1 class and week is oversold at P10" in warning
    assert f"{name}: −200 at P10" in warning
    (short,) = (one.value for one in app.table if "Short at P10" in one.value.columns)
    assert short["Short at P10"].tolist() == ["200"]
    # What a customer is called is shown letter by letter.
    assert rf"C\*1\*: Gala {name}" in short["Order"][0]


def test_what_is_safe_on_top_is_told_before_orders_and_with_what_they_take(
    filled: Path, sold: Forecast
) -> None:
    assert sold.total.cartons is not None
    safe = int(sold.total.cartons.p10)
    assert "Order book:" not in text(page("sales"))
    save(filled, order(6), order(4, firm=False))
    app = page("sales")
    assert not app.exception
    assert "Safe to promise, before orders" in text(app)
    assert (
        f"6 cartons firm, 4 as option. Left of what is safe after firm orders: {safe - 6:,}."
        in (text(app))
    )
    save(filled, order(safe + 7))
    app = page("sales")
    assert any("after firm orders: −7." in one.value for one in app.warning)
    assert not any("all classes and weeks together" in one.value for one in app.info)


def test_an_order_over_all_classes_for_what_is_safe_is_told_as_short_by_class_only(
    filled: Path, sold: Forecast
) -> None:
    (crop,) = sold.varieties
    assert crop.cartons is not None
    safe = int(crop.cartons.p10)
    assert sum(cell.p10.there for cell in check_orders(sold, []).cells) < safe
    save(filled, order(safe))
    app = page("sales")
    assert not app.exception
    assert any("Left of what is safe after firm orders: 0." in one.value for one in app.warning)
    told = f"In all, {safe:,} cartons of Gala are ordered, and {safe:,} come in at P10"
    assert any(told in one.value for one in app.info)


def test_a_book_is_loaded_with_its_wrong_rows_named(filled: Path, sold: Forecast) -> None:
    app = page("sales")
    week = f"{WEEK.isocalendar().year}-W{WEEK.isocalendar().week}"
    rows = f"C1,Gala,100,{week},10,\nC2,Gala,99,{week},10,\n"
    upload(app, "Table", ("orders.csv", (HEAD + rows).encode()))
    assert not app.exception
    assert "classes is '99', no class of " in text(app)
    press(app, "Take this 1 row in")
    assert not app.exception
    assert "orders.csv: 1 row is in. Order book." in text(app).replace("\\", "")
    assert table(app)["100"][0] == "10"
    with open_farm(filled) as store:
        assert [one.customer for one in store.order_book()] == ["C1"]
    assert sold.table is not None


@pytest.mark.usefixtures("sold")
def test_a_table_of_nothing_but_wrong_rows_leaves_the_book(filled: Path) -> None:
    save(filled, order(10, classes="100"))
    app = page("sales")
    upload(app, "Table", ("orders.csv", (HEAD + "C2,Gala,100,2026-W36,-1,\n").encode()))
    assert "No row can be taken in" in text(app)
    assert not any(one.label.startswith("Take th") for one in app.button)
    assert table(app)["100"][0] == "10"
    upload(app, "Table", ("orders.csv", b"customer,variety\n"))
    assert not app.exception
    assert any(one.label == "Which column is: Size classes?" for one in app.selectbox)
