"""Large photos searched at half their size: the same markers, and a closer look where in doubt."""

import numpy as np
import pytest

from fruitvision import marker_search
from fruitvision.marker_search import read_markers, search_markers
from fruitvision.reference import find_references
from tests.scenes import Image, draw_scene, photo_of
from tests.test_reference import CAMERA, marker_of

NEAR, FAR = marker_of(170, x_px=-180, y_px=40, roll_deg=7), marker_of(60, x_px=200)
CUT = marker_of(100, x_px=400, roll_deg=6)


@pytest.fixture(autouse=True)
def _every_photo_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marker_search, "_LARGE_SIDE_PX", 600)


def grey_of(picture: Image) -> Image:
    return np.asarray(picture.mean(axis=2).round(), dtype=np.uint8)


@pytest.fixture
def searched_sides(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Long sides of the pictures that are searched, one after the other."""
    sides: list[int] = []

    def noting(grey: Image) -> object:
        sides.append(max(grey.shape))
        return read_markers(grey)

    monkeypatch.setattr(marker_search, "read_markers", noting)
    return sides


def test_a_marker_is_found_at_half_the_size_and_nowhere_else(searched_sides: list[int]) -> None:
    picture = grey_of(draw_scene(CAMERA, (NEAR,)))
    ((number, quad),) = search_markers(picture).read
    assert searched_sides == [400]
    ((number_in_full, in_full),), _ = read_markers(picture)
    assert number == number_in_full == 7
    assert abs(quad - in_full).max() < 2.5


def test_its_scale_is_that_of_a_search_in_full(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = draw_scene(CAMERA, (NEAR,), seed=4, rays_per_side=4)
    (half,) = find_references(picture, photo_of(CAMERA), side_mm=150.0)
    monkeypatch.setattr(marker_search, "_LARGE_SIDE_PX", 6000)
    (full,) = find_references(picture, photo_of(CAMERA), side_mm=150.0)
    assert half.mm_per_px == pytest.approx(full.mm_per_px, abs=0.5 * full.mm_per_px_error)
    assert half.doubts == full.doubts == ()


@pytest.mark.parametrize(
    ("markers", "read", "cut"),
    [((FAR,), 1, 0), ((NEAR, FAR), 2, 0), ((NEAR, CUT), 1, 1), ((CUT,), 0, 1), ((), 0, 0)],
    ids=["far", "near and far", "near and cut", "cut", "none"],
)
def test_small_cut_and_missing_ones_are_searched_in_full(
    markers: tuple[object, ...], read: int, cut: int, searched_sides: list[int]
) -> None:
    found = search_markers(grey_of(draw_scene(CAMERA, markers)))  # type: ignore[arg-type]
    assert searched_sides == [400, 800]
    assert (len(found.read), len(found.cut)) == (read, cut)


def test_an_odd_number_of_pixels_shifts_nothing() -> None:
    picture = grey_of(draw_scene(CAMERA, (NEAR,)))[:599, :797]
    ((_, quad),) = search_markers(picture).read
    ((_, in_full),), _ = read_markers(picture)
    assert abs((quad - in_full).mean(axis=0)).max() < 1.0
