"""The figures of a detector over many photos, and over one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.evaluate.average_precision import Rates, average_precision, best_rates, rates_at
from fruitvision.evaluate.matching import THERE, TIGHT, USUAL
from fruitvision.evaluate.outlines import OutlineFigures, outline_figures
from fruitvision.evaluate.run import PhotoResult

Floats = NDArray[np.float64]

# Photos with fewer fruit have no count error: one fruit more or less is over 10 % of them. Our
# choice.
LEAST_FRUIT_FOR_COUNT = 10


@dataclass(frozen=True, slots=True)
class AtOverlap:
    """F1 and its parts at one overlap: at the best threshold and at the detector's own."""

    best: Rates
    own: Rates


@dataclass(frozen=True, slots=True)
class CountFigures:
    """Count against truth: relative errors per photo, and of the sums; None without photos.

    Detections on ignored fruit are not counted.
    """

    photos: int
    bias_percent: float | None
    mean_absolute_percent: float | None
    total_bias_percent: float | None


@dataclass(frozen=True, slots=True)
class Figures:
    """All figures; `false_per_photo` at the own threshold, on nothing at an overlap of 0.2."""

    photos: int
    wanted: int
    ap50: float | None
    ap75: float | None
    usual: AtOverlap
    there: AtOverlap
    count: CountFigures
    false_per_photo: float | None
    seconds_per_photo: float | None
    outlines: OutlineFigures | None


def figures_of(results: Sequence[PhotoResult], threshold: float) -> Figures:
    """Figures over some photos, in the order of their ids.

    Parameters
    ----------
    results : sequence of PhotoResult
    threshold : float
        The detector's own.
    """
    wanted = sum(one.truth.wanted for one in results)
    there = _at(results, THERE, wanted, threshold)
    return Figures(
        photos=len(results),
        wanted=wanted,
        ap50=average_precision(*_pooled(results, USUAL), wanted),
        ap75=average_precision(*_pooled(results, TIGHT), wanted),
        usual=_at(results, USUAL, wanted, threshold),
        there=there,
        count=_count(results),
        false_per_photo=there.own.wrong / len(results) if results else None,
        seconds_per_photo=float(np.median([one.seconds for one in results])) if results else None,
        outlines=outline_figures([one.outlines for one in results if one.outlines is not None]),
    )


def _pooled(results: Sequence[PhotoResult], overlap: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Scores of all photos that are right or wrong, and which are right."""
    scored = [~one.matches[overlap].ignored for one in results]
    scores = [one.scores[keep] for one, keep in zip(results, scored, strict=True)]
    right = [one.matches[overlap].right[keep] for one, keep in zip(results, scored, strict=True)]
    if not results:
        return np.zeros(0), np.zeros(0, dtype=np.bool_)
    return np.concatenate(scores), np.concatenate(right)


def _at(results: Sequence[PhotoResult], overlap: float, wanted: int, threshold: float) -> AtOverlap:
    scores, right = _pooled(results, overlap)
    return AtOverlap(
        best=best_rates(scores, right, wanted), own=rates_at(scores, right, wanted, threshold)
    )


def counted(result: PhotoResult) -> int:
    """Fruit that the detector counts in a photo, those on ignored fruit left out."""
    return int((result.sure & ~result.matches[THERE].ignored).sum())


def count_error_percent(result: PhotoResult) -> float | None:
    """Of one photo; None if it has too few fruit."""
    if result.truth.wanted < LEAST_FRUIT_FOR_COUNT:
        return None
    return 100.0 * (counted(result) - result.truth.wanted) / result.truth.wanted


def _count(results: Sequence[PhotoResult]) -> CountFigures:
    counting = [one for one in results if one.truth.wanted >= LEAST_FRUIT_FOR_COUNT]
    if not counting:
        return CountFigures(0, None, None, None)
    found = np.array([counted(one) for one in counting])
    true = np.array([one.truth.wanted for one in counting])
    errors = 100.0 * (found - true) / true
    return CountFigures(
        photos=len(counting),
        bias_percent=float(errors.mean()),
        mean_absolute_percent=float(np.abs(errors).mean()),
        total_bias_percent=float(100.0 * (found.sum() / true.sum() - 1.0)),
    )


def worst_first(results: Sequence[PhotoResult], threshold: float) -> list[PhotoResult]:
    """Photos by F1 at the own threshold, lowest first; without fruit and without finds last."""

    def key(one: PhotoResult) -> tuple[float, int]:
        f1 = _at([one], USUAL, one.truth.wanted, threshold).own.f1
        return (1.0 if f1 is None else f1, one.truth.image_id)

    return sorted(results, key=key)
