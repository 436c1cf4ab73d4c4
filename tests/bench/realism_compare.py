"""A rendered set beside the real photos: every number, how far apart, and who can tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.bench.realism_classifier import (
    VIEWS,
    Ints,
    Learner,
    Told,
    balanced,
    boosted_stumps,
    numbers_of,
    tell_apart,
)
from tests.bench.realism_measures import (
    GREEN_TO,
    RED_FROM,
    chroma_histogram,
    histogram_distance,
    shift_between,
)
from tests.bench.realism_photos import FRUIT_PX, Bools, Floats, Labelled, to_common_scale
from tests.bench.realism_samples import (
    FRUIT_COLUMNS,
    PATCH_COLUMNS,
    Sample,
    join_samples,
    sample_photo,
)

# Patches cut from a photo, and used of a set. Our choice: minutes, and errors of 1 to 2 %.
PATCHES_A_PHOTO, MOST_PATCHES = 12, 600
# Patches a side that a learner of pixels gets: it is slow. Our choice.
MOST_FOR_PIXELS = 400
# A number that hardly varies in the real set is given this spread, so that a gap in its standard
# deviations says something: of shares, a hundredth. Our choice.
LEAST_SPREAD = 0.01
SEED = 11


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoSet:
    """Photos of one origin: what they are, what was measured, and the numbers of their patches."""

    name: str
    photos: tuple[Labelled, ...]
    left_out: int
    sample: Sample
    patch_numbers: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """10, 50 and 90 % of a number in a set."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One number in the real and in the rendered set.

    `shift` : Wasserstein distance in the number's unit; `gap` : the same in standard deviations of
    the real set.
    """

    name: str
    real: Range
    rendered: Range
    shift: float
    gap: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """How well one classifier tells the sets apart, seeing one view of the patches."""

    classifier: str
    view: str
    told: Told


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A rendered set beside the real one; `mean_gap` is over the numbers of the patches."""

    name: str
    photos: int
    left_out: int
    fruit: int
    numbers: tuple[Compared, ...]
    histograms: dict[str, float]
    mean_gap: float
    judged: tuple[Judged, ...]


def measure_set(
    name: str, photos: Sequence[Labelled], *, left_out: int = 0, fruit_px: float = FRUIT_PX
) -> PhotoSet:
    """Bring all photos to the common scale and measure them."""
    samples = [
        sample_photo(
            to_common_scale(photo, fruit_px),
            np.random.default_rng([SEED, index]),
            patches=PATCHES_A_PHOTO,
        )
        for index, photo in enumerate(photos)
    ]
    sample = join_samples(samples)
    rng = np.random.default_rng([SEED, len(photos)])
    some, _ = balanced(sample, sample, rng, MOST_PATCHES)
    return PhotoSet(
        name=name,
        photos=tuple(photos),
        left_out=left_out,
        sample=with_patches(sample, some),
        patch_numbers=numbers_of(sample.patches[some]),
    )


def with_patches(sample: Sample, some: Ints) -> Sample:
    """The sample with these patches only."""
    return Sample(
        fruit=sample.fruit,
        shares=sample.shares,
        fruit_pixels=sample.fruit_pixels,
        leaf_pixels=sample.leaf_pixels,
        patches=sample.patches[some],
        photo_of=sample.photo_of[some],
    )


def compare(real: PhotoSet, rendered: PhotoSet, learners: dict[str, Learner]) -> Comparison:
    """Everything about a pair of sets. `learners` see pixels; stumps on numbers always judge."""
    numbers = [*_photo_numbers(real, rendered), *_fruit_numbers(real, rendered)]
    patch = [
        compared(name, real.patch_numbers[:, column], rendered.patch_numbers[:, column])
        for column, name in enumerate(PATCH_COLUMNS)
    ]
    return Comparison(
        name=rendered.name,
        photos=len(rendered.photos),
        left_out=rendered.left_out,
        fruit=len(rendered.sample.fruit),
        numbers=(*numbers, *patch),
        histograms=_histograms(real.sample, rendered.sample),
        mean_gap=float(np.mean([one.gap for one in patch])),
        judged=tuple(judge(real.sample, rendered.sample, learners)),
    )


