"""From photos at the common scale to numbers: one row a fruit, one row a patch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.realism_measures import (
    CENTRAL,
    RING,
    black,
    blown,
    lab_of,
    laplacian_variance,
    leaf,
    local_sd,
    noise_floor,
    octave_power,
    reach,
    sky,
    spectrum_slope,
)
from tests.bench.realism_photos import FRUIT_PX, Bools, Floats, Pixels, Scaled

# Side of a patch, px: three and a half fruit. Our choice.
PATCH_PX = 128
# Pixels drawn from each fruit, and from the leaves near it. Our choice.
PIXELS_EACH = 40
# A fruit a tenth of whose box is at least this red (a*) stands out from leaves, so that what is not
# leaf in its ellipse says how much of it is seen: rank correlation with the true visible share of
# 736 rendered fruit 0.60. For other fruit it is 0.26: no use, and left out. Our choice.
STANDS_OUT = 20.0

FRUIT_COLUMNS = (
    "fruit L*",
    "fruit a*",
    "fruit b*",
    "fruit sd of L*",
    "fruit highlight, L* above its median",
    "fruit share that is red",
    "visible part, width / height",
    "reddish fruit: ellipse share not leaf",
    "near fruit: share of leaf",
    "near fruit: share of sky",
    "near fruit: share below L* 15",
    "leaf L*, shade (10 %)",
    "leaf L*",
    "leaf L*, light (90 %)",
    "leaf a*",
    "leaf b*",
    "leaf chroma",
)
PATCH_COLUMNS = (
    *(
        f"{part} {what}"
        for part in ("L*", "a*", "b*")
        for what in ("mean", "sd", "5 %", "50 %", "95 %")
    ),
    "L* with a*, correlation",
    "L* with b*, correlation",
    "a* with b*, correlation",
    "sd of L* in 8 px",
    "sd of L* in 32 px",
    "Laplacian variance, log",
    "slope of the spectrum",
    *(f"power 1/{2 * period}-1/{period} a px, log" for period in (16, 8, 4, 2)),
    "noise floor, L*",
    "share blown out",
    "share black",
    "share of sky",
    "share of leaf",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """What one or many photos gave.

    `fruit` : (N, len(FRUIT_COLUMNS)), NaN where a fruit has no such number; `shares` : (N,) true
    visible shares or NaN; `fruit_pixels`, `leaf_pixels` : (N, PIXELS_EACH, 3) CIELAB, the latter
    NaN where no leaf is near; `patches` : (P, PATCH_PX, PATCH_PX, 3) uint8 RGB; `photo_of` : (P,)
    index of the photo of each patch.
    """

    fruit: Floats
    shares: Floats
    fruit_pixels: Floats
    leaf_pixels: Floats
    patches: Pixels
    photo_of: NDArray[np.int64]


def sample_photo(photo: Scaled, rng: np.random.Generator, *, patches: int) -> Sample:
    """Numbers of every whole fruit in the frame, and at most `patches` patches around fruit."""
    lab = lab_of(photo.rgb)
    height, width = photo.valid.shape
    free = _beside_fruit(photo)
    found = [
        _sample_fruit(lab, free, photo, one, rng)
        for one, (x, y, across, down) in enumerate(photo.boxes_px)
        if min(x, y) >= 0
        and x + across <= width
        and y + down <= height
        and photo.valid[int(y + down / 2), int(x + across / 2)]
    ]
    kept = [(numbers, own, near) for numbers, own, near in found if not np.isnan(numbers[0])]
    return Sample(
        fruit=np.array([numbers[1:] for numbers, _, _ in kept]).reshape(-1, len(FRUIT_COLUMNS)),
        shares=photo.shares[[int(numbers[0]) for numbers, _, _ in kept]],
        fruit_pixels=np.array([own for _, own, _ in kept]).reshape(-1, PIXELS_EACH, 3),
        leaf_pixels=np.array([near for _, _, near in kept]).reshape(-1, PIXELS_EACH, 3),
        patches=cut_patches(photo, rng, patches),
        photo_of=np.zeros(0, dtype=np.int64),
    )


def join_samples(samples: Sequence[Sample]) -> Sample:
    """Many photos as one sample; `photo_of` numbers them."""
    return Sample(
        fruit=np.concatenate([one.fruit for one in samples]),
        shares=np.concatenate([one.shares for one in samples]),
        fruit_pixels=np.concatenate([one.fruit_pixels for one in samples]),
        leaf_pixels=np.concatenate([one.leaf_pixels for one in samples]),
        patches=np.concatenate([one.patches for one in samples]),
        photo_of=np.repeat(np.arange(len(samples)), [len(one.patches) for one in samples]),
    )


def cut_patches(photo: Scaled, rng: np.random.Generator, number: int) -> Pixels:
    """(P, PATCH_PX, PATCH_PX, 3) around fruit in random order, each fruit off the middle."""
    height, width = photo.valid.shape
    found: list[Pixels] = []
    if min(height, width) < PATCH_PX:
        return np.zeros((0, PATCH_PX, PATCH_PX, 3), np.uint8)
    for one in rng.permutation(len(photo.boxes_px)):
        x, y, across, down = photo.boxes_px[one]
        shift = rng.uniform(-FRUIT_PX, FRUIT_PX, 2)
        left = int(np.clip(x + across / 2 + shift[0] - PATCH_PX / 2, 0, width - PATCH_PX))
        top = int(np.clip(y + down / 2 + shift[1] - PATCH_PX / 2, 0, height - PATCH_PX))
        window = np.s_[top : top + PATCH_PX, left : left + PATCH_PX]
        if len(found) < number and photo.valid[window].all():
            found.append(photo.rgb[window])
    return np.array(found, dtype=np.uint8).reshape(-1, PATCH_PX, PATCH_PX, 3)


def patch_numbers(rgb: Pixels) -> Floats:
    """(len(PATCH_COLUMNS),) of one patch."""
    lab = lab_of(rgb)
    parts = lab.reshape(-1, 3)
    light = np.ascontiguousarray(lab[..., 0])
    spread = [
        (parts[:, one].mean(), parts[:, one].std(), *np.percentile(parts[:, one], (5, 50, 95)))
        for one in range(3)
    ]
    return np.array(
        [
            *np.ravel(spread),
            *(_correlation(parts[:, one], parts[:, two]) for one, two in ((0, 1), (0, 2), (1, 2))),
            float(np.median(local_sd(light, 8))),
            float(np.median(local_sd(light, 32))),
            np.log(laplacian_variance(light) + 1e-3),
            spectrum_slope(light),
            *np.log(octave_power(light) + 1e-5),
            noise_floor(light),
            blown(rgb).mean(),
            black(rgb).mean(),
            sky(lab).mean(),
            leaf(lab).mean(),
        ]
    )


def _beside_fruit(photo: Scaled) -> Bools:
    """(H, W) what may be measured and lies in no box."""
    free = photo.valid.copy()
    for x, y, across, down in np.vstack([photo.boxes_px, photo.other_px]):
        top, left = max(int(y), 0), max(int(x), 0)
        free[top : max(int(np.ceil(y + down)), 0), left : max(int(np.ceil(x + across)), 0)] = False
    return free


def _sample_fruit(
    lab: NDArray[np.float32],
    free: Bools,
    photo: Scaled,
    one: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, Floats]:
    """Its place in `boxes` and numbers (NaN if it can't be measured), its pixels, leaf pixels."""
    x, y, across, down = photo.boxes_px[one]
    top, bottom = int(max(y - 0.7 * down, 0)), int(min(y + 1.7 * down, lab.shape[0]))
    left, right = int(max(x - 0.7 * across, 0)), int(min(x + 1.7 * across, lab.shape[1]))
    window = np.s_[top:bottom, left:right]
    rows, columns = np.mgrid[window]
    far = reach(photo.boxes_px, columns, rows, one)
    cut, here = lab[window], photo.valid[window]
    ring = (far > RING[0]) & (far < RING[1]) & free[window]
    central, inside = cut[(far < CENTRAL) & here], cut[(far < 1.0) & here]
    near, near_sky = cut[ring], sky(cut)[ring]
    no_leaf = np.full((PIXELS_EACH, 3), np.nan)
    if len(central) < PIXELS_EACH or len(near) < PIXELS_EACH:
        return np.full(len(FRUIT_COLUMNS) + 1, np.nan), no_leaf, no_leaf
    middle = np.median(central, axis=0)
    leaves = near[leaf(near) & ~near_sky]
    numbers = [
        one,
        *middle,
        central[:, 0].std(),
        np.percentile(inside[:, 0], 99) - middle[0],
        (central[:, 1] > 15).mean(),
        photo.parts_px[one, 2] / photo.parts_px[one, 3],
        _share_not_leaf(inside),
        leaf(near).mean(),
        near_sky.mean(),
        (near[:, 0] < 15).mean(),
        *_leaf_numbers(leaves),
    ]
    return (
        np.array(numbers, dtype=float),
        rng.permutation(central)[:PIXELS_EACH].astype(float),
        rng.permutation(leaves)[:PIXELS_EACH].astype(float)
        if len(leaves) >= PIXELS_EACH
        else no_leaf,
    )


def _share_not_leaf(inside: NDArray[np.float32]) -> float:
    if np.percentile(inside[:, 1], 90) < STANDS_OUT:
        return np.nan
    return float(1.0 - leaf(inside).mean())


def _leaf_numbers(leaves: NDArray[np.float32]) -> list[float]:
    if len(leaves) < PIXELS_EACH:
        return [np.nan] * 6
    shade, middle, light = np.percentile(leaves[:, 0], (10, 50, 90))
    a, b = np.median(leaves[:, 1:], axis=0)
    return [shade, middle, light, a, b, float(np.hypot(a, b))]


def _correlation(one: NDArray[np.float32], other: NDArray[np.float32]) -> float:
    if one.std() < 1e-6 or other.std() < 1e-6:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])
