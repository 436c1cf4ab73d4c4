"""A block's photos to its walks: the trees of each, counted, and the single fruit apart.

Counts of trees are held of all blocks at once. Fruit are a hundred times as many: they are handed
on to whoever works out the sizes of one block, and then let go.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

from fruitvision.block import FEW_TREES
from fruitvision.caliper_check import MatchedPair, check_calipers
from fruitvision.caliper_pairs import match_pairs
from fruitvision.domain import (
    Block,
    CaliperCheck,
    CaliperedFruit,
    Doubts,
    FruitHeights,
    MadeWith,
    MeasuredPhoto,
    TreeCount,
    TreePhoto,
    TreeSample,
)
from fruitvision.forecast.growth import SEASON_DAYS
from fruitvision.pipeline.review import reviewed
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import sample_trees, split_walks

Measured = Mapping[str, MeasuredPhoto]
# The trees of a walk with their fruit.
Samples = tuple[TreeSample, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredWalk:
    """Trees of one walk of one block, and the detector that measured them.

    `first_day` and `walked_on` are the first and the last day of the walk; `pairs` are fruit that
    were calipered in its photos.
    """

    trees: tuple[TreeCount, ...]
    doubts: Doubts
    first_day: date
    walked_on: date
    detector: str
    pairs: tuple[MatchedPair, ...] = ()

    def check(self, settings: Settings) -> CaliperCheck | None:
        """What the calipered fruit say of the walk's millimetres; None without any."""
        return check_calipers(self.pairs, settings) if self.pairs else None


@dataclass(frozen=True, slots=True, kw_only=True)
class WalksOfBlock:
    """What a block's photos gave, without single fruit: all that takes long to read of it.

    `walks` are those that the present detector and settings measured, the oldest first; `others`
    are walks that only another detector measured. `heights` are those of the trees of the standing
    walk, and empty where the marker's height above the ground is not set: nothing asks for them.
    """

    walks: tuple[MeasuredWalk, ...]
    others: tuple[MeasuredWalk, ...]
    heights: tuple[FruitHeights, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FruitOfBlock:
    """The trees of each of `WalksOfBlock.walks` with their fruit."""

    of_walks: tuple[Samples, ...]


def of_season(day: date, walked_on: date) -> bool:
    """Whether a day belongs to the season of a walk."""
    return abs((walked_on - day).days) <= SEASON_DAYS


def standing_walk(walks: Sequence[MeasuredWalk]) -> MeasuredWalk:
    """The walk that a block's numbers are of: the latest one.

    While that has too few trees, it is the last one of its season that has enough: a scout at the
    first tree of a new walk does not turn a block that is known into a first look.
    """
    latest = walks[-1]
    whole = [
        walk
        for walk in walks
        if len(walk.trees) >= FEW_TREES and of_season(walk.walked_on, latest.walked_on)
    ]
    return whole[-1] if whole and len(latest.trees) < FEW_TREES else latest


def read_walks(
    block: Block, store: Store, origin: MadeWith, settings: Settings
) -> tuple[WalksOfBlock, FruitOfBlock]:
    """The walks of a block, its photos as people put them right, and their fruit."""
    name = block.block_id
    photos = store.tree_photos(name)
    calipered = store.calipered_fruit(name)
    found = reviewed(store.measured_photos_of(name, origin), store, settings, name)
    measured = {one.photo.photo_id: one for one in found}

    @cache
    def latest() -> Measured:
        photos = reviewed(store.measured_photos(name), store, settings, name)
        return {one.photo.photo_id: one for one in photos}

    walks: list[tuple[MeasuredWalk, Samples]] = []
    others: list[MeasuredWalk] = []
    for walk in split_walks(photos):
        here = _measured_walk(walk, measured, origin.detector, calipered)
        if here is not None:
            walks.append(here)
        elif any(photo.photo_id not in measured for photo in walk):
            other = _walk_of_another(walk, latest())
            others += [other] if other is not None else []
    return (
        WalksOfBlock(
            walks=tuple(walk for walk, _ in walks),
            others=tuple(others),
            heights=_standing_heights(walks) if settings.marker_height_mm > 0 else (),
        ),
        FruitOfBlock(of_walks=tuple(samples for _, samples in walks)),
    )


def _standing_heights(walks: Sequence[tuple[MeasuredWalk, Samples]]) -> tuple[FruitHeights, ...]:
    if not walks:
        return ()
    standing = standing_walk([walk for walk, _ in walks])
    (samples,) = (samples for walk, samples in walks if walk is standing)
    return tuple(heights for tree in samples if (heights := tree.heights) is not None)


def _measured_walk(
    walk: Sequence[TreePhoto],
    measured: Measured,
    detector: str,
    calipered: Sequence[CaliperedFruit] = (),
) -> tuple[MeasuredWalk, Samples] | None:
    """The trees of a walk; None if no tree has a complete set of usable photos."""
    samples, doubts = sample_trees(walk, measured)
    if not samples:
        return None
    used = {
        photo.photo_id: measured[photo.photo_id] for photo in walk if photo.photo_id in measured
    }
    pairs, _ = match_pairs(calipered, used)
    found = MeasuredWalk(
        trees=tuple(tree.count for tree in samples),
        doubts=doubts,
        first_day=min(photo.walked_on for photo in walk),
        walked_on=max(tree.walked_on for tree in samples),
        detector=detector,
        pairs=pairs,
    )
    return found, samples


def _walk_of_another(walk: Sequence[TreePhoto], latest: Measured) -> MeasuredWalk | None:
    """The walk as its photos were measured last; None if not all by one detector."""
    measured = {p.photo_id: latest[p.photo_id] for p in walk if p.photo_id in latest}
    detectors = {one.made_with.detector for one in measured.values()}
    found = _measured_walk(walk, measured, detectors.pop()) if len(detectors) == 1 else None
    return found[0] if found is not None else None
