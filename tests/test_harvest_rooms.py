"""Cold rooms and empty bins: the arithmetic of a plan, by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from fruitvision.domain import ColdRoom, UseQuantiles
from fruitvision.harvest import Arrival, RoomPlan, fill_rooms, harvest_calendar
from fruitvision.harvest.bin_stock import BinsOfDay, bin_stock
from fruitvision.harvest.need import Planning
from fruitvision.settings import Settings
from tests.test_harvest import SETTINGS, kept, three_passes

# A Tuesday.
FIRST = date(2026, 9, 1)
PLAN = Planning(uses=UseQuantiles(promise=0.1, labour=0.5, bins=0.85), overtime=0.8)


def day(number: int) -> date:
    return FIRST + timedelta(days=number)


def arriving(bins: float | Sequence[float], days: int, variety: str = "Gala") -> list[Arrival]:
    drawn = np.atleast_1d(np.asarray(bins, dtype=float))
    return [Arrival(day=day(number), variety=variety, bins=drawn) for number in range(days)]


def over(plan: RoomPlan) -> list[float]:
    return [one.over.p50 for one in plan.days]


def test_seventy_bins_a_day_into_a_room_of_500_leave_20_over_every_day() -> None:
    # 500 bins, 10 % a day: 50 of 70 go in, day after day.
    plan = fill_rooms(arriving(70, 5), [ColdRoom(name="North", bins=500)])
    assert over(plan) == pytest.approx([20] * 5)
    assert [one.bins_over for one in plan.days] == [20] * 5
    assert [one.takes for one in plan.days] == pytest.approx([50] * 5)
    assert not any(one.full for one in plan.days)
    (room,) = plan.rooms
    assert room.fill.p50 == pytest.approx(250)
    assert room.full_on is None


def test_a_full_room_takes_nothing_and_says_since_when() -> None:
    plan = fill_rooms(arriving(70, 12), [ColdRoom(name="North", bins=500)])
    assert over(plan) == pytest.approx([20] * 10 + [70] * 2)
    assert [one.full for one in plan.days] == [False] * 9 + [True] * 3
    (room,) = plan.rooms
    assert room.fill.p50 == pytest.approx(500)
    assert room.full_on == day(9)


def test_what_is_over_opens_the_next_free_room_and_a_room_holds_one_variety() -> None:
    rooms = [ColdRoom(name=name, bins=500) for name in ("A", "B", "C")]
    plan = fill_rooms([*arriving(70, 3), *arriving(30, 3, "Fuji")], rooms)
    assert {one.room.name: one.variety for one in plan.rooms} == {
        "A": "Fuji", "B": "Gala", "C": "Gala",
    }  # fmt: skip
    assert over(plan) == pytest.approx([0] * 6)
    assert {one.room.name: one.fill.p50 for one in plan.rooms} == pytest.approx(
        {"A": 90, "B": 150, "C": 60}
    )
    assert plan.spare == ()


def test_a_room_kept_for_a_variety_is_its_first_and_nobody_elses() -> None:
    rooms = [
        ColdRoom(name="A", bins=500),
        ColdRoom(name="Fuji room", bins=500, variety="Fuji"),
        ColdRoom(name="B", bins=500),
    ]
    plan = fill_rooms(arriving(120, 1), rooms)
    assert [one.room.name for one in plan.rooms] == ["A", "B"]
    assert over(plan) == pytest.approx([20])
    assert plan.spare == ("Fuji room",)
    plan = fill_rooms(arriving(40, 1, "Fuji"), rooms)
    assert [one.room.name for one in plan.rooms] == ["Fuji room"]


def test_rooms_are_given_out_by_p50_and_p90_shows_what_may_be_over() -> None:
    # 31 draws of 20, 21, ..., 50: P50 35 fits into 40, P90 47 leaves 7.
    drawn = [float(bins) for bins in range(20, 51)]
    rooms = [ColdRoom(name="A", bins=400), ColdRoom(name="B", bins=400)]
    plan = fill_rooms(arriving(drawn, 1), rooms)
    (one,) = plan.days
    assert one.over.p50 == 0
    assert one.over.p90 == pytest.approx(7)
    assert one.bins_over == 7
    assert plan.over_on(FIRST) == 7
    assert plan.spare == ("B",)


def test_without_a_room_all_is_over() -> None:
    plan = fill_rooms(arriving(10, 1), [ColdRoom(name="A", bins=100, variety="Fuji")])
    (one,) = plan.days
    assert (one.over.p50, one.takes, one.rooms) == (10, 0, ())
    assert fill_rooms([], [ColdRoom(name="A", bins=100)]).spare == ("A",)


def test_a_calendar_marks_days_that_the_rooms_do_not_take() -> None:
    forecast = kept([three_passes()])
    small = harvest_calendar(forecast, SETTINGS, rooms=[ColdRoom(name="A", bins=50)])
    assert [one.rooms_over > 0 for one in small.days] == [True, True, True]
    first = small.days[0]
    # 5 bins a day go in.
    assert first.rooms_over == int(np.ceil(first.need.bins.p90 - 5))
    assert small.short_days == small.days
    large = harvest_calendar(forecast, SETTINGS, rooms=[ColdRoom(name="A", bins=5000)])
    assert [one.rooms_over for one in large.days] == [0, 0, 0]
    assert large.short_days == ()
    assert harvest_calendar(forecast, SETTINGS).rooms is None


# ---------------------------------------------------------------- empty bins


def of_day(number: int, bins: float, name: str = "Gala North") -> BinsOfDay:
    drawn = np.full(5, float(bins))
    return BinsOfDay(block_id=name, variety="Gala", number=1, day=day(number), bins=drawn)


def test_bins_are_out_from_the_day_before_the_pick_to_the_day_after() -> None:
    # Picks on Tuesday and Thursday: 10 and 30 bins.
    stock = bin_stock([of_day(0, 10), of_day(2, 30)], PLAN, ahead_days=1, waiting_days=1)
    assert stock is not None
    found = {one.day: (one.in_lanes.p50, one.waiting.p50, one.out.p50) for one in stock.days}
    assert found == {
        day(-1): (10, 0, 10),
        day(0): (10, 0, 10),
        day(1): (30, 10, 40),
        day(2): (30, 0, 30),
        day(3): (0, 30, 30),
    }
    assert stock.peak.p50 == 40
    assert stock.peak_day == day(1)
    assert stock.to_have == pytest.approx(40)
    assert [(one.place_on, one.day, one.bins) for one in stock.places] == [
        (day(-1), day(0), 10),
        (day(1), day(2), 30),
    ]


def test_bins_for_a_monday_are_placed_on_saturday() -> None:
    monday = of_day(6, 10)
    assert monday.day.weekday() == 0
    stock = bin_stock([monday], PLAN, ahead_days=1, waiting_days=0)
    assert stock is not None
    assert stock.places[0].place_on.weekday() == 5


def test_the_peak_is_that_of_each_draw() -> None:
    # Two blocks far apart, of which one or the other is heavy: the peak is 20 in every draw.
    one = BinsOfDay(block_id="A", variety="Gala", number=1, day=day(0), bins=np.array([20.0, 10.0]))
    other = BinsOfDay(
        block_id="B", variety="Gala", number=1, day=day(9), bins=np.array([10.0, 20.0])
    )
    stock = bin_stock([one, other], PLAN, ahead_days=0, waiting_days=0)
    assert stock is not None
    assert (stock.peak.p10, stock.peak.p90) == (20, 20)
    assert max(out.out.p50 for out in stock.days) == 15


def test_bins_to_place_are_whole_ones_at_the_farms_quantile() -> None:
    calendar = harvest_calendar(kept([three_passes()]), SETTINGS)
    assert calendar.stock is not None
    for place, part in zip(calendar.stock.places, calendar.parts, strict=True):
        assert place.bins == int(np.ceil(part.need.bins_to_order))
        assert place.bins >= part.need.bins.p50


def test_nothing_to_pick_needs_no_bins() -> None:
    assert bin_stock([], PLAN, ahead_days=1, waiting_days=1) is None
    assert bin_stock([of_day(0, 0)], PLAN, ahead_days=1, waiting_days=1) is None


def test_overtime_reaches_further_than_the_crew_that_is_planned() -> None:
    need = harvest_calendar(kept([three_passes()]), SETTINGS).days[0].need
    # P80 of a normal upper half: P50 + 0.6567 (P90 - P50).
    reach = need.picker_days.p50 + 0.65673 * (need.picker_days.p90 - need.picker_days.p50)
    assert need.pickers_overtime == pytest.approx(reach, rel=1e-4)
    high = Settings(draws=400, overtime_quantile=0.3)
    need = harvest_calendar(kept([three_passes()]), high).days[0].need
    # Never below the crew that is planned.
    assert need.pickers_overtime == need.pickers_planned
