"""Several references in one photo: the plane they hang in, and those at odds with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, radians, sqrt, tan

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import DepthGrade, Scale

Floats = NDArray[np.float64]

# Depth of single references around a plane through all, as a share of the distance: standard
# deviation, worth so many degrees of freedom beside what the references show. Our choice: fruit
# hang 120 mm around their middle (`canopy_depth_sd_mm`) at 2.2 m, balls hung by hand a bit less.
_DEPTH_SD, _DEPTH_FREEDOM = 0.045, 3.0
# How far a wall of trees leans against the picture: standard deviation, degrees. Our choice: rows
# are photographed across, by hand.
_LEAN_SD_DEG = 8.0
# A reference farther from the others than so many standard deviations is at odds with them. Our
# choice: at 0.045 it is 11 %, a ball of 60 mm taken for one of 70 mm is 17 %.
_AT_ODDS = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """What one reference says of the scale where it hangs. `name` is for people."""

    name: str
    x_px: float
    y_px: float
    mm_per_px: float
    mm_per_px_error: float


def at_odds(sightings: Sequence[Sighting]) -> tuple[Sighting, ...]:
    """Those that disagree with the rest, the worst first; of two that disagree, both.

    Each is held against the median of the others that stay, by its own error and the depth that
    references may have. With none that agree with each other left, all are returned.
    """
    kept = list(sightings)
    left_out: list[Sighting] = []
    while len(kept) > 1:
        steps = [_step(one, [other for other in kept if other is not one]) for one in kept]
        worst = int(np.argmax(steps))
        if steps[worst] <= _AT_ODDS:
            return tuple(left_out)
        if len(kept) == 2:
            return tuple(sightings)
        left_out.append(kept.pop(worst))
    return tuple(left_out)


def _step(one: Sighting, others: Sequence[Sighting]) -> float:
    middle = float(np.median([other.mm_per_px for other in others]))
    return abs(one.mm_per_px - middle) / hypot(one.mm_per_px_error, _DEPTH_SD * middle)


def plane_through(sightings: Sequence[Sighting], focal_px: float) -> Scale:
    """The scale of the plane through two references or more; its error holds their spread.

    Parameters
    ----------
    sightings : sequence of Sighting
    focal_px : float
        Focal length of the camera, px, or a phone's usual one: tells how far planes may lean.

    Notes
    -----
    1 / depth of a plane is linear in the picture. Level and slopes are fitted by least squares,
    slopes with a prior: a wall leans by 8 degrees (standard deviation). Few references, or some
    close together, therefore give a mean, many well apart a slope. Each errs by its own error and
    by its depth around the plane; the spread of that depth is estimated from what is left, with
    0.045 of the distance as a prior worth 3 degrees of freedom. This is the posterior mean of a
    normal linear model (common practice).
    """
    places = np.array([(one.x_px, one.y_px) for one in sightings])
    mm_per_px = np.array([one.mm_per_px for one in sightings])
    own = np.array([one.mm_per_px_error for one in sightings]) / mm_per_px
    middle = float(1 / np.mean(1 / mm_per_px))
    nearness = middle / mm_per_px
    lean = np.full(2, (focal_px / tan(radians(_LEAN_SD_DEG))) ** 2)
    depth_sd = _DEPTH_SD
    for _ in range(8):
        weights = 1 / (own**2 + depth_sd**2)
        anchor = np.average(places, axis=0, weights=weights)
        rows = np.column_stack([np.ones(len(places)), places - anchor])
        normal = (rows * weights[:, None]).T @ rows + np.diag([0.0, *lean])
        covariance = np.linalg.inv(normal)
        level, across, down = covariance @ (rows.T @ (weights * nearness))
        rest = nearness - rows @ np.array([level, across, down])
        used = float(np.trace(covariance @ ((rows * weights[:, None]).T @ rows)))
        depth_sd = _depth_sd(rest, own, used)
    here = middle / float(level)
    return Scale(
        mm_per_px=here,
        mm_per_px_error=here * sqrt(float(covariance[0, 0])) / float(level),
        grade=DepthGrade.REFERENCES,
        anchor_px=(float(anchor[0]), float(anchor[1])),
        slope_per_px=(float(-across / level), float(-down / level)),
        slope_variances=(
            float(covariance[1, 1] / level**2),
            float(covariance[2, 2] / level**2),
            float(covariance[1, 2] / level**2),
        ),
    )


def _depth_sd(rest: Floats, own: Floats, used: float) -> float:
    """Standard deviation of the references' depth around the plane, with its prior."""
    shown = float((rest**2 - own**2).sum())
    freedom = max(len(rest) - used, 0.0)
    return sqrt(max(_DEPTH_FREEDOM * _DEPTH_SD**2 + shown, 1e-6) / (_DEPTH_FREEDOM + freedom))
