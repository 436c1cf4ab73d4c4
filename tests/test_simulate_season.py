"""The season layer: trees, growth, drop, picks, culls, walk, harvest, many seasons, tables."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitvision.block import estimate_block
from fruitvision.domain import CropForecast, TreeKind
from fruitvision.errors import SimulationError
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import Heading, summarise
from fruitvision.settings import Settings
from fruitvision.simulate.coverage import forecast_block
from fruitvision.simulate.score import TrueCrop, true_cartons_of
from fruitvision.simulate.season.draw import FATES, SeasonBlock, draw_season
from fruitvision.simulate.season.fates import Falling, picked_chance
from fruitvision.simulate.season.growth import Growth, StraightGrowth, Weather
from fruitvision.simulate.season.harvest import (
    NOT_PACKED,
    PickResult,
    carton_classes,
    harvest,
    reported_harvest,
)
from fruitvision.simulate.season.orchard import (
    JuneDropDials,
    LoadDials,
    RegisterDials,
    SizeDials,
    Stratum,
)
from fruitvision.simulate.season.picking import (
    CullCause,
    CullDials,
    DropDials,
    MassDials,
    PickDials,
)
from fruitvision.simulate.season.plan import PLANS, BlockPlan
from fruitvision.simulate.season.register import draw_counts, draw_register
from fruitvision.simulate.season.seasons import (
    SeasonRow,
    run_seasons,
    season_lines,
    write_season_rows,
)
from fruitvision.simulate.season.tables import write_field_data
from fruitvision.simulate.season.walk import (
    NO_ERRORS,
    WalkErrors,
    office_block,
    pick_plan,
    registered_trees,
    walk,
)
from fruitvision.size_table import load_size_table

SAMPLES = Path(__file__).parent.parent / "samples"
SEED = 2026
GALA, FUJI = PLANS
# 60 trees with 40 fruit: enough for what holds exactly.
SMALL = replace(
    GALA,
    rows=4,
    trees_per_row=15,
    missing=2,
    pollinizers=3,
    photographed=12,
    hand_counted=6,
    calipered=6,
    fruit_per_tree=40.0,
)
CALM = Weather(pace=1.0, pace_sd=0.0, fruit_pace_sd=0.0, jitter_mm=0.0)


@pytest.fixture(scope="module")
def season() -> tuple[SeasonBlock, ...]:
    return draw_season(SEED)


def one(plan: BlockPlan, seed: int = 1) -> SeasonBlock:
    return draw_season(seed, (plan,))[0]


def read(name: str, folder: Path = SAMPLES) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


# ---------------------------------------------------------------- one seed, one season


def test_the_same_seed_gives_the_same_season(season: tuple[SeasonBlock, ...]) -> None:
    again = draw_season(SEED)
    other = draw_season(SEED + 1)
    assert np.array_equal(season[1].mass_g, again[1].mass_g)
    assert np.array_equal(season[1].set_count, again[1].set_count)
    assert len(season[1].mass_g) != len(other[1].mass_g)


@pytest.mark.parametrize(
    "change",
    [
        {"fruit_per_tree": 20.0},
        {"load": LoadDials(off_trees=0.4)},
        {"picking": PickDials(days_after_first=(0, 8), shares=(0.4, 0.6))},
        {"register": RegisterDials(replants=9)},
    ],
    ids=["load", "off-trees", "picks", "replants"],
)
def test_a_dial_of_one_block_does_not_move_another(
    season: tuple[SeasonBlock, ...], change: dict[str, Any]
) -> None:
    changed = draw_season(SEED, (GALA, replace(FUJI, **change)))
    for name in ("tree", "set_count", "earlier_mm", "pick_mm", "mass_g", "fate", "cull_cause"):
        assert np.array_equal(getattr(season[0], name), getattr(changed[0], name)), name
    assert not np.array_equal(season[1].fate, changed[1].fate)


def test_replants_and_colour_picks_leave_the_other_draws_of_their_block_alone() -> None:
    usual = one(GALA)
    young = one(replace(GALA, register=RegisterDials(replants=20)))
    same = young.register.kind[young.register.bears] == 0
    assert same.sum() == len(usual.places) - 20
    assert np.array_equal(usual.fruit_counts()[same], young.fruit_counts()[same])
    picked = one(replace(GALA, picking=PickDials(days_after_first=(0, 7), shares=(0.5, 0.5))))
    assert np.array_equal(usual.diameter_mm, picked.diameter_mm)
    first = picked.pick == 1
    assert np.array_equal(usual.pick_mm[first], picked.pick_mm[first])


@pytest.mark.parametrize("number", [0, 1], ids=["Gala", "Fuji"])
def test_a_season_keeps_to_its_plan(season: tuple[SeasonBlock, ...], number: int) -> None:
    block = season[number]
    plan = block.plan
    counts = block.fruit_counts()
    assert len(block.places) == plan.rows * plan.trees_per_row - plan.missing - plan.pollinizers
    assert counts.mean() == pytest.approx(plan.fruit_per_tree, rel=0.08)
    assert 0.18 < counts.std() / counts.mean() < 0.32
    assert block.diameter_mm.mean() == pytest.approx(plan.diameter_mm, abs=1.0)
    assert block.diameter_mm.std() == pytest.approx(5.0, abs=0.5)
    assert (block.earlier_mm < block.diameter_mm).all()
    assert (block.pick_mm >= block.diameter_mm).all()
    # The plan: masses within 4 % of 3.8e-4 g/mm³, culls 15-22 %, drop 3-5 % (a little sampling).
    assert (block.mass_g / block.pick_mm**3).mean() == pytest.approx(3.8e-4, rel=0.045)
    dropped = (block.fate == 2).mean()
    culled = (block.fate == 1).sum() / (block.fate != 2).sum()
    assert 0.027 < dropped < 0.053
    assert 0.14 < culled < 0.23


# ---------------------------------------------------------------- conservation


shares = st.floats(0.0, 0.6)


@st.composite
def plans(draw: st.DrawFn) -> BlockPlan:
    picks = draw(st.integers(1, 3))
    low, drop, left = draw(shares), draw(shares), draw(shares)
    return replace(
        SMALL,
        fruit_per_tree=draw(st.floats(0.0, 30.0)),
        missing=draw(st.integers(0, 10)),
        pollinizers=draw(st.integers(0, 10)),
        pick_date=SMALL.walked_on + timedelta(days=draw(st.integers(0, 40))),
        register=RegisterDials(
            replants=draw(st.integers(0, 10)),
            strata=(Stratum(name="low", rows=(2, 3), positions=(1, 9), load_share=draw(shares)),),
        ),
        load=LoadDials(
            tree_cv=draw(st.floats(0.0, 0.4)),
            row_share=draw(st.floats(0.0, 1.0)),
            off_trees=draw(shares),
            trend_along_rows=draw(st.floats(-1.5, 1.5)),
        ),
        june_drop=JuneDropDials(lost_share=draw(st.floats(0.0, 0.9))),
        drop=DropDials(
            share_between=(drop, min(0.9, drop + 0.2)),
            hazard_growth_per_day=draw(st.sampled_from([0.0, 0.1])),
        ),
        picking=PickDials(
            days_after_first=tuple(range(0, 7 * picks, 7)),
            shares=(1.0 / picks,) * picks,
            left_share_between=(left, left),
        ),
        culls=CullDials(
            share_between=(low, low + 0.3),
            causes=(
                CullCause(name="hail"),
                CullCause(name="colour", odds_per_10_mm=draw(st.floats(0.2, 5.0))),
            ),
        ),
    )


@settings(max_examples=40, deadline=None)
@given(plan=plans(), seed=st.integers(0, 2**32))
def test_every_fruit_is_dropped_left_or_harvested_and_packed_or_culled(
    plan: BlockPlan, seed: int
) -> None:
    block = one(plan, seed)
    counts, by_fate = block.fruit_counts(), block.fate_counts()
    packed, culled, dropped, left = by_fate.T
    picks = np.stack(
        [
            np.bincount(block.tree[block.pick == number], minlength=len(counts))
            for number in range(1, len(plan.picking.shares) + 1)
        ]
    )
    assert np.array_equal(counts - dropped, picks.sum(axis=0) + left)
    assert np.array_equal(picks.sum(axis=0), packed + culled)
    assert (block.set_count >= counts).all()
    assert by_fate.sum() == len(block.tree)
    # What each fruit carries agrees with its fate.
    assert np.array_equal(block.pick > 0, block.fate <= 1)
    assert np.array_equal(block.cull_cause >= 0, block.fate == FATES.index("culled"))
    assert np.array_equal(block.fell_days >= 0, block.fate == FATES.index("dropped"))
    results = harvest(block, load_size_table("classes_5mm"))
    assert sum(result.fruit for result in results) == packed.sum() + culled.sum()
    assert sum(result.culled for result in results) == culled.sum()


def test_a_fruit_falls_after_the_walk_and_not_after_the_last_pick() -> None:
    picking = PickDials(days_after_first=(0, 6), shares=(0.5, 0.5))
    block = one(replace(GALA, picking=picking, drop=DropDials(share_between=(0.3, 0.3))))
    fell = np.flatnonzero(block.fate == FATES.index("dropped"))
    last = GALA.pick_date + timedelta(days=6)
    for fruit in fell[::200]:
        assert GALA.walked_on < (block.fell_on(fruit) or GALA.walked_on) <= last
        assert block.picked_on(fruit) is None
    taken = int(np.flatnonzero(block.pick == 2)[0])
    assert block.picked_on(taken) == last
    assert block.fell_on(taken) is None


# ---------------------------------------------------------------- trees and their load


def anova_icc(rows: np.ndarray) -> float:
    """Intraclass correlation of (rows, trees) by one-way analysis of variance."""
    trees = rows.shape[1]
    between = trees * rows.mean(axis=1).var(ddof=1)
    within = rows.var(axis=1, ddof=1).mean()
    return float((between - within) / (between + (trees - 1) * within))


@pytest.mark.parametrize(
    ("tree_cv", "row_share"), [(0.227, 0.18), (0.25, 0.2), (0.1, 0.0), (0.15, 0.6)]
)
def test_the_spread_and_row_correlation_asked_for_are_found(
    tree_cv: float, row_share: float
) -> None:
    # The first pair is that of Strickland's 187 trees. 20 blocks of 60 x 60 trees: the CV is known
    # to 1 %, the correlation to 0.01 (at 0.6); clipping at ±3 sd takes 1 % off the CV.
    plan = replace(
        GALA,
        rows=60,
        trees_per_row=60,
        missing=0,
        pollinizers=0,
        fruit_per_tree=300.0,
        load=LoadDials(tree_cv=tree_cv, row_share=row_share),
    )
    counts = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        register = draw_register(plan, rng, seed)
        counts.append(draw_counts(plan, register, rng, seed).reshape(60, 60))
    found = np.array(counts)
    assert found.mean() == pytest.approx(300.0, rel=0.01)
    assert found.std() / found.mean() == pytest.approx(tree_cv, rel=0.03)
    assert np.mean([anova_icc(rows) for rows in found]) == pytest.approx(row_share, abs=0.03)


def test_the_usual_spread_is_within_sampling_error_of_open_data() -> None:
    # A CV c of n trees has the standard error c·sqrt((1/2 + c²) / n): 0.0125 at 0.227 of 187.
    load = LoadDials()
    assert abs(load.tree_cv - 0.227) < 2 * 0.0125
    assert load.row_share == pytest.approx(0.18, abs=0.05)


def test_frost_ground_replants_and_trend_bear_their_share() -> None:
    frost = Stratum(name="frost ground", rows=(1, 10), positions=(1, 20), load_share=0.4)
    plan = replace(
        GALA,
        rows=20,
        trees_per_row=60,
        missing=30,
        fruit_per_tree=100.0,
        register=RegisterDials(replants=200, replant_share=0.3, strata=(frost,)),
    )
    block = one(plan)
    counts, bears = block.fruit_counts(), block.register.bears
    young = block.register.kind[bears] == 1
    cold = block.register.stratum[bears] == 0
    usual = counts[~young & ~cold].mean()
    # Means of 70 trees or more with a CV of 0.25: 3 % standard error.
    assert counts[~young & cold].mean() / usual == pytest.approx(0.4, rel=0.12)
    assert counts[young & ~cold].mean() / usual == pytest.approx(0.3, rel=0.12)
    rising = one(replace(GALA, rows=40, load=LoadDials(trend_across_rows=0.8)))
    of_row = [rising.fruit_counts()[rising.places[:, 0] == row].mean() for row in range(1, 41)]
    slope = np.polyfit(np.linspace(-0.5, 0.5, 40), np.array(of_row) / 75.0, 1)[0]
    assert slope == pytest.approx(0.8, abs=0.2)


def test_on_and_off_trees_make_two_heaps() -> None:
    load = LoadDials(tree_cv=0.0, off_trees=0.3, off_load=0.2, on_load=1.5)
    counts = one(replace(GALA, rows=30, load=load)).fruit_counts()
    assert set(np.unique(counts)) == {15, 112}
    # 1,599 trees: 0.3 to a standard error of 0.0115.
    assert (counts == 15).mean() == pytest.approx(0.3, abs=0.035)


def test_the_register_names_every_position_once() -> None:
    frost = Stratum(name="frost ground", rows=(1, 2), positions=(3, 5))
    block = one(replace(SMALL, register=RegisterDials(replants=4, strata=(frost,))))
    found = registered_trees(block)
    kinds = [tree.kind for tree in found]
    assert [kinds.count(kind) for kind in TreeKind] == [60 - 4 - 3 - 2, 4, 3, 2]
    assert len({tree.tree for tree in found}) == 60
    low = {(tree.tree.row, tree.tree.position) for tree in found if tree.stratum == "frost ground"}
    assert low == {(row, position) for row in (1, 2) for position in (3, 4, 5)}
    bearing = [tree.tree for tree in found if tree.kind in (TreeKind.BEARING, TreeKind.REPLANT)]
    assert [[tree.row, tree.position] for tree in bearing] == block.places.tolist()
    assert office_block(block).bearing_trees == len(bearing)


def test_june_drop_takes_the_share_asked_for() -> None:
    block = one(replace(GALA, june_drop=JuneDropDials(lost_share=0.6, lost_share_sd=0.0)))
    lost = 1 - block.fruit_counts().sum() / block.set_count.sum()
    assert lost == pytest.approx(0.6, abs=0.001)


# ---------------------------------------------------------------- growth


def test_straight_growth_moves_the_mean_along_the_cubes_and_all_fruit_alike() -> None:
    # 60³ + 10·2160 = 237,600; its cube root is 61.93629 (216,000·1.1 → 60·1.1^(1/3)).
    law = StraightGrowth(mm3_per_day=2160.0)
    same = np.full(5, 60.0)
    grown = law.grown_mm(same, usual_mm=60.0, walked_on=GALA.walked_on, days=10.0, pace=np.ones(5))
    assert grown == pytest.approx(60.0 * 1.1 ** (1 / 3))
    mixed = np.array([50.0, 60.0, 70.0])
    later = law.grown_mm(mixed, usual_mm=60.0, walked_on=GALA.walked_on, days=10.0, pace=np.ones(3))
    assert np.ptp(later - mixed) == pytest.approx(0.0, abs=1e-9)
    assert np.mean(later**3) == pytest.approx(np.mean(mixed**3) + 21600.0)


def test_fruit_stand_still_in_a_drought() -> None:
    dry = replace(CALM, dry_from=GALA.walked_on, dry_until=GALA.pick_date)
    still = one(replace(GALA, weather=dry))
    assert still.pick_mm == pytest.approx(still.diameter_mm, abs=1e-9)
    # 11 of 22 days dry: half the growth of a straight law in mass.
    half = replace(dry, dry_until=GALA.walked_on + timedelta(days=11))
    assert half.growing_days(GALA.walked_on, GALA.pick_date) == 11.0
    assert half.growing_days(GALA.walked_on, GALA.earlier_calipers_on) == -21.0
    slow = replace(dry, dry_from=date(2026, 8, 1), dry_until=date(2026, 8, 11), dry_pace=0.5)
    assert slow.growing_days(GALA.walked_on, GALA.earlier_calipers_on) == -16.0


def test_the_pace_of_the_season_is_shared_by_all_fruit() -> None:
    slow, fast = (
        one(replace(GALA, weather=replace(CALM, pace=pace))).pick_mm for pace in (0.9, 1.05)
    )
    assert (fast > slow).all()


def test_no_fruit_shrinks_from_the_walk_to_the_pick() -> None:
    block = one(replace(GALA, pick_date=GALA.walked_on))
    assert (block.pick_mm >= block.diameter_mm).all()
    assert (block.pick_mm > block.diameter_mm).any()


# ---------------------------------------------------------------- drop, picks, culls, mass


def test_the_hazard_of_falling_rises_from_day_to_day() -> None:
    even = Falling(share=0.19, days=20, growth=0.0)
    # Half the time, a tenth each: 0.9 · 0.9 = 0.81.
    assert even.fallen_by(10) == pytest.approx(0.1)
    assert even.fallen_by(20) == pytest.approx(0.19)
    rising = Falling(share=0.19, days=20, growth=0.1)
    # (e - 1) / (e² - 1) = 1 / (e + 1) = 0.26894 of the log survival 0.21072.
    assert rising.fallen_by(10) == pytest.approx(1 - 0.81**0.2689414)
    assert rising.fallen_by(20) == pytest.approx(0.19)
    chance = np.array([0.05, 0.1799, 0.25])
    for day, one_chance in zip(rising.day_of(chance), chance, strict=True):
        assert rising.fallen_by(day - 1) <= one_chance < rising.fallen_by(day)


def test_the_odds_of_being_picked_double_for_each_20_g() -> None:
    picking = PickDials(days_after_first=(0, 7), shares=(0.4, 0.6))
    plan = replace(GALA, rows=30, growth=StraightGrowth(mm3_per_day=0.0), weather=CALM)
    block = one(replace(plan, picking=picking, drop=DropDials(share_between=(0.0, 0.0))))
    assert (block.pick == 1).mean() == pytest.approx(0.4, abs=0.01)
    edges = np.arange(60.0, 180.0, 20.0)
    log_odds, mean_g = [], []
    for low in edges:
        inside = (block.mass_g >= low) & (block.mass_g < low + 20.0)
        first = (block.pick[inside] == 1).mean()
        log_odds.append(np.log2(first / (1 - first)))
        mean_g.append(block.mass_g[inside].mean())
    # 120,000 fruit in six steps: a slope of 1 doubling per 20 g, known to about 1 %.
    assert np.polyfit(mean_g, log_odds, 1)[0] * 20.0 == pytest.approx(1.0, abs=0.05)


def test_three_colour_picks_give_the_worked_example() -> None:
    # Mean 165 g, sd 35 g, 1 g a day, a week apart, 35 and 33 % taken: means of 187 and 174 g.
    rng = np.random.default_rng(4)
    mass_g = rng.normal(165.0, 35.0, 200_000)
    first = rng.random(len(mass_g)) < picked_chance(mass_g, 0.35, 20.0)
    rest = mass_g[~first] + 7.0
    second = rng.random(len(rest)) < picked_chance(rest, 0.33 / 0.65, 20.0)
    assert mass_g[first].mean() == pytest.approx(187.0, abs=1.0)
    assert rest[second].mean() == pytest.approx(174.0, abs=1.0)
    all_picked = np.concatenate([mass_g[first], rest[second], rest[~second] + 7.0])
    assert all_picked.std() < 33.0


def test_later_picks_bring_smaller_fruit_and_the_same_number_in_all() -> None:
    still = replace(GALA, drop=DropDials(share_between=(0.0, 0.0)))
    picking = PickDials(days_after_first=(0, 7, 14), shares=(0.35, 0.33, 0.32))
    block, strip = one(replace(still, picking=picking)), one(still)
    means = [block.mass_g[block.pick == pick].mean() for pick in (1, 2, 3)]
    assert means[0] > means[1] > means[2]
    assert (block.pick > 0).sum() == (strip.pick > 0).sum()
    assert block.mass_g.std() < strip.mass_g.std()
    assert [pick.share for pick in pick_plan(block).picks] == [0.35, 0.33, 0.32]


def test_fruit_left_by_the_last_pick_are_neither_dropped_nor_harvested() -> None:
    picking = PickDials(left_share_between=(0.1, 0.1))
    block = one(replace(GALA, picking=picking, drop=DropDials(share_between=(0.0, 0.0))))
    left = (block.fate == FATES.index("left")).mean()
    # 22,000 fruit: 0.1 to a standard error of 0.002.
    assert left == pytest.approx(0.1, abs=0.008)
    assert (block.pick[block.fate == FATES.index("left")] == 0).all()


def test_culls_follow_their_causes_and_the_size_of_the_fruit() -> None:
    causes = (
        CullCause(name="hail", weight=1.0),
        CullCause(name="bitter pit", weight=1.0, odds_per_10_mm=3.0),
    )
    block = one(replace(GALA, culls=CullDials(share_between=(0.2, 0.2), causes=causes)))
    picked = block.pick > 0
    # 21,000 fruit: 0.2 to 0.003.
    assert (block.fate[picked] == 1).mean() == pytest.approx(0.2, abs=0.01)
    hail, pit = (block.cull_cause == cause for cause in (0, 1))
    assert hail.sum() / (hail | pit).sum() == pytest.approx(0.5, abs=0.03)
    assert block.pick_mm[hail].mean() == pytest.approx(block.pick_mm[picked].mean(), abs=0.4)
    # Weighting a normal distribution by exp(k·x) moves its mean by k·variance.
    moved = np.log(3.0) / 10.0 * block.pick_mm[picked].var()
    found = block.pick_mm[pit].mean() - block.pick_mm[picked].mean()
    assert found == pytest.approx(moved, abs=0.4)


# ---------------------------------------------------------------- walk


def test_a_walk_without_errors_sees_sizes_counts_and_reads_rightly() -> None:
    block = one(replace(SMALL, tagged_fruit=10_000))
    seen = walk(block, 1, NO_ERRORS)
    counts = block.fruit_counts()
    for index, tree in zip(block.photographed, seen.trees, strict=True):
        assert tree.visible_count == counts[index]
        truth = block.diameter_mm[block.fruit_of(index)]
        assert sorted(tree.diameters_mm) == pytest.approx(sorted(truth))
    assert [count.fruit_count for count in seen.hand_counts] == [
        counts[index] for index in block.hand_counted
    ]
    assert len(seen.readings) == 2 * sum(counts[index] for index in block.calipered)
    today = [r.diameter_mm for r in seen.readings if r.measured_on == SMALL.walked_on]
    truth = np.concatenate([block.diameter_mm[block.fruit_of(t)] for t in block.calipered])
    assert sorted(today) == pytest.approx(sorted(truth))


def test_a_walk_errs_as_much_as_its_dials_say() -> None:
    plan = replace(GALA, rows=2, missing=3, pollinizers=3)
    plan = replace(plan, photographed=50, hand_counted=50, calipered=20)
    shares, marker, slips, readings = [], [], [], []
    for seed in range(60):
        block = one(plan, seed)
        seen = walk(block, seed, WalkErrors(photo_depth_mm=0.0, fruit_depth_mm=0.0))
        truth = block.fruit_counts()[list(block.photographed)]
        shares += [t.visible_count / n for t, n in zip(seen.trees, truth, strict=True)]
        photos = np.mean([mm for tree in seen.trees for mm in tree.diameters_mm])
        of_trees = np.isin(block.tree, block.photographed)
        marker.append(photos / block.diameter_mm[of_trees].mean() - 1)
        slips += [c.fruit_count - n for c, n in zip(seen.hand_counts, truth, strict=True)]
        ids = {block.fruit_id(f): f for t in block.calipered for f in block.fruit_of(t)}
        readings += [
            r.diameter_mm - block.diameter_mm[ids[r.fruit]]
            for r in seen.readings
            if r.measured_on == plan.walked_on
        ]
    assert np.mean(shares) == pytest.approx(0.62, abs=0.005)
    # Between trees 0.06, and counting noise sqrt(0.62 · 0.38 / 75) = 0.056: 0.082 (more on trees
    # with few fruit).
    assert np.std(shares) == pytest.approx(0.084, abs=0.005)
    # One depth for the whole walk: 50 / 2300 = 0.0217, of 60 walks known to 9 %.
    assert np.std(marker) == pytest.approx(0.0217, rel=0.3)
    assert np.mean(np.array(slips) != 0) == pytest.approx(1 / 3, abs=0.03)
    assert set(slips) == {-1, 0, 1, 2}
    assert np.std(readings) == pytest.approx(0.5, rel=0.03)


def test_heavy_trees_hide_more_where_the_dial_says_so() -> None:
    plan = replace(GALA, rows=30, photographed=1000)
    errors = replace(NO_ERRORS, hidden_share=0.4, hidden_by_load=0.2)
    block = one(plan)
    counts = block.fruit_counts()[list(block.photographed)]
    share = np.array([tree.visible_count for tree in walk(block, 1, errors).trees]) / counts
    slope = np.polyfit(counts / 75.0, share, 1)[0]
    assert slope == pytest.approx(-0.2, abs=0.03)


def test_large_fruit_are_sized_more_often_where_the_dial_says_so() -> None:
    block = one(replace(GALA, photographed=100))
    errors = replace(NO_ERRORS, unsized_share=0.8, sized_by_size=6.0)
    sized = np.mean([mm for tree in walk(block, 1, errors).trees for mm in tree.diameters_mm])
    alike = replace(errors, sized_by_size=0.0)
    usual = np.mean([mm for tree in walk(block, 1, alike).trees for mm in tree.diameters_mm])
    # Weights D^6 with a CV of 0.07 within trees move the mean by about 6 · 0.07² = 2.9 % at most.
    assert 0.01 < sized / usual - 1 < 0.032


def test_false_fruit_are_counted_and_faces_add_up() -> None:
    block = one(SMALL)
    seen = walk(block, 1, replace(NO_ERRORS, false_fruit=5.0))
    truth = block.fruit_counts()[list(block.photographed)]
    extra = [tree.visible_count - n for tree, n in zip(seen.trees, truth, strict=True)]
    assert min(extra) >= 0
    assert np.mean(extra) == pytest.approx(5.0, abs=2.5)
    for tree, (face_a, face_b) in zip(seen.trees, seen.face_counts, strict=True):
        assert face_a + face_b == tree.visible_count


# ---------------------------------------------------------------- harvest


@pytest.mark.parametrize("name", ["classes_5mm", "box_counts_42lb"])
def test_picks_add_up_to_the_cartons_of_the_whole_crop(name: str) -> None:
    picking = PickDials(days_after_first=(0, 9), shares=(0.5, 0.5))
    block, table = one(replace(GALA, picking=picking)), load_size_table(name)
    picked = block.pick > 0
    truth = true_cartons_of(
        TrueCrop(
            diameter_mm=block.pick_mm[picked],
            mass_g=block.mass_g[picked],
            packed=block.fate[picked] == 0,
        ),
        table,
    )
    cartons = np.sum([result.cartons for result in harvest(block, table)], axis=0)
    assert cartons == pytest.approx(list(truth.values()))
    classes = carton_classes(block, table)
    assert np.array_equal(classes == NOT_PACKED, block.fate != 0)


def test_a_fruit_on_the_limit_belongs_to_the_upper_class() -> None:
    sizes = SizeDials(tree_sd_mm=0.0, fruit_sd_mm=0.0, load_mm_per_fruit=0.0)
    plan = replace(SMALL, diameter_mm=70.0, sizes=sizes, weather=CALM, pick_date=SMALL.walked_on)
    block, table = one(plan), load_size_table("classes_5mm")
    assert set(block.pick_mm) == {70.0}
    names = [size_class.name for size_class in table.classes]
    classes = carton_classes(block, table)
    assert {names[index - 1] for index in classes[classes != NOT_PACKED]} == {"70-75"}


def test_a_lighter_carton_gives_more_of_them() -> None:
    table = load_size_table("classes_5mm")
    usual, light = one(SMALL), one(replace(SMALL, mass=MassDials(carton_kg=9.0)))
    cartons = [sum(harvest(block, table)[0].cartons) for block in (usual, light)]
    assert cartons[1] == pytest.approx(2 * cartons[0])


def test_bins_are_reported_whole_and_unequally_full() -> None:
    block, table = one(GALA), load_size_table("classes_5mm")
    truth = harvest(block, table)
    assert reported_harvest(block, table, 1, bin_fill_sd=0.0) == truth
    (reported,) = reported_harvest(block, table, 1, bin_fill_sd=0.03)
    assert reported.bins == int(reported.bins)
    assert abs(reported.bins - truth[0].bins) < 2.0
    assert truth[0].bins * 381.0 == pytest.approx(block.mass_g[block.pick > 0].sum() / 1000)


# ---------------------------------------------------------------- the exact forecast

# The chain with every error set to 0, on seasons that have none.
EXACT = Settings(
    marker_depth_error_mm=0.0,
    outline_bias_error=0.0,
    mass_factor_error=0.0,
    mass_scatter=0.0,
    projection_error_mm_per_day=0.0,
    drop_share=0.0,
    drop_share_error=0.0,
    cull_share=0.0,
    cull_share_error=0.0,
)
# Every tree is photographed, hand-counted and calipered whole; nothing falls or is culled.
KNOWN = replace(
    SMALL,
    photographed=55,
    hand_counted=55,
    calipered=55,
    tagged_fruit=10_000,
    growth=StraightGrowth(mm3_per_day=4450.0),
    weather=CALM,
    mass=MassDials(variety_spread=0.0, scatter=0.0),
    drop=DropDials(share_between=(0.0, 0.0)),
    culls=CullDials(share_between=(0.0, 0.0)),
)


# A register that no walk has checked is doubted by 1.2 % of its trees whatever the photos say; the
# median of 2,000 draws of that is known to 0.012 · 1.25 / 45 = 0.03 %, of which three are allowed.
REGISTER_DOUBT = 0.001


def forecast_known(plan: BlockPlan, draws: int) -> tuple[SeasonBlock, CropForecast, PickResult]:
    """The season, the forecast of a walk without errors, and the true harvest."""
    block, table = one(plan), load_size_table("box_counts_42lb")
    seen = walk(block, 1, NO_ERRORS)
    settings = replace(EXACT, draws=draws)
    _, drawn = forecast_block(office_block(block), seen, table, settings, draw_shared(settings))
    heading = Heading(name=plan.block_id, variety=plan.variety, pick_date=plan.pick_date)
    crop = summarise(drawn, heading, table, settings)
    return block, crop, harvest(block, table)[0]


def test_every_tree_counted_gives_the_exact_number_of_fruit() -> None:
    block = one(KNOWN)
    seen = walk(block, 1, NO_ERRORS)
    found = estimate_block(office_block(block), seen.trees, seen.hand_counts, seen.readings, EXACT)
    assert found.block.bearing_trees * found.fruit_per_tree_mean == pytest.approx(
        len(block.tree), rel=1e-9
    )
    assert found.fruit_per_tree_error == pytest.approx(0.0, abs=1e-9)
    assert found.fruit_total.p50 == pytest.approx(len(block.tree), rel=1e-9)


def test_fruit_of_one_size_are_forecast_exactly(monkeypatch: pytest.MonkeyPatch) -> None:
    # No spread among fruit, and no least error for readings that agree by chance, which these do
    # not: so no draw of sizes has an error, and all is equal to the 9th digit.
    monkeypatch.setattr("fruitvision.size_mean.LEAST_OF_USUAL", 0.0)
    monkeypatch.setattr("fruitvision.forecast.own_growth.CALIPER_ERROR_MM", 0.0)
    sizes = SizeDials(tree_sd_mm=0.0, fruit_sd_mm=0.0, load_mm_per_fruit=0.0)
    _, crop, truth = forecast_known(replace(KNOWN, sizes=sizes), 2000)
    assert truth.mean_mm > 72.0
    assert crop.fruit.p50 == pytest.approx(truth.fruit, rel=REGISTER_DOUBT)
    assert crop.diameter_mm is not None
    assert crop.diameter_mm.p50 == pytest.approx(truth.mean_mm, rel=1e-9)
    # The doubt of the register is in fruit, tonnes and cartons alike.
    doubt = crop.fruit.p50 / truth.fruit
    assert crop.tonnes is not None
    assert crop.tonnes.p50 == pytest.approx(truth.tonnes * doubt, rel=1e-9)
    assert crop.cartons is not None
    assert crop.cartons.p50 == pytest.approx(sum(truth.cartons) * doubt, rel=1e-9)
    cartons = [row.cartons.p50 for row in crop.classes[1:-1]]
    assert cartons == pytest.approx([number * doubt for number in truth.cartons], rel=1e-9)


@pytest.mark.parametrize("days", [0, 22], ids=["picked on the walk's day", "three weeks ahead"])
def test_fruit_of_many_sizes_are_forecast_to_a_stated_tolerance(days: int) -> None:
    plan = replace(KNOWN, pick_date=KNOWN.walked_on + timedelta(days=days))
    _, crop, truth = forecast_known(plan, 2000)
    assert crop.fruit.p50 == pytest.approx(truth.fruit, rel=REGISTER_DOUBT)
    # The chain takes the measured trees for a sample of sizes even where they are all: an error of
    # the mean of 0.3 mm, whose median over 2,000 draws is known to 0.3 · 1.25 / 45 = 0.008 mm.
    assert crop.diameter_mm is not None
    assert crop.diameter_mm.p50 == pytest.approx(truth.mean_mm, abs=0.025)
    # Three times that in mass, the register's doubt, and the 199 quantiles that stand for the
    # sizes: 0.1 %.
    relative = REGISTER_DOUBT + 0.002
    assert crop.tonnes is not None
    assert crop.tonnes.p50 == pytest.approx(truth.tonnes, rel=relative)
    assert crop.cartons is not None
    assert crop.cartons.p50 == pytest.approx(sum(truth.cartons), rel=relative)


# ---------------------------------------------------------------- many seasons


@pytest.fixture(scope="module")
def rows() -> tuple[SeasonRow, ...]:
    frost = Stratum(name="frost", rows=(1, 2), positions=(1, 15))
    other = replace(
        SMALL,
        block_id="Slope",
        letter="S",
        register=RegisterDials(strata=(frost,)),
        picking=PickDials(days_after_first=(0, 7), shares=(0.5, 0.5)),
    )
    return tuple(run_seasons((SMALL, other), 20, 5))


def test_rows_hold_the_seasons_that_their_seeds_draw(rows: tuple[SeasonRow, ...]) -> None:
    assert [(row.season, row.block_id) for row in rows[:3]] == [
        (0, "Gala North"),
        (0, "Slope"),
        (1, "Gala North"),
    ]
    block = draw_season(rows[2].seed, (SMALL,))[0]
    assert rows[2].fruit == len(block.tree)
    assert rows[2].tonnes == pytest.approx(block.mass_g[block.pick > 0].sum() / 1e6)
    for row in rows:
        assert row.fruit == row.dropped + row.left + sum(row.picked)
        assert row.cartons == pytest.approx(sum(row.class_cartons))
        assert row.hand_per_seen == pytest.approx(1 / 0.62, rel=0.25)


def test_two_processes_give_the_rows_of_one(rows: tuple[SeasonRow, ...]) -> None:
    alone = [row for row in rows if row.block_id == "Gala North"]
    assert list(run_seasons((SMALL,), 20, 5, workers=2)) == alone


def test_lines_give_mean_and_range_of_every_block(rows: tuple[SeasonRow, ...]) -> None:
    lines = season_lines(rows)
    assert lines[0] == "Gala North, Gala: 20 seasons, 55 bearing trees"
    tonnes = [row.tonnes for row in rows if row.block_id == "Gala North"]
    expected = (np.mean(tonnes), *np.quantile(tonnes, (0.1, 0.9)))
    line = next(line for line in lines if "tonnes picked" in line)
    assert line.split()[-3:] == [f"{number:.1f}" for number in expected]
    assert sum("picked in pick 2" in line for line in lines) == 1
    assert season_lines([]) == []


def test_rows_are_written_as_a_table(rows: tuple[SeasonRow, ...], tmp_path: Path) -> None:
    path = write_season_rows(rows, tmp_path / "new" / "seasons.csv")
    written = read(path.name, path.parent)
    assert len(written) == 40
    assert float(written[0]["tonnes"]) == pytest.approx(rows[0].tonnes, rel=1e-5)
    assert written[0]["picked_2"] == ""
    assert int(written[1]["picked_2"]) == rows[1].picked[1]
    assert float(written[1]["cartons_100"]) == pytest.approx(
        rows[1].class_cartons[rows[1].class_names.index("100")], rel=1e-5, abs=1e-9
    )


def test_seasons_of_a_block_without_fruit_have_no_sizes() -> None:
    (row,) = run_seasons((replace(SMALL, fruit_per_tree=0.0),), 1, 1)
    assert (row.fruit, row.cartons) == (0, 0.0)
    assert np.isnan(row.walk_mm)
    assert any("none" in line for line in season_lines([row]))


# ---------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: replace(GALA, rows=0), r"'rows' is 0.*whole number, 1 to 1000"),
        (lambda: replace(GALA, rows=2.5), r"'rows' is 2.5.*whole number"),
        (lambda: replace(GALA, letter="GA"), "one letter"),
        (lambda: replace(GALA, block_id=" "), "'block_id' is empty"),
        (lambda: replace(GALA, fruit_per_tree=float("nan")), "'fruit_per_tree' is nan"),
        (lambda: replace(GALA, diameter_mm=30.0), r"45 to 90 mm.*size_between_mm"),
        (lambda: replace(GALA, missing=400), "'missing' is 400"),
        (lambda: replace(GALA, photographed=304), "up to 303, the bearing trees"),
        (lambda: replace(GALA, hand_counted=15), "up to 14, the photographed trees"),
        (lambda: replace(GALA, pick_date=date(2026, 8, 1)), "2026-08-12, the walk, or later"),
        (lambda: replace(GALA, earlier_calipers_on=date(2026, 9, 1)), "up to 2026-08-12"),
        (lambda: LoadDials(tree_cv=0.9), r"'tree_cv' is 0.9.*0.0 to 0.4"),
        (lambda: LoadDials(load_between=(1.5, 0.5)), "the least and the most"),
        (lambda: RegisterDials(strata=(Stratum(name="a"), Stratum(name="a"))), "each name once"),
        (
            lambda: replace(
                GALA, register=RegisterDials(strata=(Stratum(name="far", rows=(1, 9)),))
            ),
            "rows 1 to 6, positions 1 to 54",
        ),
        (lambda: Stratum(name="", rows=(1, 1)), "a name"),
        (lambda: Stratum(name="b", rows=(3, 1)), "first and the last"),
        (lambda: PickDials(days_after_first=(0, 7)), "2 shares that add up to 1"),
        (lambda: PickDials(days_after_first=(3,)), "0 for the first pick"),
        (lambda: CullDials(causes=()), "one cause or more"),
        (lambda: Weather(dry_from=date(2026, 8, 1)), "both dry_from and dry_until"),
        (lambda: JuneDropDials(begins_days_before_walk=10), "up to 10, the beginning"),
        (lambda: WalkErrors(hidden_share=1.2), "'hidden_share' is 1.2"),
        (lambda: Growth(linear_from=date(2026, 6, 1), power=0.0), "'power' is 0.0"),
        (lambda: draw_season(-1), "The seed is -1"),
        (lambda: draw_season(1, (GALA, GALA)), "same letter: G, G"),
        (lambda: draw_season(1, ()), "no block"),
        (lambda: run_seasons(PLANS, 0, 1), "number of seasons is 0"),
        (lambda: run_seasons(PLANS, 1, 1, workers=0), "number of workers is 0"),
        (lambda: run_seasons(PLANS, 1, -3), "The seed is -3"),
    ],
)
def test_what_can_not_be_is_refused_with_the_valid_choices(
    make: Callable[[], object], says: str
) -> None:
    with pytest.raises(SimulationError, match=says) as caught:
        make()
    assert caught.value.fix


@pytest.mark.parametrize(
    "record",
    [
        GALA,
        GALA.growth,
        StraightGrowth(),
        Weather(),
        RegisterDials(),
        Stratum(name="low"),
        LoadDials(),
        JuneDropDials(),
        SizeDials(),
        DropDials(),
        PickDials(),
        CullDials(),
        CullCause(name="hail"),
        MassDials(),
        WalkErrors(),
    ],
    ids=lambda record: type(record).__name__,
)
def test_every_number_of_a_plan_has_a_unit_a_range_and_a_source(record: Any) -> None:
    for dial in fields(record):
        kind = str(dial.type)
        if kind.startswith(("int", "float", "tuple[int", "tuple[float")):
            assert dial.metadata["source"], dial.name
            assert dial.metadata["unit"] or dial.name == "power", dial.name
            assert dial.metadata["low"] < dial.metadata["high"], dial.name


# ---------------------------------------------------------------- tables and samples


def test_the_tables_on_disk_are_those_of_the_season(
    season: tuple[SeasonBlock, ...], tmp_path: Path
) -> None:
    written = write_field_data(season, tmp_path, SEED)
    assert len(written) == 8
    for path in written:
        assert path.read_bytes() == (SAMPLES / path.name).read_bytes(), path.name


def test_every_fruit_of_the_tree_table_is_in_the_fruit_table() -> None:
    counted: dict[tuple[str, str, str], int] = {}
    for row in read("truth.csv"):
        key = (row["block"], row["row"], row["position"])
        counted[key] = counted.get(key, 0) + 1
    said = {
        (row["block"], row["row"], row["position"]): int(row["fruit_count"])
        for row in read("truth_trees.csv")
    }
    assert counted == said


def test_the_register_agrees_with_the_block_table_and_the_tree_table() -> None:
    register = read("register.csv")
    for block in read("blocks.csv"):
        kinds = [row["kind"] for row in register if row["block"] == block["block"]]
        assert len(kinds) == int(block["positions"])
        assert kinds.count("missing") == int(block["missing"])
        assert kinds.count("pollinizer") == int(block["pollinizers"])
    bearing = [
        (row["block"], row["row"], row["position"]) for row in register if row["kind"] == "bearing"
    ]
    trees = [(row["block"], row["row"], row["position"]) for row in read("truth_trees.csv")]
    assert bearing == trees


def test_the_harvest_table_agrees_with_the_fruit_table() -> None:
    fates = [(row["block"], row["fate"]) for row in read("truth.csv")]
    for row in read("harvest.csv"):
        packed, culled = (fates.count((row["block"], fate)) for fate in ("packed", "culled"))
        assert int(row["fruit"]) == packed + culled
        causes = [int(row[name]) for name in row if name.startswith("culled_")]
        assert int(row["culled"]) == culled == sum(causes)
        assert float(row["bins"]) * 0.381 == pytest.approx(float(row["tonnes"]), abs=0.003)


def test_hand_counts_are_within_two_fruit_of_the_truth() -> None:
    truth = {
        (row["block"], row["row"], row["position"]): int(row["fruit_count"])
        for row in read("truth_trees.csv")
    }
    counts = read("hand_counts.csv")
    assert len(counts) == 14
    for row in counts:
        key = (row["block"], row["row"], row["position"])
        assert abs(int(row["fruit_count"]) - truth[key]) <= 2


def test_calipers_read_each_tagged_fruit_twice() -> None:
    readings = read("calipers.csv")
    fruit = {(row["row"], row["position"], row["fruit"]) for row in readings}
    assert (len(readings), len(fruit)) == (160, 80)
    assert {row["block"] for row in readings} == {"Gala North"}


def test_a_block_with_light_trees_and_other_causes_still_has_all_tables(tmp_path: Path) -> None:
    bare = replace(
        SMALL,
        block_id="Bare",
        letter="B",
        load=LoadDials(off_trees=0.6, off_load=0.0),
        culls=CullDials(causes=(CullCause(name="bitter pit"),)),
    )
    blocks = draw_season(3, (SMALL, bare))
    write_field_data(blocks, tmp_path, 3)
    first, second = read("harvest.csv", tmp_path)
    assert first["culled_bitter pit"] == ""
    assert second["culled_bitter pit"] == second["culled"]
    assert len(read("register.csv", tmp_path)) == 120
