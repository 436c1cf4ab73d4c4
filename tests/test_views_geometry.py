"""Cameras and fruit from two places: against OpenCV, against scipy, and whether errors are true."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from fruitvision.domain import MeasuredPhoto
from fruitvision.views.bundle import Bundle, fit_bundle
from fruitvision.views.canopy import canopy_of
from fruitvision.views.match import Pairs
from fruitvision.views.pair import join_pair, sightings
from fruitvision.views.pose import Floats, Pose, marker_poses, square_mm, turned
from fruitvision.views.residuals import Sightings
from fruitvision.views.sight import meetings
from fruitvision.views.view import View, view_of
from tests.two_places import NONE, Noise, camera_at, canopy, photographed


def _view(photo: MeasuredPhoto) -> View:
    camera = photo.photo.camera
    assert camera is not None
    return view_of(photo, camera, photo.references[0])


def _pair(
    seed: int, noise: Noise | None = None, *, fruit: int = 60, step_mm: float = 400.0
) -> tuple[View, View, Pairs, Floats, Floats]:
    """Two views, their true pairs, true depths in each, and true centres in the world."""
    scene = canopy(seed, fruit=fruit)
    cameras = camera_at(0.0), camera_at(step_mm, yaw_deg=-6.0, pitch_deg=1.5)
    first, of_first = photographed("a", scene, cameras[0], seed + 1, noise=noise)
    second, of_second = photographed("b", scene, cameras[1], seed + 2, noise=noise)
    both = sorted(set(of_first) & set(of_second) - {-1})
    pairs = Pairs(
        first=np.array([of_first.index(number) for number in both]),
        second=np.array([of_second.index(number) for number in both]),
        worth=np.ones(len(both)),
        doubtful=0,
    )
    centres = scene.centres_mm[both]
    depths = np.concatenate([camera.seen_from(centres)[:, 2] for camera in cameras])
    return _view(first), _view(second), pairs, depths, centres


def _best_bundle(first: View, second: View, seen: Sightings) -> Bundle:
    guesses = [
        (one, other)
        for one in marker_poses(first.corners_px, first.camera, first.side_mm)
        for other in marker_poses(second.corners_px, second.camera, second.side_mm)
    ]
    found = [fit_bundle((first, second), guess, seen) for guess in guesses]
    return min(found, key=lambda bundle: bundle.corner_misfit + float(bundle.misfits.sum()))


def test_a_square_is_seen_in_its_pose_or_the_mirrored_one() -> None:
    view = _pair(3, NONE)[0]
    turn = turned(np.eye(3), np.array([0.2, -0.3, 0.1])) @ np.diag([1.0, -1.0, -1.0])
    place = np.array([-300.0, 100.0, 2000.0])
    seen = square_mm(150.0) @ turn.T + place
    middle = np.array([view.camera.middle_x_px, view.camera.middle_y_px])
    corners = middle + view.camera.focal_px * seen[:, :2] / seen[:, 2:]
    best = marker_poses(corners, view.camera, 150.0)[0]
    assert best.turn == pytest.approx(turn, abs=1e-6)
    assert best.place == pytest.approx(place, abs=1e-3)


def test_lines_of_sight_meet_where_opencv_triangulates() -> None:
    first, second, pairs, depths, _ = _pair(5, NONE)
    one, other = camera_at(0.0), camera_at(400.0, yaw_deg=-6.0, pitch_deg=1.5)
    turn = other.axes() @ one.axes().T
    step = other.seen_from(np.array([one.position_mm]))[0]
    place = np.array([-400.0, 100.0, 2100.0])
    met = meetings(first, second, turn, place, turn @ place + step)
    rows, columns = pairs.first, pairs.second
    flat = [view.slopes[index, :2].T for view, index in ((first, rows), (second, columns))]
    points = cv2.triangulatePoints(
        np.eye(3, 4), np.column_stack([turn, step]), flat[0].copy(), flat[1].copy()
    )
    assert met.first_mm[rows, columns] == pytest.approx(points[2] / points[3], rel=1e-4)
    # The middle of a ball's outline is not quite the picture of its middle.
    assert met.first_mm[rows, columns] == pytest.approx(depths[: len(rows)], rel=2e-3)
    assert met.second_mm[rows, columns] == pytest.approx(depths[len(rows) :], rel=2e-3)
    assert abs(met.aside_px[rows, columns]).max() < 0.3


def test_depths_are_exact_without_noise() -> None:
    first, second, pairs, depths, _ = _pair(7, NONE)
    bundle = _best_bundle(first, second, sightings(first, second, pairs))
    assert bundle.depths_mm == pytest.approx(depths, rel=2e-3)
    step = bundle.poses[0].camera_mm - bundle.poses[1].camera_mm
    assert np.linalg.norm(step) == pytest.approx(400.0, rel=2e-3)


def test_the_fit_is_the_optimum_that_scipy_finds() -> None:
    """With the weights that the fit ends with, least squares without Schur complement agree."""
    first, second, pairs, _, _ = _pair(9, Noise(missed=0.0, false=0), fruit=14)
    seen = sightings(first, second, pairs)
    bundle = _best_bundle(first, second, seen)
    views = (first, second)
    weights = 1 / (1 + bundle.misfits / 2.385**2)

    def drawn(unknown: Floats, number: int, world: Floats) -> Floats:
        pose, camera = bundle.poses[number], views[number].camera
        step = unknown[6 * number : 6 * number + 6]
        x = world @ turned(pose.turn, step[:3]).T + pose.place + step[3:]
        slope = x[:, :2] / x[:, 2:]
        bent = slope * (1 + unknown[13] * (slope**2).sum(axis=1, keepdims=True))
        middle = np.array([camera.middle_x_px, camera.middle_y_px])
        return np.asarray(middle + camera.focal_px * np.exp(unknown[12]) * bent)

    def rest(unknown: Floats) -> Floats:
        points = unknown[14:].reshape(-1, 3)
        parts = [unknown[12:14] / 0.01, points.ravel() / 2000.0]
        for number, view in enumerate(views):
            corners = view.corners_px - drawn(unknown, number, square_mm(150.0))
            parts.append(corners.ravel() / view.corner_error_px)
            mine = seen.view == number
            gap = (seen.px[mine] - drawn(unknown, number, points)) / seen.error_px[mine, None]
            parts.append((gap * np.sqrt(weights)[:, None]).ravel())
        return np.concatenate(parts)

    lens = [np.log(bundle.focal_factors[0]), bundle.bends[0]]
    start = np.concatenate([np.zeros(12), lens, bundle.points_mm.ravel()])
    found = least_squares(rest, start, x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12)
    assert 0.5 * (rest(start) ** 2).sum() == pytest.approx(found.cost, rel=1e-4)
    assert found.x[14:].reshape(-1, 3) == pytest.approx(bundle.points_mm, abs=0.5)
    # And the covariance is that of the normal equations.
    covariance = np.linalg.inv(found.jac.T @ found.jac)
    depth = bundle.depths_mm[0]
    slope = np.zeros(len(start))
    rotated = bundle.poses[0].turn @ bundle.points_mm[0]
    slope[[0, 1, 5, 12]] = rotated[1] / depth, -rotated[0] / depth, 1 / depth, -1.0
    slope[14:17] = bundle.poses[0].turn[2] / depth
    error = float(np.sqrt(slope @ covariance @ slope))
    assert bundle.ratio_errors[0] == pytest.approx(error, rel=0.02)


def test_stated_errors_of_depths_are_true() -> None:
    """Centres err by what a view states, corners too: standardised errors have a spread of 1."""
    stated = []
    for seed in range(0, 60, 3):
        first, second, pairs, depths, _ = _pair(
            seed, Noise(corner_px=0.25, centre_px=0.9, outline_share=0.0), fruit=25
        )
        # The drawn lens is known: one that is not leaves more open.
        known = replace(first.camera, calibrated=True)
        views = (replace(first, camera=known), replace(second, camera=known))
        bundle = _best_bundle(*views, sightings(*views, pairs))
        ratio = bundle.depths_mm / bundle.focal_factors[0] / depths - 1
        stated.append(ratio / bundle.ratio_errors)
    assert 0.85 < np.std(np.concatenate(stated)) < 1.15


def test_a_wrong_pair_is_given_little_weight() -> None:
    first, second, pairs, _, _ = _pair(11)
    clean = _best_bundle(first, second, sightings(first, second, pairs))
    swapped = pairs.second.copy()
    swapped[[0, 1]] = swapped[[1, 0]]
    seen = sightings(first, second, replace(pairs, second=swapped))
    bundle = _best_bundle(first, second, seen)
    count = len(pairs)
    others = np.r_[2:count]
    assert bundle.depths_mm[others] == pytest.approx(clean.depths_mm[others], rel=4e-3)
    assert min(bundle.misfits[:2]) > 20 * np.median(bundle.misfits)


@pytest.mark.parametrize("seed", range(20, 26))
def test_fruit_are_found_again_and_hardly_one_wrongly(seed: int) -> None:
    first, second, pairs, _, _ = _pair(seed)
    joined = join_pair(first, second)
    assert joined is not None
    true = set(zip(pairs.first.tolist(), pairs.second.tolist(), strict=True))
    found = set(zip(joined.pairs.first.tolist(), joined.pairs.second.tolist(), strict=True))
    assert len(found & true) >= 0.85 * len(true)
    assert len(found - true) <= 1


def test_two_fruit_that_could_be_exchanged_are_left_alone() -> None:
    """Two alike in one line of sight plane, 3 cm apart in the picture and in depth."""
    scene = canopy(31, fruit=40)
    close = scene.centres_mm.copy()
    close[1] = close[0] + np.array([12.0, 0.0, 0.0])
    scene = replace(scene, centres_mm=close)
    noise = Noise(missed=0.0, false=0, outline_share=0.0)
    one, of_first = photographed("a", scene, camera_at(0.0), 1, noise=noise)
    other, of_second = photographed("b", scene, camera_at(400.0), 2, noise=noise)
    joined = join_pair(_view(one), _view(other))
    assert joined is not None
    assert joined.pairs.doubtful >= 1 or {0, 1} - set(of_first) or {0, 1} - set(of_second)
    paired = {of_first[index] for index in joined.pairs.first}
    assert not {0, 1} & paired
    assert len(paired) >= 25


def test_the_order_of_two_photos_changes_no_depth() -> None:
    first, second, _, _, _ = _pair(13)
    forth, back = join_pair(first, second), join_pair(second, first)
    assert forth is not None
    assert back is not None
    there = dict(zip(forth.pairs.first.tolist(), forth.bundle.depths_mm.tolist(), strict=False))
    count = len(back.pairs)
    here = dict(
        zip(back.pairs.second.tolist(), back.bundle.depths_mm[count:].tolist(), strict=True)
    )
    common = set(there) & set(here)
    assert len(common) >= 0.9 * len(there)
    for number in common:
        assert there[number] == pytest.approx(here[number], rel=3e-3)


def test_a_turn_and_its_rotation_vector_agree_with_opencv() -> None:
    vectors = np.array([[0.3, -0.2, 0.5], [1e-9, 0.0, 0.0], [0.0, 2.0, -1.0]])
    ours = turned(np.eye(3), vectors)
    for vector, turn in zip(vectors, ours, strict=True):
        assert turn == pytest.approx(cv2.Rodrigues(vector)[0], abs=1e-12)


def test_a_canopy_that_leans_is_followed_and_its_spread_learned() -> None:
    rng = np.random.default_rng(1)
    points = rng.uniform(0.0, 1800.0, (80, 2))
    depths = 2300.0 + 0.1 * (points[:, 0] - 900.0) + rng.normal(0.0, 30.0, 80)
    found = canopy_of(points, depths, np.full(80, 15.0), spread_mm=120.0)
    assert found is not None
    # Between what is seen and what was entered, nearer to what is seen.
    assert 30.0 < found.spread_mm < 50.0
    left, right = (found.depth_at(x, 900.0)[0] for x in (100.0, 1700.0))
    assert right - left == pytest.approx(160.0, rel=0.25)
    assert canopy_of(points[:5], depths[:5], np.full(5, 15.0), spread_mm=120.0) is None


def test_a_pose_tells_where_the_camera_stands() -> None:
    pose = Pose(turn=turned(np.eye(3), np.array([0.1, 0.2, 0.3])), place=np.array([1.0, 2.0, 3.0]))
    assert pose.turn @ pose.camera_mm + pose.place == pytest.approx(np.zeros(3))
