"""The full outline of a fruit from the part of its rim that is seen.

Every edge has a chance of being the rim (`edge.py`). The ellipse is looked for that most rims agree
on; what leaves, neighbours and shade put elsewhere loses its say. The outline that a detector gave
is a prior: it holds where little of the rim is seen.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.cores import threads_here
from fruitvision.fruit.detector import Detections, Image
from fruitvision.fruit.edge import Edges, find_edges
from fruitvision.fruit.rim_fitted import (
    FEATURE_MEANS,
    FEATURE_SPREADS,
    FEATURE_WEIGHTS,
    INTERCEPT,
)
from fruitvision.fruit.strips import ANGLES, RADII, RAYS, STEP, STEPS, outlines_of, owners_of

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

# The five numbers of an ellipse in a frame: size, shift right, shift down, flatness along the axes
# and across them; to first order the rim lies at 1 + BASIS @ numbers.
BASIS = np.stack(
    [np.ones(RAYS), np.cos(ANGLES), np.sin(ANGLES), np.cos(2 * ANGLES), np.sin(2 * ANGLES)], axis=1
)
# Ellipses that are tried first: sizes and shifts.
_SIZES = np.arange(-0.15, 0.331, 0.03)
_SHIFTS = np.arange(-0.20, 0.201, 0.05)
_TRIED = np.array([(size, x, y, 0.0, 0.0) for size in _SIZES for x in _SHIFTS for y in _SHIFTS])


@dataclass(frozen=True, slots=True, kw_only=True)
class RimDials:
    """How rims are weighed. All chosen on rendered photos (tests/bench/calibrate_outlines.py).

    `none` : chance of a ray's rim where none is found, against which edges count; `say` : of all
    rays together against the prior, since neighbouring rays err alike; `prior_sd` : of the five
    numbers, for a fruit that is all visible, and `hidden_sd` : so much more, as a factor, for one
    that is all hidden; `hidden_size` : how much too small hidden fruit are drawn; `wide`, `close` :
    how far an edge may lie off the ellipse, first and last; `inside` : edges inside lose their say
    so many times sooner, leaves in front put them there; `out` : weight of no edge at all;
    `rim_sd` : of an edge around the true rim.
    """

    none: float = 0.07
    say: float = 0.23
    prior_sd: tuple[float, float, float, float, float] = (0.05, 0.08, 0.08, 0.05, 0.05)
    hidden_sd: float = 5.4
    hidden_size: float = 0.16
    wide: float = 0.055
    close: float = 0.04
    inside: float = 1.45
    out: float = 0.27
    rim_sd: float = 0.02
    rounds: int = 5


DIALS = RimDials()
# Fruit whose edges a thread holds in memory at a time: 30 MB.
_AT_ONCE = 48
# Neighbouring rays err together, and some outlines settle on a leaf's edge: errors are so many
# times those of a fit whose rays err by themselves. Maximum likelihood on 2,700 fruit of 72
# rendered photos gives 3.1; visible share, seen rim and size in px add nothing to it. A tenth more
# brings the standardised errors of fruit that are truly hidden in part nearer to 1 there.
ERR_TOGETHER = 3.4
# No outline is known better: fruit are no exact ellipses. Our choice.
LEAST_ERROR = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Rims:
    """Outlines fitted to rims, (N, ...).

    Parameters
    ----------
    outlines : (N, 5) float
        As in `Detections`, in px of the picture.
    errors : (N,) float
        Standard error of the long axis, as a share of it.
    seen : (N,) float
        Share of the rays on which a rim agrees with the outline, 0 to 1.
    """

    outlines: Floats
    errors: Floats
    seen: Floats


def refined(picture: Image, found: Detections) -> tuple[Detections, Rims]:
    """Detections with outlines fitted at full resolution, and how well.

    Parameters
    ----------
    picture : (H, W, 3) uint8 RGB
        What they were found in.
    found : Detections
    """
    if not len(found):
        return found, Rims(found.outlines, np.zeros(0), np.zeros(0))
    parts = [slice(first, first + _AT_ONCE) for first in range(0, len(found), _AT_ONCE)]
    owners = owners_of(found, *picture.shape[:2])

    def fit(part: slice) -> Rims:
        edges = find_edges(picture, found, part=part, owners=owners)
        return fit_rims(edges, found.visible_shares[part])

    # NumPy and OpenCV let others run while they calculate.
    with ThreadPoolExecutor(min(threads_here(), len(parts))) as pool:
        fitted = list(pool.map(fit, parts))
    rims = Rims(
        outlines=np.concatenate([one.outlines for one in fitted]),
        errors=np.concatenate([one.errors for one in fitted]),
        seen=np.concatenate([one.seen for one in fitted]),
    )
    return replace(found, outlines=rims.outlines), rims


def chances(edges: Edges) -> Floats:
    """(N, RAYS, EDGES) chance that each edge is the rim, 0 to 1; 0 where the ray sees a leaf."""
    scaled = (edges.features - FEATURE_MEANS) / FEATURE_SPREADS
    logits = scaled @ FEATURE_WEIGHTS + INTERCEPT
    return np.asarray(edges.there * edges.own[..., None] / (1 + np.exp(-logits)), dtype=np.float64)


def fit_rims(edges: Edges, visible_shares: Floats, dials: RimDials = DIALS) -> Rims:
    """Ellipses through the rims.

    Parameters
    ----------
    edges : Edges
    visible_shares : (N,) float
        As the detector has them: what is hidden is known less well.
    """
    chance = chances(edges)
    hidden = 1 - np.clip(visible_shares, 0, 1)
    middle = np.zeros((len(hidden), 5))
    middle[:, 0] = dials.hidden_size * hidden
    spread = np.array(dials.prior_sd) * (0.5 + dials.hidden_sd * hidden[:, None] / 2)
    numbers = _best_tried(edges, chance, middle, spread, dials)
    for tolerance in np.linspace(dials.wide, dials.close, dials.rounds):
        numbers, covariance, weight = _closer(
            edges, chance, numbers, (middle, spread), tolerance, dials
        )
    shape = np.empty((len(numbers), 2, 2))
    shape[:, 0, 0] = 1 + numbers[:, 0] + numbers[:, 3]
    shape[:, 1, 1] = 1 + numbers[:, 0] - numbers[:, 3]
    shape[:, 0, 1] = shape[:, 1, 0] = numbers[:, 4]
    moved = np.einsum("nij,nj->ni", edges.matrices, numbers[:, 1:3])
    return Rims(
        outlines=outlines_of(edges.centres + moved, edges.matrices @ shape),
        errors=np.hypot(
            LEAST_ERROR, ERR_TOGETHER * np.sqrt(covariance[:, 0, 0] + covariance[:, 3, 3] / 2)
        ),
        seen=weight.mean(axis=1),
    )


def rim_radii(numbers: Floats) -> Floats:
    """(..., RAYS) where rays from the frame's middle cross ellipses (..., 5), exactly."""
    size, x, y, flat, skew = np.moveaxis(numbers, -1, 0)
    first, second = 1 + size + flat, 1 + size - flat
    area = first * second - skew**2
    # The inverse of the ellipse's matrix makes it the unit circle about the moved middle.
    ray = np.stack(
        [
            (second[..., None] * BASIS[:, 1] - skew[..., None] * BASIS[:, 2]) / area[..., None],
            (first[..., None] * BASIS[:, 2] - skew[..., None] * BASIS[:, 1]) / area[..., None],
        ]
    )
    shift = np.stack([(second * x - skew * y) / area, (first * y - skew * x) / area])[..., None]
    length, along = (ray**2).sum(0), (ray * shift).sum(0)
    inside = along**2 - length * ((shift**2).sum(0) - 1)
    return np.asarray((along + np.sqrt(np.maximum(inside, 0))) / length)


