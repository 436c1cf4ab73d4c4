"""What people look up: one line a photo, one line a tree, and a block's sizes in round numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitvision.domain import (
    Doubts,
    MeasuredPhoto,
    SizeDistribution,
    SizeTable,
    TreeCount,
    TreeId,
    TreePhoto,
)
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.hidden_pairs import pair_counts
from fruitvision.pipeline.photos import made_with
from fruitvision.pipeline.review import reviewed
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import sample_trees, split_walks


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoNumbers:
    """Fruit of this row in one photo: how many, how many sized, and their mean diameter."""

    fruit_count: int
    sized: int
    mean_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPhoto:
    """A photo of a tree; `measured` is None if it is not measured with the present settings."""

    placed: TreePhoto
    measured: MeasuredPhoto | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeLine:
    """A photographed tree, or panel of `trees`, of the latest walk; the hand count only where it
    fits the photos. `visible_error` is one standard error of the detector's count; `face_counts`
    are the fruit of each face, of which `visible_count` is the sum."""

    tree: TreeId
    visible_count: int
    visible_error: float
    hand_count: int | None
    mean_mm: float | None
    doubts: Doubts
    trees: int = 1
    face_counts: tuple[int, ...] = ()


def photo_numbers(measured: MeasuredPhoto) -> PhotoNumbers:
    """Count, sized fruit and mean diameter of one photo."""
    sized = [
        fruit.diameter_mm
        for fruit in measured.fruit
        if fruit.on_this_row and fruit.diameter_mm is not None
    ]
    return PhotoNumbers(
        fruit_count=measured.fruit_count, sized=len(sized), mean_mm=_mean_or_none(sized)
    )


def _mean_or_none(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def placed_photos(
    block_id: str, store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> tuple[PlacedPhoto, ...]:
    """Photos of a block by tree and face, with what was measured in them and put right since."""
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    kept = store.measured_photos_of(block_id, origin)
    found = {one.photo.photo_id: one for one in reviewed(kept, store, settings, block_id)}
    return tuple(
        PlacedPhoto(placed=photo, measured=found.get(photo.photo_id))
        for photo in store.tree_photos(block_id)
    )


def tree_lines(
    block_id: str,
    store: Store,
    photos: Sequence[PlacedPhoto],
    *,
    detector_name: str = DEFAULT_DETECTOR,
) -> tuple[TreeLine, ...]:
    """Trees of the latest walk that has a usable tree, in the order of the register.

    `detector_name` is the one that measured the photos; both faces of a tree err together.
    """
    share = choose_detector(detector_name).count_error
    measured = {
        photo.placed.photo_id: photo.measured for photo in photos if photo.measured is not None
    }
    trees: Sequence[TreeCount] = ()
    for walk in reversed(split_walks([photo.placed for photo in photos])):
        trees, _ = sample_trees(walk, measured)
        if trees:
            break
    pairs, _ = pair_counts(trees, store.hand_counts(block_id))
    by_hand = {tree.tree: count.fruit_count for tree, count in pairs}
    return tuple(
        TreeLine(
            tree=tree.tree,
            visible_count=tree.visible_count,
            visible_error=share * tree.visible_count,
            hand_count=by_hand.get(tree.tree),
            mean_mm=tree.mean_mm,
            doubts=tree.doubts,
            trees=tree.trees,
            face_counts=tree.face_counts,
        )
        for tree in trees
    )


def tenths_mm(sizes: SizeDistribution) -> tuple[float, float, float]:
    """Diameters below which one tenth, half and nine tenths of the fruit lie."""
    low, mid, high = np.quantile(sizes.quantiles_mm, (0.1, 0.5, 0.9))
    return float(low), float(mid), float(high)


def bars_mm(sizes: SizeDistribution, *, width_mm: float) -> tuple[tuple[float, float, float], ...]:
    """Bars of a distribution: lower limit, upper limit, share of the fruit in between.

    The bars start and end at a multiple of twice the width, so that labels are round.
    """
    step = 2 * width_mm
    first = np.floor(sizes.quantiles_mm[0] / step) * step
    last = np.ceil(sizes.quantiles_mm[-1] / step) * step
    bars = max(2, round((last - first) / width_mm))
    counts, limits = np.histogram(
        sizes.quantiles_mm, bins=bars, range=(first, first + bars * width_mm)
    )
    shares = counts / len(sizes.quantiles_mm)
    return tuple(
        (float(low), float(high), float(share))
        for low, high, share in zip(limits[:-1], limits[1:], shares, strict=True)
    )


def class_limits_mm(table: SizeTable, settings: Settings) -> tuple[tuple[str, float, float], ...]:
    """Name and limits of each class in mm; masses by the farm's rule of mass from diameter."""

    def in_mm(limit: float) -> float:
        if table.unit == "mm":
            return limit
        return float((limit / settings.mass_factor_g_per_mm3) ** (1 / 3))

    return tuple((item.name, in_mm(item.low), in_mm(item.high)) for item in table.classes)
