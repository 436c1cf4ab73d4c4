"""Markers in drawn scenes: scale, tilt and error against the truth, and markers of no use."""

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.domain import Doubt, Reference
from fruitvision.reference import UNREAD, find_references
from tests.scenes import Ball, Camera, Image, Leaf, Marker, draw_scene, photo_of, true_corners_px

CAMERA = Camera(width_px=800, height_px=600, focal_px=900.0)


def marker_of(side_px: float, *, x_px: float = 0.0, y_px: float = 0.0, **pose: float) -> Marker:
    """A 150 mm marker that appears with that side, that far from the middle of the picture."""
    depth_mm = 150 * CAMERA.focal_px / side_px
    centre_mm = (x_px * depth_mm / CAMERA.focal_px, y_px * depth_mm / CAMERA.focal_px, depth_mm)
    return replace(Marker(centre_mm=centre_mm), **pose)


def found_in(image: Image, *, lens_known: bool = True) -> tuple[Reference, ...]:
    return find_references(image, photo_of(CAMERA, lens_known=lens_known), side_mm=150.0)


def only_one(marker: Marker, *, seed: int = 0, lens_known: bool = True) -> Reference:
    (found,) = found_in(
        draw_scene(CAMERA, (marker,), seed=seed, rays_per_side=4), lens_known=lens_known
    )
    return found


def relative_error(found: Reference, marker: Marker) -> float:
    return found.mm_per_px / (marker.centre_mm[2] / CAMERA.focal_px) - 1


# ---------------------------------------------------------------- truth


@pytest.mark.parametrize("place", [(0, 0), (230, 130)], ids=["on axis", "off axis"])
@pytest.mark.parametrize("tilt_deg", [0, 20, 33])
@pytest.mark.parametrize(
    ("side_px", "bound"), [(46, 0.010), (87, 0.004), (200, 0.002)], ids=["46 px", "87 px", "200 px"]
)
def test_scale_meets_the_truth(
    side_px: float, bound: float, tilt_deg: float, place: tuple[int, int]
) -> None:
    marker = marker_of(
        side_px, x_px=place[0], y_px=place[1], tilt_deg=tilt_deg, tilt_axis_deg=70, roll_deg=8
    )
    found = only_one(marker, seed=int(side_px) + tilt_deg)
    assert found.marker_id == 7
    assert found.doubts == ()
    assert abs(relative_error(found, marker)) < bound
    assert abs(relative_error(found, marker)) < 3 * found.mm_per_px_error / found.mm_per_px


def test_errors_are_as_large_as_they_say() -> None:
    rng = np.random.default_rng(11)
    steps = []
    for seed in range(16):
        marker = marker_of(
            float(rng.choice([48, 70, 110])),
            x_px=rng.uniform(-260, 260),
            y_px=rng.uniform(-180, 180),
            tilt_deg=rng.uniform(0, 32),
            tilt_axis_deg=rng.uniform(0, 360),
            roll_deg=rng.uniform(-15, 15),
            light=rng.uniform(0.4, 1),
        )
        image = draw_scene(
            CAMERA,
            (marker,),
            seed=seed,
            blur_px=rng.uniform(0.4, 1.2),
            noise=rng.uniform(0.01, 0.02),
            tone=rng.uniform(0.85, 1.15),
            rays_per_side=4,
        )
        (found,) = found_in(image)
        steps.append(relative_error(found, marker) * found.mm_per_px / found.mm_per_px_error)
    assert abs(np.mean(steps)) < 0.8
    # 68 % are expected within one standard error, 95 % within two: 16 scenes, wide bounds.
    assert 0.45 <= np.mean(np.abs(steps) < 1) <= 0.95
    assert np.mean(np.abs(steps) < 2) >= 0.87


def test_a_blurred_lens_does_not_shrink_the_marker() -> None:
    # Read in stored values instead of linear light this marker comes out 1.2 % too small.
    marker = marker_of(87)
    (found,) = found_in(draw_scene(CAMERA, (marker,), blur_px=1.0))
    assert abs(relative_error(found, marker)) < 0.003


def test_a_marker_in_deep_shade_is_measured_as_well() -> None:
    marker = marker_of(87, tilt_deg=10, light=0.2)
    assert abs(relative_error(only_one(marker), marker)) < 0.005


def test_corners_lie_where_they_were_printed() -> None:
    marker = marker_of(120, x_px=-200, tilt_deg=25, tilt_axis_deg=40, roll_deg=100)
    found = only_one(marker)
    assert np.abs(np.array(found.corners_px) - true_corners_px(CAMERA, marker)).max() < 0.3


