"""What a clock that jumps must not touch: who is signed in, which version is the latest, locks."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from filelock import FileLock, Timeout

from app.gate.doors import Doors, doors_of
from fruitvision.accounts import Role, book
from fruitvision.accounts.running import running_s
from fruitvision.domain import FrozenForecast, HandCount, Job, JobKind, JobState
from fruitvision.pipeline import entries
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.store import FarmStore, open_farm
from fruitvision.whole_file import write_whole
from tests import records

NOW = datetime(2026, 9, 1, 7, 30, tzinfo=UTC)
# A day and a year either way; the hour of the clocks' change, which UTC does not know.
JUMPS = [timedelta(days=days) for days in (-365, -1, 1, 365)] + [timedelta(hours=-1)]
WORDS = "kettle moss lantern"


@pytest.fixture
def farm(tmp_path: Path) -> FarmStore:
    return open_farm(tmp_path / "farm")


@pytest.fixture
def doors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Doors:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(book, "_hasher", lambda: cheap)
    book._no_ones_hash.cache_clear()
    found = doors_of(tmp_path, always_shut=True)
    found.book.add("Ines", Role.MANAGER, WORDS, at=NOW)
    return found


@pytest.fixture
def set_clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[timedelta], None]:
    """Sets what `time.time` says, for every library that asks it, and the program's own clock."""
    real = time.time

    def jump(by: timedelta) -> None:
        monkeypatch.setattr(time, "time", lambda: real() + by.total_seconds())
        monkeypatch.setattr(entries, "now_utc", lambda: datetime.now(UTC) + by)

    return jump


@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_sessions_and_tries_are_timed_by_a_clock_that_nobody_sets(
    jump: timedelta, doors: Doors, set_clock: Callable[[timedelta], None]
) -> None:
    token, _ = doors.sign_in("Ines", WORDS, "10.0.0.7")
    for _ in range(5):
        assert doors.sign_in("Teo", "wrong", "10.0.0.8") == ("", 0)
    before_s = running_s()
    set_clock(jump)
    assert 0 <= running_s() - before_s < 60
    holder = doors.holder(token)
    assert holder is not None
    assert holder.name == "Ines"
    # Nobody is let try earlier, nobody is kept out for a year.
    _, wait_s = doors.sign_in("Teo", "wrong", "10.0.0.8")
    assert 0 < wait_s <= 60


@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_a_session_ends_with_a_new_password_whatever_the_clock_says(
    jump: timedelta, doors: Doors
) -> None:
    token, _ = doors.sign_in("Ines", WORDS, "10.0.0.7")
    doors.book.set_password("Ines", "copper river gate", at=NOW + jump)
    assert doors.holder(token) is None


@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_the_latest_is_what_came_last_not_what_has_the_latest_time(
    jump: timedelta, farm: FarmStore, set_clock: Callable[[timedelta], None]
) -> None:
    block = records.block()
    save_block(block, None, farm, who="Ana")
    first = FrozenForecast(forecast_id="a" * 64, frozen_by="Ana", frozen_at=NOW, note="")
    farm.save_frozen_forecast(first)
    set_clock(jump)
    save_block(replace(block, missing=3), block, farm, who="Ben")
    again = replace(first, forecast_id="b" * 64, frozen_by="Ben", frozen_at=NOW + jump)
    farm.save_frozen_forecast(again)
    latest, earlier = farm.changes()
    assert (latest.who, earlier.who) == ("Ben", "Ana")
    assert (latest.number, earlier.number) == (2, 1)
    assert farm.blocks() == (replace(block, missing=3),)
    assert [one.frozen_by for one in farm.frozen_forecasts()] == ["Ana", "Ben"]


@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_the_same_entry_again_is_the_same_whatever_the_clock_says(
    jump: timedelta, farm: FarmStore, set_clock: Callable[[timedelta], None]
) -> None:
    block = records.block()
    save_block(block, None, farm, who="Ana")
    one = HandCount(tree=records.tree_id(1), fruit_count=90, counted_on=date(2026, 8, 12))
    save_hand_count(one, None, farm, who="Ana")
    set_clock(jump)
    save_hand_count(one, one, farm, who="Ana")
    assert farm.hand_counts() == (one,)
    assert len(farm.changes()) == 2


@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_a_lock_is_held_and_a_file_is_written_through_a_jump(
    jump: timedelta, tmp_path: Path, set_clock: Callable[[timedelta], None]
) -> None:
    target = tmp_path / "a.json"
    write_whole(target, b"old")
    with FileLock(tmp_path / "work.lock"):
        set_clock(jump)
        with pytest.raises(Timeout):
            FileLock(tmp_path / "work.lock", timeout=0.05).acquire()
    with FileLock(tmp_path / "work.lock", timeout=0.05):
        write_whole(target, b"new")
    assert target.read_bytes() == b"new"
    assert not list(tmp_path.glob(".*.part"))


@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_no_job_is_told_to_take_less_than_no_time(jump: timedelta) -> None:
    job = Job(
        number=1,
        kind=JobKind.MEASURE,
        state=JobState.RUNNING,
        asked_by="Ana",
        asked_at=NOW,
        names={},
        started_at=NOW,
        done=10,
        total=20,
    )
    left_s = job.left_s(NOW + timedelta(seconds=30) + jump)
    if jump < timedelta():
        assert left_s is None
    else:
        assert left_s is not None
        assert left_s > 0
