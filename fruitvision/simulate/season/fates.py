"""What becomes of each fruit after the walk: it falls, is left, or is picked, and packed or not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.season.dial import CAUSES, LEFT, PICKS, stream
from fruitvision.simulate.season.picking import CullDials
from fruitvision.simulate.season.plan import BlockPlan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

FATES = ("packed", "culled", "dropped", "left")
PACKED, CULLED, DROPPED, LEFT_ON_TREE = range(4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Falling:
    """Preharvest drop of one season: what share has fallen so many days after the walk.

    The hazard of a day is proportional to exp(growth * days); by `days`, the pick date, `share`
    has fallen.
    """

    share: float
    days: int
    growth: float

    def fallen_by(self, days: float) -> float:
        """Share of the fruit at the walk that would have fallen by then, were none picked."""
        weight = self._weight(days) / max(self._weight(self.days), 1e-12)
        return self.share if weight == 1.0 else float(1.0 - (1.0 - self.share) ** weight)

    def _weight(self, days: float) -> float:
        return float(np.expm1(self.growth * days)) / self.growth if self.growth else float(days)

    def day_of(self, chance: Floats) -> Ints:
        """(N,) day after the walk, 1 and up, on which `fallen_by` passes the chance."""
        if self.share <= 0.0:
            return np.ones(len(chance), dtype=np.int64)
        weight = np.log1p(-chance) / np.log1p(-self.share) * self._weight(self.days)
        days = np.log1p(self.growth * weight) / self.growth if self.growth else weight
        whole: Ints = np.maximum(np.ceil(days), 1).astype(np.int64)
        return whole


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fates:
    """(N,) each: `fate` index into `FATES`, `pick` 1 and up or 0 for none, `fell_days` after the
    walk or -1, `cause` index into the plan's cull causes or -1."""

    fate: Ints
    pick: Ints
    fell_days: Ints
    cause: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chances:
    """What the block's own stream says about falling and culling; (N,) uniform numbers."""

    fall: Floats
    falling: Falling
    cull: Floats
    cull_share: float


def draw_chances(plan: BlockPlan, fruit: int, rng: np.random.Generator) -> Chances:
    """Draw them in the order that they always had."""
    fall = rng.random(fruit)
    falling = Falling(
        share=float(rng.uniform(*plan.drop.share_between)),
        days=max(1, (plan.pick_date - plan.walked_on).days),
        growth=plan.drop.hazard_growth_per_day,
    )
    cull = rng.random(fruit)
    return Chances(
        fall=fall,
        falling=falling,
        cull=cull,
        cull_share=float(rng.uniform(*plan.culls.share_between)),
    )


def draw_picks(
    plan: BlockPlan, chances: Chances, mass_g: Callable[[int], Floats], seed: int
) -> tuple[Ints, Ints]:
    """Which pick takes each fruit, and when those that fall do.

    Parameters
    ----------
    mass_g : callable
        (N,) masses on the day of a pick, by its index from 0; asked for colour picks only.

    Returns
    -------
    pick : (N,) int
        1 for the first pick; 0 if none.
    fell_days : (N,) int
        Days after the walk; -1 if it did not fall.
    """
    fruit = len(chances.fall)
    pick = np.zeros(fruit, dtype=np.int64)
    fallen = np.zeros(fruit, dtype=bool)
    rng = stream(seed, plan.letter, PICKS)
    shares, first_day = plan.picking.shares, (plan.pick_date - plan.walked_on).days
    for index, later in enumerate(plan.picking.days_after_first):
        due = chances.fall < chances.falling.fallen_by(first_day + later)
        fallen |= due & (pick == 0)
        hanging = (pick == 0) & ~fallen
        if index + 1 < len(shares):
            share = shares[index] / sum(shares[index:])
            odds = picked_chance(mass_g(index)[hanging], share, plan.picking.doubling_g)
            taken = rng.random(fruit)[hanging] < odds
        else:
            taken = ~_left(plan, fruit, seed)[hanging]
        pick[np.flatnonzero(hanging)[taken]] = index + 1
    last_day = first_day + plan.picking.days_after_first[-1]
    days = np.minimum(chances.falling.day_of(chances.fall), max(last_day, 1))
    return pick, np.where(fallen, days, -1)


def picked_chance(mass_g: Floats, share: float, doubling_g: float) -> Floats:
    """(N,) chance of each fruit to be picked: odds double with so many grams, mean is `share`."""
    if not len(mass_g):
        return mass_g
    slope = np.log(2.0) / doubling_g * (mass_g - mass_g.mean())
    middle = float(np.log(share / (1.0 - share)))
    for _ in range(40):
        chance = 1.0 / (1.0 + np.exp(-np.clip(middle + slope, -700.0, 700.0)))
        error = float(chance.mean()) - share
        if abs(error) < 1e-12:
            break
        middle -= float(np.clip(error / max((chance * (1.0 - chance)).mean(), 1e-6), -3.0, 3.0))
    return np.asarray(chance, dtype=np.float64)


def _left(plan: BlockPlan, fruit: int, seed: int) -> Flags:
    """Fruit that the last pick leaves if they still hang."""
    if plan.picking.left_share_between[1] <= 0.0:
        return np.zeros(fruit, dtype=bool)
    rng = stream(seed, plan.letter, LEFT)
    share = rng.uniform(*plan.picking.left_share_between)
    return np.asarray(rng.random(fruit) < share)


def settle_fates(
    plan: BlockPlan, chances: Chances, picks: tuple[Ints, Ints], pick_mm: Floats, seed: int
) -> Fates:
    """Every fruit's fate, once it is known which pick takes it and how large it is then."""
    pick, fell_days = picks
    picked = pick > 0
    weights = _cause_weights(plan.culls, pick_mm, picked)
    culled = picked & (chances.cull < chances.cull_share * weights.sum(axis=1))
    unpicked = np.where(fell_days >= 0, DROPPED, LEFT_ON_TREE)
    fate = np.where(picked, np.where(culled, CULLED, PACKED), unpicked)
    return Fates(
        fate=fate.astype(np.int64),
        pick=pick,
        fell_days=fell_days,
        cause=_causes(plan, weights, culled, seed),
    )


def _cause_weights(culls: CullDials, pick_mm: Floats, picked: Flags) -> Floats:
    """(N, causes) part of each cause in the culls of a fruit; the rows of the picked mean 1."""
    parts = np.array([cause.weight for cause in culls.causes])
    parts = parts / parts.sum()
    odds = np.array([cause.odds_per_10_mm for cause in culls.causes])
    if (odds == 1.0).all() or not picked.any():
        # 1 exactly, whatever the parts are.
        parts[-1] = 1.0 - parts[:-1].sum()
        return np.broadcast_to(parts, (len(pick_mm), len(parts)))
    larger = (pick_mm - pick_mm[picked].mean()) / 10.0
    weights = odds[np.newaxis, :] ** larger[:, np.newaxis]
    return np.asarray(parts * weights / weights[picked].mean(axis=0), dtype=np.float64)


def _causes(plan: BlockPlan, weights: Floats, culled: Flags, seed: int) -> Ints:
    """(N,) index of the cause, -1 of fruit that are not culled."""
    cause = np.full(len(culled), -1, dtype=np.int64)
    chance = stream(seed, plan.letter, CAUSES).random(len(culled))[culled]
    steps = np.cumsum(weights[culled], axis=1)
    cause[culled] = (chance[:, np.newaxis] * steps[:, -1:] >= steps[:, :-1]).sum(axis=1)
    return cause
