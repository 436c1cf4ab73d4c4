"""Photos of several trees: what is typed, how they are counted, and what stands for the block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fruitvision.advice import advise
from fruitvision.attention import compare_rows
from fruitvision.block import Background, estimate_block
from fruitvision.domain import (
    Block,
    BlockEstimate,
    Doubt,
    HandCount,
    Protocol,
    RegisteredTree,
    TreeId,
    TreeKind,
    TreeSample,
)
from fruitvision.errors import FieldDataError
from fruitvision.field_data import read_hand_counts
from fruitvision.forecast.words import rests_on
from fruitvision.hidden_factor import use_factor
from fruitvision.pipeline.blocks import estimate_blocks
from fruitvision.settings import Settings
from fruitvision.store import open_farm
from fruitvision.tree import sample_trees
from fruitvision.walk_data import WalkPhoto, read_walk
from tests import forecast_records
from tests.records import BLOCK_ID, WALK, block, fruit, measured, tree_photo
from tests.walked_farm import add_block, add_walk

SETTINGS = Settings()
# Visible fruit of ten panels and fruit by hand of the first six.
SEEN = (160, 184, 176, 148, 200, 170, 190, 158, 166, 180)
COUNTED = (240, 262, 270, 230, 296, 250)


def panel(position: int, visible: int, trees: int = 4, row: int = 1, **more: object) -> TreeSample:
    return TreeSample(
        tree=TreeId(BLOCK_ID, row, position),
        walked_on=WALK,
        protocol=Protocol.PANEL,
        visible_count=visible,
        trees=trees,
        **more,  # type: ignore[arg-type]
    )


def by_hand(position: int, count: int, protocol: Protocol = Protocol.PANEL) -> HandCount:
    tree = TreeId(BLOCK_ID, 1, position)
    return HandCount(tree=tree, fruit_count=count, counted_on=WALK, protocol=protocol)


def ten_panels(trees: int = 4) -> list[TreeSample]:
    return [panel(1 + 40 * i, seen, trees) for i, seen in enumerate(SEEN)]


def six_counts() -> list[HandCount]:
    return [by_hand(1 + 40 * i, count) for i, count in enumerate(COUNTED)]


def estimated(
    trees: Sequence[TreeSample],
    counts: Sequence[HandCount] = (),
    register: tuple[RegisteredTree, ...] = (),
    of: Block | None = None,
) -> BlockEstimate:
    whole = of or block(trees=len(register) or 1000)
    return estimate_block(whole, trees, counts, [], SETTINGS, Background(register=register))


# ---------------------------------------------------------------- as typed


def walk_file(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "walk.csv"
    path.write_text("\n".join(("photo,block,row,position,face,trees,vigour", *lines)))
    return path


def test_the_walk_list_says_how_many_trees_a_photo_shows_and_how_vigorous(tmp_path: Path) -> None:
    found = read_walk(
        walk_file(
            tmp_path, "1.jpg,Hill,3,17,A,4,", '2.jpg,Hill,3,17,B,4,"2,5"', "3.jpg,Hill,3,30,A"
        )
    )
    tree = TreeId("Hill", 3, 17)
    assert found.rows == (
        WalkPhoto(file_name="1.jpg", tree=tree, face="A", trees=4),
        WalkPhoto(file_name="2.jpg", tree=tree, face="B", trees=4, vigour=2.5),
        WalkPhoto(file_name="3.jpg", tree=TreeId("Hill", 3, 30), face="A"),
    )


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("0,", "trees is 0."),
        ("2.5,", "trees is 2.5."),
        ("21,", "trees is 21."),
        (",0", "vigour is 0."),
        (",strong", "vigour is 'strong'"),
    ],
)
def test_trees_and_vigour_that_cannot_be_are_refused(
    tmp_path: Path, cells: str, words: str
) -> None:
    found = read_walk(walk_file(tmp_path, f"1.jpg,Hill,3,17,A,{cells}", "2.jpg,Hill,3,30,A,,"))
    assert [row.file_name for row in found.rows] == ["2.jpg"]
    assert words in found.refused[0].what


def test_faces_that_name_other_numbers_of_trees_are_both_refused(tmp_path: Path) -> None:
    lines = ("1.jpg,Hill,3,17,A,4,", "2.jpg,Hill,3,17,B,3,", "3.jpg,Hill,3,30,A,4,")
    found = read_walk(walk_file(tmp_path, *lines))
    assert [row.file_name for row in found.rows] == ["3.jpg"]
    assert [row.line for row in found.refused] == [2, 3]
    assert "The faces of Hill row 3 tree 17 show 3 and 4 trees." in found.refused[0].what


@pytest.mark.parametrize(
    ("typed", "protocol"),
    [
        ("panel", Protocol.PANEL),
        ("Panel one face", Protocol.PANEL_ONE_FACE),
        ('"panel, one face"', Protocol.PANEL_ONE_FACE),
        ("", Protocol.TWO_FACES),
    ],
)
def test_a_hand_count_says_that_it_is_of_a_panel(
    tmp_path: Path, typed: str, protocol: Protocol
) -> None:
    path = tmp_path / "hand_counts.csv"
    path.write_text(
        "block,row,position,fruit_count,counted_on,protocol\n"
        f"Hill,3,17,240,2026-08-12,{typed}\n"
        "Hill,3,30,90,2026-08-12,post to post\n"
    )
    found = read_hand_counts(path)
    assert [count.protocol for count in found.rows] == [protocol]
    assert "'panel'" in found.refused[0].fix


# ---------------------------------------------------------------- photos to panels


def test_a_panel_is_one_sample_of_its_trees_by_a_protocol_of_its_own() -> None:
    seen = {name: measured(name, [fruit(1), fruit(2)]) for name in "abcd"}
    faces = [tree_photo(1, "A", "a"), tree_photo(1, "B", "b"), tree_photo(9, "A", "c")]
    walk = [replace(photo, trees=4) for photo in faces]
    walk[1] = replace(walk[1], vigour=2.0)
    (found,), doubts = sample_trees(walk, seen)
    assert (found.visible_count, found.trees, found.visible_per_tree) == (4, 4, 1.0)
    assert (found.protocol, found.vigour) == (Protocol.PANEL, 2.0)
    assert doubts == (Doubt.FACE_MISSING,)
    (found,), doubts = sample_trees(walk[:1], seen)
    assert (found.protocol, doubts) == (Protocol.PANEL_ONE_FACE, ())


def test_panels_beside_single_trees_are_doubted() -> None:
    seen = {name: measured(name, [fruit(1)]) for name in "ab"}
    walk = [replace(tree_photo(1, "A", "a"), trees=4), tree_photo(9, "A", "b")]
    trees, doubts = sample_trees(walk, seen)
    assert [tree.trees for tree in trees] == [4, 1]
    assert {tree.protocol for tree in trees} == {Protocol.PANEL_ONE_FACE}
    assert doubts == (Doubt.PANELS_AND_TREES,)


def test_a_panel_whose_faces_name_other_numbers_is_left_out() -> None:
    seen = {name: measured(name, [fruit(1)]) for name in "abcd"}
    walk = [
        replace(tree_photo(1, "A", "a"), trees=4),
        replace(tree_photo(1, "B", "b"), trees=3),
        replace(tree_photo(9, "A", "c"), trees=4),
        replace(tree_photo(9, "B", "d"), trees=4),
    ]
    trees, doubts = sample_trees(walk, seen)
    assert [tree.tree.position for tree in trees] == [9]
    assert doubts == (Doubt.PANEL_UNCLEAR,)


# ---------------------------------------------------------------- panels to the block


def test_panels_of_four_are_quarters_of_as_many_units_with_four_times_the_fruit() -> None:
    found = estimated(ten_panels(), six_counts())
    # The same numbers as single units of a block of 250: a quarter of the fruit, the same range.
    units = estimated(ten_panels(trees=1), six_counts(), of=block(trees=250))
    assert found.fruit_per_tree_mean == pytest.approx(sum(COUNTED) / sum(SEEN[:6]) * sum(SEEN) / 40)
    assert found.fruit_per_tree_mean == pytest.approx(units.fruit_per_tree_mean / 4)
    assert found.fruit_per_tree_error == pytest.approx(units.fruit_per_tree_error / 4)
    assert found.sampling_error == pytest.approx(units.sampling_error / 4)
    assert found.degrees_of_freedom == units.degrees_of_freedom
    assert found.fruit_total.p50 == pytest.approx(units.fruit_total.p50)
    assert found.visible_per_tree == pytest.approx(sum(SEEN) / 40)
    assert found.factor is not None
    assert found.factor.factor == pytest.approx(sum(COUNTED) / sum(SEEN[:6]))
    assert found.factor.protocol is Protocol.PANEL
    assert (found.trees, found.trees_per_place, found.trees_seen) == (10, 4.0, 40)
    assert found.doubts == units.doubts


def test_a_range_from_panels_covers_the_truth_as_often_as_it_says() -> None:
    # 1,200 trees in panels of 3 to 5, panels unlike each other; 30 photographed, 10 counted.
    rng = np.random.default_rng(4)
    sizes = rng.integers(3, 6, 300)
    fruit_of = np.array([rng.poisson(rng.gamma(25, 80 / 25) * size) for size in sizes])
    truth, trees = fruit_of.sum(), int(sizes.sum())
    whole = Block(block_id=BLOCK_ID, variety="Gala", positions=trees)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]) + 1
    inside = 0
    for _ in range(300):
        drawn = rng.choice(300, 30, replace=False)
        seen = rng.binomial(fruit_of[drawn], 0.6)
        shown = [
            panel(int(starts[i]), int(n), int(sizes[i])) for i, n in zip(drawn, seen, strict=True)
        ]
        counts = [by_hand(int(starts[i]), int(fruit_of[i])) for i in drawn[:10]]
        total = estimated(shown, counts, of=whole).fruit_total
        # The register's own error of 1.2 % is in the total and not in this world: as good as none.
        inside += total.p10 <= truth <= total.p90
    assert 0.75 <= inside / 300 <= 0.88


def test_panels_of_unequal_numbers_with_equal_loads_stray_by_nothing_but_hidden_fruit() -> None:
    shown = [panel(1 + 40 * i, 50 * trees, trees) for i, trees in enumerate((2, 4, 3, 5, 1, 4))]
    found = estimated(shown, [by_hand(1 + 40 * i, 75 * one.trees) for i, one in enumerate(shown)])
    assert found.fruit_per_tree_mean == pytest.approx(75)
    assert Doubt.TREES_ALL_EQUAL in found.doubts


def test_a_hand_count_of_one_tree_is_not_taken_for_its_panel() -> None:
    one_tree = [by_hand(1, 62, Protocol.TWO_FACES)]
    found = estimated(ten_panels(), one_tree)
    assert found.factor is None
    assert {Doubt.OTHER_PROTOCOL, Doubt.NO_HAND_COUNTS} <= set(found.doubts)


def test_a_factor_of_panels_is_refused_for_photos_of_trees() -> None:
    factor = estimated(ten_panels(), six_counts()).factor
    assert factor is not None
    with pytest.raises(FieldDataError, match="of photos of panel, these show two faces"):
        use_factor(factor, protocol=Protocol.TWO_FACES, detector="", walked_on=WALK)


def test_more_trees_in_panels_than_stand_in_the_block_are_refused() -> None:
    with pytest.raises(FieldDataError, match="40 trees were photographed, but the register has 39"):
        estimated(ten_panels(), of=block(trees=39))


# ---------------------------------------------------------------- with a register


def row_of(*kinds: TreeKind, **of_place: dict[int, object]) -> tuple[RegisteredTree, ...]:
    places = [
        RegisteredTree(tree=TreeId(BLOCK_ID, 1, at), kind=kind) for at, kind in enumerate(kinds, 1)
    ]
    for field, values in of_place.items():
        for at, value in values.items():
            places[at - 1] = replace(places[at - 1], **{field: value})  # type: ignore[arg-type]
    return tuple(places)


TREE, GAP, CRAB = TreeKind.BEARING, TreeKind.MISSING, TreeKind.POLLINIZER


def test_gaps_are_passed_over_and_a_replant_counts_by_its_share() -> None:
    # Panels of 3: places 1, 2 and 4 (the third is a gap), and 5 to 7 with half a tree.
    register = row_of(
        *(TREE, TREE, GAP, TREE, TREE, TreeKind.REPLANT, TREE, TREE), bearing_share={6: 0.5}
    )
    found = estimated([panel(1, 90, 3), panel(5, 75, 3)], register=register)
    assert found.visible_per_tree == pytest.approx(165 / 5.5)
    assert Doubt.PANEL_MIXED not in found.doubts
    # 75 of 2.5 trees are 30 a tree, as in the other panel: no spread is left.
    assert found.sampling_error == pytest.approx(0, abs=1e-9)


def test_a_panel_that_holds_what_cannot_be_parted_is_doubted() -> None:
    shown = [panel(1, 90, 3), panel(5, 80, 3)]
    pollinizer = row_of(TREE, TREE, CRAB, TREE, TREE, TREE, TREE, TREE)
    strata = row_of(*[TREE] * 8, stratum={1: "low", 2: "low"})
    overlap = row_of(TREE, TREE, GAP, GAP, TREE, TREE, TREE, TREE)
    beside = row_of(TREE, TREE, TREE, CRAB, TREE, TREE, TREE, TREE)
    for register in (pollinizer, strata, overlap):
        assert Doubt.PANEL_MIXED in estimated(shown, register=register).doubts
    assert Doubt.PANEL_MIXED not in estimated(shown, register=beside).doubts
    without_register = [panel(1, 90, 5), panel(5, 80, 3)]
    assert Doubt.PANEL_MIXED in estimated(without_register).doubts


def test_a_panel_belongs_to_the_stratum_of_most_of_its_trees() -> None:
    register = row_of(*[TREE] * 10, stratum=dict.fromkeys(range(1, 5), "low"))
    found = estimated([panel(1, 40, 2), panel(3, 150, 4), panel(7, 150, 4)], register=register)
    by_name = {part.name: part.sampled for part in found.strata}
    # Places 3 to 6 lie half in each part: the part of the first of them takes them.
    assert by_name == {"low": 6, "": 4}
    later = estimated([panel(1, 40, 3), panel(4, 150, 4), panel(8, 110, 3)], register=register)
    assert {part.name: part.sampled for part in later.strata} == {"low": 3, "": 7}


def test_a_panel_beyond_the_end_of_its_row_is_refused() -> None:
    with pytest.raises(FieldDataError, match=r"shows 4 trees .* but by the register 2 stand"):
        estimated([panel(1, 90, 3), panel(5, 80, 4)], register=row_of(*[TREE] * 6))


# ---------------------------------------------------------------- what else looks at trees


def test_advice_is_in_panels() -> None:
    found = estimated(ten_panels()[:5], six_counts()[:4])
    sizes = forecast_records.sizes()
    words = [step.words for step in advise(replace(found, sizes=sizes)).steps]
    assert any("more panels, from the same faces" in one for one in words)


def test_a_forecast_rests_on_all_trees_of_the_panels() -> None:
    inputs = forecast_records.block_inputs(
        replace(forecast_records.block_estimate(), trees=10, trees_per_place=4.2)
    )
    assert "Rests on 42 trees" in rests_on([inputs])


def test_rows_are_compared_by_fruit_per_tree() -> None:
    rows = [panel(9 * i, 40 * 2, 2, row=1) for i in range(1, 7)]
    rows += [panel(9 * i, 40 * 4 + i, 4, row=2) for i in range(1, 7)]
    load = next(one for one in compare_rows(rows) if one.what == "load")
    # 80 and some 163 fruit, but 40 and some 41 a tree.
    assert abs(load.effect.p50) < 0.05


def test_panels_go_through_the_farm(tmp_path: Path) -> None:
    with open_farm(tmp_path) as store:
        add_block(store, "Gala North")
        walked = add_walk(store, "Gala North")
        single, _ = estimate_blocks(store, SETTINGS)
        store.save_tree_photos(replace(photo, trees=3) for photo in store.tree_photos())
        for index, tree in enumerate(walked[:5]):
            store.save_hand_counts(
                [
                    HandCount(
                        tree=tree,
                        fruit_count=150 + 10 * index,
                        counted_on=WALK,
                        protocol=Protocol.PANEL,
                    )
                ]
            )
        panels, refused = estimate_blocks(store, SETTINGS)
        assert not refused
        now, before = panels[0].estimate, single[0].estimate
        assert now.visible_per_tree == pytest.approx(before.visible_per_tree / 3)
        assert now.factor is not None
        assert now.factor.protocol is Protocol.PANEL
        assert now.trees_seen == 3 * before.trees
