"""Worlds stray as they say, and a friendly one as the settings state."""

import numpy as np
import pytest

from fruitvision.errors import SimulationError
from fruitvision.register import UNCHECKED_ERROR
from fruitvision.settings import Settings
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.plan import BlockPlan
from fruitvision.simulate.season.walk import office_block
from fruitvision.simulate.worlds import WORLDS, World, world_of

SETTINGS = Settings()
FRIENDLY = world_of("friendly")
SEEDS = range(2000)


@pytest.fixture(scope="module")
def plans() -> list[tuple[BlockPlan, ...]]:
    return [FRIENDLY.season_plans(seed, SETTINGS) for seed in SEEDS]


def blocks_of(world: World, seed: int = 3) -> tuple[SeasonBlock, ...]:
    return draw_season(seed, world.season_plans(seed, SETTINGS))


def test_a_friendly_season_strays_as_the_settings_state(plans: list[tuple[BlockPlan, ...]]) -> None:
    # 2,000 seasons: a mean is known to a 45th of the spread, a spread to 1.6 %.
    mass = np.array([farm[0].mass.factor_g_per_mm3 for farm in plans]) / 3.8e-4
    culls = np.array([farm[0].culls.share_between[0] for farm in plans])
    drop = np.array([farm[0].drop.share_between[0] for farm in plans])
    assert (mass.mean(), mass.std()) == pytest.approx((1.0, 0.04), abs=0.003)
    assert (culls.mean(), culls.std()) == pytest.approx((0.20, 0.04), abs=0.003)
    # No share is below 0: of a normal one of 0.04 ± 0.02 one in 44 is cut.
    assert (drop.mean(), drop.std()) == pytest.approx((0.04, 0.02), abs=0.002)
    assert drop.min() == 0.0


def test_growth_after_the_walk_strays_by_the_error_of_a_projection() -> None:
    # 0.025 mm a day: 22 days to Gala's pick, 50 to Fuji's.
    away = []
    for seed in range(60):
        gala, fuji, _ = blocks_of(FRIENDLY, seed)
        away.append([block.pick_mm.mean() - block.diameter_mm.mean() for block in (gala, fuji)])
    spread = np.std(away, axis=0, ddof=1)
    assert spread == pytest.approx([0.55, 1.25], rel=0.3)
    # The season is one for all blocks.
    assert np.corrcoef(np.transpose(away))[0, 1] > 0.99


def test_all_blocks_of_a_friendly_farm_have_the_same_season(
    plans: list[tuple[BlockPlan, ...]],
) -> None:
    for farm in plans[:20]:
        assert len({plan.mass.factor_g_per_mm3 for plan in farm}) == 1
        assert len({plan.culls.share_between for plan in farm}) == 1
    assert len({farm[0].mass.factor_g_per_mm3 for farm in plans}) == len(plans)


def test_a_friendly_register_errs_by_what_a_register_usually_does(
    plans: list[tuple[BlockPlan, ...]],
) -> None:
    plan = plans[0][0]
    bearing = plan.positions - plan.missing - plan.pollinizers
    apart = [FRIENDLY.listed_missing(plan, seed) - plan.missing for seed in SEEDS]
    assert np.mean(apart) == pytest.approx(0.0, abs=0.3)
    assert np.std(apart) == pytest.approx(UNCHECKED_ERROR * bearing, rel=0.06)


def test_a_friendly_marker_errs_by_depth_and_outline() -> None:
    # 80 mm of depth, and 4 % of 2.3 m for the outlines.
    assert FRIENDLY.walk_errors(FRIENDLY.plans[0], 5, SETTINGS).marker_depth_mm == pytest.approx(
        np.hypot(80.0, 92.0)
    )


def test_the_usual_world_is_the_farm_as_it_stands() -> None:
    usual = world_of("usual")
    assert usual.season_plans(5, SETTINGS) == usual.plans
    assert usual.walk_errors(usual.plans[0], 5, SETTINGS) == usual.errors
    assert usual.listed_missing(usual.plans[0], 5) == usual.plans[0].missing


