"""A photographed tree: what was counted on it, and the single fruit that were sized."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain.doubt import Doubts
from fruitvision.domain.field import Protocol, TreeId

# Little-endian, so that a farm's folder reads alike on every computer.
_FLOAT = np.dtype("<f8")


@dataclass(frozen=True, slots=True)
class Packed:
    """Numbers of 8 bytes each, exact; equal and hashable as a tuple is, which takes 32 a number."""

    raw: bytes = b""

    @classmethod
    def of(cls, values: Sequence[float]) -> Packed:
        """These numbers, in their order."""
        return cls(np.asarray(values, dtype=_FLOAT).tobytes())

    @property
    def values(self) -> NDArray[np.float64]:
        """The numbers, (n,); not to be written to.

        Raises
        ------
        ValueError
            If it was made of something else than numbers.
        """
        return np.frombuffer(self.raw, dtype=_FLOAT)

    def __len__(self) -> int:
        return len(self.raw) // _FLOAT.itemsize


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeCount:
    """One photographed tree, without its single fruit: visible ones summed over its faces.

    A panel of several `trees` is one sample, named after its first tree; `vigour` is as in
    `TreePhoto`.

    `face_counts` : visible fruit of each face, in the order of the faces; empty if not known.
    `sized`, `mean_mm` : fruit that were sized, and their mean diameter; None without any.
    """

    tree: TreeId
    walked_on: date
    protocol: Protocol
    visible_count: int
    doubts: Doubts = ()
    trees: int = 1
    vigour: float | None = None
    face_counts: tuple[int, ...] = ()
    sized: int = 0
    mean_mm: float | None = None

    @property
    def visible_per_tree(self) -> float:
        """Visible fruit per tree of the panel; those of the tree itself if it is alone."""
        return self.visible_count / self.trees

    @property
    def certain_per_tree(self) -> float:
        """Fruit per tree that surely hang there: those of the face that shows most.

        Both faces together count what is seen from either side twice.
        """
        return max(self.face_counts, default=self.visible_count) / self.trees


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeSample(TreeCount):
    """One photographed tree with the diameters seen, of which `sized` and `mean_mm` are made.

    `above_marker_mm` : height of every visible fruit above the marker's centre, the sized ones
    first and in the order of `diameters_mm`; empty if a photo of the tree has no one marker.
    `sizing_weights` : inverse chance of being sized of each sized fruit, 1 on average; empty stands
    for 1.
    """

    diameters_mm: tuple[float, ...] = ()
    diameter_errors_mm: tuple[float, ...] = ()
    above_marker_mm: tuple[float, ...] = ()
    sizing_weights: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        mean = float(np.mean(self.diameters_mm)) if self.diameters_mm else None
        object.__setattr__(self, "sized", len(self.diameters_mm))
        object.__setattr__(self, "mean_mm", mean)

    @property
    def count(self) -> TreeCount:
        """The tree without its fruit, for what is held of many blocks at once."""
        return TreeCount(**{one.name: getattr(self, one.name) for one in fields(TreeCount)})

    @property
    def heights(self) -> FruitHeights | None:
        """How high its fruit hang; None where that is not known."""
        if not self.above_marker_mm:
            return None
        return FruitHeights(
            above_marker_mm=Packed.of(self.above_marker_mm),
            diameters_mm=Packed.of(self.diameters_mm),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FruitHeights:
    """Fruit of one tree by height, as in `TreeSample`: all above the marker, the sized first."""

    above_marker_mm: Packed
    diameters_mm: Packed
