"""The plan of a block: runs of places that are alike, photographed trees, finds."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from fruitvision.domain import RegisteredTree, TreeId, TreeKind, VisitedPlace
from fruitvision.field_map import MapFind, MapRun, field_map
from tests.records import BLOCK_ID, WALK, hand_count, tree, tree_id


def place(
    row: int, position: int, kind: TreeKind = TreeKind.BEARING, stratum: str = "", variety: str = ""
) -> RegisteredTree:
    return RegisteredTree(
        tree=TreeId(BLOCK_ID, row, position), kind=kind, stratum=stratum, variety=variety
    )


def test_places_that_are_alike_and_follow_each_other_are_one_run() -> None:
    register = [
        *(place(1, n) for n in range(1, 41)),
        place(1, 41, TreeKind.MISSING),
        *(place(1, n) for n in range(42, 51)),
        *(place(2, n, stratum="low") for n in range(1, 31)),
        *(place(2, n) for n in range(31, 50)),
        place(2, 50, TreeKind.POLLINIZER, variety="Fuji"),
    ]
    found = field_map(list(reversed(register)))
    assert [(run.row, run.first, run.last, run.kind, run.stratum) for run in found.runs] == [
        (1, 1, 40, TreeKind.BEARING, ""),
        (1, 41, 41, TreeKind.MISSING, ""),
        (1, 42, 50, TreeKind.BEARING, ""),
        (2, 1, 30, TreeKind.BEARING, "low"),
        (2, 31, 49, TreeKind.BEARING, ""),
        (2, 50, 50, TreeKind.POLLINIZER, ""),
    ]
    assert found.runs[-1].variety == "Fuji"
    assert sum(run.places for run in found.runs) == len(register)
    assert found.strata == ("", "low")


def test_a_place_that_the_register_leaves_out_parts_a_run() -> None:
    runs = field_map([place(1, 1), place(1, 2), place(1, 4)]).runs
    assert [(run.first, run.last) for run in runs] == [(1, 2), (4, 4)]


def test_a_large_block_is_a_few_hundred_pieces() -> None:
    # 60 rows of 50 places, every 37th a gap: 81 gaps, and the runs between them.
    gaps = range(0, 3000, 37)
    kinds = dict.fromkeys(gaps, TreeKind.MISSING)
    register = [
        place(1 + number // 50, 1 + number % 50, kinds.get(number, TreeKind.BEARING))
        for number in range(3000)
    ]
    runs = field_map(register).runs
    assert sum(run.kind is TreeKind.MISSING for run in runs) == len(gaps)
    assert len(runs) < 250


def test_photographed_trees_have_what_was_seen_and_counted_per_tree() -> None:
    trees = [
        tree(3, 40, diameters_mm=[60.0, 70.0]),
        replace(tree(8, 90), trees=3),
    ]
    counts = [hand_count(3, 55), hand_count(5, 99)]
    found = field_map([], trees, counts)
    assert not found.from_register
    single, panel = found.trees
    assert (single.row, single.position, single.visible, single.sized) == (1, 3, 40.0, 2)
    assert single.mean_mm == pytest.approx(65.0)
    assert single.hand_count == 55.0
    assert (panel.trees, panel.visible, panel.mean_mm, panel.hand_count) == (3, 30.0, None, None)


def test_what_the_walk_found_otherwise_is_told_by_its_last_word() -> None:
    register = [place(1, n) for n in range(1, 5)]
    finds = [
        VisitedPlace(tree=tree_id(n), visited_on=WALK + timedelta(days=day), found=kind)
        for n, day, kind in (
            (1, 0, TreeKind.MISSING),
            (2, 0, TreeKind.BEARING),
            (3, 1, TreeKind.BEARING),
            (3, 0, TreeKind.MISSING),
            (9, 0, TreeKind.MISSING),
        )
    ]
    found = field_map(register, visited=finds).finds
    assert found == (
        MapFind(row=1, position=1, registered=TreeKind.BEARING, found=TreeKind.MISSING),
    )
    assert MapRun(row=1, first=1, last=4, kind=TreeKind.BEARING, stratum="").places == 4
