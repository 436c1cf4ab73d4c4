"""Four people at the app and two commands write at once, while copies of the farm are made."""

from __future__ import annotations

from pathlib import Path

from tests.many_at_once import wanted, write_at_once


def test_nothing_is_lost_or_doubled_and_nobody_is_told_of_a_lock(tmp_path: Path) -> None:
    """`python -m tests.bench.soak_many` does the same for as long as one likes."""
    assert write_at_once(tmp_path, times=5, archives=2) == wanted(times=5, archives=2)
