"""What stands at every position, and how many fruit each tree bears."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import TreeKind
from fruitvision.simulate.season.dial import JUNE_DROP, OFF_TREES, REPLANTS, stream
from fruitvision.simulate.season.plan import BlockPlan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

KINDS = (TreeKind.BEARING, TreeKind.REPLANT, TreeKind.POLLINIZER, TreeKind.MISSING)
BEARING, REPLANT, POLLINIZER, MISSING = range(4)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Register:
    """Every position of a block, row by row.

    `places` : (P, 2) int, row and position from 1. `kind` : (P,) index into `KINDS`. `stratum` :
    (P,) index into the plan's strata, -1 for the rest of the block.
    """

    places: Ints
    kind: Ints
    stratum: Ints

    @property
    def bears(self) -> NDArray[np.bool_]:
        """(P,) whether a tree of the variety stands there, replants among them."""
        return np.asarray(self.kind <= REPLANT)


def draw_register(plan: BlockPlan, rng: np.random.Generator, seed: int) -> Register:
    """Pollinizers at a regular distance, missing trees and replants anywhere else."""
    places = np.indices((plan.rows, plan.trees_per_row)).reshape(2, -1).T + 1
    kind = np.zeros(len(places), dtype=np.int64)
    if plan.pollinizers:
        step = len(places) // plan.pollinizers
        kind[step // 2 + step * np.arange(plan.pollinizers)] = POLLINIZER
    free = np.flatnonzero(kind == BEARING)
    kind[rng.choice(free, plan.missing, replace=False)] = MISSING
    bearing = np.flatnonzero(kind == BEARING)
    replants = stream(seed, plan.letter, REPLANTS)
    kind[replants.choice(bearing, plan.register.replants, replace=False)] = REPLANT
    return Register(places=places.astype(np.int64), kind=kind, stratum=_strata(plan, places))


def _strata(plan: BlockPlan, places: Ints) -> Ints:
    found = np.full(len(places), -1, dtype=np.int64)
    # The one named first is written last.
    for index, stratum in reversed(list(enumerate(plan.register.strata))):
        first = np.array([stratum.rows[0], stratum.positions[0]])
        last = np.array([stratum.rows[1], stratum.positions[1]])
        found[((places >= first) & (places <= last)).all(axis=1)] = index
    return found


def draw_counts(plan: BlockPlan, register: Register, rng: np.random.Generator, seed: int) -> Ints:
    """(T,) fruit of each bearing tree after June drop."""
    load, places = plan.load, register.places[register.bears]
    rows = rng.normal(0.0, load.tree_cv * load.row_share**0.5, plan.rows)
    trees = rng.normal(0.0, load.tree_cv * (1.0 - load.row_share) ** 0.5, len(places))
    relative = np.clip(1.0 + rows[places[:, 0] - 1] + trees, *load.load_between)
    usual = plan.fruit_per_tree * relative * _load_shares(plan, register, seed)
    return np.rint(usual).astype(np.int64)


def _load_shares(plan: BlockPlan, register: Register, seed: int) -> Floats:
    """(T,) load of each bearing tree against a full tree of an even block."""
    load, bears = plan.load, register.bears
    places = register.places[bears]
    shares = 1.0 + load.trend_across_rows * _centred(places[:, 0], plan.rows)
    shares = shares + load.trend_along_rows * _centred(places[:, 1], plan.trees_per_row)
    of_strata = np.array([*(stratum.load_share for stratum in plan.register.strata), 1.0])
    shares = shares * of_strata[register.stratum[bears]]
    shares = np.where(register.kind[bears] == REPLANT, shares * plan.register.replant_share, shares)
    if load.off_trees > 0.0:
        off = stream(seed, plan.letter, OFF_TREES).random(len(places)) < load.off_trees
        shares = shares * np.where(off, load.off_load, load.on_load)
    return np.asarray(np.maximum(shares, 0.0), dtype=np.float64)


def _centred(numbers: Ints, most: int) -> Floats:
    """From -1/2 at 1 to 1/2 at `most`."""
    return np.asarray((numbers - 1) / max(most - 1, 1) - 0.5, dtype=np.float64) * (most > 1)


def draw_set(plan: BlockPlan, counts: Ints, seed: int) -> Ints:
    """(T,) fruit of each bearing tree before June drop; never fewer than after it."""
    rng = stream(seed, plan.letter, JUNE_DROP)
    lost = rng.normal(plan.june_drop.lost_share, plan.june_drop.lost_share_sd, len(counts))
    return np.rint(counts / (1.0 - np.clip(lost, 0.0, 0.95))).astype(np.int64)
