"""Classifiers that try to tell rendered patches from real ones, and how sure their score is.

50 % means that they cannot. Photos are dealt to folds whole, so that no photo is learnt from and
tested on. Both sides have the same number of patches.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.bench.realism_measures import lab_of
from tests.bench.realism_photos import Bools, Floats, Pixels
from tests.bench.realism_samples import Sample, patch_numbers

Ints = NDArray[np.int64]
Learner = Callable[[NDArray[np.generic], Bools, NDArray[np.generic]], Floats]

# Boosting: steps, size of a step, bins of a number, and how much proof a step needs. Common
# practice for small tables.
ROUNDS, STEP, BINS, RIDGE = 200, 0.1, 32, 1.0
# How often photos are drawn again for the standard error. Common practice.
REDRAWS = 200
# Standard deviation of the blur that takes out what is finer than about 8 px. Our choice.
SMOOTH_PX = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Share of patches told apart rightly (both sides counted alike), area under the curve, and
    a standard error of each from drawing the photos again."""

    accuracy: float
    accuracy_error: float
    auc: float
    auc_error: float


def as_it_is(patches: Pixels) -> Pixels:
    """Everything left in."""
    return patches


def grey(patches: Pixels) -> Pixels:
    """Lightness only."""
    light = np.stack([lab_of(one)[..., :1] for one in patches]) * 2.55
    return np.repeat(np.clip(light, 0, 255).astype(np.uint8), 3, axis=3)


def smooth(patches: Pixels) -> Pixels:
    """Without high frequencies: colour and large forms only."""
    return np.stack(
        [np.asarray(cv2.GaussianBlur(one, (0, 0), SMOOTH_PX), np.uint8) for one in patches]
    )


def grey_and_even(patches: Pixels) -> Pixels:
    """Lightness brought to one mean and spread in every patch: form and texture only."""
    light = grey(patches)[..., :1].astype(np.float64)
    mean = light.mean(axis=(1, 2, 3), keepdims=True)
    deviation = np.maximum(light.std(axis=(1, 2, 3), keepdims=True), 1.0)
    even = np.clip(128 + 45 * (light - mean) / deviation, 0, 255)
    return np.repeat(even.astype(np.uint8), 3, axis=3)


VIEWS: dict[str, Callable[[Pixels], Pixels]] = {
    "as it is": as_it_is,
    "no colour": grey,
    "no fine detail": smooth,
    "texture only": grey_and_even,
}


def numbers_of(patches: Pixels) -> Floats:
    """(P, len(PATCH_COLUMNS))."""
    return np.array([patch_numbers(one) for one in patches])


def balanced(one: Sample, other: Sample, rng: np.random.Generator, most: int) -> tuple[Ints, Ints]:
    """Indices of as many patches on both sides, at most `most`, spread over all photos."""
    number = min(len(one.patches), len(other.patches), most)
    return _spread(one.photo_of, rng)[:number], _spread(other.photo_of, rng)[:number]


def tell_apart(
    data: NDArray[np.generic],
    rendered: Bools,
    photo_of: Ints,
    learner: Learner,
    *,
    folds: int = 4,
    seed: int = 0,
) -> Told:
    """Score of a learner on photos that it never saw.

    Parameters
    ----------
    data : (P, ...)
        One entry a patch; what `learner` takes.
    rendered : (P,) bool
    photo_of : (P,) int
        Photo of each patch; the same number on both sides is not the same photo.
    learner : callable
        (data to learn from, its `rendered`, data to judge) -> (n,) the higher, the more rendered;
        0 is the limit.
    """
    rng = np.random.default_rng(seed)
    photos = photo_of * 2 + rendered
    fold_of_photo = {}
    for side in (0, 1):
        names = rng.permutation(np.unique(photos[photos % 2 == side]))
        fold_of_photo.update({name: index % folds for index, name in enumerate(names)})
    fold = np.array([fold_of_photo[name] for name in photos])
    scores = np.zeros(len(photos))
    for index in range(folds):
        test = fold == index
        scores[test] = learner(data[~test], rendered[~test], data[test])
    return judged(scores, rendered, photos, rng)


