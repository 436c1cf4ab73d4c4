"""Where a fruit may end along each ray: sub-pixel edges, and the chance that each is its rim."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.detector import Detections, Image
from fruitvision.fruit.strips import (
    ANGLES,
    FRAME_PX,
    RADII,
    RAYS,
    STEP,
    STEPS,
    cut_outs,
    frames_of,
    owner_cut_outs,
    owners_of,
    unrolled,
)

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Flags = NDArray[np.bool_]

# Edges kept of each ray, the hardest first. Our choice: rim, leaf edge, shade, stripes.
EDGES = 5
# An edge is the hardest within so many steps on both sides: 0.06 of the radius.
_ALONE = 3
# The rim lies so far outside the steepest change of light, px of the photo: fruit are darker
# towards their rim. Found on rendered photos, 0.1 to 0.4 by kind of block.
RIM_OUTSIDE_PX = 0.25
# Softest edge, as change of colour per px of the cut-out, 0 to 1. Our choice: noise is below.
_SOFTEST = 0.008
# What lies before and behind an edge is averaged over these steps: from 0.04 to 0.12 of the radius.
_NEAR, _FAR = 2, 6
# A fruit's own colour is told from what is around it inside this and outside that radius.
_INSIDE, _OUTSIDE = 0.85, 1.1
# Pixels needed on both sides for that, of 3,200 in a strip. Our choice.
_FEWEST = 50
# Least variance of a colour channel, squares of 0 to 1: no direction of colour counts without end.
_LEAST_VARIANCE = 6e-4
# Dark colours are compared as logarithms above this, 0 to 1.
_DARK = 0.03
# A ray can see its fruit's rim only where these radii are the fruit's own visible pixels.
_OWN = (RADII > 0.66) & (RADII < 0.86)

# Linear light of gamma-coded values 0 to 255 (sRGB, IEC 61966-2-1).
_CODED = np.arange(256) / 255.0
LIGHT = np.where(_CODED <= 0.04045, _CODED / 12.92, ((_CODED + 0.055) / 1.055) ** 2.4).astype(
    np.float32
)

FEATURES = (
    "hardness",
    "square to the ray",
    "own colour before",
    "own colour behind",
    "brightness behind",
    "green behind",
    "saturated behind",
    "change of brightness",
    "hardness in light",
    "hardness x square",
    "own before x behind",
    "hardness squared",
    "green squared",
    "brightness x green behind",
    "saturated x green behind",
)


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edges along the rays of N fruit, in their frames (see `strips`).

    Parameters
    ----------
    centres : (N, 2) float
    matrices : (N, 2, 2) float
    radii : (N, RAYS, EDGES) float
        Where each edge lies, as a share of the radius that was found.
    features : (N, RAYS, EDGES, len(FEATURES)) float32
    there : (N, RAYS, EDGES) bool
        False where a ray has fewer edges.
    own : (N, RAYS) float
        Share of the fruit's own visible pixels just inside the outline that was found.
    """

    centres: Floats
    matrices: Floats
    radii: Floats
    features: Plane
    there: Flags
    own: Floats


def find_edges(
    picture: Image,
    found: Detections,
    *,
    part: slice = slice(None),
    owners: NDArray[np.uint16] | None = None,
) -> Edges:
    """The hardest edges along rays from the middle of every fruit of a part.

    Parameters
    ----------
    picture : (H, W, 3) uint8 RGB
    found : Detections
        All in it.
    part : slice
        Of which the edges are wanted; one at least.
    owners : (H, W) uint16, optional
        `owners_of` all of them, for those who ask for several parts.
    """
    centres, matrices = frames_of(found.outlines[part])
    cuts = cut_outs(picture, centres, matrices)
    if owners is None:
        owners = owners_of(found, *picture.shape[:2])
    whose_px = owner_cut_outs(owners, centres, matrices)
    numbers = np.arange(1, len(found) + 1)[part, None, None]
    colour = unrolled(cuts) / np.float32(255)
    whose = unrolled(
        np.stack([whose_px == numbers, (whose_px != numbers) & (whose_px > 0)], axis=-1).astype(
            np.float32
        )
    )
    radii_px = np.sqrt(np.linalg.det(matrices))
    across, square = _change_of_colour(cuts)
    # Small fruit are enlarged, and their edges made softer by as much.
    across *= np.maximum(FRAME_PX / radii_px, 1)[:, None, None].astype(np.float32)
    at = _hardest(across)
    light = _change_of_light(colour)
    own_colour = _own_colour(colour, whose)
    features = _features(at, across, square, light, own_colour, colour)
    return Edges(
        centres=centres,
        matrices=matrices,
        radii=RADII[0]
        + STEP * _between_steps(light, at)
        + RIM_OUTSIDE_PX / radii_px[:, None, None],
        features=features,
        there=np.take_along_axis(across, at, axis=2) > _SOFTEST,
        own=np.asarray(whose[:, :, _OWN, 0].mean(axis=2), dtype=np.float64),
    )


