"""How well fruit were sized: errors, whether stated errors are true, shares of size classes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import DepthGrade
from fruitvision.evaluate.sizing import LEAST_SHARE, SizedFruit, SizedPhoto
from fruitvision.size_mixture import ReadSizes, share_below, true_sizes

Floats = NDArray[np.float64]

# Bands of the visible share. Our choice: about as many sized fruit in each of the upper ones.
BAND_EDGES = (0.0, 0.35, 0.6, 0.8, 0.9, 1.0)
# Width of size classes, mm.
CLASS_MM = 5.0
# Fewer sized fruit say nothing about a spread. Our choice.
FEWEST = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingFigures:
    """A line of the table; None where too few were sized to say.

    `matched` : fruit of this row that were found; `sized` of them; mm for `mae`, `bias`, `rmse`.
    `z_mean`, `z_sd` : of errors over stated errors; `stated` : mean stated error, mm.
    """

    name: str
    matched: int
    sized: int
    mae_mm: float | None
    bias_mm: float | None
    rmse_mm: float | None
    z_mean: float | None
    z_sd: float | None
    stated_mm: float | None

    @property
    def sized_share(self) -> float | None:
        """Share of the found fruit that is sized."""
        return self.sized / self.matched if self.matched else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassFigures:
    """Size classes of 5 mm as sized, against the same fruit's true sizes.

    `largest_gap` : of any class's share; `total_variation` : half the sum of all gaps.
    """

    sized: int
    largest_gap: float
    total_variation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockFigures:
    """One block: mean of its sized fruit, mm.

    `bias_mm` : against the same fruit; `against_all_mm` : against all fruit of this row in its
    photos, hidden ones too; `other_rows`, `no_fruit` : sized though of a row behind, or nothing.
    `freed_classes` : those of the distribution freed of the errors that the fruit state.
    """

    name: str
    photos: int
    seen: int
    found: int
    figures: SizingFigures
    classes: ClassFigures | None
    freed_classes: ClassFigures | None
    bias_mm: float | None
    against_all_mm: float | None
    other_rows: int
    no_fruit: int
    seconds_per_photo: float


def figures_of(name: str, fruit: Sequence[SizedFruit]) -> SizingFigures:
    """Figures of finds that stand for fruit; whether they are sized or not."""
    sized, true, stated = _sizes(fruit)
    errors = sized - true
    enough = len(errors) >= FEWEST
    z = errors / stated if enough else np.zeros(0)
    return SizingFigures(
        name=name,
        matched=len(fruit),
        sized=len(errors),
        mae_mm=float(np.abs(errors).mean()) if len(errors) else None,
        bias_mm=float(errors.mean()) if len(errors) else None,
        rmse_mm=sqrt(float(np.square(errors).mean())) if len(errors) else None,
        z_mean=float(z.mean()) if enough else None,
        z_sd=float(z.std(ddof=1)) if enough else None,
        stated_mm=float(stated.mean()) if len(errors) else None,
    )


def _sizes(fruit: Sequence[SizedFruit]) -> tuple[Floats, Floats, Floats]:
    rows = [
        (one.sized_mm, one.true_mm, one.error_mm)
        for one in fruit
        if one.sized_mm is not None and one.error_mm is not None
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def by_band(
    fruit: Sequence[SizedFruit], share: Callable[[SizedFruit], float]
) -> tuple[SizingFigures, ...]:
    """Figures by bands of a visible share, the true or the stated one."""
    return tuple(
        figures_of(
            f"{low:.2f}-{high:.2f}",
            [one for one in fruit if low <= share(one) < (high if high < 1 else 2)],
        )
        for low, high in pairwise(BAND_EDGES)
    )


def by_grade(fruit: Sequence[SizedFruit]) -> dict[DepthGrade, list[SizedFruit]]:
    """Finds parted by how their distance is known, the least known first."""
    parts = {grade: [one for one in fruit if one.grade is grade] for grade in DepthGrade}
    return {grade: found for grade, found in parts.items() if found}


def this_row(photos: Sequence[SizedPhoto]) -> list[SizedFruit]:
    """Finds of this row's fruit that the photo's detector calls so, a fifth or more seen."""
    return [
        one
        for photo in photos
        for one in photo.fruit
        if one.on_this_row and one.true_share >= LEAST_SHARE
    ]


def class_figures(sized_mm: Floats, true_mm: Floats) -> ClassFigures | None:
    """Shares of 5 mm classes, (N,) sized against (M,) true; None without fruit."""
    if not len(sized_mm) or not len(true_mm):
        return None
    edges = _class_edges(sized_mm, true_mm)
    shares = np.histogram(sized_mm, edges)[0] / len(sized_mm)
    return _against(shares, true_mm, edges, len(sized_mm))


def freed_class_figures(photos: Sequence[SizedPhoto]) -> ClassFigures | None:
    """As `class_figures`, of the distribution behind the sized fruit; None of few.

    It is the mixture that a block's sizes are made of, with the photo as cluster.
    """
    sized_mm, true_mm, stated_mm = _sizes(this_row(photos))
    if len(sized_mm) < FEWEST:
        return None
    number = [len(_sizes(this_row([photo]))[0]) for photo in photos]
    read = ReadSizes(
        read_mm=sized_mm,
        errors_mm=stated_mm,
        weights=np.ones(len(sized_mm)),
        tree=np.repeat(np.arange(len(photos)), number),
    )
    found = true_sizes(
        read, effective_fruit=float(len(sized_mm)), resamples=0, rng=np.random.default_rng(0)
    )
    edges = _class_edges(sized_mm, true_mm)
    shares = np.diff(share_below(found.grid_mm, found.shares, edges))
    return _against(shares, true_mm, edges, len(sized_mm))


def _class_edges(sized_mm: Floats, true_mm: Floats) -> Floats:
    low = np.floor(min(sized_mm.min(), true_mm.min()) / CLASS_MM) * CLASS_MM
    high = max(sized_mm.max(), true_mm.max()) + CLASS_MM
    return np.arange(low, high + CLASS_MM, CLASS_MM)


def _against(shares: Floats, true_mm: Floats, edges: Floats, sized: int) -> ClassFigures:
    gaps = np.abs(shares - np.histogram(true_mm, edges)[0] / len(true_mm))
    return ClassFigures(
        sized=sized,
        largest_gap=float(gaps.max()),
        total_variation=float(gaps.sum() / 2),
    )


def block_figures(name: str, photos: Sequence[SizedPhoto]) -> BlockFigures:
    """Figures of the photos of one block."""
    fruit = this_row(photos)
    sized, true, _ = _sizes(fruit)
    every = np.array([value for photo in photos for value in photo.all_mm])
    return BlockFigures(
        name=name,
        photos=len(photos),
        seen=sum(photo.seen for photo in photos),
        found=len(fruit),
        figures=figures_of(name, fruit),
        classes=class_figures(sized, true),
        freed_classes=freed_class_figures(photos),
        bias_mm=float(sized.mean() - true.mean()) if len(sized) else None,
        against_all_mm=float(sized.mean() - every.mean()) if len(sized) and len(every) else None,
        other_rows=sum(
            one.sized_mm is not None and not one.on_this_row
            for photo in photos
            for one in photo.fruit
        ),
        no_fruit=sum(photo.no_fruit for photo in photos),
        seconds_per_photo=float(np.mean([photo.seconds for photo in photos])) if photos else 0.0,
    )
