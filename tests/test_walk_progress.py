"""How far a walk has come: what a stop still lacks, which is next, what is added later."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from fruitvision.domain import KeptWalk, PlannedPlace, TreeKind, VisitedPlace, WalkPlan
from fruitvision.walk_progress import (
    Stop,
    is_odd_count,
    next_stop,
    stops_of,
    with_counts,
    with_more,
    without_count,
)
from tests import records

DAY = records.WALK


def place(position: int, *, count: bool = False) -> PlannedPlace:
    tree = records.tree_id(position)
    return PlannedPlace(tree=tree, kind=TreeKind.BEARING, stratum="", steps=1, count_by_hand=count)


def walk(*places: PlannedPlace) -> KeptWalk:
    plan = WalkPlan(block_id=records.BLOCK_ID, places=places, seed=1)
    return KeptWalk(plan=plan, drawn_on=DAY)


def stops(of: KeptWalk, **known: tuple) -> tuple[Stop, ...]:
    return stops_of(of, **{"photos": (), "visited": (), "counts": (), **known})


def visited(position: int, found: TreeKind, on: date = DAY) -> VisitedPlace:
    return VisitedPlace(tree=records.tree_id(position), visited_on=on, found=found)


FACES = [records.tree_photo(3, "A", "a"), records.tree_photo(3, "B", "b")]


@pytest.mark.parametrize(
    ("count", "photos", "found", "counted", "done"),
    [
        (False, [], None, [], False),
        (False, FACES[:1], None, [], False),
        (False, FACES, None, [], True),
        (True, FACES, None, [], False),
        (True, FACES, None, [records.hand_count(3, 40)], True),
        (True, [], TreeKind.MISSING, [], True),
        (False, [], TreeKind.POLLINIZER, [], True),
        (False, [], TreeKind.REPLANT, [], False),
    ],
)
def test_a_stop_is_done_when_nothing_is_left_to_do(count, photos, found, counted, done) -> None:
    (stop,) = stops(
        walk(place(3, count=count)),
        photos=photos,
        visited=[visited(3, found)] if found else [],
        counts=counted,
    )
    assert stop.done is done


def test_what_is_of_other_days_is_no_part_of_the_walk() -> None:
    later, before = DAY + timedelta(days=7), DAY - timedelta(days=1)
    photos = [replace(photo, walked_on=day) for photo in FACES for day in (later, before)]
    (stop,) = stops(
        walk(place(3)),
        photos=photos,
        visited=[visited(3, TreeKind.MISSING, before)],
        counts=[records.hand_count(3, 40, on=later)],
    )
    assert (stop.photos, stop.found, stop.counted) == ((), None, None)
    last_day = [replace(photo, walked_on=DAY + timedelta(days=6)) for photo in FACES]
    assert stops(walk(place(3)), photos=last_day)[0].done


def test_the_last_word_on_a_place_counts() -> None:
    said = [visited(3, TreeKind.MISSING), visited(3, TreeKind.BEARING, DAY + timedelta(days=1))]
    assert stops(walk(place(3)), visited=said)[0].found is TreeKind.BEARING


def test_the_count_stays_hidden_until_there_is_a_hand_count_or_none_is_to_come() -> None:
    counting = walk(place(3, count=True))
    assert stops(counting)[0].count_first
    assert not stops(counting, counts=[records.hand_count(3, 40)])[0].count_first
    assert not stops(without_count(counting, records.tree_id(3)))[0].count_first
    assert not stops(walk(place(3)))[0].count_first


def test_the_next_stop_is_the_first_that_is_not_done_and_the_way_goes_round() -> None:
    found = stops(walk(place(1), place(3), place(5)), photos=FACES)
    first, done, last = (stop.tree for stop in found)
    assert next_stop(found).tree == first
    assert next_stop(found, after=first).tree == last
    assert next_stop(found, after=done).tree == last
    assert next_stop(found, after=last).tree == first
    assert next_stop(found[1:2]) is None


@pytest.mark.parametrize(
    ("count", "faces", "odd"),
    [
        (112, (40, 37), False),
        (230, (40, 37), False),
        (1122, (40, 37), True),
        (11, (40, 37), True),
        # Right counts below both sides together.
        (46, (31, 29), False),
        (0, (6, 6), False),
        (30, (5,), False),
        # One face alone proves it.
        (3, (31,), True),
        (400, (31,), True),
        (90, (31,), False),
        (0, (0, 0), False),
        (1122, (), False),
        (99_999, (), True),
    ],
)
def test_a_count_like_a_slip_of_the_finger_is_odd(count, faces, odd) -> None:
    assert is_odd_count(count, faces) is odd


def test_the_other_trees_of_the_block_tell_what_is_usual() -> None:
    # 0.97 x 77 = 75: 160 is 2.1 times that.
    assert is_odd_count(160, (40, 37), usual_factor=0.97)
    assert not is_odd_count(120, (40, 37), usual_factor=0.97)
    # Where half of the fruit hide 160 is as usual, and 60 is far too few.
    assert not is_odd_count(160, (40, 37), usual_factor=2.0)
    assert is_odd_count(60, (40, 37), usual_factor=2.0)
    # A tree without photos beside trees of 72.
    assert is_odd_count(400, usual_seen=72.0)
    assert not is_odd_count(200, usual_seen=72.0)


def test_more_counts_are_spread_over_the_trees_that_can_be_counted() -> None:
    first = walk(*(place(n, count=n == 1) for n in range(1, 10)))
    gone = [visited(5, TreeKind.MISSING)]
    more = with_counts(first, stops(first, visited=gone), 3)
    counting = [one.tree.position for one in more.plan.places if one.count_by_hand]
    # Of 2, 3, 4, 6, 7, 8, 9 the middles of three equal parts: the second, fourth and sixth.
    assert counting == [1, 3, 6, 8]
    everybody = with_counts(first, stops(first, visited=gone), 50)
    assert sum(one.count_by_hand for one in everybody.plan.places) == 8


def test_more_trees_come_behind_and_none_twice() -> None:
    more = with_more(walk(place(1), place(5)), [place(3), place(5), place(7)])
    assert [one.tree.position for one in more.plan.places] == [1, 5, 3, 7]
