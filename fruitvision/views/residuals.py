"""How far cameras, lenses and fruit are from explaining the photos, and how that changes with them.

The marker's frame is the world: its corners are known points; the fruit are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.views.pose import Floats, cross_matrix, square_mm
from fruitvision.views.view import View, to_slopes

Ints = NDArray[np.int64]

# What a photo's tags leave open of the lens: the focal length is rounded to a millimetre of 26,
# and phones bend lines by a radial k1 of up to 0.02. A calibrated lens is known ten times better.
# Our choice.
FOCAL_ERROR = 0.01
BEND_ERROR = 0.01
CALIBRATED_SHARE = 0.1
# Squared standardised distance at which a fruit's word counts half (Cauchy's weight): about the
# 95 % point of a usual fit, common practice.
HALF_WEIGHT = 2.385**2
# Standard deviation of a fruit's place around the marker in any direction, mm. Our choice: so wide
# that it moves nothing that was seen, and keeps the first steps from running away.
AROUND_MARKER_MM = 2000.0
# Depths of first guesses as shares of the marker's. Our choice.
_FIRST_DEPTHS = (0.6, 1.6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sightings:
    """Fruit that were matched: row by row, which view sees which fruit of the tree, and where.

    `view`, `fruit` : (M,) numbers of views and of fruit, 0, 1, ...; `px` : (M, 2) ideal px;
    `error_px` : (M,).
    """

    view: Ints
    fruit: Ints
    px: Floats
    error_px: Floats

    @property
    def fruit_count(self) -> int:
        """Fruit of the tree."""
        return int(self.fruit.max()) + 1 if len(self.fruit) else 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """What is fitted.

    `turns`, `places` : (V, 3, 3) and (V, 3) of the views' poses; `lenses` : (G, 2) logarithm of the
    focal length's factor and k1 of each lens; `points` : (P, 3) fruit in the marker's frame, mm.
    """

    turns: Floats
    places: Floats
    lenses: Floats
    points: Floats


def lenses_of(views: Sequence[View]) -> Ints:
    """(V,) number of each view's lens: photos of one lens share what is not known of it."""
    numbers: dict[object, int] = {}
    return np.array([numbers.setdefault(view.camera, len(numbers)) for view in views])


def lens_errors(views: Sequence[View], lens_of: Ints) -> Floats:
    """(G, 2) what is left open of each lens: of its focal length's logarithm, and of its bend."""
    calibrated = {
        int(lens) for view, lens in zip(views, lens_of, strict=True) if view.camera.calibrated
    }
    usual = np.array([FOCAL_ERROR, BEND_ERROR])
    return np.array(
        [
            usual * (CALIBRATED_SHARE if lens in calibrated else 1.0)
            for lens in range(int(lens_of.max()) + 1)
        ]
    )


