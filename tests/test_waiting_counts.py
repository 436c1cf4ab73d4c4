"""Hand counts that enter no number, and why."""

from datetime import date, timedelta

import pytest

from fruitvision.domain import HandCount, Protocol, TreePhoto, TreeSample
from fruitvision.hidden_pairs import HAND_COUNT_DAYS
from fruitvision.report.blocks import waiting_words
from fruitvision.waiting_counts import WaitsFor, counts_that_wait
from tests import records
from tests.records import WALK, hand_count

FAR = WALK - timedelta(days=HAND_COUNT_DAYS + 1)


def photos(*positions: int, walked_on: date = WALK) -> list[TreePhoto]:
    return [
        records.tree_photo(position, face, f"{position}{face}", walked_on=walked_on)
        for position in positions
        for face in "AB"
    ]


def waits(
    counts: list[HandCount], of: list[TreePhoto], trees: list[TreeSample]
) -> list[tuple[int, WaitsFor]]:
    return [
        (one.count.tree.position, one.waits_for) for one in counts_that_wait(counts, of, [trees])
    ]


def test_a_count_that_is_paired_waits_for_nothing() -> None:
    assert waits([hand_count(1, 90)], photos(1), [records.tree(1, 40)]) == []


@pytest.mark.parametrize(
    ("count", "of", "trees", "why"),
    [
        (hand_count(2, 90), photos(1), [records.tree(1, 40)], WaitsFor.NO_PHOTO),
        (hand_count(1, 90, on=FAR), photos(1), [records.tree(1, 40)], WaitsFor.DAYS),
        (hand_count(1, 90), photos(1), [], WaitsFor.USABLE),
        (
            hand_count(1, 90, protocol=Protocol.ONE_FACE),
            photos(1),
            [records.tree(1, 40)],
            WaitsFor.PROTOCOL,
        ),
    ],
)
def test_what_a_count_waits_for(
    count: HandCount, of: list[TreePhoto], trees: list[TreeSample], why: WaitsFor
) -> None:
    assert waits([count], of, trees) == [(count.tree.position, why)]


def test_one_day_nearer_it_is_used() -> None:
    near = hand_count(1, 90, on=FAR + timedelta(days=1))
    assert waits([near], photos(1), [records.tree(1, 40)]) == []


def test_of_two_counts_the_nearer_is_used_and_the_other_told() -> None:
    nearer, other = hand_count(1, 90), hand_count(1, 80, on=WALK - timedelta(days=5))
    (told,) = counts_that_wait([other, nearer], photos(1), [[records.tree(1, 40)]])
    assert (told.count, told.waits_for) == (other, WaitsFor.NEARER)


def test_a_count_of_an_earlier_walk_is_used_there() -> None:
    earlier = WALK - timedelta(days=40)
    count = hand_count(1, 90, on=earlier)
    both = [*photos(1), *photos(1, walked_on=earlier)]
    walks = [[records.tree(1, 40)], [records.tree(1, 30, walked_on=earlier)]]
    assert counts_that_wait([count], both, walks) == ()
    assert [one.waits_for for one in counts_that_wait([count], both, walks[:1])] == [
        WaitsFor.USABLE
    ]


def test_the_line_names_tree_day_and_distance() -> None:
    (told,) = counts_that_wait([hand_count(1, 90, on=FAR)], photos(1), [[records.tree(1, 40)]])
    assert told.days_apart == 15
    assert waiting_words(told) == (
        f"row 1 tree 1, counted on {FAR}: its nearest photos are of {WALK}, 15 days away; a count "
        "serves photos up to 14 days before or after it"
    )
