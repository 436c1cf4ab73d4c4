"""A farm in a store, filled with measured walks of known trees: no pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from hashlib import sha256

import numpy as np
from scipy.stats import norm

from fruitvision.domain import (
    Block,
    CaliperReading,
    HandCount,
    MadeWith,
    MeasuredPhoto,
    Protocol,
    RegisteredTree,
    TreeId,
    TreeKind,
    TreePhoto,
)
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline.photos import made_with
from fruitvision.settings import Settings
from fruitvision.store import FarmStore
from tests import records
from tests.records import PICK, WALK

ROWS, PER_ROW = 10, 30
SETTINGS = Settings(draws=400)
SPREAD_MM = 5.0
# Visible fruit of the trees of a walk, over and over: 40 in the mean.
LOADS = (34, 46, 38, 42, 44, 36)


def present() -> MadeWith:
    """The detector and settings of now."""
    return made_with(choose_detector(), SETTINGS)


def add_block(
    store: FarmStore,
    name: str,
    *,
    variety: str = "Gala",
    pick_date: date | None = PICK,
    group: str = "",
) -> Block:
    """A block of 10 rows of 30 places."""
    block = Block(
        block_id=name,
        variety=variety,
        positions=ROWS * PER_ROW,
        pick_date=pick_date,
        group=group,
    )
    store.save_blocks([block])
    return block


def trees_of(name: str, number: int = 12) -> tuple[TreeId, ...]:
    """Trees all over a block: one row after the other, five places on each time."""
    return tuple(
        TreeId(name, 1 + index % ROWS, 1 + (5 * index + 3 * (index // ROWS)) % PER_ROW)
        for index in range(number)
    )


def add_walk(
    store: FarmStore,
    name: str,
    *,
    day: date = WALK,
    trees: Sequence[TreeId] | None = None,
    loads: Callable[[int], int] = lambda index: LOADS[index % len(LOADS)],
    mean_mm: float = 68.0,
    origin: MadeWith | None = None,
) -> tuple[TreeId, ...]:
    """Photos of both faces of 12 trees, half of the visible fruit on each; all fruit sized."""
    walked = tuple(trees if trees is not None else trees_of(name))
    photos: list[MeasuredPhoto] = []
    placed: list[TreePhoto] = []
    for index, tree in enumerate(walked):
        half = loads(index) // 2
        shape = norm.ppf((np.arange(half) + 0.5) / half)
        for face in "AB":
            photo_id = sha256(f"{tree}{face}{day}".encode()).hexdigest()
            fruit = [
                records.fruit(number, photo_id=photo_id, diameter_mm=mean_mm + SPREAD_MM * float(z))
                for number, z in enumerate(shape)
            ]
            photo = records.measured(photo_id, fruit)
            photos.append(replace(photo, made_with=origin or present()))
            placed.append(TreePhoto(tree=tree, face=face, photo_id=photo_id, walked_on=day))
    store.save_measured_photos(photos)
    store.save_tree_photos(placed)
    return walked


def add_hand_counts(
    store: FarmStore,
    walked: Sequence[TreeId],
    *,
    number: int = 6,
    factor: float = 1.5,
    day: date = WALK,
) -> None:
    """Hand counts of the first trees: `factor` times the visible fruit of `LOADS`."""
    store.save_hand_counts(
        HandCount(
            tree=tree,
            fruit_count=round(factor * LOADS[index % len(LOADS)]),
            counted_on=day,
            protocol=Protocol.TWO_FACES,
        )
        for index, tree in enumerate(walked[:number])
    )


def add_calipers(
    store: FarmStore, walked: Sequence[TreeId], *, mean_mm: float, day: date, trees: int = 8
) -> None:
    """Ten tagged fruit on each of the first trees, 5 mm of spread."""
    shape = norm.ppf((np.arange(10) + 0.5) / 10)
    store.save_caliper_readings(
        CaliperReading(
            tree=tree, measured_on=day, diameter_mm=mean_mm + SPREAD_MM * float(z), fruit=str(tag)
        )
        for tree in walked[:trees]
        for tag, z in enumerate(shape)
    )


def add_register(
    store: FarmStore,
    name: str,
    *,
    kinds: dict[TreeId, TreeKind] | None = None,
    stratum: Callable[[TreeId], str] = lambda tree: "",
    variety: str = "",
) -> None:
    """All 300 places, bearing unless named otherwise; `variety` is that of pollinizers."""
    store.save_register(
        RegisteredTree(
            tree=tree,
            kind=kind,
            stratum=stratum(tree),
            bearing_share=1.0 if kind is TreeKind.BEARING else 0.0,
            variety=variety if kind is TreeKind.POLLINIZER else "",
        )
        for row in range(1, ROWS + 1)
        for place in range(1, PER_ROW + 1)
        for tree in [TreeId(name, row, place)]
        for kind in [(kinds or {}).get(tree, TreeKind.BEARING)]
    )


def add_good_block(store: FarmStore, name: str, *, variety: str = "Gala", group: str = "") -> None:
    """A block with everything: 12 trees, 6 hand counts, calipers twice in three weeks."""
    add_block(store, name, variety=variety, group=group)
    walked = add_walk(store, name)
    add_hand_counts(store, walked)
    add_calipers(store, walked, mean_mm=62.0, day=date(2026, 7, 22))
    add_calipers(store, walked, mean_mm=68.0, day=WALK)
