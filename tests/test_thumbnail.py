"""Small pictures: right way up, kept, made again where they are missing."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fruitvision.errors import PhotoUnreadable, StoreError
from fruitvision.photo import photo_id_of, read_photo, read_small
from fruitvision.pipeline.pictures import thumbnail_of
from fruitvision.store import FarmStore, open_farm
from fruitvision.thumbnail import THUMBNAIL_PX, thumbnail

# Turn of a phone that was held upright: the top of the scene is the left of the file.
ORIENTATION, TURNED = 274, 6


def _photo(path: Path, *, turned: bool = False) -> Path:
    """2000 x 1500 px, its left third red, the rest blue."""
    pixels = np.zeros((1500, 2000, 3), np.uint8)
    pixels[:, :667, 0] = pixels[:, 667:, 2] = 200
    exif = Image.Exif()
    if turned:
        exif[ORIENTATION] = TURNED
    Image.fromarray(pixels).save(path, quality=90, exif=exif)
    return path


def _kept(folder: Path, photo: Path) -> tuple[FarmStore, str]:
    store, photo_id = open_farm(folder), photo_id_of(photo)
    store.keep_photo(photo, photo_id)
    return store, photo_id


def test_a_thumbnail_is_small_and_stands_upright(tmp_path: Path) -> None:
    content = thumbnail(_photo(tmp_path / "a.jpg", turned=True), tmp_path / "kept" / "a.jpg")
    picture = Image.open(BytesIO(content))
    # 2000 x 1500 on its side is 1500 x 2000: 480 px high, 360 wide, red on top.
    assert picture.size == (THUMBNAIL_PX * 3 // 4, THUMBNAIL_PX)
    red, blue = picture.getpixel((180, 40)), picture.getpixel((180, 440))
    assert isinstance(red, tuple)
    assert isinstance(blue, tuple)
    assert red[0] > 150 > red[2]
    assert blue[2] > 150 > blue[0]


@pytest.mark.parametrize("turned", [False, True])
def test_a_reduced_picture_is_the_whole_one_made_small(tmp_path: Path, turned: bool) -> None:
    path = _photo(tmp_path / "a.jpg", turned=turned)
    whole, small = read_photo(path)[0], read_small(path, 500)
    assert small.shape == (whole.shape[0] // 4, whole.shape[1] // 4, 3)
    apart = np.abs(small.astype(int) - whole[1::4, 1::4]).mean()
    assert apart < 2


def test_a_small_picture_is_not_made_larger(tmp_path: Path) -> None:
    Image.new("L", (40, 30), 100).save(tmp_path / "a.png")
    assert read_small(tmp_path / "a.png", 480).shape == (30, 40, 3)


def test_a_thumbnail_is_made_once_and_again_where_it_was_deleted(tmp_path: Path) -> None:
    store, photo_id = _kept(tmp_path / "farm", _photo(tmp_path / "a.jpg"))
    first = thumbnail_of(photo_id, store)
    (kept,) = (tmp_path / "farm" / "thumbnails").iterdir()
    assert kept.read_bytes() == first
    kept.write_bytes(b"as it lies there")
    assert thumbnail_of(photo_id, store) == b"as it lies there"
    kept.unlink()
    assert thumbnail_of(photo_id, store) == first


def test_a_photo_that_is_missing_or_damaged_is_said(tmp_path: Path) -> None:
    store, _ = _kept(tmp_path / "farm", _photo(tmp_path / "a.jpg"))
    with pytest.raises(StoreError, match="not in"):
        thumbnail_of("0" * 64, store)
    (tmp_path / "b.jpg").write_bytes(b"no picture")
    with pytest.raises(PhotoUnreadable):
        thumbnail(tmp_path / "b.jpg", tmp_path / "kept.jpg")
    assert not (tmp_path / "kept.jpg").exists()


def test_a_folder_that_cannot_be_written_costs_no_picture(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    content = thumbnail(_photo(tmp_path / "a.jpg"), tmp_path / "file" / "a.jpg")
    assert Image.open(BytesIO(content)).size == (480, 360)
