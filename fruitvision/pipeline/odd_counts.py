"""Hand counts that look like slips of the finger, by what the photos of their block show."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from fruitvision.domain import HandCount, Protocol, TreeId, TreePhoto
from fruitvision.field_table import FieldTable, without
from fruitvision.store import Store
from fruitvision.tree import UNUSABLE, WALK_DAYS
from fruitvision.walk_data import MOST_TREES
from fruitvision.walk_progress import is_odd_count

# Trees that tell what is usual in a block. Common practice: two can't show which one is wrong.
FEWEST_OTHERS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class OddCount:
    """A hand count that looks like a slip: its line and tree, what its photos show on each face,
    and whether a person said it is meant."""

    line: int
    tree: TreeId
    fruit_count: int
    meant: bool
    faces: tuple[int, ...] = ()


def odd_counts(
    table: FieldTable[HandCount], store: Store, meant: frozenset[int]
) -> tuple[OddCount, ...]:
    """Counts of a table that look like slips; those of the same block tell what is usual."""
    blocks = {count.tree.block_id for count in table.rows}
    seen = {block_id: SeenFruit(block_id, store, table.rows) for block_id in blocks}
    return tuple(
        OddCount(
            line=line,
            tree=count.tree,
            fruit_count=count.fruit_count,
            meant=line in meant,
            faces=seen[count.tree.block_id].faces_of(count),
        )
        for line, count in zip(table.lines, table.rows, strict=True)
        if seen[count.tree.block_id].is_odd(count)
    )


def without_slips(table: FieldTable[HandCount], store: Store) -> FieldTable[HandCount]:
    """The table without counts that look like slips and are not on the farm just so."""
    there = set(store.hand_counts())
    kept = dict(zip(table.lines, table.rows, strict=True))
    bad = {
        one.line: (
            _slip(one),
            "Correct the count, or load the table by itself and say that it is meant: fruitvision "
            f"table load {table.file} --odd {one.line}.",
        )
        for one in odd_counts(table, store, frozenset())
        if kept[one.line] not in there
    }
    return without(table, bad)


def _slip(odd: OddCount) -> str:
    if not odd.faces:
        return f"{odd.fruit_count} fruit on {odd.tree} look like a slip."
    seen = " + ".join(map(str, odd.faces))
    return f"{odd.fruit_count} fruit on {odd.tree} look like a slip: its photos show {seen}."


def looks_odd(count: HandCount, store: Store) -> bool:
    """Whether one count looks like a slip, beside the photos and counts that the farm has."""
    return SeenFruit(count.tree.block_id, store).is_odd(count)


class SeenFruit:
    """Fruit that the photos of a block's trees show, beside the hand counts of those trees."""

    def __init__(self, block_id: str, store: Store, more: Sequence[HandCount] = ()) -> None:
        """`more` : counts that the farm has not got yet; those of other blocks are passed over."""
        # A photo that can't be counted shows nothing that a count could be held against.
        self._fruit = {
            one.photo.photo_id: one.fruit_count
            for one in store.measured_photos(block_id)
            if not UNUSABLE.intersection(one.doubts)
        }
        self._photos: dict[TreeId, list[TreePhoto]] = {}
        for photo in store.tree_photos(block_id):
            self._photos.setdefault(photo.tree, []).append(photo)
        kept = {_key(one): one for one in store.hand_counts(block_id)}
        kept |= {_key(one): one for one in more if one.tree.block_id == block_id}
        self._counts = tuple(kept.values())

    def is_odd(self, count: HandCount) -> bool:
        """Whether a count looks like a slip; only whole trees are compared with their photos."""
        if count.protocol is not Protocol.TWO_FACES:
            return is_odd_count(count.fruit_count // self._trees_of(count))
        return is_odd_count(
            count.fruit_count,
            self.faces_of(count),
            usual_factor=_median(self._factors(count)),
            usual_seen=_median(self._sums(count)),
        )

    def _trees_of(self, count: HandCount) -> int:
        """Trees that a count is of: those of a panel as its photos say, else as many as may be."""
        if count.protocol in (Protocol.PANEL, Protocol.PANEL_ONE_FACE):
            return max((one.trees for one in self._photos.get(count.tree, ())), default=MOST_TREES)
        return 1

    def faces_of(self, count: HandCount) -> tuple[int, ...]:
        """Fruit in the first photo of each face that is measured, of the days of the count."""
        if count.protocol is not Protocol.TWO_FACES:
            return ()
        faces: dict[str, tuple[int, str]] = {}
        for photo in self._photos.get(count.tree, ()):
            near = abs((photo.walked_on - count.counted_on).days) < WALK_DAYS
            if near and photo.photo_id in self._fruit and photo.trees == 1:
                faces[photo.face] = min(
                    faces.get(photo.face, (photo.place, photo.photo_id)),
                    (photo.place, photo.photo_id),
                )
        return tuple(self._fruit[photo_id] for _, (_, photo_id) in sorted(faces.items()))

    def _factors(self, count: HandCount) -> Iterable[float]:
        """Count for each fruit of both faces, of the other trees."""
        for other in self._counts:
            faces = self.faces_of(other) if other.tree != count.tree else ()
            if len(faces) > 1 and sum(faces) > 0:
                yield other.fruit_count / sum(faces)

    def _sums(self, count: HandCount) -> Iterable[float]:
        """Fruit of both faces of the other trees, of the days of the count."""
        for tree in self._photos:
            faces = self.faces_of(HandCount(tree=tree, fruit_count=0, counted_on=count.counted_on))
            if tree != count.tree and len(faces) > 1:
                yield float(sum(faces))


def _key(count: HandCount) -> tuple[object, ...]:
    return count.tree, count.counted_on, count.protocol


def _median(values: Iterable[float]) -> float | None:
    found = tuple(values)
    return median(found) if len(found) >= FEWEST_OTHERS else None
