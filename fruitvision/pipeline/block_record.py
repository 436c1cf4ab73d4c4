"""All that a farm knows of each block: its measured walks, hand work, register."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from fruitvision.domain import (
    Block,
    CaliperReading,
    FruitHeights,
    HandCount,
    MadeWith,
    RegisteredTree,
    SizeDistribution,
    TreeKind,
    VisitedPlace,
)
from fruitvision.hidden_pairs import pair_counts
from fruitvision.pipeline.kept import in_memory, keep_in_memory, keep_on_disk, key_of, on_disk
from fruitvision.pipeline.measured_walks import (
    FruitOfBlock,
    MeasuredWalk,
    WalksOfBlock,
    of_season,
    read_walks,
    standing_walk,
)
from fruitvision.pipeline.walk_sizes import (
    KeptSizes,
    SizeRows,
    WalkSizes,
    are_right,
    size_rows,
    sizes_of,
)
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.store.stamps import BlockStamps
from fruitvision.tree import WALK_DAYS

# Up to so many blocks are looked through one by one, more of them all at once. Our choice.
FEW_BLOCKS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRecord:
    """A block with all that was measured in it, but for its single fruit.

    `walks` are those that the present detector and settings measured, the oldest first, and `sizes`
    what their fruit gave; `others` are walks that only another detector measured; `heights` as in
    `WalksOfBlock`.
    """

    block: Block
    walks: tuple[MeasuredWalk, ...]
    sizes: tuple[WalkSizes, ...]
    others: tuple[MeasuredWalk, ...]
    heights: tuple[FruitHeights, ...]
    hand_counts: tuple[HandCount, ...]
    calipers: tuple[CaliperReading, ...]
    register: tuple[RegisteredTree, ...]
    visited: tuple[VisitedPlace, ...]

    @property
    def standing(self) -> MeasuredWalk:
        """The walk that the block's numbers are of, see `standing_walk`."""
        return standing_walk(self.walks)

    @property
    def standing_sizes(self) -> SizeDistribution | None:
        """Sizes at the standing walk."""
        return next((one.standing for one in self.sizes if one.standing is not None), None)

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


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmRecord:
    """Every block of a farm by name, and for each the stamps of what was read of it."""

    blocks: tuple[BlockRecord, ...]
    stamps: Mapping[str, BlockStamps]


def read_farm(store: Store, origin: MadeWith, settings: Settings) -> FarmRecord:
    """Every block of the farm, its photos as people put them right.

    Only blocks that changed are read: what was read before is kept, see `kept`. One block's fruit
    are let go before the next one's are read.
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
    fresh: bool = False
    fresh_photos: bool = False
    fresh_sizes: bool = False

    def keep(self, folder: Path) -> None:
        record = self.record
        name = record.block.block_id
        keep_in_memory(folder, f"record of {name}", self.key, record)
        if self.fresh_photos:
            walks = WalksOfBlock(walks=record.walks, others=record.others, heights=record.heights)
            keep_on_disk(folder, f"walks of {name}", self.photos_key, walks)
        if self.fresh_sizes:
            sizes = KeptSizes(of_walks=record.sizes)
            keep_on_disk(folder, f"sizes of {name}", self.photos_key, sizes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sized:
    """The walks of a block with their sizes, and which of them were made just now."""

    walks: WalksOfBlock
    sizes: KeptSizes
    fresh_photos: bool = False
    fresh_sizes: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tables:
    """What people typed of a block."""

    block: Block
    hand_counts: tuple[HandCount, ...]
    calipers: tuple[CaliperReading, ...]
    register: tuple[RegisteredTree, ...]
    visited: tuple[VisitedPlace, ...]

    def size_rows(self, walks: WalksOfBlock) -> list[SizeRows]:
        """Of each walk what its sizes rest on beside its photos."""
        return [size_rows(self.block, self.register, self.calipers, one) for one in walks.walks]


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
        return _Read(record=found, key=key, photos_key=photos_key)
    tables = _tables(block, store)
    sized = _sized(tables, store, settings, photos_key)
    if sized is None:
        walks, fruit = read_walks(block, store, origin, settings)
        if store.block_stamps(name).get(name) == stamps.get(name):
            keep_on_disk(store.folder, f"fruit of {name}", photos_key, fruit)
        rows = tables.size_rows(walks)
        sizes = sizes_of(walks.walks, fruit.of_walks, rows, settings, kept=KeptSizes())
        sized = _Sized(walks=walks, sizes=sizes, fresh_photos=True, fresh_sizes=True)
    return _Read(
        record=BlockRecord(
            block=block,
            walks=sized.walks.walks,
            sizes=sized.sizes.of_walks,
            others=sized.walks.others,
            heights=sized.walks.heights,
            hand_counts=tables.hand_counts,
            calipers=tables.calipers,
            register=tables.register,
            visited=tables.visited,
        ),
        key=key,
        photos_key=photos_key,
        fresh=True,
        fresh_photos=sized.fresh_photos,
        fresh_sizes=sized.fresh_sizes,
    )


def _tables(block: Block, store: Store) -> _Tables:
    return _Tables(
        block=block,
        hand_counts=store.hand_counts(block.block_id),
        calipers=store.caliper_readings(block.block_id),
        register=store.register(block.block_id),
        visited=store.visited_places(block.block_id),
    )


def _sized(tables: _Tables, store: Store, settings: Settings, photos_key: str) -> _Sized | None:
    """Walks and sizes as kept on disk; None if photos must be read for them.

    Sizes that rest on other rows by now are made anew of the fruit on disk.
    """
    folder, name = store.folder, tables.block.block_id
    walks = on_disk(folder, f"walks of {name}", photos_key, WalksOfBlock)
    if walks is None:
        return None
    kept = on_disk(folder, f"sizes of {name}", photos_key, KeptSizes) or KeptSizes()
    rows = tables.size_rows(walks)
    if are_right(kept, rows):
        return _Sized(walks=walks, sizes=kept)
    fruit = on_disk(folder, f"fruit of {name}", photos_key, FruitOfBlock)
    if fruit is None:
        return None
    sizes = sizes_of(walks.walks, fruit.of_walks, rows, settings, kept=kept)
    return _Sized(walks=walks, sizes=sizes, fresh_sizes=True)


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
