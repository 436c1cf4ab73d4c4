"""References of a photo through the whole measurement: pointed at, by colour, refused in words."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as PillowImage

from fruitvision.domain import DepthGrade, Doubt, PointedReference, ReferenceKind
from fruitvision.field_table import FieldTable
from fruitvision.fruit.detector import Detections, Image
from fruitvision.photo import photo_id_of
from fruitvision.pipeline.photos import measure_photo, measure_photos
from fruitvision.pipeline.references import by_name, find_all_references, point_at
from fruitvision.reference_table import ReferenceRow, read_references
from fruitvision.settings import Settings
from fruitvision.store import open_farm
from tests.scenes import Ball, Camera, Marker, draw_scene, photo_of, true_outline_px

CAMERA = Camera(width_px=480, height_px=400, focal_px=800.0)
PHOTO = photo_of(CAMERA)
# A little nearer, and at the depth of the marker.
NEAR = Ball(centre_mm=(-180.0, 60.0, 900.0), diameter_mm=60.0, colour=(0.03, 0.10, 0.45))
FAR = Ball(centre_mm=(150.0, -90.0, 1000.0), diameter_mm=60.0, colour=(0.03, 0.10, 0.45))
MARKER = Marker(centre_mm=(190.0, 150.0, 1000.0), side_mm=100.0)
SETTINGS = Settings(marker_side_mm=100.0)


@pytest.fixture(scope="module")
def image() -> Image:
    return draw_scene(CAMERA, (NEAR, FAR, MARKER), rays_per_side=4)


@dataclass(frozen=True)
class BallsAreFruit:
    """A detector that takes every ball for a fruit, and sees a true one below them."""

    name: str = "test"
    version: str = "1"
    limits: str = ""
    count_error: float = 0.0
    facts: tuple[str, ...] = ()

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        outlines = np.array(
            [*(true_outline_px(CAMERA, ball) for ball in (NEAR, FAR)), (240, 330, 60, 55, 0)]
        )
        boxes = np.hstack([outlines[:, :2] - 20, outlines[:, :2] + 20])
        return Detections(
            outlines=outlines,
            masks=tuple(np.ones((40, 40), dtype=bool) for _ in outlines),
            mask_origins=boxes[:, :2].astype(np.int64),
            visible_shares=np.ones(3),
            scores=np.ones(3),
            on_this_row=np.ones(3, dtype=bool),
            boxes=boxes,
        )

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        return self.detect(image, mm_per_px=mm_per_px)


def pointed_ball(ball: Ball, size_mm: float = 60.0) -> PointedReference:
    x, y, long, *_ = (float(one) for one in true_outline_px(CAMERA, ball))
    half = long / 2 + 3
    return PointedReference(
        kind=ReferenceKind.BALL, size_mm=size_mm, box_px=(x - half, y - half, x + half, y + half)
    )


def box(x0: float, y0: float, x1: float, y1: float, kind: ReferenceKind) -> PointedReference:
    return PointedReference(kind=kind, size_mm=60.0, box_px=(x0, y0, x1, y1))


def saved(image: Image, folder: Path, name: str = "row.png") -> Path:
    PillowImage.fromarray(image).save(folder / name)
    return folder / name


def test_balls_and_marker_give_one_scale_and_are_no_fruit(image: Image, tmp_path: Path) -> None:
    pointed = (pointed_ball(NEAR), pointed_ball(FAR))
    path = saved(image, tmp_path)
    measured = measure_photo(path, detector=BallsAreFruit(), settings=SETTINGS, pointed=pointed)
    assert [ball.doubts for ball in measured.balls] == [(), ()]
    assert measured.scale is not None
    assert measured.scale.grade is DepthGrade.REFERENCES
    (fruit,) = measured.fruit
    assert (fruit.centre_x_px, fruit.centre_y_px) == pytest.approx((240, 330), abs=5)


def test_balls_alone_are_enough(image: Image) -> None:
    blank = image.copy()
    blank[280:400, 320:480] = 60
    found = find_all_references(blank, PHOTO, (pointed_ball(NEAR),), SETTINGS)
    assert found.references == ()
    (ball,) = found.balls
    assert ball.mm_per_px == pytest.approx(900 / CAMERA.focal_px, rel=0.01)


def test_a_ball_that_is_pointed_at_is_not_found_again_by_colour(image: Image) -> None:
    settings = replace(SETTINGS, ball_diameter_mm=60.0, ball_colour="blue")
    found = find_all_references(image, PHOTO, (pointed_ball(NEAR),), settings)
    assert sorted(ball.found_by for ball in found.balls) == ["colour", "person"]


def test_a_square_has_the_side_that_was_stated(image: Image) -> None:
    (marker,) = find_all_references(image, PHOTO, (), SETTINGS).references
    x, y = np.mean(marker.corners_px, axis=0)
    stated = replace(box(x - 50, y - 50, x + 50, y + 50, ReferenceKind.SQUARE), size_mm=120.0)
    (again,) = find_all_references(image, PHOTO, (stated,), SETTINGS).references
    assert again.side_mm == 120.0
    assert again.mm_per_px == pytest.approx(1.2 * marker.mm_per_px)


def test_a_marker_of_another_number_is_doubted_until_its_side_is_stated() -> None:
    marker = Marker(centre_mm=(0.0, 0.0, 1000.0), side_mm=100.0, marker_id=12)
    drawn = draw_scene(CAMERA, (marker,), rays_per_side=3)
    found = find_all_references(drawn, PHOTO, (), SETTINGS)
    assert Doubt.MARKER_OTHER in found.doubts
    (seen,) = found.references
    x, y = np.mean(seen.corners_px, axis=0)
    stated = replace(box(x - 50, y - 50, x + 50, y + 50, ReferenceKind.SQUARE), size_mm=100.0)
    assert find_all_references(drawn, PHOTO, (stated,), SETTINGS).doubts == ()


@pytest.mark.parametrize(
    ("pointed", "words"),
    [
        (box(900, 20, 960, 80, ReferenceKind.BALL), "leaves the picture of 480 × 400 px"),
        (box(10, 10, 70, 70, ReferenceKind.SQUARE), "No marker can be read in the box"),
    ],
    ids=["outside", "no marker"],
)
def test_what_is_not_there_is_said_and_the_rest_goes_on(
    image: Image, pointed: PointedReference, words: str
) -> None:
    found = find_all_references(image, PHOTO, (pointed, pointed_ball(NEAR)), SETTINGS)
    assert found.doubts == (Doubt.REFERENCE_REFUSED,)
    assert words in found.remarks[0]
    assert len(found.references) == len(found.balls) == 1


def test_two_sheets_of_different_sides_with_one_number_give_no_scale(tmp_path: Path) -> None:
    sheets = (
        Marker(centre_mm=(-150.0, 0.0, 1000.0), side_mm=100.0),
        Marker(centre_mm=(120.0, 0.0, 1000.0), side_mm=130.0),
    )
    path = saved(draw_scene(CAMERA, sheets, rays_per_side=4), tmp_path)
    measured = measure_photo(path, detector=BallsAreFruit(), settings=SETTINGS)
    assert measured.scale is None
    assert Doubt.MARKERS_DISAGREE in measured.doubts
    assert measured.remarks[0].count("marker 7 at") == 2
    assert all(fruit.diameter_mm is None for fruit in measured.fruit)


# ---------------------------------------------------------------- the table and the farm


def table_of(folder: Path, *lines: str) -> FieldTable[ReferenceRow]:
    path = folder / "references.csv"
    path.write_text("photo,kind,size_mm,x0,y0,x1,y1\n" + "\n".join(lines), encoding="utf-8")
    return read_references(path)


def test_the_farm_keeps_what_was_pointed_at_and_measures_anew(image: Image, tmp_path: Path) -> None:
    path = saved(image, tmp_path)
    photo_id = photo_id_of(path)
    x0, y0, x1, y1 = (round(one) for one in pointed_ball(NEAR).box_px)
    with open_farm(tmp_path / "farm") as store:
        plain = measure_photos([path], store=store, settings=SETTINGS, detector_name="classical")
        assert plain.photos[0].balls == ()
        table = table_of(
            tmp_path, f"row.png,ball,60,{x0},{y0},{x1},{y1}", "none.png,ball,60,1,1,50,50"
        )
        refused = point_at(table, by_name([path]), store)
        assert ["no photo none.png" in row.what for row in refused] == [True]
        again = measure_photos([path], store=store, settings=SETTINGS, detector_name="classical")
        assert len(again.photos[0].balls) == 1
        # The same table again forgets nothing.
        point_at(table, by_name([path]), store)
        assert [one.balls for one in store.measured_photos()] == [again.photos[0].balls]
        assert store.pointed_references(photo_id)[0].size_mm == 60.0


def test_a_name_that_two_photos_share_stands_for_none(tmp_path: Path) -> None:
    one, other = tmp_path / "a" / "x.jpg", tmp_path / "b" / "x.jpg"
    assert set(by_name([one, other])) == {one.as_posix(), other.as_posix()}