def compared(name: str, real: Floats, rendered: Floats) -> Compared:
    """One number in both sets; entries that are NaN do not count."""
    one, other = real[np.isfinite(real)], rendered[np.isfinite(rendered)]
    if not (one.size and other.size):
        nothing = Range(p10=np.nan, p50=np.nan, p90=np.nan)
        return Compared(name=name, real=nothing, rendered=nothing, shift=np.nan, gap=np.nan)
    shift = shift_between(one, other)
    return Compared(
        name=name,
        real=_range(one),
        rendered=_range(other),
        shift=shift,
        gap=shift / max(float(one.std()), LEAST_SPREAD),
    )


def judge(real: Sample, rendered: Sample, learners: dict[str, Learner]) -> list[Judged]:
    """Every classifier on every view of the patches."""
    rng = np.random.default_rng(SEED)
    ours, theirs = balanced(real, rendered, rng, MOST_PATCHES)
    patches = np.concatenate([real.patches[ours], rendered.patches[theirs]])
    photo_of = np.concatenate([real.photo_of[ours], rendered.photo_of[theirs]])
    side = np.repeat([False, True], [len(ours), len(theirs)])
    fewer = np.tile(np.arange(len(ours)) < MOST_FOR_PIXELS, 2)
    found = []
    for view, seen_as in VIEWS.items():
        seen = seen_as(patches)
        told = tell_apart(numbers_of(seen), side, photo_of, boosted_stumps)
        found.append(Judged(classifier="stumps on numbers", view=view, told=told))
        for name, learner in learners.items():
            told = tell_apart(seen[fewer], side[fewer], photo_of[fewer], learner)
            found.append(Judged(classifier=name, view=view, told=told))
    return found


def red_fruit(fruit: Floats) -> Bools:
    """(N,) by the median a* of each fruit."""
    return np.asarray(fruit[:, FRUIT_COLUMNS.index("fruit a*")] >= RED_FROM)


def green_fruit(fruit: Floats) -> Bools:
    """(N,) by the median a* of each fruit."""
    return np.asarray(fruit[:, FRUIT_COLUMNS.index("fruit a*")] <= GREEN_TO)


def _photo_numbers(real: PhotoSet, rendered: PhotoSet) -> list[Compared]:
    pair = (real.photos, rendered.photos)
    counts = [np.array([len(photo.boxes_px) for photo in one], dtype=float) for one in pair]
    widths = [np.concatenate([photo.boxes_px[:, 2] for photo in one]) for one in pair]
    return [
        compared("fruit a photo", *counts),
        compared("fruit width before reducing, px", *widths),
    ]


def _fruit_numbers(real: PhotoSet, rendered: PhotoSet) -> list[Compared]:
    pair = (real.sample.fruit, rendered.sample.fruit)
    found = [
        compared(name, *(fruit[:, column] for fruit in pair))
        for column, name in enumerate(FRUIT_COLUMNS)
    ]
    for word, chosen in (("red", red_fruit), ("green", green_fruit)):
        found += [
            compared(f"{word} {name}", *(fruit[chosen(fruit), column] for fruit in pair))
            for column, name in enumerate(FRUIT_COLUMNS[:6])
        ]
    return found


def _histograms(real: Sample, rendered: Sample) -> dict[str, float]:
    """Distances of 2-D chroma histograms of pixels, 0 to 1; NaN where a set has no such fruit."""
    pair = (real, rendered)
    reds = [one.fruit_pixels[red_fruit(one.fruit)] for one in pair]
    greens = [one.fruit_pixels[green_fruit(one.fruit)] for one in pair]
    leaves = [one.leaf_pixels[np.isfinite(one.leaf_pixels[:, 0, 0])] for one in pair]
    return {
        "red fruit": _chroma_distance(*reds),
        "green fruit": _chroma_distance(*greens),
        "leaf near fruit": _chroma_distance(*leaves),
    }


def _chroma_distance(one: Floats, other: Floats) -> float:
    if not (one.size and other.size):
        return float("nan")
    histograms = [
        chroma_histogram(pixels[..., 1].ravel(), pixels[..., 2].ravel()) for pixels in (one, other)
    ]
    return histogram_distance(*histograms)


def _range(values: Floats) -> Range:
    p10, p50, p90 = np.percentile(values, (10, 50, 90)).tolist()
    return Range(p10=p10, p50=p50, p90=p90)
