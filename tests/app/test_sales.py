"""The page for sales and the harvest: what is promised, what changed, who picks when."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import NumberInput

from app.sales.promises import class_lines, week_lines
from fruitvision.domain import Forecast, Pick, PickPlan
from fruitvision.forecast.change import ClassChange, changes_by_class
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.additions import farm_settings
from fruitvision.pipeline.sales import freeze
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from tests import records
from tests.app.pages import page, press, text
from tests.test_frozen import version
from tests.walked_farm import add_block, add_hand_counts, add_walk, trees_of

MONDAY = datetime(2026, 8, 17, 6, 0, tzinfo=UTC)


def plan(store: FarmStore, *, error_days: float = 0.0) -> None:
    passes = (records.PICK, 0.3), (records.PICK + timedelta(days=7), 0.7)
    picks = tuple(
        Pick(pick_date=day, share=share, date_error_days=error_days) for day, share in passes
    )
    store.save_pick_plan(records.BLOCK_ID, PickPlan(picks=picks))


def make(store: FarmStore) -> Forecast:
    made, _ = forecast_farm(
        store, load_size_table("box_counts_42lb"), Settings(draws=400), made_on=records.WALK
    )
    return made


@pytest.fixture
def sold(filled: Path) -> tuple[Forecast, Forecast]:
    """Two versions that were frozen a week apart, with more fruit found in between."""
    with open_farm(filled) as store:
        plan(store)
        first = make(store)
        freeze(store, first.forecast_id, by="Ines", at=MONDAY, note="first quote")
        store.save_hand_counts([records.hand_count(n, 4 * (6 + n)) for n in range(1, 6)])
        second = make(store)
        freeze(store, second.forecast_id, by="Paul", at=MONDAY + timedelta(days=7))
    return first, second


def words_of_tables(app: AppTest) -> list[list[list[str]]]:
    """Tables of the page's own HTML: lines of cells."""
    tables = re.findall(r'<table class="fv-sales">(.*?)</table>', text(app), re.DOTALL)
    return [
        [
            re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", line, re.DOTALL)
            for line in re.findall(r"<tr[^>]*>(.*?)</tr>", table, re.DOTALL)
        ]
        for table in tables
    ]


def html_of(app: AppTest) -> str:
    """The page's own HTML outside its texts."""
    return "".join(str(one.proto.body) for one in app.get("html"))


def number_box(app: AppTest, label: str) -> NumberInput:
    (found,) = (item for item in app.number_input if item.label.startswith(label))
    return found


def test_without_a_frozen_version_it_is_said_loudly(filled: Path) -> None:
    assert "No forecast yet" in text(page("sales"))
    with open_farm(filled) as store:
        make(store)
    app = page("sales")
    assert not app.exception
    assert "NOT FROZEN" in app.error[0].value
    weeks, classes = words_of_tables(app)
    # Without an earlier version there is no column of changes.
    assert weeks[0] == ["Week", "Safe, P10", "P50", "P90", "Mean"]
    assert classes[-1][0] == "Whole week"
    assert "no history yet" in text(app)


@pytest.mark.usefixtures("sold")
def test_links_on_top_lead_to_the_orders_and_the_bins() -> None:
    app = page("sales")
    assert not app.exception
    links = re.findall(r'<a href="#([^"]+)"[^>]*>([^<]+) ↓</a>', html_of(app))
    assert links == [("orders", "Order book"), ("bins", "Bins and pickers")]
    # Each leads to the heading of that name, which is on the page.
    anchors = {one.proto.anchor: one.value for one in app.header}
    assert {name: anchors.get(name) for name, _ in links} == dict(links)


def test_names_that_a_pdf_can_not_print_are_told_beside_it(filled: Path) -> None:
    with open_farm(filled) as store:
        make(store)
    assert not [one for one in page("sales").caption if "western Europe" in one.value]
    with open_farm(filled) as store:
        store.save_farm(replace(store.farm(), name="苹果园 北"))
        make(store)
    app = page("sales")
    assert not app.exception
    told = [one.value for one in app.caption if "western Europe" in one.value]
    # Beside the sheets and beside the calendar.
    assert [one.count("苹果园 北") for one in told] == [1, 1]


