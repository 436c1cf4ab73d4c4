"""All cameras, lenses and fruit of a tree face fitted at once, with what is known of each after.

The marker's frame is the world: its corners are known points, which fix the scale; what the fruit
share between photos fixes how the cameras are turned. A Gauss-Newton of our own rather than
`scipy.optimize.least_squares`: the fruit drop out of each step (Schur complement), so that it
takes a millisecond or two and leaves the covariance of every fruit, cameras' errors included.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.views.pose import Floats, Pose, cross_matrix, square_mm, turned
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
_HALF_WEIGHT = 2.385**2
# Standard deviation of a fruit's place around the marker in any direction, mm. Our choice: so wide
# that it moves nothing that was seen, and keeps the first steps from running away.
_AROUND_MARKER_MM = 2000.0
# Depths of first guesses as shares of the marker's. Our choice.
_FIRST_DEPTHS = (0.6, 1.6)
_ROUNDS = 12
# A turn of so many radians moves nothing by a hundredth of a px.
_SETTLED = 2e-6
_MOST_HALVINGS = 8


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
class Bundle:
    """The fit.

    `poses` : of each view; `focal_factors`, `bends` : (V,) what the lenses' focal length is to be
    multiplied with, and their radial k1 that is left; `points_mm` : (P, 3) fruit in the marker's
    frame; `depths_mm` : (M,) depth of each sighting along its camera's axis; `ratio_errors` : (M,)
    relative standard error of depth over focal length, which turns px into mm; `misfits` : (P,)
    squared standardised distance of each fruit's sightings from its point; `corner_misfit` : the
    same for all corners; `baseline_error_share` : relative error of the step between the first two.
    """

    poses: tuple[Pose, ...]
    focal_factors: Floats
    bends: Floats
    points_mm: Floats
    depths_mm: Floats
    ratio_errors: Floats
    misfits: Floats
    corner_misfit: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _State:
    turns: Floats  # (V, 3, 3)
    places: Floats  # (V, 3)
    lenses: Floats  # (G, 2): logarithm of the focal factor, k1
    points: Floats  # (P, 3)


def fit_bundle(views: Sequence[View], poses: Sequence[Pose], seen: Sightings) -> Bundle:
    """Cameras and fruit by weighted least squares over marker corners and fruit centres.

    Parameters
    ----------
    views : sequence of View
    poses : sequence of Pose
        First guess, good to some degrees and centimetres.
    seen : Sightings
        Each fruit in two views or more.
    """
    lens_of = _lenses_of(views)
    state = _State(
        turns=np.stack([pose.turn for pose in poses]),
        places=np.stack([pose.place for pose in poses]),
        lenses=np.zeros((int(lens_of.max()) + 1, 2)),
        points=np.zeros((0, 3)),
    )
    state = replace(state, points=_first_points(views, state, seen))
    weights = np.ones(seen.fruit_count)
    system = _system(views, lens_of, state, seen, weights)
    cost = _cost(views, lens_of, state, seen)
    for _ in range(_ROUNDS):
        state, cost, step = _better(views, lens_of, state, seen, system, cost)
        weights = 1 / (1 + _misfits(views, lens_of, state, seen) / _HALF_WEIGHT)
        system = _system(views, lens_of, state, seen, weights)
        if step < _SETTLED:
            break
    # A usual fruit counts fully in the errors: its weight is below 1 by how Cauchy's is made.
    weights = np.minimum(weights / np.median(weights), 1.0)
    return _bundle(views, lens_of, state, seen, _system(views, lens_of, state, seen, weights))


# ---------------------------------------------------------------- the picture of a point


def _lenses_of(views: Sequence[View]) -> Ints:
    """(V,) number of each view's lens: photos of one lens share what is not known of it."""
    numbers: dict[object, int] = {}
    return np.array([numbers.setdefault(view.camera, len(numbers)) for view in views])


def _lens_errors(views: Sequence[View], lens_of: Ints) -> Floats:
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
class _Rows:
    """Residuals of sightings in standard errors, and their slopes."""

    rest: Floats  # (M, 2)
    by_point: Floats  # (M, 2, 3)
    by_camera: Floats  # (M, 2, 6): turn, place
    by_lens: Floats  # (M, 2, 2)