@pytest.mark.parametrize("tilt_deg", [15, 30])
def test_tilt_is_the_angle_to_the_picture(tilt_deg: float) -> None:
    marker = marker_of(110, x_px=-200, tilt_deg=tilt_deg, tilt_axis_deg=90)
    assert only_one(marker).tilt_deg == pytest.approx(tilt_deg, abs=3)


def test_the_printed_side_rescales_everything() -> None:
    image = draw_scene(CAMERA, (marker_of(87),))
    photo = photo_of(CAMERA)
    (full,) = find_references(image, photo, side_mm=150.0)
    (less,) = find_references(image, photo, side_mm=144.0)
    assert less.mm_per_px == pytest.approx(full.mm_per_px * 0.96, rel=1e-9)
    assert less.mm_per_px_error == pytest.approx(full.mm_per_px_error * 0.96, rel=1e-6)


def test_an_unknown_lens_costs_certainty_only_off_the_axis() -> None:
    middle = marker_of(87, tilt_deg=25, tilt_axis_deg=90)
    aside = marker_of(87, x_px=330, tilt_deg=25, tilt_axis_deg=90)
    known = only_one(middle)
    assert only_one(middle, lens_known=False).mm_per_px_error < 1.2 * known.mm_per_px_error
    found = only_one(aside, lens_known=False)
    assert found.mm_per_px_error > 3 * known.mm_per_px_error
    assert abs(relative_error(found, aside)) < 2 * found.mm_per_px_error / found.mm_per_px


# ---------------------------------------------------------------- several, none, of no use


def test_two_markers_are_listed_from_left_to_right() -> None:
    left, right = marker_of(80, x_px=-250, marker_id=12), marker_of(80, x_px=250)
    found = found_in(draw_scene(CAMERA, (right, left)))
    assert [one.marker_id for one in found] == [12, 7]


def test_a_picture_without_a_marker_gives_none() -> None:
    fruit = tuple(Ball(centre_mm=(x, 0, 2000), diameter_mm=75) for x in range(-800, 900, 200))
    assert found_in(draw_scene(CAMERA, fruit)) == ()


def test_a_marker_may_touch_the_frame_with_its_white() -> None:
    marker = marker_of(87, x_px=-(800 / 2 - 87 / 2 - 3))
    found = only_one(marker)
    assert (found.marker_id, found.doubts) == (7, ())
    assert abs(relative_error(found, marker)) < 0.006


@pytest.mark.parametrize(
    ("marker", "doubt"),
    [
        (marker_of(100, tilt_deg=42, tilt_axis_deg=90), Doubt.MARKER_TILTED),
        (marker_of(33), Doubt.MARKER_SMALL),
    ],
    ids=["tilted over 35°", "under 40 px"],
)
def test_a_marker_of_no_use_says_why(marker: Marker, doubt: Doubt) -> None:
    found = only_one(marker)
    assert found.marker_id == 7
    assert found.doubts == (doubt,)


@pytest.mark.parametrize(
    "marker",
    [
        marker_of(100, x_px=-400),
        marker_of(100, x_px=400, roll_deg=6),
        marker_of(100, y_px=290, tilt_deg=15),
        marker_of(100, y_px=-310),
    ],
    ids=["left", "right", "bottom", "top"],
)
def test_a_marker_cut_by_the_frame_is_seen_and_not_used(marker: Marker) -> None:
    found = only_one(marker)
    assert found.marker_id == UNREAD
    assert found.doubts == (Doubt.MARKER_CUT,)
    assert found.mm_per_px_error >= found.mm_per_px


def test_a_marker_with_a_leaf_on_it_is_seen_and_not_used() -> None:
    marker = marker_of(100)
    depth_mm = marker.centre_mm[2]
    leaf = Leaf(centre_mm=(0, 0, depth_mm - 100), length_mm=90, width_mm=40, roll_deg=30)
    (found,) = found_in(draw_scene(CAMERA, (marker, leaf)))
    assert found.doubts == (Doubt.MARKER_CUT,)


def test_a_marker_covered_over_its_edge_gives_no_scale() -> None:
    marker = marker_of(100)
    leaf = Leaf(centre_mm=(60, 0, marker.centre_mm[2] - 100), length_mm=120, width_mm=220)
    found = found_in(draw_scene(CAMERA, (marker, leaf)))
    assert all(one.doubts for one in found)


def test_a_side_of_nothing_is_a_programmers_mistake() -> None:
    with pytest.raises(ValueError, match="side_mm must be above 0"):
        find_references(np.zeros((600, 800, 3), np.uint8), photo_of(CAMERA), side_mm=0)


@pytest.mark.parametrize("shape", [(1, 1, 3), (12, 16, 3), (59, 40, 3)])
def test_a_picture_of_a_few_pixels_holds_no_marker(shape: tuple[int, int, int]) -> None:
    noise = np.random.default_rng(5).integers(0, 255, shape, np.uint8)
    assert found_in(noise) == ()
