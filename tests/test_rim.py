"""Outlines fitted to rims at full resolution, on drawn fruit whose outlines are known."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fruitvision.cores import THREADS_VARIABLE
from fruitvision.fruit import rim
from fruitvision.fruit.detector import Detections, no_fruit
from fruitvision.fruit.edge import EDGES, FEATURES, find_edges
from fruitvision.fruit.rim import refined, rim_radii
from fruitvision.fruit.rim_fitted import FEATURE_MEANS, FEATURE_SPREADS, FEATURE_WEIGHTS
from fruitvision.fruit.strips import RAYS, TOWARDS, frames_of, outlines_of
from fruitvision.scale import remove_off_axis_stretch
from fruitvision.simulate.picture.camera import Camera as RowCamera
from fruitvision.simulate.picture.camera import ellipsoid_shapes, outlines, turns_about
from tests.scenes import Ball, Camera, Image, Leaf, draw_scene, true_outline_px

CAMERA = Camera(width_px=900, height_px=700, focal_px=1000.0)
BALLS = tuple(
    Ball(
        centre_mm=((column - 2) * 210.0, (row - 1) * 230.0, 1300.0),
        diameter_mm=68.0 + 3 * column,
        flatness=0.85 + 0.05 * row,
    )
    for column in range(5)
    for row in range(3)
)
TRUE = np.array([true_outline_px(CAMERA, ball) for ball in BALLS])


@cache
def picture(*things: Ball | Leaf) -> Image:
    return draw_scene(CAMERA, things, rays_per_side=3)


def found_as(found: np.ndarray, *, hidden_by: np.ndarray | None = None) -> Detections:
    """Detections of these outlines; what `hidden_by` (H, W) marks is not theirs."""
    down, across = np.mgrid[: CAMERA.height_px, : CAMERA.width_px]
    masks, origins = [], []
    for x, y, long_px, short_px, direction in found:
        turn = np.deg2rad(direction)
        along = ((across - x) * np.cos(turn) + (down - y) * np.sin(turn)) / long_px
        over = ((down - y) * np.cos(turn) - (across - x) * np.sin(turn)) / short_px
        mask = along**2 + over**2 <= 0.25
        if hidden_by is not None:
            mask &= ~hidden_by
        masks.append(mask)
        origins.append((0, 0))
    whole = np.pi / 4 * found[:, 2] * found[:, 3]
    n = len(found)
    return Detections(
        outlines=found.copy(),
        masks=tuple(masks),
        mask_origins=np.array(origins, dtype=np.int64),
        visible_shares=np.clip([mask.sum() for mask in masks] / whole, 0, 1),
        scores=np.full(n, 0.9),
        on_this_row=np.ones(n, dtype=bool),
        boxes=np.column_stack([found[:, :2] - 5, found[:, :2] + 5]),
    )


def off_by(size: float, shift_px: float) -> np.ndarray:
    out = TRUE.copy()
    out[:, 2:4] *= 1 + size
    out[:, 0] += shift_px
    return out


@pytest.mark.parametrize("size", [-0.1, 0.0, 0.1], ids=["too small", "right", "too large"])
@pytest.mark.parametrize("shift_px", [0.0, 3.0])
def test_the_rim_is_found_from_an_outline_that_is_off(size: float, shift_px: float) -> None:
    found, rims = refined(picture(*BALLS), found_as(off_by(size, shift_px)))
    error = found.outlines[:, 2] / TRUE[:, 2] - 1
    assert abs(error.mean()) < 0.012
    assert error.std() < 0.012
    assert np.hypot(*(found.outlines[:, :2] - TRUE[:, :2]).T).max() < 1.0
    assert rims.seen.min() > 0.4


def test_a_leaf_over_part_of_the_rim_is_left_out() -> None:
    leaves = tuple(
        Leaf(centre_mm=(x + 30.0, y - 22.0, z - 60.0), length_mm=60.0, width_mm=36.0, roll_deg=40.0)
        for x, y, z in (ball.centre_mm for ball in BALLS)
    )
    covered = picture(*BALLS, *leaves)
    by_leaf = (np.abs(covered.astype(int) - picture(*BALLS)).max(2) > 40).astype(bool)
    found, _ = refined(covered, found_as(off_by(-0.06, -1.5), hidden_by=by_leaf))
    error = found.outlines[:, 2] / TRUE[:, 2] - 1
    assert abs(np.median(error)) < 0.02
    assert np.abs(error).max() < 0.08


def test_a_picture_without_edges_leaves_the_outline_and_says_how_little_is_known() -> None:
    flat = np.full((CAMERA.height_px, CAMERA.width_px, 3), 120, dtype=np.uint8)
    before = found_as(TRUE)
    after, rims = refined(flat, before)
    assert after.outlines[:, 2] == pytest.approx(before.outlines[:, 2], rel=0.02)
    assert rims.seen.max() == 0.0
    _, sharp = refined(picture(*BALLS), before)
    assert rims.errors.min() > 1.5 * sharp.errors.max()


def test_size_of_the_photo_does_not_matter() -> None:
    small = picture(*BALLS)
    large = np.repeat(np.repeat(small, 4, axis=0), 4, axis=1)
    grown = TRUE.copy()
    grown[:, :2] = (grown[:, :2] + 0.5) * 4 - 0.5
    grown[:, 2:4] *= 4
    masks = found_as(TRUE)
    big = replace(
        masks,
        outlines=grown,
        masks=tuple(np.repeat(np.repeat(mask, 4, 0), 4, 1) for mask in masks.masks),
    )
    found, _ = refined(large, big)
    assert found.outlines[:, 2] / grown[:, 2] == pytest.approx(np.ones(len(BALLS)), abs=0.02)


def test_outlines_beyond_the_frame_are_no_trouble() -> None:
    cut = TRUE[:3].copy()
    cut[:, :2] = [[-5.0, 100.0], [899.0, 699.0], [450.0, 720.0]]
    found, rims = refined(picture(*BALLS), found_as(cut))
    assert np.isfinite(found.outlines).all()
    assert (found.outlines[:, 2:4] > 0).all()
    assert np.isfinite(rims.errors).all()


def test_nothing_found_stays_nothing() -> None:
    found, rims = refined(picture(*BALLS), no_fruit())
    assert len(found) == len(rims.errors) == 0


def test_the_same_picture_gives_the_same_outlines() -> None:
    first, _ = refined(picture(*BALLS), found_as(off_by(0.05, 1.0)))
    second, _ = refined(picture(*BALLS), found_as(off_by(0.05, 1.0)))
    assert (first.outlines == second.outlines).all()


def test_several_threads_fit_what_one_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rim, "_AT_ONCE", 4)
    fitted = []
    for threads in ("1", "3"):
        monkeypatch.setenv(THREADS_VARIABLE, threads)
        fitted.append(refined(picture(*BALLS), found_as(off_by(0.05, 1.0)))[0].outlines)
    assert len(fitted[0]) == 15
    assert (fitted[0] == fitted[1]).all()


def test_a_part_of_the_fruit_has_the_edges_that_it_has_among_all() -> None:
    found = found_as(off_by(0.05, 1.0))
    every, last = (
        find_edges(picture(*BALLS), found, part=part) for part in (slice(None), slice(10, 15))
    )
    assert (every.own[10:15] == last.own).all()
    # Places are kept to 1/32 px when many are sampled at once.
    assert np.quantile(np.abs(every.radii[10:15] - last.radii), 0.9) < 0.003


def test_frames_and_outlines_are_one_thing() -> None:
    given = np.array([[100.0, 50.0, 60.0, 48.0, 30.0], [10.0, 20.0, 31.0, 30.0, -80.0]])
    assert outlines_of(*frames_of(given)) == pytest.approx(given)


def test_rays_cross_the_ellipse_where_it_lies() -> None:
    numbers = np.array([[0.1, 0.2, -0.1, 0.05, 0.03]])
    points = rim_radii(numbers)[0][:, None] * TOWARDS
    size, x, y, flat, skew = numbers[0]
    shape = np.array([[1 + size + flat, skew], [skew, 1 + size - flat]])
    on_circle = (points - [x, y]) @ np.linalg.inv(shape).T
    assert np.hypot(*on_circle.T) == pytest.approx(np.ones(RAYS))


def test_every_feature_has_its_fitted_numbers() -> None:
    edges = find_edges(picture(*BALLS), found_as(TRUE))
    assert edges.features.shape == (len(BALLS), RAYS, EDGES, len(FEATURES))
    for fitted in (FEATURE_MEANS, FEATURE_SPREADS, FEATURE_WEIGHTS):
        assert fitted.shape == (len(FEATURES),)


@pytest.mark.parametrize("hang_deg", [0.0, 20.0, 45.0, 70.0, 90.0])
def test_a_fruit_wider_than_high_shows_its_equator_at_any_hanging_angle(hang_deg: float) -> None:
    """Any plane through the middle of an oblate ellipsoid cuts the equator's plane: so the outline
    of one as seen from afar is never longer than the equator, and always as long."""
    row = RowCamera(
        position_mm=(0.0, 0.0, 2500.0),
        forward=(0.0, 0.0, -1.0),
        up=(0.0, 1.0, 0.0),
        focal_px=1800.0,
        width_px=1800,
        height_px=2400,
    )
    about = np.array([[1.0, 0, 0], [0, 0, 1.0], [1.0, 1.0, 0], [0.3, 0.5, 1.0]])
    turns = turns_about(about, np.full(4, np.deg2rad(hang_deg)))
    centres = np.array([[0.0, 0, 0], [700.0, 0, 0], [-500.0, 900.0, 0], [300.0, -800.0, 0]])
    drawn = outlines(row, centres, ellipsoid_shapes(turns, np.full(4, 75.0), np.full(4, 66.0)))
    freed = remove_off_axis_stretch(drawn, focal_px=1800.0, principal_point_px=(899.5, 1199.5))
    assert freed * 2500 / 1800 == pytest.approx(np.full(4, 75.0), rel=0.004)