def test_a_what_if_is_nothing_to_sell_from(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_forecast(version(1, what_if="dry season up to the pick"))
    app = page("sales")
    assert not app.exception
    assert "No forecast yet" in text(app)


@pytest.mark.usefixtures("sold")
def test_the_frozen_version_is_named_with_who_and_when() -> None:
    app = page("sales")
    assert not app.exception
    assert not app.error
    words = text(app)
    assert "Forecast no. 2 of 12 Aug 2026, frozen by Paul, " in words
    assert "against no. 1 of 12 Aug 2026" in words
    assert "frozen" not in app.query_params
    assert "A forecast, not an offer" in words
    (box,) = (item for item in app.selectbox if item.label == "Frozen version")
    box.set_value(1).run()
    assert not app.exception
    assert "Forecast no. 1 of 12 Aug 2026, frozen by Ines, " in text(app)
    assert "Why: first quote" in text(app)
    assert app.query_params["frozen"] in ("1", ["1"])


def test_a_newer_forecast_is_told_and_not_sold(
    filled: Path, sold: tuple[Forecast, Forecast]
) -> None:
    with open_farm(filled) as store:
        store.save_hand_counts([records.hand_count(n, 5 * (6 + n)) for n in range(1, 6)])
        newer = make(store)
    assert newer.number == 3
    app = page("sales")
    assert "not frozen: no. 3 of 12 Aug 2026" in app.info[0].value
    assert sold[1].total.cartons is not None
    assert f'<div class="mid">{sold[1].total.cartons.p50:,.0f}</div>' in text(app)


@pytest.mark.usefixtures("sold")
def test_weeks_and_classes_have_what_is_safe_and_why_it_changed() -> None:
    app = page("sales")
    weeks, classes = words_of_tables(app)
    assert weeks[0] == ["Week", "Safe, P10", "P50", "P90", "Mean", "Change"]
    assert [line[0] for line in weeks if len(line) > 1] == [
        "Week", "wk 36, 31 Aug", "wk 37, 7 Sep", "All weeks",
    ]  # fmt: skip
    reasons = [line[0] for line in weeks if len(line) == 1]
    assert reasons == ["hidden fruit"] * 3
    # The week that brings most is opened first; its classes run from large to small.
    (week,) = (item for item in app.selectbox if item.label == "Class by class, in the week")
    assert str(week.value) == "2026-09-07"
    names = [line[0] for line in classes if len(line) > 1]
    assert (names[0], names[-1]) == ("Class", "Whole week")
    counts = [int(name) for name in names[1:-1] if name.isdigit()]
    assert counts == sorted(counts)
    assert "Expected cartons changed by +" in text(app)


def means(changes: Sequence[ClassChange | None]) -> tuple[float, float]:
    known = [one for one in changes if one is not None]
    return sum(one.cartons for one in known), sum(one.change for one in known)


def test_means_and_changes_of_the_lines_add_up(sold: tuple[Forecast, Forecast]) -> None:
    first, second = sold
    (crop,) = second.varieties
    changes = changes_by_class(first, second)
    weeks = week_lines(crop, changes)
    assert means([line.change for line in weeks[:-1]]) == pytest.approx(
        means([weeks[-1].change]), abs=1.5
    )
    assert weeks[-1].cartons == crop.cartons
    for row in {row.week: row for row in crop.weeks}.values():
        lines = class_lines(crop, changes, row.week)
        # Lines that bring no carton at P90 are left out: each less than one.
        assert means([line.change for line in lines[:-1]]) == pytest.approx(
            means([lines[-1].change]), abs=1.5
        )


def test_a_week_that_nothing_comes_in_any_more_keeps_its_line(filled: Path) -> None:
    with open_farm(filled) as store:
        plan(store)
        first = make(store)
        store.save_pick_plan(
            records.BLOCK_ID,
            PickPlan(picks=(Pick(pick_date=records.PICK + timedelta(days=21)),)),
        )
        second = make(store)
    (crop,) = second.varieties
    changes = changes_by_class(first, second)
    gone, *_ = week_lines(crop, changes)
    assert gone.cartons is None
    assert gone.change is not None
    assert gone.change.change == pytest.approx(-gone.change.earlier_cartons)


def test_the_calendar_has_every_pass_and_marks_what_is_short(
    filled: Path, sold: tuple[Forecast, Forecast]
) -> None:
    app = page("sales")
    passes = next(item.value for item in app.table if "Picker-days" in item.value)
    assert [cell.replace("\u00a0", " ") for cell in passes["Block"].tolist()] == [
        "Gala North 1/2, Thu 3 Sep", "Gala North 2/2, Thu 10 Sep",
    ]  # fmt: skip
    assert "Ladders: as trained only" in text(app)
    assert "short of" not in text(app)
    number_box(app, "Bins a picker fills").set_value(0.5)
    number_box(app, "Pickers that you have").set_value(1)
    press(app, "Save crew")
    assert not app.exception
    assert "are saved" in app.success[0].value
    short = "▲ On 2 days P90 is above your crew or your bins: Thu"
    assert any(short in one.value for one in app.warning)
    days = next(item.value for item in app.table if "Pickers" in item.value)
    assert all("▲ short of " in cell and " pickers" in cell for cell in days["Pickers"].tolist())
    with open_farm(filled) as store:
        settings = farm_settings(store)
        assert (settings.bins_per_picker_day, settings.crew, settings.bins_on_hand) == (0.5, 1, 0)
        # The pace of the crew is no part of a forecast: the next one is the same again.
        assert make(store).forecast_id == sold[1].forecast_id


def test_days_of_one_week_can_be_looked_at_alone(filled: Path) -> None:
    with open_farm(filled) as store:
        plan(store, error_days=1.0)
        make(store)
    app = page("sales")
    files = {"Calendar, CSV", "Calendar for phones", "Calendar, page to hang up"}
    assert files <= {item.label for item in app.download_button}

    def shown() -> list[str]:
        days = next(item.value for item in app.table if "Pickers" in item.value)
        return [cell.replace("\u00a0", " ") for cell in days["Day"].tolist()]

    assert len(shown()) == 6
    (box,) = (item for item in app.selectbox if item.label == "Week")
    box.set_value(records.PICK - timedelta(days=records.PICK.weekday())).run()
    assert shown() == ["Wed 2 Sep", "Thu 3 Sep", "Fri 4 Sep"]


def test_a_forecast_of_an_earlier_version_is_shown_without_what_can_not_be_drawn(
    filled: Path,
) -> None:
    with open_farm(filled) as store:
        made = make(store)
        bare = replace(made, forecast_id="2026-08-13-00000000", table=None, settings_text="")
        store.save_forecast(replace(bare, number=2, made_on=records.WALK + timedelta(days=1)))
    app = page("sales")
    assert not app.exception
    assert any("Changes can't be told" in one.value for one in app.warning)
    assert any("Make a new forecast" in item.value for item in app.error)
    weeks, *_ = words_of_tables(app)
    assert weeks[0] == ["Week", "Safe, P10", "P50", "P90", "Mean"]


def test_lines_to_promise_leave_out_a_first_look_and_name_it(filled: Path) -> None:
    with open_farm(filled) as store:
        plan(store)
        freeze(store, make(store).forecast_id, by="Ines", at=MONDAY)
        add_block(store, "Small")
        add_hand_counts(store, add_walk(store, "Small", trees=trees_of("Small", 6)))
        both = make(store)
        freeze(store, both.forecast_id, by="Ines", at=MONDAY + timedelta(days=7))
    app = page("sales")
    assert not app.exception
    assert "Not in these lines" in app.info[0].value
    assert app.info[0].value.endswith(": Small.")
    weeks, _ = words_of_tables(app)[:2]
    north = next(one for one in both.blocks if one.name == records.BLOCK_ID)
    whole = both.varieties[0]
    assert north.cartons is not None
    assert whole.cartons is not None
    assert number(weeks[-1][2]) == pytest.approx(north.cartons.p50, abs=1)
    assert number(weeks[-1][2]) < 0.9 * whole.cartons.p50
    safe = number(weeks[-1][1])
    assert safe <= north.cartons.p10 < safe + 1
    # The new block is no reason of a change of what it is not in.
    assert abs(number(weeks[-1][-1])) < 5


def number(cell: str) -> float:
    return float(cell.replace(",", "").replace("−", "-").replace("+", ""))