def _picture(
    seen: Floats, focal: Floats, middle: Floats, lens: Floats
) -> tuple[Floats, Floats, Floats]:
    """(M, 2) px of (M, 3) points before the cameras, and how they move with point and lens."""
    slope = seen[:, :2] / seen[:, 2:]
    square = (slope**2).sum(axis=1)
    scale = (focal * np.exp(lens[:, 0]))[:, None]
    stretch = (1 + lens[:, 1] * square)[:, None]
    bent = slope * stretch
    by_slope = (
        stretch[:, :, None] * np.eye(2)
        + 2 * lens[:, 1, None, None] * slope[:, :, None] * slope[:, None, :]
    ) * scale[:, :, None]
    nearness = 1 / seen[:, 2]
    slope_by_point = np.zeros((len(seen), 2, 3))
    slope_by_point[:, 0, 0] = slope_by_point[:, 1, 1] = nearness
    slope_by_point[:, :, 2] = -slope * nearness[:, None]
    by_lens = np.stack([bent * scale, slope * square[:, None] * scale], axis=2)
    return middle + bent * scale, by_slope @ slope_by_point, by_lens


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Residuals of sightings in standard errors, and their slopes."""

    rest: Floats  # (M, 2)
    by_point: Floats  # (M, 2, 3)
    by_camera: Floats  # (M, 2, 6): turn, place
    by_lens: Floats  # (M, 2, 2)


def _rows(
    views: Sequence[View],
    lens_of: Ints,
    state: State,
    view: Ints,
    points: Floats,
    px: Floats,
    error_px: Floats,
) -> Rows:
    focal = np.array([one.camera.focal_px for one in views])
    middle = np.array([(one.camera.middle_x_px, one.camera.middle_y_px) for one in views])
    turn = state.turns[view]
    rotated = np.einsum("mij,mj->mi", turn, points)
    drawn, by_seen, by_lens = _picture(
        rotated + state.places[view], focal[view], middle[view], state.lenses[lens_of[view]]
    )
    weight = (1 / error_px)[:, None, None]
    by_seen = by_seen * weight
    return Rows(
        rest=(px - drawn) * weight[:, :, 0],
        by_point=by_seen @ turn,
        by_camera=np.concatenate([-by_seen @ cross_matrix(rotated), by_seen], axis=2),
        by_lens=by_lens * weight,
    )


def fruit_rows(views: Sequence[View], lens_of: Ints, state: State, seen: Sightings) -> Rows:
    """Of all sightings."""
    points = state.points[seen.fruit]
    return _rows(views, lens_of, state, seen.view, points, seen.px, seen.error_px)


def corner_rows(views: Sequence[View], lens_of: Ints, state: State) -> tuple[Rows, Ints]:
    """Of all corners of the marker, and the view of each."""
    view = np.repeat(np.arange(len(views)), 4)
    corners = np.concatenate([square_mm(one.side_mm) for one in views])
    px = np.concatenate([one.corners_px for one in views])
    error = np.repeat([one.corner_error_px for one in views], 4)
    return _rows(views, lens_of, state, view, corners, px, error), view


def misfits_of(views: Sequence[View], lens_of: Ints, state: State, seen: Sightings) -> Floats:
    """(P,) squared standardised distance of each fruit's sightings from its point."""
    rest = fruit_rows(views, lens_of, state, seen).rest
    return np.bincount(
        seen.fruit, weights=(rest**2).sum(axis=1), minlength=seen.fruit_count
    ).astype(np.float64)


def cost_of(views: Sequence[View], lens_of: Ints, state: State, seen: Sightings) -> float:
    """What the fit makes small: squares of the corners and of what is known before, and Cauchy's
    measure of the fruit; infinite where something lies behind a camera."""
    rotated = np.einsum("mij,mj->mi", state.turns[seen.view], state.points[seen.fruit])
    if min((rotated + state.places[seen.view])[:, 2].min(), state.places[:, 2].min()) <= 0:
        return float("inf")
    corners, _ = corner_rows(views, lens_of, state)
    misfits = misfits_of(views, lens_of, state, seen)
    known = (state.lenses / lens_errors(views, lens_of)) ** 2
    return float(
        (corners.rest**2).sum()
        + (HALF_WEIGHT * np.log1p(misfits / HALF_WEIGHT)).sum()
        + known.sum()
        + (state.points**2).sum() / AROUND_MARKER_MM**2
    )


def first_points(views: Sequence[View], state: State, seen: Sightings) -> Floats:
    """(P, 3) points nearest to all lines of sight, in the marker's frame, near the marker."""
    count = seen.fruit_count
    normal = np.zeros((count, 3, 3))
    pull = np.zeros((count, 3))
    first_line, first_eye = np.zeros((count, 3)), np.zeros((count, 3))
    first_depth = np.zeros(count)
    for number in reversed(range(len(views))):
        mine = seen.view == number
        fruit = seen.fruit[mine]
        lines = to_slopes(seen.px[mine], views[number].camera) @ state.turns[number]
        eye = -state.turns[number].T @ state.places[number]
        unit = lines / np.linalg.norm(lines, axis=1, keepdims=True)
        across = np.eye(3) - unit[:, :, None] * unit[:, None, :]
        np.add.at(normal, fruit, across)
        np.add.at(pull, fruit, across @ eye)
        first_line[fruit], first_eye[fruit] = lines, eye
        first_depth[fruit] = state.places[number, 2]
    normal += 1e-9 * np.eye(3)
    points = np.linalg.solve(normal, pull[:, :, None])[:, :, 0]
    depth = ((points - first_eye) * first_line).sum(axis=1) / (first_line**2).sum(axis=1)
    low, high = _FIRST_DEPTHS
    depth = np.clip(depth, low * first_depth, high * first_depth)
    return np.asarray(first_eye + depth[:, None] * first_line)