def _rows(
    views: Sequence[View],
    lens_of: Ints,
    state: _State,
    view: Ints,
    points: Floats,
    px: Floats,
    error_px: Floats,
) -> _Rows:
    focal = np.array([one.camera.focal_px for one in views])
    middle = np.array([(one.camera.middle_x_px, one.camera.middle_y_px) for one in views])
    turn = state.turns[view]
    rotated = np.einsum("mij,mj->mi", turn, points)
    drawn, by_seen, by_lens = _picture(
        rotated + state.places[view], focal[view], middle[view], state.lenses[lens_of[view]]
    )
    weight = (1 / error_px)[:, None, None]
    by_seen = by_seen * weight
    return _Rows(
        rest=(px - drawn) * weight[:, :, 0],
        by_point=by_seen @ turn,
        by_camera=np.concatenate([-by_seen @ cross_matrix(rotated), by_seen], axis=2),
        by_lens=by_lens * weight,
    )


def _fruit_rows(views: Sequence[View], lens_of: Ints, state: _State, seen: Sightings) -> _Rows:
    points = state.points[seen.fruit]
    return _rows(views, lens_of, state, seen.view, points, seen.px, seen.error_px)


def _corner_rows(views: Sequence[View], lens_of: Ints, state: _State) -> tuple[_Rows, Ints]:
    view = np.repeat(np.arange(len(views)), 4)
    corners = np.concatenate([square_mm(one.side_mm) for one in views])
    px = np.concatenate([one.corners_px for one in views])
    error = np.repeat([one.corner_error_px for one in views], 4)
    return _rows(views, lens_of, state, view, corners, px, error), view


def _misfits(views: Sequence[View], lens_of: Ints, state: _State, seen: Sightings) -> Floats:
    rest = _fruit_rows(views, lens_of, state, seen).rest
    return np.bincount(
        seen.fruit, weights=(rest**2).sum(axis=1), minlength=seen.fruit_count
    ).astype(np.float64)


# ---------------------------------------------------------------- one step


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _System:
    """Normal equations with the fruit taken out.

    Unknowns C: turn and place of each view (6 V), then the lenses (2 G).
    """

    inner: Floats  # (P, 3, 3) inverse of each fruit's own block
    cross: Floats  # (P, 3, C)
    fruit_pull: Floats  # (P, 3)
    covariance: Floats  # (C, C) of cameras and lenses
    pull: Floats  # (C,)


def _spread(rows: _Rows, view: Ints, lens_of: Ints, views: int, lenses: int) -> Floats:
    """(M, 2, C) slopes by all cameras and lenses."""
    full = np.zeros((len(view), 2, 6 * views + 2 * lenses))
    number = np.arange(len(view))[:, None]
    for part, first, width in (
        (rows.by_camera, 6 * view, 6),
        (rows.by_lens, 6 * views + 2 * lens_of[view], 2),
    ):
        columns = first[:, None] + np.arange(width)
        for side in (0, 1):
            full[number, side, columns] = part[:, side]
    return full


def _system(
    views: Sequence[View], lens_of: Ints, state: _State, seen: Sightings, weights: Floats
) -> _System:
    count, lenses = len(views), len(state.lenses)
    corners, corner_view = _corner_rows(views, lens_of, state)
    outer = _spread(corners, corner_view, lens_of, count, lenses).reshape(8 * count, -1)
    normal = outer.T @ outer
    pull = outer.T @ corners.rest.ravel()
    known = 1 / _lens_errors(views, lens_of).ravel() ** 2
    of_lens = np.arange(6 * count, 6 * count + 2 * lenses)
    normal[of_lens, of_lens] += known
    pull[of_lens] -= state.lenses.ravel() * known
    rows = _fruit_rows(views, lens_of, state, seen)
    by_camera = _spread(rows, seen.view, lens_of, count, lenses)
    own = weights[seen.fruit][:, None, None]
    inner = np.zeros((seen.fruit_count, 3, 3))
    cross = np.zeros((seen.fruit_count, 3, len(pull)))
    fruit_pull = np.zeros((seen.fruit_count, 3))
    by_point = np.swapaxes(rows.by_point, 1, 2) * own
    np.add.at(inner, seen.fruit, by_point @ rows.by_point)
    np.add.at(cross, seen.fruit, by_point @ by_camera)
    np.add.at(fruit_pull, seen.fruit, (by_point @ rows.rest[:, :, None])[:, :, 0])
    inner += np.eye(3) / _AROUND_MARKER_MM**2
    fruit_pull -= state.points / _AROUND_MARKER_MM**2
    flat, heavy = by_camera.reshape(-1, len(pull)), (by_camera * own).reshape(-1, len(pull))
    normal += heavy.T @ flat
    pull += heavy.T @ rows.rest.ravel()
    inverse: Floats = np.asarray(np.linalg.inv(inner))
    folded = inverse @ cross
    normal -= np.einsum("pij,pik->jk", cross, folded)
    pull -= np.einsum("pij,pi->j", folded, fruit_pull)
    return _System(
        inner=inverse,
        cross=cross,
        fruit_pull=fruit_pull,
        covariance=np.asarray(np.linalg.inv(normal)),
        pull=pull,
    )


