"""Learning on simulated seasons: a constant bias goes, one odd year is not chased."""

from collections.abc import Sequence
from dataclasses import replace
from math import log

import numpy as np
import pytest

from fruitvision.domain import Block, Learned, Stage
from fruitvision.learning.corrections import proposals
from fruitvision.learning.layers import Comparison
from fruitvision.learning.score import score
from fruitvision.settings import Settings
from fruitvision.simulate.worlds import world_of
from fruitvision.size_table import load_size_table
from tests.packed_season import simulated_year

WORLD = world_of("sizes-vary")
TABLE = load_size_table("box_counts_42lb")
SETTINGS = Settings(draws=200)
BLOCKS = [Block(block_id=one.block_id, variety=one.variety, positions=324) for one in WORLD.plans]
BIAS = log(1.1)
YEARS = 3
# First seeds of two farms that nothing was chosen on.
FARMS = (7100, 7200)


def seasons(first_seed: int) -> list[list[Comparison]]:
    """Three seasons in a row of three blocks; a tenth more comes in than there is."""
    return [
        [
            one
            for _, one in simulated_year(
                WORLD, first_seed + year, TABLE, SETTINGS, year=2024 + year, more=1.1
            )
        ]
        for year in range(YEARS)
    ]


@pytest.fixture(scope="module")
def farms() -> list[list[list[Comparison]]]:
    return [seasons(seed) for seed in FARMS]


def moved(found: Sequence[Comparison], log_factor: float) -> list[Comparison]:
    """The same seasons, had so much more come in."""
    return [
        replace(one, count=replace(one.count, value=one.count.value + log_factor))
        for one in found
        if one.count is not None
    ]


def learned(found: Sequence[Comparison]) -> list[Learned]:
    base = {block.block_id: SETTINGS.cull_share for block in BLOCKS}
    return [one.of(Stage.PLAN) for one in proposals(found, BLOCKS, cull_base=base)]


def corrections(found: Sequence[Comparison]) -> float:
    """Mean learned logarithm of the factor on the number of fruit."""
    return float(np.mean([one.count.value for one in learned(found)]))


def test_a_constant_bias_is_mostly_gone_after_the_third_season(
    farms: list[list[list[Comparison]]],
) -> None:
    after = np.array(
        [
            [corrections([one for season in farm[:years] for one in season]) for years in (1, 2, 3)]
            for farm in farms
        ]
    )
    first, _, third = after.mean(axis=0) / BIAS
    assert 0.1 < first < 0.75
    assert third > 0.55
    assert third > first
    # Without the bias the same seasons teach nearly nothing: it is the bias that is learned.
    without = [
        corrections(moved([one for season in farm for one in season], -BIAS)) for farm in farms
    ]
    assert abs(float(np.mean(without))) < 0.35 * BIAS
    assert float(np.mean(after[:, 2] - without)) > 0.5 * BIAS


def test_one_odd_year_is_not_chased(farms: list[list[list[Comparison]]]) -> None:
    for farm in farms:
        plain = [moved(season, -BIAS) for season in farm]
        odd = [plain[0], moved(plain[1], log(1.2)), plain[2]]
        flat = corrections([one for season in plain for one in season])
        after = corrections([one for season in odd for one in season])
        assert 0.0 < after - flat < 0.4 * log(1.2)


def test_a_year_left_out_moves_nothing(farms: list[list[list[Comparison]]]) -> None:
    farm = farms[0]
    hail = [replace(one, left_out="hail") for one in moved(farm[2], log(0.5))]
    before = learned([*farm[0], *farm[1]])
    after = learned([*farm[0], *farm[1], *hail])
    assert after == before


def test_the_papers_of_a_true_crop_agree_with_it(farms: list[list[list[Comparison]]]) -> None:
    # What was put in comes out: 1.1 times the true fruit, as cartons, culls and classes tell it.
    for farm in farms:
        for season in farm:
            for one in season:
                assert one.actual_fruit is not None
                assert one.actual_cartons is not None
                assert one.actual_cull is not None
                # Culls of the world: 20 ± 4 % of the fruit.
                assert 0.05 < one.actual_cull < 0.36
    found = score([one for farm in farms for season in farm[:1] for one in season])
    assert found.coverage is not None
    assert {step.cause for one in found.varieties for step in one.steps} == {
        "count",
        "size",
        "culls",
    }