def test_the_wrong_register_knows_a_part_of_the_gaps() -> None:
    world = world_of("wrong-register")
    for seed in range(5):
        for block, friendly in zip(blocks_of(world, seed), blocks_of(FRIENDLY, seed), strict=True):
            positions = block.plan.positions
            gaps = office_block(block).missing - office_block(friendly).missing
            assert gaps == round(0.05 * positions)
            assert len(block.places) == len(friendly.places) - gaps
            # The register errs beside that as in the friendly world; a tree may be rounded off.
            listed = world.listed_missing(block.plan, seed)
            assert listed == FRIENDLY.listed_missing(friendly.plan, seed)


def test_sizes_vary_between_seasons_by_block_and_nothing_else_does() -> None:
    world = world_of("sizes-vary")
    away = []
    for seed in range(500):
        found, usual = (one.season_plans(seed, SETTINGS) for one in (world, FRIENDLY))
        away.append([a.diameter_mm - b.diameter_mm for a, b in zip(found, usual, strict=True)])
        assert found[0].mass == usual[0].mass
        assert found[0].load == usual[0].load
    assert np.std(away, axis=0) == pytest.approx([4.0] * 3, rel=0.1)
    assert np.abs(np.mean(away, axis=0)).max() < 0.5
    assert np.abs(np.corrcoef(np.transpose(away)) - np.eye(3)).max() < 0.15


def test_a_drought_takes_a_week_of_growth() -> None:
    for dry, friendly in zip(blocks_of(world_of("drought")), blocks_of(FRIENDLY), strict=True):
        assert np.array_equal(dry.diameter_mm, friendly.diameter_mm)
        days = (dry.plan.pick_date - dry.plan.walked_on).days
        grown, usual = (b.pick_mm.mean() - b.diameter_mm.mean() for b in (dry, friendly))
        # A little less than its share: D³ grows evenly, so the last mm are the slowest.
        assert (days - 7) / days <= grown / usual <= (days - 6) / days


def test_only_five_trees_are_counted_where_that_is_the_world() -> None:
    for few, friendly in zip(blocks_of(world_of("five-counts")), blocks_of(FRIENDLY), strict=True):
        assert len(few.hand_counted) == 5 < len(friendly.hand_counted)
        assert np.array_equal(few.mass_g, friendly.mass_g)


def test_sixteen_trees_are_counted_where_hiding_goes_with_load() -> None:
    assert world_of("load-counted").errors == world_of("hidden-by-load").errors
    assert world_of("light-hide").errors.hidden_by_load == -0.3
    for name in ("load-counted", "light-hide"):
        for block in blocks_of(world_of(name)):
            assert (len(block.photographed), len(block.hand_counted)) == (30, 16)


def test_factors_of_like_blocks_differ_by_a_tenth() -> None:
    world = world_of("like-blocks")
    assert all(len(block.hand_counted) == 3 for block in blocks_of(world))
    factors = np.array(
        [
            [1 / (1 - world.walk_errors(plan, seed, SETTINGS).hidden_share) for plan in world.plans]
            for seed in range(300)
        ]
    )
    # 300 seasons tell a spread to 4 %, and a correlation to 0.06.
    assert np.log(factors).std(axis=0) == pytest.approx([0.10] * 3, rel=0.15)
    assert np.log(factors).mean(axis=0) == pytest.approx([np.log(1 / 0.62)] * 3, abs=0.02)
    assert abs(np.corrcoef(factors.T)[0, 1]) < 0.2


def test_load_rises_across_and_along_the_rows_of_a_trend() -> None:
    block = blocks_of(world_of("trend"))[0]
    counts = block.fruit_counts()
    rows, places = block.places.T
    sides = [counts[rows > 3].mean() - counts[rows <= 3].mean()]
    sides.append(counts[places > 27].mean() - counts[places <= 27].mean())
    # Half of the mean from end to end is about a quarter from half to half; rows differ beside it.
    assert all(0.1 < side / counts.mean() < 0.5 for side in sides)


def test_an_unknown_world_is_refused_with_the_names() -> None:
    with pytest.raises(
        SimulationError, match=r"no world 'frindly'.*Did you mean 'friendly'.*usual"
    ):
        world_of("frindly")
    with pytest.raises(SimulationError, match=r"'unlisted_gaps' is 0.9"):
        World(name="x", words="X.", unlisted_gaps=0.9)


def test_every_world_says_in_a_sentence_what_is_special() -> None:
    assert len({world.name for world in WORLDS}) == len(WORLDS) == 11
    for world in WORLDS:
        assert world.words.endswith(".")
        assert 20 < len(world.words) < 100