def _change_of_colour(cuts: NDArray[np.uint8]) -> tuple[Plane, Plane]:
    """Change of colour along each ray per px, and its square's share of that in any direction."""
    n, side = cuts.shape[:2]
    tensor = _tensor(cuts.reshape(n * side, side, 3)).reshape(n, side, side, 3)
    polar = unrolled(tensor)
    cos = np.cos(ANGLES).astype(np.float32)[:, None]
    sin = np.sin(ANGLES).astype(np.float32)[:, None]
    along = polar[..., 0] * cos**2 + polar[..., 1] * sin**2 + 2 * polar[..., 2] * cos * sin
    along = np.maximum(along, 0)
    total = polar[..., 0] + polar[..., 1]
    return np.sqrt(along), along / (total + np.float32(1e-5))


def _tensor(tall: Image) -> Plane:
    """(H, W, 3) of cut-outs one below the other: right², down² and right x down, summed over the
    colours, the mean of 3 x 3 px.

    Colour by colour: what lies together in memory is summed many times faster.
    """
    sums = [np.zeros(tall.shape[:2], dtype=np.float32) for _ in range(3)]
    for plane in cv2.split(tall):
        # Half of the difference of both neighbours; lines next to another cut-out are never asked
        # for.
        right = cv2.Sobel(plane, cv2.CV_32F, 1, 0, ksize=1, scale=0.5 / 255)
        down = cv2.Sobel(plane, cv2.CV_32F, 0, 1, ksize=1, scale=0.5 / 255)
        for number, (one, other) in enumerate(((right, right), (down, down), (right, down))):
            sums[number] += one * other
    return np.asarray(cv2.merge([cv2.blur(total, (3, 3)) for total in sums]), dtype=np.float32)


def _hardest(across: Plane) -> NDArray[np.int64]:
    """(N, RAYS, EDGES) steps of the hardest edges that stand alone, the hardest first."""
    around = across.copy()
    for shift in range(1, _ALONE + 1):
        around[:, :, shift:] = np.maximum(around[:, :, shift:], across[:, :, :-shift])
        around[:, :, :-shift] = np.maximum(around[:, :, :-shift], across[:, :, shift:])
    alone = np.where(across >= around, across, 0)
    # Both ends are no edges: nothing is known beyond them.
    alone[:, :, :_NEAR] = alone[:, :, -_NEAR:] = 0
    hardest = np.argpartition(-alone, EDGES, axis=2)[:, :, :EDGES]
    order = np.argsort(-np.take_along_axis(alone, hardest, axis=2), axis=2, kind="stable")
    at = np.take_along_axis(hardest, order, axis=2)
    # Where a ray has fewer edges, the first step stands: it is never hard enough.
    return np.where(np.take_along_axis(alone, at, axis=2) > 0, at, 0).astype(np.int64)


def _change_of_light(colour: Plane) -> Plane:
    """Change of linear light from the step before to the step behind, (N, RAYS, STEPS)."""
    light = LIGHT[np.clip(colour * 255 + 0.5, 0, 255).astype(np.uint8)]
    change = np.zeros(colour.shape[:3], dtype=np.float32)
    step = light[:, :, 2:] - light[:, :, :-2]
    change[:, :, 1:-1] = np.sqrt(np.einsum("nrsc,nrsc->nrs", step, step))
    return change


def _own_colour(colour: Plane, whose: Plane) -> Plane:
    """Looks like this fruit rather than like what is around it, -1 to 1, (N, RAYS, STEPS).

    Fisher's linear discriminant between its visible pixels and those around that are no fruit.
    """
    n = len(colour)
    inside = (whose[..., 0] * (RADII < _INSIDE)).reshape(n, -1).astype(np.float32)
    around = np.clip(1 - whose[..., 0] - whose[..., 1], 0, 1) * (RADII > _OUTSIDE)
    around = around.reshape(n, -1).astype(np.float32)
    flat = colour.reshape(n, -1, 3)
    own, own_spread = _mean_and_spread(flat, inside)
    other, other_spread = _mean_and_spread(flat, around)
    spread = (own_spread + other_spread) / 2 + _LEAST_VARIANCE * np.eye(3)
    weights = np.linalg.solve(spread, (own - other)[..., None])[..., 0]
    few = (inside.sum(1) < _FEWEST) | (around.sum(1) < _FEWEST)
    weights[few] = 0.0
    middle = (weights * (own + other) / 2).sum(1)
    logits = np.einsum("nrsc,nc->nrs", colour, weights.astype(np.float32))
    return np.asarray(np.tanh((logits - middle[:, None, None].astype(np.float32)) / 2))


