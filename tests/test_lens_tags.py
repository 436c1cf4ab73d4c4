"""What tags say of the lens: focal length, zoom, crops, turns; what is absurd is not believed."""

import numpy as np
import pytest
from PIL import ExifTags

from fruitvision.domain import Doubt
from fruitvision.lens_tags import LensTags, lens_tags

TAG = ExifTags.Base
SIZE = (4000, 3000)


def tags(size_px: tuple[int, int] = SIZE, orientation: object = 1, **more: object) -> LensTags:
    named = {getattr(TAG, name): value for name, value in more.items()}
    main = {TAG.Make: "Larkhill", TAG.Model: "Nine"}
    return lens_tags(main, named, size_px=size_px, orientation=orientation)


def test_the_equivalent_is_taken_as_it_is_where_nothing_was_zoomed() -> None:
    found = tags(FocalLengthIn35mmFilm=26, FocalLength=5.43)
    assert (found.focal_35mm, found.focal_mm, found.zoom, found.doubts) == (26, 5.43, 1, ())


def test_a_phone_is_its_make_and_model_and_a_lens_has_a_name_of_its_own() -> None:
    found = tags(LensModel="back camera 5.4mm f/1.8\0")
    assert found.phone == "Larkhill Nine"
    assert found.lens == "Larkhill Nine back camera 5.4mm f/1.8"


def test_a_sensor_of_known_pixels_gives_the_focal_length() -> None:
    # 4000 px of 1.4 µm are 5.6 mm: 10,000 / 14 px per mm times 5.43 mm are 3878.6 px; the diagonal
    # of 5000 px is 43.27 mm on film: 33.56 mm.
    inch = tags(FocalLength=5.43, FocalPlaneXResolution=25.4e3 / 1.4)
    centimetre = tags(
        FocalLength=5.43, FocalPlaneXResolution=10e3 / 1.4, FocalPlaneResolutionUnit=3
    )
    assert inch.focal_35mm == pytest.approx(33.56, abs=0.01)
    assert centimetre.focal_35mm == pytest.approx(inch.focal_35mm)


def test_a_photo_made_smaller_keeps_its_equivalent_and_says_so() -> None:
    found = tags(
        (2000, 1500),
        FocalLength=5.43,
        FocalPlaneXResolution=25.4e3 / 1.4,
        ExifImageWidth=4000,
        ExifImageHeight=3000,
    )
    assert found.focal_35mm == pytest.approx(33.56, abs=0.01)
    assert found.doubts == (Doubt.PHOTO_RESIZED,)


@pytest.mark.parametrize("size", [(3000, 3000), (4000, 2250), (3000, 4000 - 50)])
def test_a_photo_cut_to_another_shape_has_no_focal_length(size: tuple[int, int]) -> None:
    found = tags(size, FocalLengthIn35mmFilm=26, ExifImageWidth=4000, ExifImageHeight=3000)
    assert found.focal_35mm is None
    assert found.doubts == (Doubt.PHOTO_CROPPED,)


@pytest.mark.parametrize("size", [(4000, 3000), (3000, 4000)])
def test_a_turned_photo_is_not_a_cropped_one(size: tuple[int, int]) -> None:
    found = tags(size, FocalLengthIn35mmFilm=26, ExifImageWidth=4000, ExifImageHeight=3000)
    assert (found.focal_35mm, found.doubts) == (26, ())


@pytest.mark.parametrize(
    "wrong",
    [
        {"FocalLengthIn35mmFilm": 4},
        {"FocalLengthIn35mmFilm": 2600},
        {"FocalLengthIn35mmFilm": 26, "FocalLength": 543},
        {"FocalLengthIn35mmFilm": 26, "FocalLength": 0.0054},
        {"FocalLength": 5.43, "FocalPlaneXResolution": 300},
    ],
    ids=["too short", "too long", "tenths of mm", "metres", "resolution of a print"],
)
def test_an_absurd_focal_length_is_not_believed(wrong: dict[str, float]) -> None:
    found = tags(**wrong)
    assert found.focal_35mm is None
    assert found.doubts == (Doubt.FOCAL_ABSURD,)


@pytest.mark.parametrize(
    "nothing",
    [
        {},
        {"FocalLengthIn35mmFilm": 0},
        {"FocalLengthIn35mmFilm": float("nan")},
        {"FocalLengthIn35mmFilm": "about 26"},
        {"FocalLengthIn35mmFilm": (26, 0)},
        {"FocalLength": 5.43},
        {"FocalLength": 5.43, "FocalPlaneXResolution": 1e4, "FocalPlaneResolutionUnit": 9},
    ],
)
def test_what_is_missing_or_no_number_is_unknown_without_blame(nothing: dict[str, object]) -> None:
    found = tags(**nothing)
    assert (found.focal_35mm, found.doubts) == (None, ())


@pytest.mark.parametrize(
    ("named", "zoom", "wanted"),
    [
        (26, 2.0, 52.0),
        (52, 2.0, 52.0),
        (24, 5.0, 120.0),
        (130, 5.0, 130.0),
        (27, 1.1, None),
        (70, 2.0, None),
    ],
    ids=["left out", "in it", "left out, far", "in it, far", "both may be", "a longer lens"],
)
def test_digital_zoom_is_told_by_what_a_main_camera_can_be(
    named: float, zoom: float, wanted: float | None
) -> None:
    found = tags(FocalLengthIn35mmFilm=named, FocalLength=5.43, DigitalZoomRatio=zoom)
    assert found.focal_35mm == (None if wanted is None else pytest.approx(wanted))
    assert found.zoom == zoom
    assert found.doubts == (Doubt.LENS_ZOOMED,)


@pytest.mark.parametrize("none", [0, 1, 1.0, 0.5, float("nan"), "x"])
def test_zoom_of_nought_or_one_is_none(none: object) -> None:
    found = tags(FocalLengthIn35mmFilm=26, DigitalZoomRatio=none)
    assert (found.focal_35mm, found.zoom, found.doubts) == (26, 1, ())


@pytest.mark.parametrize(
    ("orientation", "turned"),
    [(1, 0), (3, 180), (6, 90), (8, 270), (5, None), (0, None), (None, None), ("6", None)],
)
def test_the_turn_is_read_and_a_mirrored_one_is_not_known(
    orientation: object, turned: int | None
) -> None:
    assert tags(orientation=orientation).turned_deg == turned


@pytest.mark.parametrize(("stored", "turned"), [(6, 90), (8, 270), (3, 180)])
def test_the_turn_is_what_makes_the_picture_upright(stored: int, turned: int) -> None:
    # By Pillow: what it turns an L-shaped picture by.
    from PIL import Image, ImageOps

    sensor = np.zeros((4, 6), np.uint8)
    sensor[0, :2] = 255
    picture = Image.fromarray(sensor)
    exif = picture.getexif()
    exif[TAG.Orientation] = stored
    picture.info["exif"] = exif.tobytes()
    upright = np.asarray(ImageOps.exif_transpose(picture))
    assert np.array_equal(upright, np.rot90(sensor, -turned // 90))
    assert tags(orientation=stored).turned_deg == turned
