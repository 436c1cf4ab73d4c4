"""Scale from markers or by hand, and outlines freed of the lens's stretch."""

from math import sqrt

import numpy as np
import pytest

from fruitvision.domain import Doubt, Reference
from fruitvision.errors import ScaleRefused, SettingsError
from fruitvision.scale import remove_off_axis_stretch, scale_by_hand, scale_from_references
from tests.scenes import Ball, Camera, photo_of, true_outline_px

CAMERA = Camera(width_px=2000, height_px=1500, focal_px=1700.0)
PHOTO = photo_of(CAMERA)


def reference(
    mm_per_px: float, error: float = 0.005, *doubts: Doubt, marker_id: int = 7, x_px: float = 100.0
) -> Reference:
    side_px = 150 / mm_per_px
    x, y = x_px, 300.0
    return Reference(
        marker_id=marker_id,
        side_mm=150.0,
        corners_px=((x, y), (x + side_px, y), (x + side_px, y + side_px), (x, y + side_px)),
        side_px=side_px,
        tilt_deg=5.0,
        mm_per_px=mm_per_px,
        mm_per_px_error=error,
        doubts=doubts,
    )


# ---------------------------------------------------------------- scale


def test_one_marker_gives_its_own_scale_and_distance() -> None:
    scale, doubts = scale_from_references([reference(1.5, 0.006)], PHOTO)
    assert scale is not None
    assert (scale.mm_per_px, scale.mm_per_px_error) == pytest.approx((1.5, 0.006))
    assert scale.distance_mm == pytest.approx(1.5 * 1700)
    assert doubts == scale.doubts == ()


def test_two_markers_are_weighted_by_what_they_know() -> None:
    # Weights 1 / 0.01² and 1 / 0.02² are 4 to 1: (4 * 1.50 + 1.51) / 5, error 0.02 / sqrt(5).
    scale, _ = scale_from_references([reference(1.50, 0.01), reference(1.51, 0.02)], PHOTO)
    assert scale is not None
    assert scale.mm_per_px == pytest.approx(1.502)
    assert scale.mm_per_px_error == pytest.approx(0.02 / sqrt(5))


def test_markers_that_scatter_more_than_they_claim_widen_the_error() -> None:
    # 1.50 and 1.53 at 0.003: chi-square (15² + 15²) / 3² = 50 for 1 degree.
    scale, _ = scale_from_references([reference(1.50, 0.003), reference(1.53, 0.003)], PHOTO)
    assert scale is not None
    assert scale.mm_per_px_error == pytest.approx(0.003 / sqrt(2) * sqrt(50))


def test_two_that_disagree_are_refused_with_both_named() -> None:
    one = reference(1.50, marker_id=7, x_px=100)
    other = reference(1.62, marker_id=12, x_px=900)
    with pytest.raises(ScaleRefused) as caught:
        scale_from_references([one, other], PHOTO)
    said = str(caught.value)
    for part in ("8%", "marker 7 at x 150", "1.5000", "marker 12 at x 946", "1.6200", "100 %"):
        assert part in said


def test_two_that_differ_within_their_errors_are_not_refused() -> None:
    scale, _ = scale_from_references([reference(1.50, 0.05), reference(1.60, 0.05)], PHOTO)
    assert scale is not None
    assert scale.mm_per_px == pytest.approx(1.55)


@pytest.mark.parametrize("doubt", [Doubt.MARKER_CUT, Doubt.MARKER_TILTED, Doubt.MARKER_SMALL])
def test_a_marker_of_no_use_gives_no_scale_and_says_why(doubt: Doubt) -> None:
    assert scale_from_references([reference(1.5, 0.005, doubt)], PHOTO) == (None, (doubt,))


def test_a_marker_of_no_use_does_not_spoil_a_good_one() -> None:
    bad = reference(2.5, 0.005, Doubt.MARKER_TILTED)
    scale, doubts = scale_from_references([bad, reference(1.5)], PHOTO)
    assert scale is not None
    assert scale.mm_per_px == pytest.approx(1.5)
    assert doubts == ()


def test_without_a_marker_there_is_no_scale() -> None:
    assert scale_from_references([], PHOTO) == (None, (Doubt.NO_MARKER,))


def test_an_unknown_lens_is_said_and_gives_no_distance() -> None:
    scale, doubts = scale_from_references([reference(1.5)], photo_of(CAMERA, lens_known=False))
    assert scale is not None
    assert scale.distance_mm is None
    assert doubts == scale.doubts == (Doubt.LENS_UNKNOWN,)


