"""Seasons of blocks, in the northern half-year and over New Year."""

from datetime import date

import pytest

from fruitvision.learning.pick_season import (
    block_seasons,
    next_harvest_from,
    same_harvest,
    season_on,
)


def years(planned: list[date], picked: list[date] | None = None) -> list[int]:
    return [one.season for one in block_seasons(planned, picked or [])]


def test_a_northern_season_is_the_year_of_its_pick() -> None:
    planned = [date(2026, 9, 3), date(2026, 9, 6), date(2027, 8, 30)]
    assert years(planned, [date(2025, 9, 1), date(2025, 9, 20), date(2026, 9, 21)]) == [
        2025, 2026, 2027,
    ]  # fmt: skip
    seasons = block_seasons(planned)
    assert season_on(date(2026, 10, 2), seasons).season == 2026
    assert season_on(date(2027, 9, 9), seasons).season == 2027
    assert season_on(date(2024, 9, 9), seasons).season == 2024


def test_a_pick_over_new_year_is_one_season() -> None:
    seasons = block_seasons([date(2026, 12, 28)], [date(2026, 12, 29), date(2027, 1, 8)])
    assert [one.season for one in seasons] == [2026]
    assert season_on(date(2027, 1, 8), seasons).season == 2026


@pytest.mark.parametrize(
    ("days", "season"),
    [
        ([date(2026, 12, 28), date(2027, 1, 3)], 2026),
        ([date(2027, 1, 3), date(2026, 12, 28)], 2027),
    ],
)
def test_a_season_keeps_its_year_when_its_pick_moves_over_new_year(
    days: list[date], season: int
) -> None:
    assert years(days) == [season]


def test_two_harvests_are_never_called_by_one_year() -> None:
    days = [date(2026, 1, 3), date(2026, 12, 28), date(2027, 12, 30), date(2029, 1, 4)]
    assert years(days) == [2026, 2027, 2028, 2029]
    # Also where papers of the earlier one came in only.
    assert years(days[1:2], [days[0]]) == [2026, 2027]


def test_blocks_of_one_harvest_and_of_the_next() -> None:
    early, late = date(2026, 12, 5), date(2027, 5, 20)
    assert same_harvest(early, late)
    assert not same_harvest(late, date(2027, 12, 5))
    assert late < next_harvest_from(early) < date(2027, 12, 5)
