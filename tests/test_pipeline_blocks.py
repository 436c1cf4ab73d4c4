"""What the farm's store knows of a block reaches its estimate: register, like blocks, growth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from fruitvision.domain import Doubt, TreeId, TreeKind, VisitedPlace
from fruitvision.pipeline import BlockWalks, attention_of, estimate_blocks
from fruitvision.pipeline.block_growth import seasons_of
from fruitvision.report import attention_lines, block_lines
from fruitvision.store import FarmStore, open_farm
from tests.records import WALK
from tests.walked_farm import (
    LOADS,
    SETTINGS,
    add_block,
    add_calipers,
    add_good_block,
    add_hand_counts,
    add_register,
    add_walk,
    present,
    trees_of,
)

JUNE = date(2026, 6, 28)
LAST_YEAR = timedelta(days=364)


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as store:
        yield store


def walks_of(store: FarmStore, *, confirm_factor: bool = False) -> dict[str, BlockWalks]:
    walks, refused = estimate_blocks(store, SETTINGS, confirm_factor=confirm_factor)
    assert not refused
    return {walk.estimate.block.block_id: walk for walk in walks}


# ---------------------------------------------------------------- register and places


def test_scenario_2_pollinizers_have_a_line_of_their_own_with_their_variety(
    farm: FarmStore,
) -> None:
    add_good_block(farm, "Hill")
    places = [TreeId("Hill", row, 30) for row in range(1, 11)]
    kinds = dict.fromkeys(places[:6], TreeKind.POLLINIZER) | {places[9]: TreeKind.MISSING}
    add_register(farm, "Hill", kinds=kinds, variety="Braeburn")
    walk = walks_of(farm)["Hill"]
    # 300 places less 6 pollinizers and a gap; 12 trees of 40 visible fruit, times 1.5, in each.
    assert walk.estimate.bearing_trees == 293
    assert walk.estimate.fruit_total.p50 == pytest.approx(293 * 60, rel=1e-3)
    lines = block_lines(walk)
    assert "12 of 293 bearing trees" in lines[0]
    assert any("6 trees of Braeburn, not in these numbers" in line for line in lines)
    assert any("the block has 0 as missing, its register lists 1" in line for line in lines)


def test_scenario_31_photographed_trees_of_a_walk_with_notes_stand_beside_its_gaps(
    farm: FarmStore,
) -> None:
    # 56 trees were photographed and 4 gaps written down: 4 of 60. Six of 300 are 2 %.
    add_block(farm, "Hill")
    free = [TreeId("Hill", row, place) for row in range(1, 11) for place in range(1, 7)]
    add_hand_counts(farm, add_walk(farm, "Hill", trees=free[4:]))
    known = {TreeId("Hill", row, 29): TreeKind.MISSING for row in range(1, 7)}
    add_register(farm, "Hill", kinds=known)
    assert walks_of(farm)["Hill"].check.visited == 0
    farm.save_visited_places(
        VisitedPlace(tree=tree, visited_on=WALK, found=TreeKind.MISSING) for tree in free[:4]
    )
    walk = walks_of(farm)["Hill"]
    words = "found 4 of 60 missing = 6.7 %, register says 2 %. That is more than chance"
    assert words in walk.check.words
    assert any(words in line for line in block_lines(walk))
    assert Doubt.REGISTER_DIFFERS in walk.estimate.doubts
    assert "put the tree register right" in walk.advice.words


def test_gaps_of_another_season_are_not_held_against_the_register(farm: FarmStore) -> None:
    add_good_block(farm, "Hill")
    add_register(farm, "Hill")
    gone = VisitedPlace(
        tree=TreeId("Hill", 1, 30), visited_on=WALK - LAST_YEAR, found=TreeKind.MISSING
    )
    farm.save_visited_places([gone])
    assert walks_of(farm)["Hill"].check.visited == 0


def test_strata_of_the_register_are_told_apart(farm: FarmStore) -> None:
    add_block(farm, "Hill")
    # Rows 1 and 2 are low: every tenth tree of the walk stands there, with half of the fruit.
    walked = add_walk(farm, "Hill", loads=lambda index: 20 if index % 10 < 2 else 60)
    add_register(farm, "Hill", stratum=lambda tree: "low" if tree.row <= 2 else "")
    walk = walks_of(farm)["Hill"]
    assert len(walked) == 12
    rest, low = walk.estimate.strata
    assert (rest.name, rest.bearing_trees, rest.sampled) == ("", 240, 8)
    assert (low.name, low.bearing_trees, low.sampled) == ("low", 60, 4)
    # 0.8 · 60 + 0.2 · 20.
    assert walk.estimate.visible_per_tree == pytest.approx(52)
    lines = block_lines(walk)
    assert any("rest of the block" in line and "(8 of 240 trees)" in line for line in lines)
    assert any("low" in line and "(4 of 60 trees)" in line for line in lines)


def test_a_block_whose_register_is_wrong_is_refused_and_the_rest_goes_on(farm: FarmStore) -> None:
    add_good_block(farm, "Hill")
    add_good_block(farm, "Mill")
    add_register(farm, "Mill", kinds={trees_of("Mill")[0]: TreeKind.MISSING})
    walks, refused = estimate_blocks(farm, SETTINGS)
    assert [walk.estimate.block.block_id for walk in walks] == ["Hill"]
    assert [item.name for item in refused] == ["Mill"]
    assert "is missing in the register" in refused[0].what


# ---------------------------------------------------------------- hidden fruit


def test_a_block_without_hand_counts_leans_on_its_like_of_the_same_variety(
    farm: FarmStore,
) -> None:
    add_good_block(farm, "Hill")
    add_good_block(farm, "Slope", variety="Fuji")
    add_block(farm, "Mill")
    add_walk(farm, "Mill")
    factor = walks_of(farm)["Mill"].estimate.factor
    assert factor is not None
    assert (factor.pooled_blocks, factor.trees) == (("Hill",), 0)
    assert factor.factor == pytest.approx(1.5, rel=0.01)
    assert Doubt.POOLED_FACTOR in factor.doubts


def test_a_group_is_stronger_than_the_variety(farm: FarmStore) -> None:
    add_good_block(farm, "Hill", group="old rows")
    add_block(farm, "Mill", group="young rows")
    add_walk(farm, "Mill")
    assert walks_of(farm)["Mill"].estimate.factor is None


def test_scenario_28_without_any_hand_counts_there_are_visible_fruit_only(
    farm: FarmStore,
) -> None:
    add_block(farm, "Hill")
    add_walk(farm, "Hill")
    walk = walks_of(farm)["Hill"]
    assert walk.estimate.factor is None
    assert Doubt.NO_HAND_COUNTS in walk.estimate.doubts
    lines = block_lines(walk)
    assert "  on tree for each seen   none: visible fruit only" in lines
    assert any("count every fruit on 5 of the photographed trees by hand" in x for x in lines)


def test_scenario_27_the_factor_of_june_serves_in_august_with_its_age(farm: FarmStore) -> None:
    add_block(farm, "Hill")
    add_hand_counts(farm, add_walk(farm, "Hill", day=JUNE, mean_mm=40), day=JUNE)
    add_walk(farm, "Hill")
    walk = walks_of(farm)["Hill"]
    assert walk.estimate.factor is not None
    assert walk.estimate.factor.factor == pytest.approx(1.5)
    assert Doubt.OLD_FACTOR in walk.estimate.doubts
    # 28 June to 12 August.
    assert any("The hand counts are 45 days older than the photos" in x for x in block_lines(walk))


def test_a_walk_that_has_begun_does_not_replace_a_whole_one(farm: FarmStore) -> None:
    add_good_block(farm, "Hill")
    before = walks_of(farm)["Hill"]
    later = WALK + timedelta(days=20)
    add_walk(farm, "Hill", day=later, trees=trees_of("Hill", 7))
    begun = walks_of(farm)["Hill"]
    assert begun.estimate.fruit_per_tree == before.estimate.fruit_per_tree
    assert begun.estimate.walked_on == WALK
    assert begun.trees == before.trees
    assert Doubt.NEWER_WALK in begun.estimate.doubts
    assert Doubt.FEW_TREES not in begun.estimate.doubts
    add_walk(farm, "Hill", day=later, trees=trees_of("Hill", 8))
    whole = walks_of(farm)["Hill"].estimate
    assert (whole.walked_on, whole.trees) == (later, 8)
    assert Doubt.NEWER_WALK not in whole.doubts


def test_a_small_walk_of_a_new_season_counts_at_once(farm: FarmStore) -> None:
    add_block(farm, "Hill")
    before = WALK - LAST_YEAR
    add_hand_counts(farm, add_walk(farm, "Hill", day=before), day=before)
    add_walk(farm, "Hill", trees=trees_of("Hill", 3))
    assert walks_of(farm)["Hill"].estimate.walked_on == WALK


def test_the_factor_of_last_season_has_a_wide_range(farm: FarmStore) -> None:
    add_block(farm, "Hill")
    before = WALK - LAST_YEAR
    add_hand_counts(farm, add_walk(farm, "Hill", day=before), day=before)
    add_walk(farm, "Hill")
    factor = walks_of(farm)["Hill"].estimate.factor
    assert factor is not None
    # ±30 % with 90 % confidence is 18 %; the years between add to it.
    assert factor.factor_error >= 0.18 * factor.factor


def test_scenario_26_hand_counts_paired_with_another_detector_wait_for_a_yes(
    farm: FarmStore,
) -> None:
    add_block(farm, "Hill")
    other = replace(present(), detector="classical 0")
    june = add_walk(farm, "Hill", day=JUNE, mean_mm=40, origin=other)
    add_hand_counts(farm, june, day=JUNE)
    add_walk(farm, "Hill")
    estimate = walks_of(farm)["Hill"].estimate
    assert estimate.factor is None
    assert {Doubt.OTHER_DETECTOR, Doubt.NO_HAND_COUNTS} <= set(estimate.doubts)
    confirmed = walks_of(farm, confirm_factor=True)["Hill"].estimate
    assert confirmed.factor is not None
    assert confirmed.factor.detector == "classical 0"
    assert Doubt.OTHER_DETECTOR in confirmed.doubts


def test_scenario_25_suspect_trees_are_named_with_the_factor_without_them(
    farm: FarmStore,
) -> None:
    add_block(farm, "Hill")
    walked = add_walk(farm, "Hill")
    add_hand_counts(farm, walked, number=8)
    # The first tree shows 34 fruit; 20 can't be all of it.
    (first,) = [c for c in farm.hand_counts("Hill") if c.tree == walked[0]]
    farm.save_hand_counts([replace(first, fruit_count=20)])
    lines = block_lines(walks_of(farm)["Hill"])
    assert any(
        "Look at Hill row 1 tree 1" in line and "without them the factor is 1.50" in line
        for line in lines
    )


# ---------------------------------------------------------------- growth


def test_growth_is_the_blocks_own_where_it_was_measured_twice(farm: FarmStore) -> None:
    add_good_block(farm, "Hill")
    growth = walks_of(farm)["Hill"].growth
    # Every fruit went from 62 + z to 68 + z mm, z with a variance of 5² (less by few quantiles).
    days = (WALK - date(2026, 7, 22)).days
    assert growth.mm3_per_day == pytest.approx((68**3 - 62**3 + 3 * 6 * 25) / days, rel=0.01)
    assert growth.source.startswith("calipers")
    assert growth.doubts == ()


def test_growth_comes_from_like_blocks_then_from_past_years_then_from_the_settings(
    farm: FarmStore,
) -> None:
    add_block(farm, "Mill", variety="Fuji")
    walked = add_walk(farm, "Mill")
    assert walks_of(farm)["Mill"].growth.doubts == (Doubt.DEFAULT_GROWTH,)
    for day, mean_mm in ((WALK - LAST_YEAR, 66.0), (WALK + timedelta(days=24) - LAST_YEAR, 72.0)):
        add_calipers(farm, walked, mean_mm=mean_mm, day=day)
    growth = walks_of(farm)["Mill"].growth
    assert growth.doubts == (Doubt.FARM_GROWTH,)
    assert growth.source == "the farm's curve of 2025"
    assert growth.mm3_per_day == pytest.approx((72**3 - 66**3 + 3 * 6 * 25) / 24, rel=0.01)
    add_good_block(farm, "Hill", variety="Fuji")
    growth = walks_of(farm)["Mill"].growth
    assert growth.doubts == (Doubt.SISTER_GROWTH,)
    assert growth.source == "like blocks this year (Hill)"


def test_scenario_36_fruit_that_shrink_beyond_noise_stop_their_block_only(farm: FarmStore) -> None:
    add_good_block(farm, "Hill")
    add_block(farm, "Mill")
    walked = add_walk(farm, "Mill")
    add_calipers(farm, walked, mean_mm=72.0, day=WALK - timedelta(days=14))
    add_calipers(farm, walked, mean_mm=68.0, day=WALK)
    walks, refused = estimate_blocks(farm, SETTINGS)
    assert [walk.estimate.block.block_id for walk in walks] == ["Hill"]
    assert "Fruit seem to shrink" in refused[0].what
    assert "Check the scale" in refused[0].fix


def test_days_part_into_seasons() -> None:
    days = [date(2024, 7, 1), date(2024, 9, 1), date(2025, 6, 20), date(2025, 8, 1)]
    assert seasons_of(reversed(days)) == ((days[0], days[1]), (days[2], days[3]))


# ---------------------------------------------------------------- what to do, what stands out


def test_a_block_that_stands_out_is_on_the_list(farm: FarmStore) -> None:
    for name in ("Hill", "Mill", "Rill"):
        add_good_block(farm, name)
    add_block(farm, "Slope")
    walked = add_walk(farm, "Slope", loads=lambda index: LOADS[index % 6] // 2)
    farm.save_hand_counts(
        replace(count, tree=tree, fruit_count=count.fruit_count // 2)
        for count, tree in zip(farm.hand_counts("Hill"), sorted(walked[:6]), strict=True)
    )
    found = attention_of(list(walks_of(farm).values()), SETTINGS)
    assert [(one.where, one.what) for one in found] == [("Slope", "load")]
    assert found[0].effect.p50 == pytest.approx(-0.5, abs=0.1)
    lines = attention_lines(found)
    assert "Slope: load" in lines[1]
    assert lines[1].endswith("Go and look.")
    assert attention_lines(()) == ["Nothing stands out from its like."]


def test_advice_says_enough_or_names_the_steps(farm: FarmStore) -> None:
    add_good_block(farm, "Hill")
    add_block(farm, "Mill")
    add_hand_counts(farm, add_walk(farm, "Mill", trees=trees_of("Mill", 4)), number=2)
    walks = walks_of(farm)
    assert any(line.startswith("  enough ") for line in block_lines(walks["Hill"]))
    lines = block_lines(walks["Mill"])
    assert any("to narrow it, the best for its work first" in line for line in lines)
    assert any("more trees, from the same faces" in line and "minutes" in line for line in lines)
