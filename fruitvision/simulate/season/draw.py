"""An invented farm with a known truth: every fruit of every tree, from the fruit set to the carton.

Conservation holds exactly, for each tree and in all: fruit after June drop = dropped + left +
harvested; harvested = packed + culled = the sum of the picks.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.season.dial import check_seed
from fruitvision.simulate.season.fates import (
    FATES,
    Fates,
    draw_chances,
    draw_picks,
    settle_fates,
)
from fruitvision.simulate.season.plan import PLANS, BlockPlan, check_farm
from fruitvision.simulate.season.register import Register, draw_counts, draw_register, draw_set

__all__ = ["FATES", "SeasonBlock", "draw_season"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeasonBlock:
    """One block with the truth of every fruit that hung after June drop.

    `register` : every position, bearing or not.
    `places` : (T, 2) int, row and position of each bearing tree, in register order; replants too.
    `set_count` : (T,) int, fruit of each tree before June drop.
    `tree` : (N,) int, index into `places` of each fruit; fruit of one tree are neighbours.
    `number` : (N,) int, 1, 2, 3 ... within the tree.
    `earlier_mm`, `diameter_mm`, `pick_mm` : (N,) equatorial diameters at the earlier caliper day,
    the walk and the fruit's own pick (the last pick if none took it). `mass_g` : (N,) at the pick.
    `fate` : (N,) index into `FATES`. `pick` : (N,) 1 for the first pick, 0 for none. `fell_days` :
    (N,) days after the walk, -1 if it did not fall. `cull_cause` : (N,) index into
    `plan.culls.causes`, -1 if it was not culled.
    `photographed`, `hand_counted`, `calipered` : indices into `places`.
    """

    plan: BlockPlan
    register: Register
    places: Ints
    set_count: Ints
    tree: Ints
    number: Ints
    earlier_mm: Floats
    diameter_mm: Floats
    pick_mm: Floats
    mass_g: Floats
    fate: Ints
    pick: Ints
    fell_days: Ints
    cull_cause: Ints
    photographed: tuple[int, ...]
    hand_counted: tuple[int, ...]
    calipered: tuple[int, ...]

    def fruit_of(self, tree: int) -> Ints:
        """Indices of the fruit of one tree, by number."""
        first, end = np.searchsorted(self.tree, (tree, tree + 1))
        return np.arange(first, end)

    def fruit_counts(self) -> Ints:
        """Fruit per bearing tree after June drop, in register order."""
        return np.bincount(self.tree, minlength=len(self.places))

    def fate_counts(self) -> Ints:
        """(T, fates) fruit of each bearing tree by fate."""
        cells = self.tree * len(FATES) + self.fate
        counts = np.bincount(cells, minlength=len(self.places) * len(FATES))
        return counts.reshape(len(self.places), len(FATES))

    def tree_at(self, row: int, position: int) -> int | None:
        """Index of the bearing tree at a place, None where there is none."""
        found = np.flatnonzero((self.places == (row, position)).all(axis=1))
        return int(found[0]) if len(found) else None

    def fruit_id(self, fruit: int) -> str:
        """Name of a fruit, unique on the farm: letter of the block and row-position-number."""
        row, position = self.places[self.tree[fruit]]
        return f"{self.plan.letter}{row}-{position}-{self.number[fruit]}"

    def picked_on(self, fruit: int) -> date | None:
        """Day of a fruit's pick, None if it fell or was left."""
        pick = int(self.pick[fruit])
        return self.plan.pick_dates[pick - 1] if pick else None

    def fell_on(self, fruit: int) -> date | None:
        """Day on which a fruit fell, None if it did not."""
        days = int(self.fell_days[fruit])
        return self.plan.walked_on + timedelta(days=days) if days >= 0 else None


def draw_season(seed: int, plans: Sequence[BlockPlan] = PLANS) -> tuple[SeasonBlock, ...]:
    """All blocks of the farm; the same seed gives the same season.

    Each block has its own streams, so a change in one does not touch the other.

    Raises
    ------
    SimulationError
        If the seed is below 0, or blocks share a letter or name.
    """
    check_seed(seed)
    check_farm(plans)
    streams = np.random.default_rng(seed).spawn(len(plans))
    return tuple(_draw_block(plan, rng, seed) for plan, rng in zip(plans, streams, strict=True))


