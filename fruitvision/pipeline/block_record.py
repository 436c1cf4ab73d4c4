"""All that a farm knows of each block: its measured walks, hand work, register."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

from fruitvision.caliper_check import MatchedPair, check_calipers
from fruitvision.caliper_pairs import match_pairs
from fruitvision.domain import (
    Block,
    CaliperCheck,
    CaliperedFruit,
    CaliperReading,
    Doubts,
    HandCount,
    MadeWith,
    MeasuredPhoto,
    RegisteredTree,
    TreeKind,
    TreePhoto,
    TreeSample,
    VisitedPlace,
)
from fruitvision.forecast.growth import SEASON_DAYS
from fruitvision.hidden_pairs import pair_counts
from fruitvision.pipeline.review import reviewed
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import WALK_DAYS, sample_trees, split_walks

Measured = Mapping[str, MeasuredPhoto]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredWalk:
    """Trees of one walk of one block, and the detector that measured them.

    `first_day` and `walked_on` are the first and the last day of the walk; `pairs` are fruit that
    were calipered in its photos.
    """

    trees: tuple[TreeSample, ...]
    doubts: Doubts
    first_day: date
    walked_on: date
    detector: str
    pairs: tuple[MatchedPair, ...] = ()

    def check(self, settings: Settings) -> CaliperCheck | None:
        """What the calipered fruit say of the walk's millimetres; None without any."""
        return check_calipers(self.pairs, settings) if self.pairs else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRecord:
    """A block with all that was measured in it.

    `walks` are those that the present detector and settings measured, the oldest first; `others`
    are walks that only another detector measured.
    """

    block: Block
    walks: tuple[MeasuredWalk, ...]
    others: tuple[MeasuredWalk, ...]
    hand_counts: tuple[HandCount, ...]
    calipers: tuple[CaliperReading, ...]
    register: tuple[RegisteredTree, ...]
    visited: tuple[VisitedPlace, ...]

    @property
    def kind(self) -> str:
        """Blocks of one kind are alike: the group, or the variety where none is given."""
        return self.block.group or self.block.variety

    def counted_walks(self) -> tuple[MeasuredWalk, ...]:
        """Walks of which a photographed tree was counted by hand, with the present detector and
        with others."""
        return tuple(
            walk
            for walk in (*self.walks, *self.others)
            if pair_counts(walk.trees, self.hand_counts)[0]
        )


def of_season(day: date, walked_on: date) -> bool:
    """Whether a day belongs to the season of a walk."""
    return abs((walked_on - day).days) <= SEASON_DAYS


def read_blocks_of(store: Store, origin: MadeWith, settings: Settings) -> tuple[BlockRecord, ...]:
    """Every block of the farm, by name; its photos as people put them right."""

    @cache
    def latest() -> Measured:
        photos = reviewed(store.measured_photos(), store, settings)
        return {one.photo.photo_id: one for one in photos}

    return tuple(_read_block(block, store, origin, settings, latest) for block in store.blocks())


def _read_block(
    block: Block,
    store: Store,
    origin: MadeWith,
    settings: Settings,
    latest: Callable[[], Measured],
) -> BlockRecord:
    photos = store.tree_photos(block.block_id)
    calipered = store.calipered_fruit(block.block_id)
    kept = store.measured_photos_of(block.block_id, origin)
    found = reviewed(kept, store, settings, block.block_id)
    measured = {one.photo.photo_id: one for one in found}
    walks: list[MeasuredWalk] = []
    others: list[MeasuredWalk] = []
    for walk in split_walks(photos):
        here = _measured_walk(walk, measured, origin.detector, calipered)
        if here is not None:
            walks.append(here)
        elif any(photo.photo_id not in measured for photo in walk):
            other = _walk_of_another(walk, latest())
            others += [other] if other is not None else []
    return BlockRecord(
        block=block,
        walks=tuple(walks),
        others=tuple(others),
        hand_counts=store.hand_counts(block.block_id),
        calipers=store.caliper_readings(block.block_id),
        register=store.register(block.block_id),
        visited=store.visited_places(block.block_id),
    )


def _measured_walk(
    walk: Sequence[TreePhoto],
    measured: Measured,
    detector: str,
    calipered: Sequence[CaliperedFruit] = (),
) -> MeasuredWalk | None:
    """The trees of a walk; None if no tree has a complete set of usable photos."""
    trees, doubts = sample_trees(walk, measured)
    if not trees:
        return None
    used = {
        photo.photo_id: measured[photo.photo_id] for photo in walk if photo.photo_id in measured
    }
    pairs, _ = match_pairs(calipered, used)
    return MeasuredWalk(
        trees=trees,
        doubts=doubts,
        first_day=min(photo.walked_on for photo in walk),
        walked_on=max(tree.walked_on for tree in trees),
        detector=detector,
        pairs=pairs,
    )


def _walk_of_another(walk: Sequence[TreePhoto], latest: Measured) -> MeasuredWalk | None:
    """The walk as its photos were measured last; None if not all by one detector."""
    found = {photo.photo_id: latest[photo.photo_id] for photo in walk if photo.photo_id in latest}
    detectors = {one.made_with.detector for one in found.values()}
    return _measured_walk(walk, found, detectors.pop()) if len(detectors) == 1 else None


def places_seen(record: BlockRecord, walked_on: date) -> tuple[VisitedPlace, ...]:
    """What the walks of a season found at the places that they went to.

    A walk that wrote down what stands at its places, gaps above all, also saw a bearing tree at
    each place that it photographed. A walk that wrote nothing down tells nothing of gaps: it has
    photos of trees only, and would make every register look too poor.
    """
    written = [place for place in record.visited if of_season(place.visited_on, walked_on)]
    known = {(place.tree, place.visited_on) for place in written}
    photographed = {
        (tree.tree, tree.walked_on)
        for walk in (*record.walks, *record.others)
        if of_season(walk.walked_on, walked_on) and _has_notes(walk, written)
        for tree in walk.trees
    }
    return (
        *written,
        *(
            VisitedPlace(tree=tree, visited_on=day, found=TreeKind.BEARING)
            for tree, day in sorted(photographed - known)
        ),
    )


def _has_notes(walk: MeasuredWalk, written: Sequence[VisitedPlace]) -> bool:
    near = timedelta(days=WALK_DAYS)
    return any(
        walk.first_day - near <= place.visited_on <= walk.walked_on + near for place in written
    )