def judged(scores: Floats, rendered: Bools, photos: Ints, rng: np.random.Generator) -> Told:
    """Accuracy and AUC with their errors: photos are drawn again on each side, with replacement."""
    accuracies, areas = [], []
    places = {name: np.flatnonzero(photos == name) for name in np.unique(photos)}
    sides = [np.unique(photos[rendered == side]) for side in (False, True)]
    for _ in range(REDRAWS):
        drawn = np.concatenate(
            [places[name] for names in sides for name in rng.choice(names, len(names))]
        )
        accuracies.append(accuracy_of(scores[drawn], rendered[drawn]))
        areas.append(auc_of(scores[drawn], rendered[drawn]))
    return Told(
        accuracy=accuracy_of(scores, rendered),
        accuracy_error=float(np.std(accuracies)),
        auc=auc_of(scores, rendered),
        auc_error=float(np.std(areas)),
    )


def accuracy_of(scores: Floats, rendered: Bools) -> float:
    """Mean of the shares told rightly on the two sides."""
    right = (scores > 0) == rendered
    return float((right[rendered].mean() + right[~rendered].mean()) / 2)


def auc_of(scores: Floats, rendered: Bools) -> float:
    """Chance that a rendered patch scores above a real one; ties count half."""
    order = np.sort(scores[~rendered])
    below = np.searchsorted(order, scores[rendered], side="left")
    at_most = np.searchsorted(order, scores[rendered], side="right")
    return float((below + at_most).mean() / 2 / len(order))


def boosted_stumps(
    learn: NDArray[np.generic], rendered: Bools, judge: NDArray[np.generic]
) -> Floats:
    """Gradient boosting of single splits on (n, columns) numbers, logistic loss (Friedman 2001)."""
    known = np.asarray(learn, dtype=np.float64)
    edges = np.quantile(known, np.linspace(0, 1, BINS + 1)[1:-1], axis=0).T
    bins, judged_bins = (
        np.stack([np.searchsorted(*pair) for pair in zip(edges, data.T, strict=True)])
        for data in (known, np.asarray(judge, dtype=np.float64))
    )
    flat = bins + np.arange(len(edges))[:, None] * BINS
    scores, judgements = np.zeros(len(learn)), np.zeros(len(judge))
    for _ in range(ROUNDS):
        chance = 1 / (1 + np.exp(-scores))
        slope, bend = rendered - chance, chance * (1 - chance)
        slopes, bends = (
            np.cumsum(
                np.bincount(
                    flat.ravel(), np.tile(values, len(edges)), minlength=len(edges) * BINS
                ).reshape(-1, BINS),
                axis=1,
            )
            for values in (slope, bend)
        )
        rest, rest_bend = slopes[:, -1:] - slopes, bends[:, -1:] - bends
        gain = slopes**2 / (bends + RIDGE) + rest**2 / (rest_bend + RIDGE)
        column, limit = np.unravel_index(int(gain[:, :-1].argmax()), gain[:, :-1].shape)
        low = STEP * slopes[column, limit] / (bends[column, limit] + RIDGE)
        high = STEP * rest[column, limit] / (rest_bend[column, limit] + RIDGE)
        scores += np.where(bins[column] <= limit, low, high)
        judgements += np.where(judged_bins[column] <= limit, low, high)
    return judgements


def _spread(photo_of: Ints, rng: np.random.Generator) -> Ints:
    """All indices, ordered so that every beginning takes about as many from each photo."""
    order = rng.permutation(len(photo_of))
    turn = np.zeros(len(photo_of), dtype=np.int64)
    seen: dict[int, int] = {}
    for index in order:
        photo = int(photo_of[index])
        turn[index] = seen[photo] = seen.get(photo, -1) + 1
    return np.asarray(order[np.argsort(turn[order], kind="stable")], dtype=np.int64)
