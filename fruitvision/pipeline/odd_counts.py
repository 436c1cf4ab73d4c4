"""Hand counts of a table that look like slips of the finger."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.domain import HandCount, Protocol, TreeId, TreePhoto
from fruitvision.field_table import FieldTable
from fruitvision.store import Store
from fruitvision.tree import WALK_DAYS
from fruitvision.walk_progress import is_odd_count


@dataclass(frozen=True, slots=True, kw_only=True)
class OddCount:
    """A hand count that looks like a slip: its line and tree, and whether a person said it is
    meant."""

    line: int
    tree: TreeId
    fruit_count: int
    meant: bool


def odd_counts(
    table: FieldTable[HandCount], store: Store, meant: frozenset[int]
) -> tuple[OddCount, ...]:
    """Counts of a table that look like slips, by what the photos of the same days show."""
    blocks = {count.tree.block_id for count in table.rows}
    seen = {block_id: _Seen(block_id, store) for block_id in blocks}
    return tuple(
        OddCount(line=line, tree=count.tree, fruit_count=count.fruit_count, meant=line in meant)
        for line, count in zip(table.lines, table.rows, strict=True)
        if is_odd_count(count.fruit_count, seen[count.tree.block_id].of(count))
    )


class _Seen:
    """Fruit that the photos of a block's trees show."""

    def __init__(self, block_id: str, store: Store) -> None:
        self._fruit = {
            one.photo.photo_id: one.fruit_count for one in store.measured_photos(block_id)
        }
        self._photos: dict[TreeId, list[TreePhoto]] = {}
        for photo in store.tree_photos(block_id):
            self._photos.setdefault(photo.tree, []).append(photo)

    def of(self, count: HandCount) -> int | None:
        """Fruit in the first photo of both faces, summed; None unless both are measured."""
        if count.protocol is not Protocol.TWO_FACES:
            return None
        faces: dict[str, tuple[int, str]] = {}
        for photo in self._photos.get(count.tree, ()):
            near = abs((photo.walked_on - count.counted_on).days) < WALK_DAYS
            if near and photo.photo_id in self._fruit:
                faces[photo.face] = min(
                    faces.get(photo.face, (photo.place, photo.photo_id)),
                    (photo.place, photo.photo_id),
                )
        if len(faces) < 2:
            return None
        return sum(self._fruit[photo_id] for _, photo_id in faces.values())
