"""Freezing: an act with a name and a time, of a forecast of record; nothing is lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from fruitvision.domain import Forecast
from fruitvision.errors import ForecastError, StoreError
from fruitvision.pipeline.sales import freeze, sold_from
from fruitvision.store import FarmStore, open_farm
from tests.farm_records import forecast

MONDAY = datetime(2026, 8, 17, 6, 30, tzinfo=UTC)
WEEK = timedelta(days=7)


def version(number: int, **changes: object) -> Forecast:
    made = replace(
        forecast(),
        forecast_id=f"2026-08-{10 + number}-{number:08d}",
        made_on=date(2026, 8, 10 + number),
        number=number,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as store:
        for number in (1, 2, 3):
            store.save_forecast(version(number))
        yield store


def test_a_frozen_version_says_who_when_and_why(store: FarmStore) -> None:
    in_zone = MONDAY.astimezone(timezone(timedelta(hours=-5)))
    frozen = freeze(store, version(1).forecast_id, by="  Ines ", at=in_zone, note="first quote")
    assert (frozen.number, frozen.frozen_by, frozen.note) == (1, "Ines", "first quote")
    (kept,) = store.frozen_forecasts()
    assert kept == frozen
    assert kept.frozen_at == MONDAY
    assert kept.frozen_at.utcoffset() == timedelta(0)


def test_the_same_again_is_no_new_one_unless_the_note_differs(store: FarmStore) -> None:
    first = freeze(store, version(1).forecast_id, by="Ines", at=MONDAY)
    assert freeze(store, version(1).forecast_id, by="Paul", at=MONDAY + WEEK) == first
    assert store.frozen_forecasts() == (first,)
    noted = freeze(store, version(1).forecast_id, by="Paul", at=MONDAY + WEEK, note="for Monday")
    assert store.frozen_forecasts() == (first, noted)


def test_going_back_to_an_earlier_version_is_an_act_of_its_own(store: FarmStore) -> None:
    for number in (1, 2, 1):
        freeze(store, version(number).forecast_id, by="Ines", at=MONDAY)
    assert [one.forecast_id for one in store.frozen_forecasts()] == [
        version(number).forecast_id for number in (1, 2, 1)
    ]
    sold = sold_from(store)
    assert sold is not None
    assert sold.forecast == version(1)
    assert sold.earlier == version(2)


def test_a_what_if_is_never_frozen(store: FarmStore) -> None:
    dry = version(4, what_if="dry season up to the pick")
    store.save_forecast(dry)
    with pytest.raises(ForecastError, match="is a what-if"):
        freeze(store, dry.forecast_id, by="Ines", at=MONDAY)
    assert store.frozen_forecasts() == ()
    # Without a version the latest of record is meant.
    assert freeze(store, by="Ines", at=MONDAY).forecast_id == version(3).forecast_id


def test_what_can_not_be_meant_is_refused(store: FarmStore, tmp_path: Path) -> None:
    with pytest.raises(ForecastError, match="bears a name"):
        freeze(store, by="  ", at=MONDAY)
    with pytest.raises(StoreError, match="No forecast has the version '2026-08-11-0000001'") as err:
        freeze(store, "2026-08-11-0000001", by="Ines", at=MONDAY)
    assert "Did you mean '2026-08-11-00000001'" in err.value.fix
    with open_farm(tmp_path / "empty") as empty:
        with pytest.raises(StoreError, match="no forecast yet"):
            freeze(empty, by="Ines", at=MONDAY)
        assert sold_from(empty) is None


def test_sales_works_with_the_latest_of_record_until_something_is_frozen(store: FarmStore) -> None:
    store.save_forecast(version(4, what_if="picked 5 days later"))
    sold = sold_from(store)
    assert sold is not None
    assert (sold.forecast, sold.frozen, sold.earlier, sold.newer) == (version(3), None, None, None)


def test_sales_stays_with_the_frozen_version_and_hears_of_a_newer_one(store: FarmStore) -> None:
    freeze(store, version(1).forecast_id, by="Ines", at=MONDAY)
    frozen = freeze(store, version(2).forecast_id, by="Ines", at=MONDAY + WEEK)
    sold = sold_from(store)
    assert sold is not None
    assert (sold.forecast, sold.frozen, sold.newer) == (version(2), frozen, version(3))
    assert sold.earlier == version(1)
    assert sold.earlier_frozen == store.frozen_forecasts()[0]
    # An earlier version stays readable.
    first = sold_from(store, number=1)
    assert first is not None
    assert (first.forecast, first.earlier) == (version(1), None)


def test_changes_are_told_from_the_last_version_by_the_same_size_table(store: FarmStore) -> None:
    other = version(5, size_table="another one")
    store.save_forecast(other)
    for number in (1, 5, 2):
        forecast_id = other.forecast_id if number == 5 else version(number).forecast_id
        freeze(store, forecast_id, by="Ines", at=MONDAY)
    sold = sold_from(store)
    assert sold is not None
    assert sold.earlier == version(1)
