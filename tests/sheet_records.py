"""A farm whose versions are frozen, and a large sheet, for the tests of sales sheets."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from fruitvision.domain import BridgeStep, Estimate, Forecast, HandCount, Pick, PickPlan, Protocol
from fruitvision.forecast.summary import ALL
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.sales import freeze
from fruitvision.settings import Settings
from fruitvision.sheet import PickWindow, SalesSheet, SheetLine, SheetVersion, TrackRecord
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore
from tests.walked_farm import LOADS, add_block, add_good_block, add_walk, trees_of

MONDAY = datetime(2026, 8, 17, 6, 30, tzinfo=UTC)
WEEK = timedelta(days=7)
# Nothing else on the farm is called so.
BLOCKS = ("Upper Terrace", "Pond Corner", "Slope-7", "Old Quarry")
SETTINGS = Settings(draws=400)


def fill(store: FarmStore) -> None:
    """Gala in two blocks and four weeks, Fuji in one, Braeburn without hand counts."""
    for name, variety, group in zip(
        BLOCKS, ("Gala", "Gala", "Fuji"), ("old", "young", ""), strict=False
    ):
        add_good_block(store, name, variety=variety, group=group)
    for name, days in zip(
        BLOCKS, (("2026-09-03", "2026-09-15"), ("2026-09-09",), ("2026-09-30",)), strict=False
    ):
        picks = tuple(
            Pick(pick_date=date.fromisoformat(day), share=1 / len(days), date_error_days=2)
            for day in days
        )
        store.save_pick_plan(name, PickPlan(picks=picks))
    add_block(store, BLOCKS[3], variety="Braeburn")
    add_walk(store, BLOCKS[3])


def count_more(store: FarmStore) -> None:
    """The same trees of the Gala counted again: more hidden fruit than was thought."""
    for name in BLOCKS[:2]:
        store.save_hand_counts(
            HandCount(
                tree=tree,
                fruit_count=round(1.7 * LOADS[index % len(LOADS)]),
                counted_on=date(2026, 8, 12),
                protocol=Protocol.TWO_FACES,
            )
            for index, tree in enumerate(trees_of(name)[:6])
        )


def make(store: FarmStore, day: date) -> Forecast:
    made, _ = forecast_farm(store, load_size_table("box_counts_42lb"), SETTINGS, made_on=day)
    return made


def frozen_twice(store: FarmStore) -> tuple[Forecast, Forecast]:
    """Two frozen versions, with more fruit counted in between."""
    fill(store)
    first = make(store, MONDAY.date())
    freeze(store, first.forecast_id, by="Ines", at=MONDAY, note=f"{BLOCKS[0]} looks good")
    count_more(store)
    second = make(store, (MONDAY + WEEK).date())
    freeze(store, second.forecast_id, by="Ines", at=MONDAY + WEEK, note=f"after {BLOCKS[1]}")
    return first, second


# ---------------------------------------------------------------- a large sheet

CLASSES = ("64", "72", "80", "88", "100", "113", "125", "138", "150", "163", "175", "198")
FIRST_MONDAY = date(2026, 8, 31)


def large_sheet(
    *, classes: tuple[str, ...] = CLASSES, weeks: int = 8, variety: str = "Gala"
) -> SalesSheet:
    """Every class in every week, in the thousands, all different; means add up. Without classes it
    is a first look, with sums alone."""
    mondays = tuple(FIRST_MONDAY + number * WEEK for number in range(weeks))
    cells = {
        (week, name): 1000.0 + 137 * column + 41 * row + 0.25
        for column, week in enumerate(mondays)
        for row, name in enumerate(classes or (ALL,))
    }
    lines = [
        _line(week, name, sum(_of(cells, week, name)))
        for week in (*mondays, None)
        for name in (*classes, ALL)
    ]
    version = SheetVersion(
        number=7,
        forecast_id="2026-08-17-0a1b2c3d",
        made_on=date(2026, 8, 17),
        frozen_at=MONDAY,
        frozen_by="Ines",
        note="Monday's sheet",
    )
    earlier = replace(version, number=5, made_on=date(2026, 8, 10), frozen_at=MONDAY - WEEK)
    return SalesSheet(
        farm="Larkhill",
        variety=variety,
        version=version,
        earlier=earlier,
        pick=PickWindow(
            first=date(2026, 9, 3), last=date(2026, 10, 22), error_days=3.0, days_ahead=17
        ),
        stage="17 days before the pick",
        size_table="box_counts_42lb",
        carton_kg=19.05,
        classes=classes,
        weeks=mondays,
        lines=tuple(lines),
        promise_quantile=0.1,
        first_look=False,
        track_record=TrackRecord(inside=14, of=18, stage="15 to 30 days before the pick"),
    )


def _of(cells: dict[tuple[date, str], float], week: date | None, name: str) -> list[float]:
    return [
        cartons
        for (monday, size_class), cartons in cells.items()
        if week in (None, monday) and name in (ALL, size_class)
    ]


def _line(week: date | None, name: str, mean: float) -> SheetLine:
    return SheetLine(
        week=week,
        size_class=name,
        cartons=Estimate(0.8 * mean, 0.99 * mean, 1.25 * mean),
        safe_cartons=int(0.8 * mean),
        mean_cartons=mean,
        change_cartons=-0.04 * mean,
        steps=(
            BridgeStep(cause="size", cartons=-0.05 * mean),
            BridgeStep(cause="growth", cartons=0.01 * mean),
        ),
    )
