"""All that a farm knows of each block: its measured walks, hand work, register."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path

from fruitvision.block import FEW_TREES
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
from fruitvision.pipeline.kept import in_memory, keep_in_memory, keep_on_disk, key_of, on_disk
from fruitvision.pipeline.review import reviewed
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.store.stamps import BlockStamps
from fruitvision.tree import WALK_DAYS, sample_trees, split_walks

Measured = Mapping[str, MeasuredPhoto]
# Up to so many blocks are looked through one by one, more of them all at once. Our choice.
FEW_BLOCKS = 5


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
    def standing(self) -> MeasuredWalk:
        """The walk that the block's numbers are of: the latest one.

        While that has too few trees, it is the last one of its season that has enough: a scout at
        the first tree of a new walk does not turn a block that is known into a first look.
        """
        latest = self.walks[-1]
        whole = [
            walk
            for walk in self.walks
            if len(walk.trees) >= FEW_TREES and of_season(walk.walked_on, latest.walked_on)
        ]
        return whole[-1] if whole and len(latest.trees) < FEW_TREES else latest

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


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmRecord:
    """Every block of a farm by name, and for each the stamps of what was read of it."""

    blocks: tuple[BlockRecord, ...]
    stamps: Mapping[str, BlockStamps]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Walks:
    """What a block's photos gave: all that takes long to read of it."""

    walks: tuple[MeasuredWalk, ...]
    others: tuple[MeasuredWalk, ...]


def read_farm(store: Store, origin: MadeWith, settings: Settings) -> FarmRecord:
    """Every block of the farm, its photos as people put them right.

    Only blocks that changed are read: what was read before is kept, see `kept`.
    """
    stamps = store.block_stamps()
    read = {
        block.block_id: _kept_block(block, store, origin, settings, stamps)
        for block in store.blocks()
    }
    fresh = {name: one for name, one in read.items() if one.fresh}
    # Somebody may have written while we read: what was read then belongs to no stamp.
    now = _stamps_again(fresh, store)
    changed = {name for name in fresh if now.get(name) != stamps.get(name)}
    for name, one in fresh.items():
        if name not in changed:
            one.keep(store.folder)
    return FarmRecord(
        blocks=tuple(one.record for one in read.values()),
        stamps={name: stamps[name] for name in read if name in stamps and name not in changed},
    )


def _stamps_again(names: Collection[str], store: Store) -> Mapping[str, BlockStamps]:
    if len(names) > FEW_BLOCKS:
        return store.block_stamps()
    return {name: stamp for one in names for name, stamp in store.block_stamps(one).items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """A block that was read, and the keys under which it is kept."""

    record: BlockRecord
    key: str
    photos_key: str
    fresh: bool
    fresh_photos: bool

    def keep(self, folder: Path) -> None:
        name = self.record.block.block_id
        keep_in_memory(folder, f"record of {name}", self.key, self.record)
        if self.fresh_photos:
            walks = _Walks(walks=self.record.walks, others=self.record.others)
            keep_on_disk(folder, f"walks of {name}", self.photos_key, walks)


def _kept_block(
    block: Block,
    store: Store,
    origin: MadeWith,
    settings: Settings,
    stamps: Mapping[str, BlockStamps],
) -> _Read:
    name = block.block_id
    stamp = stamps.get(name, BlockStamps())
    photos_key = key_of(origin, settings.sha256, stamp.photos)
    key = key_of(photos_key, stamp)
    found: BlockRecord | None = in_memory(store.folder, f"record of {name}", key)
    if found is not None:
        return _Read(record=found, key=key, photos_key=photos_key, fresh=False, fresh_photos=False)
    walks = on_disk(store.folder, f"walks of {name}", photos_key, _Walks)
    return _Read(
        record=_record(block, walks or _read_walks(block, store, origin, settings), store),
        key=key,
        photos_key=photos_key,
        fresh=True,
        fresh_photos=walks is None,
    )


def _record(block: Block, walks: _Walks, store: Store) -> BlockRecord:
    return BlockRecord(
        block=block,
        walks=walks.walks,
        others=walks.others,
        hand_counts=store.hand_counts(block.block_id),
        calipers=store.caliper_readings(block.block_id),
        register=store.register(block.block_id),
        visited=store.visited_places(block.block_id),
    )


def _read_walks(block: Block, store: Store, origin: MadeWith, settings: Settings) -> _Walks:
    name = block.block_id
    photos = store.tree_photos(name)
    calipered = store.calipered_fruit(name)
    found = reviewed(store.measured_photos_of(name, origin), store, settings, name)
    measured = {one.photo.photo_id: one for one in found}

    @cache
    def latest() -> Measured:
        photos = reviewed(store.measured_photos(name), store, settings, name)
        return {one.photo.photo_id: one for one in photos}

    walks: list[MeasuredWalk] = []
    others: list[MeasuredWalk] = []
    for walk in split_walks(photos):
        here = _measured_walk(walk, measured, origin.detector, calipered)
        if here is not None:
            walks.append(here)
        elif any(photo.photo_id not in measured for photo in walk):
            other = _walk_of_another(walk, latest())
            others += [other] if other is not None else []
    return _Walks(walks=tuple(walks), others=tuple(others))


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