def _better(
    views: Sequence[View],
    lens_of: Ints,
    state: _State,
    seen: Sightings,
    system: _System,
    cost: float,
) -> tuple[_State, float, float]:
    """The state after a step, shortened until it is better; its cost, and how far it turned."""
    for halvings in range(_MOST_HALVINGS):
        moved, turn = _after_step(state, system, 0.5**halvings)
        lower = _cost(views, lens_of, moved, seen)
        if lower <= cost:
            return moved, lower, turn
    return state, cost, 0.0


def _cost(views: Sequence[View], lens_of: Ints, state: _State, seen: Sightings) -> float:
    """What the fit makes small: squares of the corners and of what is known before, and Cauchy's
    measure of the fruit; infinite where something lies behind a camera."""
    rotated = np.einsum("mij,mj->mi", state.turns[seen.view], state.points[seen.fruit])
    if min((rotated + state.places[seen.view])[:, 2].min(), state.places[:, 2].min()) <= 0:
        return float("inf")
    corners, _ = _corner_rows(views, lens_of, state)
    misfits = _misfits(views, lens_of, state, seen)
    known = (state.lenses / _lens_errors(views, lens_of)) ** 2
    return float(
        (corners.rest**2).sum()
        + (_HALF_WEIGHT * np.log1p(misfits / _HALF_WEIGHT)).sum()
        + known.sum()
        + (state.points**2).sum() / _AROUND_MARKER_MM**2
    )


def _after_step(state: _State, system: _System, share: float) -> tuple[_State, float]:
    """The state after this share of a whole step, and the widest turn of a camera in it."""
    step = share * (system.covariance @ system.pull)
    fruit_step = np.einsum(
        "pij,pj->pi", system.inner, share * system.fruit_pull - system.cross @ step
    )
    count = len(state.turns)
    cameras = step[: 6 * count].reshape(count, 6)
    moved = _State(
        turns=turned(state.turns, cameras[:, :3]),
        places=state.places + cameras[:, 3:],
        lenses=state.lenses + step[6 * count :].reshape(-1, 2),
        points=state.points + fruit_step,
    )
    return moved, float(np.abs(cameras[:, :3]).max())


# ---------------------------------------------------------------- first points, and the outcome


def _first_points(views: Sequence[View], state: _State, seen: Sightings) -> Floats:
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


def _bundle(
    views: Sequence[View], lens_of: Ints, state: _State, seen: Sightings, system: _System
) -> Bundle:
    rotated = np.einsum("mij,mj->mi", state.turns[seen.view], state.points[seen.fruit])
    depths = rotated[:, 2] + state.places[seen.view, 2]
    corners, _ = _corner_rows(views, lens_of, state)
    return Bundle(
        poses=tuple(
            Pose(turn=turn, place=place)
            for turn, place in zip(state.turns, state.places, strict=True)
        ),
        focal_factors=np.exp(state.lenses[lens_of, 0]),
        bends=state.lenses[lens_of, 1],
        points_mm=state.points,
        depths_mm=depths,
        ratio_errors=_ratio_errors(lens_of, state, seen, system, rotated, depths),
        misfits=_misfits(views, lens_of, state, seen),
        corner_misfit=float((corners.rest**2).sum()),
    )


def _ratio_errors(
    lens_of: Ints,
    state: _State,
    seen: Sightings,
    system: _System,
    rotated: Floats,
    depths: Floats,
) -> Floats:
    """(M,) relative error of depth over focal length: of the fruit's own place and all cameras."""
    count, rows = len(state.turns), np.arange(len(seen.view))
    by_point = state.turns[seen.view][:, 2] / depths[:, None]
    by_camera = np.zeros((len(rows), len(system.pull)))
    first = 6 * seen.view
    # Depth of a turned point: its third coordinate moves by y for a turn about x, -x about y.
    by_camera[rows, first] = rotated[:, 1] / depths
    by_camera[rows, first + 1] = -rotated[:, 0] / depths
    by_camera[rows, first + 5] = 1 / depths
    by_camera[rows, 6 * count + 2 * lens_of[seen.view]] = -1.0
    inner = system.inner[seen.fruit]
    # A step of the cameras takes the fruit along by -inner @ cross.
    carried = by_camera - np.einsum("mi,mij,mjc->mc", by_point, inner, system.cross[seen.fruit])
    own = np.einsum("mi,mij,mj->m", by_point, inner, by_point)
    shared = np.einsum("mc,cd,md->m", carried, system.covariance, carried)
    return np.asarray(np.sqrt(np.maximum(own + shared, 0.0)))
