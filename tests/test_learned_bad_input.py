"""The shipped detector on pictures that are no good row photos: no crash, no invented fruit."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image as PillowImage

from fruitvision.domain import Doubt
from fruitvision.evaluate.matching import match, overlaps_of
from fruitvision.evaluate.truth import TruthPhoto, read_truth
from fruitvision.fruit.detector import Detections, choose_detector
from fruitvision.fruit.foliage import LEAST_FOLIAGE_SHARE, foliage_share
from fruitvision.pipeline.photos import measure_photo
from fruitvision.settings import Settings

Image = NDArray[np.uint8]

ORCHARD = Path(__file__).parent / "orchards" / "easy-wall"
# A part of the first photo, px: left, top, width, height, and its scale.
PART = (600, 900, 600, 600)
MM_PER_PX = 1.27


@cache
def first_photo() -> TruthPhoto:
    return read_truth(ORCHARD / "truth_coco.json")[0]


@cache
def part_of_a_photo() -> Image:
    left, top, width, height = PART
    with PillowImage.open(ORCHARD / first_photo().name) as picture:
        whole = np.asarray(picture.convert("RGB"), dtype=np.uint8)
    return whole[top : top + height, left : left + width].copy()


def detect(image: Image, mm_per_px: float | None = None) -> Detections:
    return choose_detector("learned").detect(image, mm_per_px=mm_per_px)


def same(one: Detections, other: Detections) -> bool:
    masks = all(np.array_equal(a, b) for a, b in zip(one.masks, other.masks, strict=True))
    return masks and all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("outlines", "boxes", "scores", "visible_shares", "on_this_row")
    )


def plain(red: int, green: int, blue: int, *, height: int = 320, width: int = 256) -> Image:
    return np.full((height, width, 3), (red, green, blue), dtype=np.uint8)


def clear_fruit() -> NDArray[np.float64]:
    """Boxes (N, 4) of this row's fruit in the part that are whole in it and mostly seen."""
    truth = first_photo()
    left, top, width, height = PART
    boxes = truth.boxes - (left, top, left, top)
    inside = (boxes[:, :2] >= 0).all(axis=1) & (boxes[:, 2:] <= (width, height)).all(axis=1)
    return boxes[inside & ~truth.ignored & (truth.visible_shares >= 0.6)]


def number_found(found: Detections, boxes: NDArray[np.float64]) -> int:
    none = np.zeros(len(boxes), dtype=np.bool_)
    overlap = overlaps_of(found.boxes + 0.5, boxes, none)
    return int(match(overlap, found.scores, none, none, least_overlap=0.5).right.sum())


def test_of_fourteen_clear_fruit_twelve_are_found_with_scale_and_at_half_size_without() -> None:
    boxes = clear_fruit()
    assert len(boxes) == 14
    assert number_found(detect(part_of_a_photo(), MM_PER_PX), boxes) >= 12
    small = cv2.resize(part_of_a_photo(), (300, 300), interpolation=cv2.INTER_AREA)
    assert number_found(detect(np.asarray(small, np.uint8)), boxes / 2) >= 12


def test_the_same_picture_gives_the_same_fruit_to_the_last_bit() -> None:
    image = part_of_a_photo()[:320, :320]
    first = detect(image.copy(), MM_PER_PX)
    assert len(first) >= 5
    assert same(first, detect(image, MM_PER_PX))


def test_a_photo_upside_down_gives_fruit_inside_the_picture() -> None:
    image = part_of_a_photo()[:320, :320][::-1, ::-1]
    found = detect(image, MM_PER_PX)
    assert len(found) >= 3
    assert (found.boxes >= -0.5).all()
    assert (found.boxes <= 319.5).all()


def test_a_grey_picture_shows_no_leaves_and_so_no_fruit() -> None:
    grey = part_of_a_photo().mean(axis=2, keepdims=True).astype(np.uint8)
    assert len(detect(np.repeat(grey, 3, axis=2), MM_PER_PX)) == 0


@pytest.mark.parametrize("mm_per_px", [None, 1.3])
@pytest.mark.parametrize(
    "colour", [(0, 0, 0), (255, 255, 255), (114, 114, 114), (170, 30, 40), (80, 130, 50)]
)
def test_a_picture_of_one_colour_has_no_fruit(
    colour: tuple[int, int, int], mm_per_px: float | None
) -> None:
    assert len(detect(plain(*colour), mm_per_px)) == 0


