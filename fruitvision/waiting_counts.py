"""Hand counts that enter no number, and what each of them waits for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from fruitvision.domain import HandCount, Protocol, TreeCount, TreePhoto
from fruitvision.hidden_pairs import HAND_COUNT_DAYS, pair_counts


class WaitsFor(StrEnum):
    """Why a hand count is kept and used nowhere. The value names it in the texts of an interface.

    NO_PHOTO : its tree has no photo. DAYS : the photos are of other days. USABLE : the photos are
    not measured, not usable, or lack a face. PROTOCOL : the photos were taken in another way.
    NEARER : another count of the tree is nearer to the photos, and is used.
    """

    NO_PHOTO = "no_photo"
    DAYS = "days"
    USABLE = "usable"
    PROTOCOL = "protocol"
    NEARER = "nearer"


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingCount:
    """A hand count that is used nowhere, and why.

    `photos_on` : day of the tree's nearest photos, None without any. `photos_show` : how those
    photos were taken, where that is why.
    """

    count: HandCount
    waits_for: WaitsFor
    photos_on: date | None = None
    photos_show: Protocol | None = None

    @property
    def days_apart(self) -> int:
        """Days between the count and the nearest photos, either way; 0 without photos."""
        return 0 if self.photos_on is None else abs((self.photos_on - self.count.counted_on).days)


def counts_that_wait(
    counts: Sequence[HandCount],
    photos: Sequence[TreePhoto],
    walks: Sequence[Sequence[TreeCount]],
) -> tuple[WaitingCount, ...]:
    """Counts of a block that are paired with the photos of no walk, by tree and day.

    Parameters
    ----------
    counts, photos : sequence of HandCount, TreePhoto
        All of the block.
    walks : sequence of sequences of TreeCount
        The trees of each walk that have a complete set of usable photos.
    """
    used = {id(count) for trees in walks for _, count in pair_counts(trees, counts)[0]}
    samples = [tree for trees in walks for tree in trees]
    waiting = [_waiting(one, photos, samples) for one in counts if id(one) not in used]
    return tuple(sorted(waiting, key=lambda one: (one.count.tree, one.count.counted_on)))


def _waiting(
    count: HandCount, photos: Sequence[TreePhoto], samples: Sequence[TreeCount]
) -> WaitingCount:
    days = [photo.walked_on for photo in photos if photo.tree == count.tree]
    if not days:
        return WaitingCount(count=count, waits_for=WaitsFor.NO_PHOTO)
    nearest = min(days, key=lambda day: (abs((day - count.counted_on).days), day))
    near = [tree for tree in samples if tree.tree == count.tree and _is_near(tree, count)]
    if not near and abs((nearest - count.counted_on).days) > HAND_COUNT_DAYS:
        return WaitingCount(count=count, waits_for=WaitsFor.DAYS, photos_on=nearest)
    if not near:
        return WaitingCount(count=count, waits_for=WaitsFor.USABLE, photos_on=nearest)
    if all(tree.protocol != count.protocol for tree in near):
        return WaitingCount(
            count=count,
            waits_for=WaitsFor.PROTOCOL,
            photos_on=nearest,
            photos_show=near[0].protocol,
        )
    return WaitingCount(count=count, waits_for=WaitsFor.NEARER, photos_on=nearest)


def _is_near(tree: TreeCount, count: HandCount) -> bool:
    return abs((tree.walked_on - count.counted_on).days) <= HAND_COUNT_DAYS