def test_a_scale_by_hand_says_so() -> None:
    scale = scale_by_hand(1.4, error=0.02)
    assert (scale.mm_per_px, scale.mm_per_px_error) == (1.4, 0.02)
    assert scale.doubts == (Doubt.SCALE_BY_HAND,)
    assert scale_by_hand(1.4).mm_per_px_error == pytest.approx(0.042)


@pytest.mark.parametrize("mm_per_px", [0.0, -1.5, float("nan"), float("inf")])
def test_an_impossible_scale_by_hand_is_refused(mm_per_px: float) -> None:
    with pytest.raises(SettingsError, match="impossible"):
        scale_by_hand(mm_per_px)
    with pytest.raises(SettingsError, match="error of -1"):
        scale_by_hand(1.5, error=-1)


# ---------------------------------------------------------------- off-axis stretch

# Outline of a ball under perspective, by tracing rays (our reference facts, geometry_sphere_cases,
# focal length 1,000 px): diameter mm, distance mm, angle off the axis, long and short axis px,
# what a disc at that depth would show px.
BALLS = [
    (60, 300, 0, 201.0076, 201.0076, 200.0),
    (60, 500, 20, 136.2074, 127.9624, 127.7013),
    (75, 300, 30, 337.7555, 291.7300, 288.6751),
    (75, 1000, 10, 77.3897, 76.2123, 76.157),
    (90, 500, 30, 241.6357, 208.9776, 207.8461),
    (90, 1500, 20, 67.9872, 63.8832, 63.8507),
]


@pytest.mark.parametrize("direction_deg", [0, 62, 180, -90])
@pytest.mark.parametrize(("diameter", "distance", "off_deg", "long", "short", "disc"), BALLS)
def test_a_ball_off_the_axis_is_freed_of_its_stretch(
    diameter: float,
    distance: float,
    off_deg: float,
    long: float,
    short: float,
    disc: float,
    direction_deg: float,
) -> None:
    off, half = np.radians(off_deg), np.arcsin(diameter / 2 / distance)
    # The outline reaches from f tan(t - a) to f tan(t + a); its centre lies in the middle.
    centre = 1000 * (np.tan(off - half) + np.tan(off + half)) / 2
    towards = np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])
    outline = np.array([[*(np.array([700.0, 500.0]) + centre * towards), long, short, 0.0]])
    outline[0, 4] = direction_deg
    freed = remove_off_axis_stretch(outline, focal_px=1000.0, principal_point_px=(700.0, 500.0))
    assert freed[0] == pytest.approx(disc, rel=1e-5)


@pytest.mark.parametrize("flatness", [1.0, 0.88])
def test_cheeks_are_measured_anywhere_in_the_picture(flatness: float) -> None:
    depth_mm = 2000.0
    places = [(x, y, depth_mm) for x in (-1000.0, 0.0, 600.0) for y in (-700.0, 0.0, 500.0)]
    balls = [Ball(centre_mm=at, diameter_mm=75.0, flatness=flatness) for at in places]
    outlines = np.array([true_outline_px(CAMERA, ball) for ball in balls])
    freed = remove_off_axis_stretch(
        outlines, focal_px=CAMERA.focal_px, principal_point_px=CAMERA.centre_px
    )
    assert freed * depth_mm / CAMERA.focal_px == pytest.approx(np.full(len(balls), 75.0), rel=0.002)
    # Left in, the stretch would make the outermost fruit 15 % too large.
    assert outlines[:, 2].max() * depth_mm / CAMERA.focal_px > 75 * 1.1


def test_a_short_axis_towards_the_middle_can_stay_the_short_one() -> None:
    # Flattened along x, to the right of the middle: only its short axis is stretched.
    outline = np.array([[900.0, 0.0, 80.0, 60.0, 90.0]])
    freed = remove_off_axis_stretch(outline, focal_px=1000.0, principal_point_px=(0.0, 0.0))
    assert freed[0] == pytest.approx(80 / sqrt(1 + 0.04**2))


def test_no_outlines_give_no_diameters() -> None:
    freed = remove_off_axis_stretch(
        np.empty((0, 5)), focal_px=1000.0, principal_point_px=(0.0, 0.0)
    )
    assert freed.shape == (0,)