def _mean_and_spread(flat: Plane, weights: Plane) -> tuple[Floats, Floats]:
    """Weighted mean (N, 3) and covariance (N, 3, 3) of colours (N, K, 3)."""
    total = weights.sum(1) + 1.0
    mean = np.einsum("nk,nkc->nc", weights, flat) / total[:, None]
    second = np.matmul((flat * weights[..., None]).transpose(0, 2, 1), flat) / total[:, None, None]
    return mean, second - mean[:, :, None] * mean[:, None, :]


def _features(
    at: NDArray[np.int64],
    across: Plane,
    square: Plane,
    light: Plane,
    own_colour: Plane,
    colour: Plane,
) -> Plane:
    """(N, RAYS, EDGES, len(FEATURES)) what tells a rim from another edge."""
    red, green_part, blue = np.moveaxis(colour, -1, 0)
    mean = (red + green_part + blue) / np.float32(3)
    bright = np.log(mean + np.float32(_DARK))
    bright -= np.median(bright[:, :, RADII < _INSIDE], axis=(1, 2))[:, None, None]
    green = (green_part - (red + blue) / 2) / (mean + np.float32(_DARK))
    top = np.maximum(np.maximum(red, green_part), blue)
    bottom = np.minimum(np.minimum(red, green_part), blue)
    saturated = (top - bottom) / (top + np.float32(_DARK))
    usual = np.quantile(light.reshape(len(light), -1), 0.8, axis=1)[:, None, None] + 0.01
    hard = np.log(np.take_along_axis(across, at, axis=2) + 0.004) + 3
    squarely = np.take_along_axis(square, at, axis=2)
    in_light = np.take_along_axis(light, at, axis=2)
    own_before, own_behind = _around(own_colour, at)
    bright_before, bright_behind = _around(bright, at)
    green_behind, saturated_behind = _around(green, at)[1], _around(saturated, at)[1]
    features = np.empty((*at.shape, len(FEATURES)), dtype=np.float32)
    for number, feature in enumerate(
        (
            hard,
            squarely,
            own_before,
            own_behind,
            bright_behind,
            green_behind,
            saturated_behind,
            np.abs(bright_before - bright_behind),
            in_light / (in_light + usual),
            hard * squarely,
            own_before * own_behind,
            hard**2,
            green_behind**2,
            bright_behind * green_behind,
            saturated_behind * green_behind,
        )
    ):
        features[..., number] = feature
    return features


def _around(values: Plane, at: NDArray[np.int64]) -> tuple[Plane, Plane]:
    """Means over the steps from _FAR to _NEAR before edges, and from _NEAR to _FAR behind them."""
    sums = np.zeros((*values.shape[:2], STEPS + 1), dtype=np.float32)
    np.cumsum(values, axis=2, out=sums[:, :, 1:])
    before = _mean_over(sums, at - _FAR, at - _NEAR)
    return before, _mean_over(sums, at + _NEAR, at + _FAR)


def _mean_over(sums: Plane, first: NDArray[np.int64], last: NDArray[np.int64]) -> Plane:
    """Means over steps `first` to `last` along the rays, within what there is, out of sums."""
    last = np.clip(last, 0, STEPS - 1)
    first = np.clip(first, 0, last)
    total = np.take_along_axis(sums, last + 1, axis=2) - np.take_along_axis(sums, first, axis=2)
    return np.asarray(total / (last + 1 - first), dtype=np.float32)


def _between_steps(light: Plane, at: NDArray[np.int64]) -> Floats:
    """Edges placed between steps: the peak of the change of linear light next to each.

    In linear light a blurred edge is steepest where the object ends; gamma-coded, it seems to lie
    on the dark side.
    """
    near = np.clip(at[..., None] + np.arange(-2, 3), 1, STEPS - 2)
    near_light = light[
        np.arange(len(at))[:, None, None, None], np.arange(RAYS)[:, None, None], near
    ]
    peak = np.take_along_axis(near, near_light.argmax(-1)[..., None], axis=3)[..., 0]
    before, middle, behind = (
        np.take_along_axis(light, peak + shift, axis=2) for shift in (-1, 0, 1)
    )
    bend = before - 2 * middle + behind
    peaked = bend < -1e-7
    shift = np.where(peaked, 0.5 * (before - behind) / np.where(peaked, bend, 1.0), 0.0)
    return np.asarray(peak + np.clip(shift, -0.5, 0.5), dtype=np.float64)
