"""What stands out from its like: effects, chances, and how rarely noise is listed."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from fruitvision.attention import (
    Comparison,
    attention_list,
    compare_blocks,
    compare_groups,
    compare_rows,
    compare_strata,
    difference,
)
from fruitvision.attention_heights import (
    TreeHeights,
    compare_heights,
    compare_like_heights,
    tree_heights,
)
from fruitvision.domain import (
    Attention,
    Block,
    BlockEstimate,
    Doubt,
    Estimate,
    FruitHeights,
    GrowthRate,
    HiddenFruitFactor,
    Protocol,
    RegisteredTree,
    SizeDistribution,
    TreeId,
    TreeSample,
)
from fruitvision.settings import Settings
from fruitvision.strata import part_trees
from tests.forecast_records import block_estimate, sizes
from tests.records import BLOCK_ID, WALK, block, tree


def row_trees(loads: dict[int, Sequence[int]], mm: float = 70.0) -> list[TreeSample]:
    return [
        TreeSample(
            tree=TreeId(BLOCK_ID, row, position),
            walked_on=WALK,
            protocol=Protocol.TWO_FACES,
            visible_count=load,
            diameters_mm=tuple(mm + position % 3 + np.linspace(-4, 4, 6)),
            diameter_errors_mm=(3.0,) * 6,
        )
        for row, of_row in loads.items()
        for position, load in enumerate(of_row)
    ]


EVEN = {row: (60 + row, 70, 74 - row, 66) for row in range(1, 7)}


def test_a_row_with_half_the_fruit_is_listed_in_words() -> None:
    trees = row_trees({**EVEN, 7: (33, 38, 31, 35)})
    (found,) = attention_list(compare_rows(trees))
    assert isinstance(found, Attention)
    assert (found.block_id, found.where, found.what) == (BLOCK_ID, f"{BLOCK_ID} row 7", "load")
    rest = [load for of_row in EVEN.values() for load in of_row]
    assert found.effect.p50 == pytest.approx(34.25 / np.mean(rest) - 1)
    assert found.noise_chance < 0.001
    assert found.words.startswith("Gala North row 7: load 49 % below its like (")
    assert found.words.endswith("chance of noise under 1 %). Go and look.")


def test_even_rows_are_not_listed() -> None:
    assert attention_list(compare_rows(row_trees(EVEN))) == ()
    assert attention_list([]) == ()
    assert compare_rows([]) == ()


def test_the_likes_of_an_odd_row_do_not_stand_out_against_it() -> None:
    trees = row_trees({1: (66, 70, 74, 70), 2: (71, 68, 69, 73), 3: (5, 9, 7, 8)})
    (found,) = attention_list(compare_rows(trees))
    assert found.where == f"{BLOCK_ID} row 3"


def test_rows_with_two_trees_are_not_compared() -> None:
    assert compare_rows(row_trees({1: (60, 61), 2: (70, 66), 3: (10, 12)})) == ()


def test_a_row_of_small_fruit_is_listed_by_size() -> None:
    trees = row_trees(EVEN) + row_trees({7: (66, 70, 68, 64)}, mm=65.0)
    (found,) = attention_list(compare_rows(trees))
    assert (found.where, found.what) == (f"{BLOCK_ID} row 7", "size")
    assert found.effect.p50 == pytest.approx((65 + 0.75) / (70 + 0.75) - 1)


@pytest.mark.parametrize("seed", range(5))
def test_differences_are_those_of_a_t_test(seed: int) -> None:
    rng = np.random.default_rng(seed)
    one, rest = rng.normal(60, 9, 5), rng.normal(70, 9, 19)
    effect, chance = difference(one, rest)
    peer = stats.ttest_ind(one, rest)
    assert chance == pytest.approx(float(peer.pvalue), abs=1e-8)
    assert effect.p50 == pytest.approx(one.mean() / rest.mean() - 1, abs=1e-8)
    # A range that just reaches 0 where the chance is 20 %, up to the error of the rest's mean.
    assert (effect.p10 < 0 < effect.p90) == (chance > 0.2)


def test_a_difference_without_spread_or_like_is_certain_or_refused() -> None:
    assert difference([5.0, 5.0], [5.0, 5.0])[1] == 1.0
    assert difference([4.0, 4.0], [5.0, 5.0])[1] == 0.0
    with pytest.raises(ValueError, match="2 or more values on both sides"):
        difference([4.0], [5.0, 5.0])


def test_chances_are_judged_together() -> None:
    chances = [0.001, 0.02, 0.03, 0.2, 0.6]
    given = [
        Comparison(
            block_id=str(i), where=str(i), what="load", effect=Estimate(0.2, 0.3, 0.4), chance=p
        )
        for i, p in enumerate(chances)
    ]
    _, adjusted, *_ = multipletests(chances, method="fdr_bh")
    found = attention_list(given)
    assert [one.noise_chance for one in found] == pytest.approx(adjusted[:3], abs=1e-12)


def test_small_differences_are_not_worth_a_walk_however_sure() -> None:
    sure = Comparison(
        block_id="a", where="a", what="load", effect=Estimate(0.08, 0.09, 0.095), chance=1e-9
    )
    assert attention_list([sure]) == ()
    assert len(attention_list([replace(sure, what="size")])) == 1


def test_noise_alone_makes_a_list_in_fewer_than_one_of_ten_walks() -> None:
    rng = np.random.default_rng(12)
    lists = 0
    for _ in range(150):
        groups = {f"row {row}": rng.normal(70, 18, 4).tolist() for row in range(12)}
        lists += bool(attention_list(compare_groups(groups, block_id="a", what="load")))
    assert lists / 150 <= 0.15  # 10 % and two standard errors


def test_strata_are_compared_per_full_tree() -> None:
    register = [
        RegisteredTree(tree=TreeId(BLOCK_ID, row, at), stratum="low" if row == 1 else "")
        for row in (1, 2, 3)
        for at in range(10)
    ]
    trees = row_trees({1: (30, 35, 33, 28), 2: (70, 75, 66, 71), 3: (68, 80, 72, 69)})
    strata = part_trees(block(trees=30), register, trees)
    found = attention_list(compare_strata(strata))
    # Two parts that differ are one line: against which of them is a matter of taste.
    assert [one.what for one in found] == ["load"]
    assert abs(found[0].effect.p50) > 0.5


def estimate_of(
    name: str, load: float, *, mm: float = 70.0, days: int = 0, variety: str = "Gala"
) -> BlockEstimate:
    span = Estimate(load, load, load)
    return BlockEstimate(
        block=Block(block_id=name, variety=variety, positions=1000),
        walked_on=WALK + timedelta(days=days),
        trees=20,
        visible_per_tree=load,
        factor=HiddenFruitFactor(
            factor=1.5, factor_error=0.1, trees=10, protocol=Protocol.TWO_FACES
        ),
        fruit_per_tree_mean=load,
        fruit_per_tree_error=5.0,
        degrees_of_freedom=19,
        sampling_error=4.0,
        fruit_per_tree=span,
        fruit_total=span,
        sizes=SizeDistribution(
            measured_on=WALK,
            quantiles_mm=(mm,),
            mean_mm=mm,
            sd_mm=5.0,
            mean_error_mm=0.4,
            shared_error=0.005,
            spread_error=0.1,
            fruit=200,
            trees=20,
        ),
        doubts=(),
    )


def test_a_block_that_bears_less_than_its_like_is_listed_by_hand() -> None:
    blocks = [estimate_of(n, load) for n, load in zip("abcd", (80, 84, 82, 50), strict=True)]
    (found, *rest) = attention_list(compare_blocks(blocks))
    assert rest == []
    assert (found.where, found.what) == ("d", "load")
    assert found.effect.p50 == pytest.approx(50 / 82 - 1)
    # t = 32 / (5·sqrt(1 + 1/3)) = 5.5426 with 32 degrees of freedom (Satterthwaite of 19 and 57:
    # 32.57); the smallest of 8 chances.
    one = next(c for c in compare_blocks(blocks) if (c.where, c.what) == ("d", "load"))
    assert one.chance == pytest.approx(2 * float(stats.t.sf(5.5426, 32)), rel=1e-3)
    assert found.noise_chance == pytest.approx(8 * one.chance)


def test_blocks_are_compared_with_their_own_variety_only() -> None:
    blocks = [estimate_of("a", 80), estimate_of("b", 82), estimate_of("f", 40, variety="Fuji")]
    assert attention_list(compare_blocks(blocks)) == ()


def test_sizes_of_another_week_are_not_compared() -> None:
    blocks = [estimate_of("a", 80), estimate_of("b", 80), estimate_of("c", 80, mm=60, days=10)]
    assert attention_list(compare_blocks(blocks)) == ()
    together = [*blocks[:2], estimate_of("c", 80, mm=60)]
    assert [one.where for one in attention_list(compare_blocks(together))] == ["c"]


def test_growth_is_compared_where_it_was_measured() -> None:
    blocks = [estimate_of(name, 80) for name in "abcd"]
    rates = {
        name: GrowthRate(mm3_per_day=rate, mm3_per_day_error=150, source="")
        for name, rate in zip("abcd", (4400, 4500, 4600, 2200), strict=True)
    }
    (found,) = attention_list(compare_blocks(blocks, rates))
    assert (found.where, found.what) == ("d", "growth")
    borrowed = {**rates, "d": replace(rates["d"], doubts=(Doubt.DEFAULT_GROWTH,))}
    assert attention_list(compare_blocks(blocks, borrowed)) == ()


def heights(seed: int, *, top: float) -> list[TreeHeights]:
    """Ten trees of 60 fruit; `top` is the share of fruit in the top third."""
    rng = np.random.default_rng(seed)
    trees = []
    for _ in range(10):
        third = rng.choice(3, 60, p=[(1 - top) / 2, (1 - top) / 2, top])
        trees.append(
            TreeHeights(
                heights=(third + rng.uniform(0, 1, 60)) / 3,
                diameters_mm=np.where(rng.random(60) < 0.6, rng.normal(70, 4, 60), np.nan),
            )
        )
    return trees


def test_a_bare_top_is_listed_with_its_third() -> None:
    found = attention_list(compare_heights("Hill", heights(1, top=0.1), heights(2, top=1 / 3)))
    top = next(one for one in found if one.where == "Hill, top third")
    assert top.what == "load"
    assert top.effect.p50 == pytest.approx(0.1 * 3 - 1, abs=0.12)
    assert attention_list(compare_heights("Hill", heights(3, top=0.3), heights(4, top=0.3))) == ()


@pytest.mark.parametrize(
    ("at", "mm", "words"),
    [([0.1, 0.2], [70.0], r"must be \(n,\) both"), ([1.2], [70.0], "from 0 to 1")],
)
def test_heights_that_cannot_be_are_refused(at: list[float], mm: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        TreeHeights(heights=np.array(at), diameters_mm=np.array(mm))


def placed_block(
    name: str, seed: int, *, top_share: float
) -> tuple[BlockEstimate, list[FruitHeights]]:
    """Ten trees of 60 fruit from 0.3 to 3 m; the marker hangs at 1.2 m."""
    rng = np.random.default_rng(seed)
    trees = []
    for number in range(10):
        high = rng.random(60) < top_share
        heights = np.where(high, rng.uniform(2000, 3000, 60), rng.uniform(300, 2000, 60))
        diameters = rng.normal(70, 4, 60)
        trees.append(
            replace(
                tree(number + 1, 60, diameters_mm=diameters.tolist()),
                above_marker_mm=tuple(heights - 1200.0),
            )
        )
    return block_estimate(name, with_sizes=sizes()), [heights_of(one) for one in trees]


def heights_of(one: TreeSample) -> FruitHeights:
    assert one.heights is not None
    return one.heights


def test_a_block_with_an_empty_top_stands_out_where_the_height_of_the_marker_is_set() -> None:
    walks = [
        placed_block(name, seed, top_share=share)
        for seed, (name, share) in enumerate([("Hill", 0.37), ("Mill", 0.37), ("Slope", 0.1)])
    ]
    assert compare_like_heights(walks, Settings()) == ()
    for height_mm in (0.0, 3000.0):
        known = Settings(marker_height_mm=1200.0, tree_height_mm=height_mm)
        found = attention_list(compare_like_heights(walks, known))
        assert found[0].where == "Slope, top third"
        assert found[0].what == "load"
        # A tenth of the fruit instead of 37 %.
        assert found[0].effect.p50 == pytest.approx(0.1 / 0.37 - 1, abs=0.1)
        assert {one.what for one in found} == {"load"}


def test_blocks_of_another_week_or_variety_are_no_like_by_height() -> None:
    hill = placed_block("Hill", 1, top_share=0.37)
    other_week = placed_block("Mill", 2, top_share=0.1)
    later = replace(other_week[0], walked_on=hill[0].walked_on + timedelta(days=8))
    fuji = replace(other_week[0], block=replace(other_week[0].block, variety="Fuji"))
    known = Settings(marker_height_mm=1200.0)
    for estimate in (later, fuji):
        assert compare_like_heights([hill, (estimate, other_week[1])], known) == ()
    assert compare_like_heights([hill, other_week], known) != ()


def test_trees_without_heights_are_left_out_and_errors_do_not_leave_the_tree() -> None:
    placed = replace(tree(1, 3, diameters_mm=[70.0]), above_marker_mm=(-1300.0, 600.0, 1900.0))
    assert tree(2, 3).heights is None
    (found,) = tree_heights([heights_of(placed)], marker_height_mm=1200.0, top_mm=3000.0)
    assert found.heights == pytest.approx([0.0, 0.6, 1.0])
    assert found.diameters_mm[0] == 70.0
    assert np.isnan(found.diameters_mm[1:]).all()
    with pytest.raises(ValueError, match="top must be above 0"):
        tree_heights([heights_of(placed)], marker_height_mm=1200.0, top_mm=0.0)
