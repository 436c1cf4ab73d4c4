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

from fruitvision.views.pose import Floats, Pose, turned
from fruitvision.views.residuals import (
    AROUND_MARKER_MM,
    HALF_WEIGHT,
    Ints,
    Rows,
    Sightings,
    State,
    corner_rows,
    cost_of,
    first_points,
    fruit_rows,
    lens_errors,
    lenses_of,
    misfits_of,
)
from fruitvision.views.view import View

_ROUNDS = 12
# A turn of so many radians moves nothing by a hundredth of a px.
_SETTLED = 2e-6
_MOST_HALVINGS = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bundle:
    """The fit.

    `poses` : of each view; `focal_factors`, `bends` : (V,) what the lenses' focal length is to be
    multiplied with, and their radial k1 that is left; `points_mm` : (P, 3) fruit in the marker's
    frame; `depths_mm` : (M,) depth of each sighting along its camera's axis; `ratio_errors` : (M,)
    relative standard error of depth over focal length, which turns px into mm; `misfits` : (P,)
    squared standardised distance of each fruit's sightings from its point; `corner_misfit` : the
    same for all corners.
    """

    poses: tuple[Pose, ...]
    focal_factors: Floats
    bends: Floats
    points_mm: Floats
    depths_mm: Floats
    ratio_errors: Floats
    misfits: Floats
    corner_misfit: float


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
    lens_of = lenses_of(views)
    state = State(
        turns=np.stack([pose.turn for pose in poses]),
        places=np.stack([pose.place for pose in poses]),
        lenses=np.zeros((int(lens_of.max()) + 1, 2)),
        points=np.zeros((0, 3)),
    )
    state = replace(state, points=first_points(views, state, seen))
    weights = np.ones(seen.fruit_count)
    system = _system(views, lens_of, state, seen, weights)
    cost = cost_of(views, lens_of, state, seen)
    for _ in range(_ROUNDS):
        state, cost, step = _better(views, lens_of, state, seen, system, cost)
        weights = 1 / (1 + misfits_of(views, lens_of, state, seen) / HALF_WEIGHT)
        system = _system(views, lens_of, state, seen, weights)
        if step < _SETTLED:
            break
    # A usual fruit counts fully in the errors: its weight is below 1 by how Cauchy's is made.
    weights = np.minimum(weights / np.median(weights), 1.0)
    return _bundle(views, lens_of, state, seen, _system(views, lens_of, state, seen, weights))


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


def _spread(rows: Rows, view: Ints, lens_of: Ints, views: int, lenses: int) -> Floats:
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
    views: Sequence[View], lens_of: Ints, state: State, seen: Sightings, weights: Floats
) -> _System:
    count, lenses = len(views), len(state.lenses)
    corners, corner_view = corner_rows(views, lens_of, state)
    outer = _spread(corners, corner_view, lens_of, count, lenses).reshape(8 * count, -1)
    normal = outer.T @ outer
    pull = outer.T @ corners.rest.ravel()
    known = 1 / lens_errors(views, lens_of).ravel() ** 2
    of_lens = np.arange(6 * count, 6 * count + 2 * lenses)
    normal[of_lens, of_lens] += known
    pull[of_lens] -= state.lenses.ravel() * known
    rows = fruit_rows(views, lens_of, state, seen)
    by_camera = _spread(rows, seen.view, lens_of, count, lenses)
    own = weights[seen.fruit][:, None, None]
    inner = np.zeros((seen.fruit_count, 3, 3))
    cross = np.zeros((seen.fruit_count, 3, len(pull)))
    fruit_pull = np.zeros((seen.fruit_count, 3))
    by_point = np.swapaxes(rows.by_point, 1, 2) * own
    np.add.at(inner, seen.fruit, by_point @ rows.by_point)
    np.add.at(cross, seen.fruit, by_point @ by_camera)
    np.add.at(fruit_pull, seen.fruit, (by_point @ rows.rest[:, :, None])[:, :, 0])
    inner += np.eye(3) / AROUND_MARKER_MM**2
    fruit_pull -= state.points / AROUND_MARKER_MM**2
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
    state: State,
    seen: Sightings,
    system: _System,
    cost: float,
) -> tuple[State, float, float]:
    """The state after a step, shortened until it is better; its cost, and how far it turned."""
    for halvings in range(_MOST_HALVINGS):
        moved, turn = _after_step(state, system, 0.5**halvings)
        lower = cost_of(views, lens_of, moved, seen)
        if lower <= cost:
            return moved, lower, turn
    return state, cost, 0.0


def _after_step(state: State, system: _System, share: float) -> tuple[State, float]:
    """The state after this share of a whole step, and the widest turn of a camera in it."""
    step = share * (system.covariance @ system.pull)
    fruit_step = np.einsum(
        "pij,pj->pi", system.inner, share * system.fruit_pull - system.cross @ step
    )
    count = len(state.turns)
    cameras = step[: 6 * count].reshape(count, 6)
    moved = State(
        turns=turned(state.turns, cameras[:, :3]),
        places=state.places + cameras[:, 3:],
        lenses=state.lenses + step[6 * count :].reshape(-1, 2),
        points=state.points + fruit_step,
    )
    return moved, float(np.abs(cameras[:, :3]).max())


def _bundle(
    views: Sequence[View], lens_of: Ints, state: State, seen: Sightings, system: _System
) -> Bundle:
    rotated = np.einsum("mij,mj->mi", state.turns[seen.view], state.points[seen.fruit])
    depths = rotated[:, 2] + state.places[seen.view, 2]
    corners, _ = corner_rows(views, lens_of, state)
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
        misfits=misfits_of(views, lens_of, state, seen),
        corner_misfit=float((corners.rest**2).sum()),
    )


def _ratio_errors(
    lens_of: Ints,
    state: State,
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