def _draw_block(plan: BlockPlan, rng: np.random.Generator, seed: int) -> SeasonBlock:
    # The order of the draws from `rng` is kept for ever: the samples depend on it.
    register = draw_register(plan, rng, seed)
    places = register.places[register.bears]
    counts = draw_counts(plan, register, rng, seed)
    tree = np.repeat(np.arange(len(places)), counts)
    diameter_mm = _draw_diameters(plan, counts, tree, rng)
    earlier_mm, grown_mm = _draw_growth(plan, diameter_mm, rng)
    photographed = _every_kth(len(places), plan.photographed, rng)
    g_per_mm3 = _draw_mass_rule(plan, len(tree), rng)
    fates, pick_mm = _draw_fates(plan, grown_mm, g_per_mm3, rng, seed)
    return SeasonBlock(
        plan=plan,
        register=register,
        places=places,
        set_count=draw_set(plan, counts, seed),
        tree=tree,
        number=np.arange(len(tree)) - np.repeat(np.cumsum(counts) - counts, counts) + 1,
        earlier_mm=earlier_mm,
        diameter_mm=diameter_mm,
        pick_mm=pick_mm,
        mass_g=g_per_mm3 * pick_mm**3,
        fate=fates.fate,
        pick=fates.pick,
        fell_days=fates.fell_days,
        cull_cause=fates.cause,
        photographed=photographed,
        hand_counted=_some_of(photographed, plan.hand_counted, rng),
        calipered=_some_of(photographed, plan.calipered, rng),
    )


def _draw_diameters(plan: BlockPlan, counts: Ints, tree: Ints, rng: np.random.Generator) -> Floats:
    sizes = plan.sizes
    load_mm = sizes.load_mm_per_fruit * (counts - counts.mean())
    trees_mm = rng.normal(0.0, sizes.tree_sd_mm, len(counts)) + load_mm
    fruit_mm = rng.normal(0.0, sizes.fruit_sd_mm, len(tree))
    drawn = plan.diameter_mm + trees_mm[tree] + fruit_mm
    return np.asarray(np.clip(drawn, *sizes.size_between_mm), dtype=np.float64)


def _draw_growth(
    plan: BlockPlan, diameter_mm: Floats, rng: np.random.Generator
) -> tuple[Floats, Callable[[int], Floats]]:
    """Diameters at the earlier caliper day, and those at each pick, by its index from 0."""
    weather = plan.weather
    # Shared by the block: how the weather after the walk changed the pace.
    season_pace = float(np.clip(rng.normal(weather.pace, weather.pace_sd), *weather.pace_between))
    own_pace = 1.0 + rng.normal(0.0, weather.fruit_pace_sd, len(diameter_mm))
    jitter_mm = rng.normal(0.0, weather.jitter_mm, len(diameter_mm))

    def at(day: date, pace: Floats) -> Floats:
        return plan.growth.grown_mm(
            diameter_mm,
            usual_mm=plan.diameter_mm,
            walked_on=plan.walked_on,
            days=weather.growing_days(plan.walked_on, day),
            pace=pace,
        )

    def at_pick(index: int) -> Floats:
        grown = at(plan.pick_dates[index], season_pace * own_pace)
        return np.asarray(np.maximum(grown + jitter_mm, diameter_mm), dtype=np.float64)

    return at(plan.earlier_calipers_on, own_pace), at_pick


def _draw_mass_rule(plan: BlockPlan, fruit: int, rng: np.random.Generator) -> Floats:
    """(N,) mass over cubed diameter of each fruit, g/mm³; the scatter is lognormal."""
    mass = plan.mass
    factor = mass.factor_g_per_mm3 * rng.uniform(
        1.0 - mass.variety_spread, 1.0 + mass.variety_spread
    )
    spread = float(np.sqrt(np.log(1.0 + mass.scatter**2)))
    scatter = rng.lognormal(-(spread**2) / 2.0, spread, fruit)
    return np.asarray(factor * scatter, dtype=np.float64)


def _draw_fates(
    plan: BlockPlan,
    grown_mm: Callable[[int], Floats],
    g_per_mm3: Floats,
    rng: np.random.Generator,
    seed: int,
) -> tuple[Fates, Floats]:
    """Fates, and the diameter of every fruit at its own pick."""
    chances = draw_chances(plan, len(g_per_mm3), rng)
    picks = draw_picks(plan, chances, lambda index: g_per_mm3 * grown_mm(index) ** 3, seed)
    last = len(plan.picking.shares)
    pick_mm = grown_mm(last - 1)
    for index in range(1, last):
        pick_mm = np.where(picks[0] == index, grown_mm(index - 1), pick_mm)
    return settle_fates(plan, chances, picks, pick_mm, seed), pick_mm


def _every_kth(trees: int, wanted: int, rng: np.random.Generator) -> tuple[int, ...]:
    """Random start, then an equal step through all rows."""
    step = trees / wanted
    start = rng.uniform(0.0, step)
    return tuple(int(start + step * index) for index in range(wanted))


def _some_of(trees: tuple[int, ...], wanted: int, rng: np.random.Generator) -> tuple[int, ...]:
    return tuple(sorted(int(tree) for tree in rng.choice(trees, wanted, replace=False)))