@pytest.mark.parametrize(("height", "width"), [(1, 1), (1, 300), (300, 1), (1, 2700)])
def test_a_line_of_pixels_is_looked_at_and_holds_no_fruit(height: int, width: int) -> None:
    assert len(detect(np.resize(part_of_a_photo(), (height, width, 3)))) == 0
    assert len(detect(plain(80, 130, 50, height=height, width=width), 1.3)) == 0


def test_a_file_one_pixel_high_is_measured_and_holds_no_fruit(tmp_path: Path) -> None:
    path = tmp_path / "line.png"
    PillowImage.fromarray(np.resize(part_of_a_photo(), (1, 2700, 3))).save(path)
    measured = measure_photo(path, detector=choose_detector("learned"), settings=Settings())
    assert measured.fruit == ()
    assert Doubt.NO_MARKER in measured.doubts


def test_round_things_without_a_leaf_are_no_fruit() -> None:
    image = plain(225, 225, 220)
    for x in range(32, 256, 64):
        for y in range(32, 320, 64):
            cv2.circle(image, (x, y), 24, (190, 40, 45), -1, cv2.LINE_AA)
            cv2.circle(image, (x - 7, y - 8), 6, (225, 120, 120), -1, cv2.LINE_AA)
    assert len(detect(image)) == 0
    assert len(choose_detector("learned").detect_all(image, mm_per_px=None)) == 0


def heap_of(columns: int, rows: int, radius: int, spacing: int) -> Detections:
    """Fruit side by side from the top left corner, discs of `radius` px."""
    across = np.arange(-radius, radius + 1)
    disc = across**2 + across[:, None] ** 2 <= radius**2
    corners = np.array([(x, y) for y in range(rows) for x in range(columns)]) * spacing
    n, size = len(corners), 2 * radius
    return Detections(
        outlines=np.column_stack([corners + radius, np.full((n, 2), size), np.zeros(n)]).astype(
            float
        ),
        masks=(disc,) * n,
        mask_origins=corners.astype(np.int64),
        visible_shares=np.ones(n),
        scores=np.ones(n),
        on_this_row=np.ones(n, dtype=np.bool_),
        boxes=np.hstack([corners, corners + size]).astype(float),
    )


@dataclass(frozen=True)
class SeesAHeap:
    """Finds the same in every picture."""

    found: Detections
    name: str = "heap"
    version: str = "1"
    limits: str = ""
    count_error: float = 0.1
    facts: tuple[str, ...] = ()

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        return self.found

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        return self.found


@pytest.mark.parametrize(
    ("found", "doubted"),
    [
        # 20 discs of radius 24: 20 * pi * 24² = 36 191 px of 200 x 250, 0.72 of them.
        pytest.param(heap_of(4, 5, 24, 50), True, id="bin"),
        pytest.param(heap_of(4, 5, 10, 50), False, id="tree"),
        # 9 discs of radius 28 cover 0.44, but might be nine fruit from near by.
        pytest.param(heap_of(3, 3, 28, 60), False, id="close up"),
    ],
)
def test_a_photo_that_shows_hardly_anything_but_fruit_is_doubted(
    found: Detections, doubted: bool, tmp_path: Path
) -> None:
    path = tmp_path / "bin.png"
    leafy = np.resize(np.array([(80, 130, 50), (60, 100, 40)], np.uint8), (250, 200, 3))
    PillowImage.fromarray(leafy).save(path)
    measured = measure_photo(path, detector=SeesAHeap(found), settings=Settings())
    assert (Doubt.NO_TREE in measured.doubts) == doubted


def test_what_is_nearly_black_is_no_leaf_whatever_its_tint() -> None:
    # Green enough by its share, 0.2 over the limit of 0.05, but lit by 6 + 12 + 6 of 765 only.
    assert foliage_share(plain(6, 12, 6)) == 0.0
    assert foliage_share(plain(30, 60, 30)) == 1.0


def test_night_photos_by_flash_show_leaves_many_times_over() -> None:
    for path in sorted((ORCHARD.parent / "night-flash" / "photos").glob("*.jpg"))[::8]:
        with PillowImage.open(path) as picture:
            image = np.asarray(picture.reduce(6).convert("RGB"), dtype=np.uint8)
        assert foliage_share(image) > 10 * LEAST_FOLIAGE_SHARE
