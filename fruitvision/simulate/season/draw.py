"""An invented farm with a known truth: every fruit of every tree, from the walk to the pick.

The growth here is deliberately not the formula of the forecast: mass grows expolinearly, the
season changes its pace after the walk, and diameter follows mass by a power other than 1/3.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.season.plan import PLANS, BlockPlan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FATES = ("packed", "culled", "dropped")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeasonBlock:
    """One block with the truth of every fruit.

    `places` : (T, 2) int, row and position of each bearing tree, in register order.
    `tree` : (N,) int, index into `places` of each fruit; fruit of one tree are neighbours.
    `number` : (N,) int, 1, 2, 3 ... within the tree.
    `earlier_mm`, `diameter_mm`, `pick_mm` : (N,) equatorial diameters at the earlier caliper day,
    the walk and the pick. `mass_g` : (N,) at the pick. `fate` : (N,) index into `FATES`.
    `photographed`, `hand_counted`, `calipered` : indices into `places`.
    """

    plan: BlockPlan
    places: Ints
    tree: Ints
    number: Ints
    earlier_mm: Floats
    diameter_mm: Floats
    pick_mm: Floats
    mass_g: Floats
    fate: Ints
    photographed: tuple[int, ...]
    hand_counted: tuple[int, ...]
    calipered: tuple[int, ...]

    def fruit_of(self, tree: int) -> Ints:
        """Indices of the fruit of one tree, by number."""
        return np.flatnonzero(self.tree == tree)

    def fruit_counts(self) -> Ints:
        """Fruit per bearing tree, in register order."""
        return np.bincount(self.tree, minlength=len(self.places))

    def tree_at(self, row: int, position: int) -> int | None:
        """Index of the bearing tree at a place, None where there is none."""
        found = np.flatnonzero((self.places == (row, position)).all(axis=1))
        return int(found[0]) if len(found) else None

    def fruit_id(self, fruit: int) -> str:
        """Name of a fruit, unique on the farm: letter of the block and row-position-number."""
        row, position = self.places[self.tree[fruit]]
        return f"{self.plan.letter}{row}-{position}-{self.number[fruit]}"


def draw_season(seed: int, plans: tuple[BlockPlan, ...] = PLANS) -> tuple[SeasonBlock, ...]:
    """All blocks of the farm; the same seed gives the same season.

    Each block has its own stream, so a change in one does not touch the other.
    """
    streams = np.random.default_rng(seed).spawn(len(plans))
    return tuple(_draw_block(plan, rng) for plan, rng in zip(plans, streams, strict=True))


def _draw_block(plan: BlockPlan, rng: np.random.Generator) -> SeasonBlock:
    places = _draw_places(plan, rng)
    counts = _draw_counts(plan, places, rng)
    tree = np.repeat(np.arange(len(places)), counts)
    number = np.arange(len(tree)) - np.repeat(np.cumsum(counts) - counts, counts) + 1
    diameter_mm = _draw_diameters(plan, counts, tree, rng)
    # Shared by the block: how the weather after the walk changed the pace. Our choice.
    pace = float(np.clip(rng.normal(0.96, 0.05), 0.85, 1.08))
    own_pace = 1.0 + rng.normal(0.0, 0.10, len(tree))
    earlier_mm = _grown(plan, diameter_mm, plan.earlier_calipers_on, own_pace)
    pick_mm = _grown(plan, diameter_mm, plan.pick_date, pace * own_pace)
    pick_mm = np.maximum(pick_mm + rng.normal(0.0, 0.5, len(tree)), diameter_mm)
    photographed = _every_kth(len(places), plan.photographed, rng)
    return SeasonBlock(
        plan=plan,
        places=places,
        tree=tree,
        number=number,
        earlier_mm=earlier_mm,
        diameter_mm=diameter_mm,
        pick_mm=pick_mm,
        mass_g=_draw_masses(pick_mm, rng),
        fate=_draw_fates(len(tree), rng),
        photographed=photographed,
        hand_counted=_some_of(photographed, plan.hand_counted, rng),
        calipered=_some_of(photographed, plan.calipered, rng),
    )


def _draw_places(plan: BlockPlan, rng: np.random.Generator) -> Ints:
    every = [
        (row, at) for row in range(1, plan.rows + 1) for at in range(1, plan.trees_per_row + 1)
    ]
    # Pollinizers stand at a regular distance, missing trees anywhere else.
    step = len(every) // plan.pollinizers
    pollinizers = {step // 2 + step * index for index in range(plan.pollinizers)}
    free = [index for index in range(len(every)) if index not in pollinizers]
    missing = {int(index) for index in rng.choice(free, plan.missing, replace=False)}
    bearing = [
        place
        for index, place in enumerate(every)
        if index not in pollinizers and index not in missing
    ]
    return np.array(bearing, dtype=np.int64)


def _draw_counts(plan: BlockPlan, places: Ints, rng: np.random.Generator) -> Ints:
    # CV among trees 0.25 in all, a fifth of the variance between rows. Strickland's 187 apple trees
    # have CV 0.227 and a row correlation of 0.18 (agridat strickland.apple.uniformity).
    rows = rng.normal(0.0, 0.25 * 0.2**0.5, plan.rows)
    trees = rng.normal(0.0, 0.25 * 0.8**0.5, len(places))
    relative = np.clip(1.0 + rows[places[:, 0] - 1] + trees, 0.25, 1.9)
    return np.rint(plan.fruit_per_tree * relative).astype(np.int64)


def _draw_diameters(plan: BlockPlan, counts: Ints, tree: Ints, rng: np.random.Generator) -> Floats:
    # sd 5 mm in all, of which 2 mm between trees; heavy trees bear smaller fruit. Our choice.
    load_mm = -0.04 * (counts - counts.mean())
    trees_mm = rng.normal(0.0, 1.8, len(counts)) + load_mm
    fruit_mm = rng.normal(0.0, 4.6, len(tree))
    drawn = plan.diameter_mm + trees_mm[tree] + fruit_mm
    return np.asarray(np.clip(drawn, 45.0, 90.0), dtype=np.float64)


def _grown(plan: BlockPlan, diameter_mm: Floats, day: date, pace: Floats) -> Floats:
    """Diameters on another day; a fruit half as heavy gains about two thirds as much."""
    growth = plan.growth
    walk_g = growth.mass_g(plan.walked_on)
    relative = (diameter_mm / plan.diameter_mm) ** growth.power
    gain = (growth.mass_g(day) - walk_g) / walk_g * relative**0.6 * pace
    mass_ratio = np.maximum(1.0 + gain / relative, 0.05)
    return np.asarray(diameter_mm * mass_ratio ** (1.0 / growth.power), dtype=np.float64)


def _draw_masses(pick_mm: Floats, rng: np.random.Generator) -> Floats:
    # 3.8e-4 g/mm³ is the middle of the printed count tables; within 4 % by variety; spread among
    # fruit of one diameter 12 % (New Zealand paper to the UNECE apple standard 2003).
    factor = 3.8e-4 * rng.uniform(0.96, 1.04)
    spread = float(np.sqrt(np.log(1.0 + 0.12**2)))
    scatter = rng.lognormal(-(spread**2) / 2.0, spread, len(pick_mm))
    return np.asarray(factor * pick_mm**3 * scatter, dtype=np.float64)


def _draw_fates(fruit: int, rng: np.random.Generator) -> Ints:
    dropped = rng.random(fruit) < rng.uniform(0.03, 0.05)
    culled = rng.random(fruit) < rng.uniform(0.15, 0.22)
    return np.asarray(np.where(dropped, 2, np.where(culled, 1, 0)), dtype=np.int64)


def _every_kth(trees: int, wanted: int, rng: np.random.Generator) -> tuple[int, ...]:
    """Random start, then an equal step through all rows."""
    step = trees / wanted
    start = rng.uniform(0.0, step)
    return tuple(int(start + step * index) for index in range(wanted))


def _some_of(trees: tuple[int, ...], wanted: int, rng: np.random.Generator) -> tuple[int, ...]:
    return tuple(sorted(int(tree) for tree in rng.choice(trees, wanted, replace=False)))
