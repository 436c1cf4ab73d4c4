"""A JPEG decoded beside Pillow: the same pixels, and nothing that Pillow would refuse."""

from io import BytesIO

import cv2
import numpy as np
import pytest
from PIL import ExifTags, ImageOps
from PIL import Image as PillowImage

from fruitvision.jpeg import decoded_jpeg, is_whole_jpeg, turned_upright

RNG = np.random.default_rng(5)
NOISE = RNG.integers(0, 256, (97, 131, 3), dtype=np.uint8)
SCENE = np.asarray(cv2.GaussianBlur(NOISE, (0, 0), 2.0), dtype=np.uint8)


def _jpeg(**how: object) -> bytes:
    written = BytesIO()
    PillowImage.fromarray(SCENE).save(written, "JPEG", **how)
    return written.getvalue()


@pytest.mark.parametrize(
    "how",
    [
        {"quality": 90},
        {"quality": 60, "subsampling": 0},
        {"quality": 75, "subsampling": 1},
        {"quality": 85, "progressive": True},
        {"quality": 90, "restart_marker_rows": 1},
        {"quality": 90, "comment": b"\xff\xd9 in a comment"},
        {"quality": 40, "optimize": True},
    ],
)
def test_pixels_are_those_of_pillow(how: dict[str, object]) -> None:
    content = _jpeg(**how)
    found = decoded_jpeg(content)
    assert found is not None
    with PillowImage.open(BytesIO(content)) as opened:
        np.testing.assert_array_equal(found, np.asarray(opened))


@pytest.mark.parametrize("orientation", [*range(10), None, "6", 1.5])
def test_every_turn_is_that_of_pillow(orientation: object) -> None:
    picture = PillowImage.fromarray(SCENE)
    if isinstance(orientation, int):
        picture.getexif()[ExifTags.Base.Orientation] = orientation
    upright = np.asarray(ImageOps.exif_transpose(picture))
    found = turned_upright(SCENE, orientation)
    np.testing.assert_array_equal(found, upright)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_is_whole_to_its_last_byte_only(progressive: bool) -> None:
    content = _jpeg(quality=80, progressive=progressive)
    assert is_whole_jpeg(content)
    assert is_whole_jpeg(content + b"what a phone hangs on")
    cut = [content[:end] for end in [*range(0, len(content), 97), len(content) - 1]]
    assert not any(is_whole_jpeg(part) for part in cut)
    assert decoded_jpeg(content[:-2]) is None


def test_a_marker_where_none_can_be_is_left_to_pillow() -> None:
    content = bytearray(_jpeg(quality=80))
    # 0xC8 is kept for extensions and never written (ITU-T T.81, table B.1).
    content[-40:-38] = b"\xff\xc8"
    assert not is_whole_jpeg(bytes(content))


def test_what_is_no_jpeg_is_not_decoded() -> None:
    written = BytesIO()
    PillowImage.fromarray(SCENE).save(written, "PNG")
    assert [decoded_jpeg(one) for one in (b"", b"\xff\xd8", written.getvalue())] == [None] * 3