_TRIED_STEPS = np.clip(np.rint((rim_radii(_TRIED) - RADII[0]) / STEP), 0, STEPS - 1).astype(
    np.int64
)


def _best_tried(
    edges: Edges, chance: Floats, middle: Floats, spread: Floats, dials: RimDials
) -> Floats:
    """(N, 5) of the ellipses that are tried, the one that most rims agree on."""
    n = len(chance)
    gain = np.zeros((n, RAYS, STEPS), dtype=np.float32)
    at = np.clip(np.rint((edges.radii - RADII[0]) / STEP), 0, STEPS - 1).astype(np.int64)
    rows, rays = np.arange(n)[:, None, None], np.arange(RAYS)[None, :, None]
    for shift, share in ((0, 1.0), (-1, 0.6), (1, 0.6), (-2, 0.2), (2, 0.2)):
        place = np.clip(at + shift, 0, STEPS - 1)
        np.maximum.at(gain, (rows, rays, place), (share * chance).astype(np.float32))
    gain = np.log1p(gain / np.float32(dials.none))
    # Fruit side by side: what is taken for one ellipse then lies together in memory.
    by_ray = np.ascontiguousarray(gain.transpose(1, 2, 0))
    score = np.zeros((len(_TRIED), n), dtype=np.float32)
    for ray in range(RAYS):
        score += by_ray[ray].take(_TRIED_STEPS[:, ray], axis=0)
    off = (_TRIED[None, :, :3] - middle[:, None, :3]) / spread[:, None, :3]
    best = (dials.say * score.T - 0.5 * (off**2).sum(2)).argmax(axis=1)
    return np.asarray(_TRIED[best], dtype=np.float64)


def _closer(
    edges: Edges,
    chance: Floats,
    numbers: Floats,
    prior: tuple[Floats, Floats],
    tolerance: float,
    dials: RimDials,
) -> tuple[Floats, Floats, Floats]:
    """One weighted least squares step: ellipses, their covariance, the say of each ray."""
    off = edges.radii - rim_radii(numbers)[..., None]
    steps = np.where(off < 0, dials.inside * off, off) / tolerance
    agree = chance * np.exp(-0.5 * np.minimum(steps**2, 40))
    total = agree.sum(axis=2)
    say = total / (total + dials.out)
    target = (agree * off).sum(axis=2) / (total + 1e-9)
    middle, spread = prior
    weight = dials.say * say / dials.rim_sd**2
    normal = np.einsum("nr,ri,rj->nij", weight, BASIS, BASIS, optimize=True)
    normal[:, range(5), range(5)] += 1 / spread**2
    right = (weight * target) @ BASIS + (middle - numbers) / spread**2
    step = np.linalg.solve(normal, right[..., None])[..., 0]
    return numbers + step, np.linalg.inv(normal), say
