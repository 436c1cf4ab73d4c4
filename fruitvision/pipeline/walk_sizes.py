"""Sizes of a block's walks, worked out while its fruit are in hand and kept in their place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from fruitvision.block import walk_weights
from fruitvision.domain import (
    Block,
    CaliperReading,
    MeanSize,
    RegisteredTree,
    SizeDistribution,
    TreeId,
)
from fruitvision.errors import FieldDataError
from fruitvision.pipeline.kept import key_of
from fruitvision.pipeline.measured_walks import MeasuredWalk, Samples, standing_walk
from fruitvision.settings import Settings
from fruitvision.sizes import mean_size, readings_near, size_distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkSizes:
    """Sizes of one walk, and the key of what they rest on beside the block's photos.

    `standing` : only of the walk that the block's numbers are of.
    `weighted` : trees count by the strata that they stand for; this season's growth is told by it.
    `alike` : all trees count alike, whatever the register of today says; growth of seasons past.

    Sizes are None where too few fruit were sized, or where a tree of the walk contradicts the
    register.
    """

    key: str
    standing: SizeDistribution | None = None
    weighted: MeanSize | None = None
    alike: MeanSize | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSizes:
    """Sizes of all walks of a block, as they are kept on disk."""

    of_walks: tuple[WalkSizes, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeRows:
    """What the sizes of one walk rest on beside its photos.

    `weights` : full trees that each tree stands for, None where all stand for as many; `readings` :
    calipers of the days of the walk; `refused` : whether a tree contradicts the register.
    """

    weights: Mapping[TreeId, float] | None
    readings: tuple[CaliperReading, ...]
    refused: bool = False

    @property
    def key(self) -> str:
        """The key of sizes of which photos and settings are known."""
        weights = None if self.weights is None else sorted(self.weights.items())
        return key_of(weights, self.readings, self.refused)


def size_rows(
    block: Block,
    register: Sequence[RegisteredTree],
    calipers: Sequence[CaliperReading],
    walk: MeasuredWalk,
) -> SizeRows:
    """What the farm's tables say of the sizes of a walk."""
    readings = readings_near(calipers, walk.walked_on)
    try:
        return SizeRows(weights=walk_weights(block, register, walk.trees), readings=readings)
    except FieldDataError:
        # Whoever estimates the block is told why.
        return SizeRows(weights=None, readings=readings, refused=True)


def are_right(kept: KeptSizes, rows: Sequence[SizeRows]) -> bool:
    """Whether the kept sizes rest on these rows of the walks."""
    return [one.key for one in kept.of_walks] == [one.key for one in rows]


def sizes_of(
    walks: Sequence[MeasuredWalk],
    fruit: Sequence[Samples],
    rows: Sequence[SizeRows],
    settings: Settings,
    *,
    kept: KeptSizes,
) -> KeptSizes:
    """Sizes of all walks of a block; what is kept and still right is taken as it is.

    Parameters
    ----------
    fruit, rows : sequences
        Of each walk its trees with their fruit, and the rows.
    """
    stands = standing_walk(walks) if walks else None
    found = []
    for walk, samples, of_walk, before in zip_longest(walks, fruit, rows, kept.of_walks):
        if before is not None and before.key == of_walk.key:
            found.append(before)
        else:
            found.append(_sizes(walk, samples, of_walk, settings, stands=walk is stands))
    return KeptSizes(of_walks=tuple(found))


def _sizes(
    walk: MeasuredWalk, samples: Samples, rows: SizeRows, settings: Settings, *, stands: bool
) -> WalkSizes:
    check = walk.check(settings)

    def mean(weights: Mapping[TreeId, float] | None) -> MeanSize | None:
        return mean_size(
            samples,
            rows.readings,
            walked_on=walk.walked_on,
            settings=settings,
            weights=weights,
            check=check,
        )

    alike = mean(None)
    if rows.refused:
        return WalkSizes(key=rows.key, alike=alike)
    return WalkSizes(
        key=rows.key,
        standing=size_distribution(
            samples,
            rows.readings,
            walked_on=walk.walked_on,
            settings=settings,
            weights=rows.weights,
            check=check,
        )
        if stands
        else None,
        weighted=alike if rows.weights is None else mean(rows.weights),
        alike=alike,
    )
