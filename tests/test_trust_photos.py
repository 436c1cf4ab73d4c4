"""What leaves the farm says nowhere where a photo was taken, and originals never change."""

from __future__ import annotations

import hashlib
import struct
from base64 import b85decode
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, TiffImagePlugin
from PIL import Image as PillowImage
from PIL.PngImagePlugin import PngInfo

from fruitvision.errors import PhotoUnreadable
from fruitvision.export import write_fruit_csv, write_photos_csv
from fruitvision.overlay import draw_overlay, small_jpeg, write_overlay
from fruitvision.photo import read_photo
from fruitvision.photo_place import without_place
from fruitvision.pipeline.outlines import Outlines, write_outlines
from fruitvision.thumbnail import thumbnail
from fruitvision.unit_system import METRIC
from tests import records
from tests.test_photo import HEIC

# 47° 36' 12.34" N, 9° 25' 6.78" E: nowhere in particular.
LATITUDE, LONGITUDE = (47.0, 36.0, 12.34), (9.0, 25.0, 6.78)
NOTE = b"taken by Ines Lark at home"
XMP = (
    b'<?xpacket begin=""?><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:Description '
    b'exif:GPSLatitude="47,36.2N"/></x:xmpmeta><?xpacket end="w"?>'
)


def _exif(orientation: int = 6) -> PillowImage.Exif:
    exif = PillowImage.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.Model] = "Test phone 3"
    exif[ExifTags.Base.Artist] = NOTE.decode()
    more = exif.get_ifd(ExifTags.IFD.Exif)
    more[ExifTags.Base.DateTimeOriginal] = "2026:08:12 09:30:00"
    more[ExifTags.Base.FocalLength] = TiffImagePlugin.IFDRational(57, 10)
    more[ExifTags.Base.MakerNote] = b"maker " + NOTE
    place = exif.get_ifd(ExifTags.IFD.GPSInfo)
    place[ExifTags.GPS.GPSLatitudeRef], place[ExifTags.GPS.GPSLongitudeRef] = "N", "E"
    place[ExifTags.GPS.GPSLatitude] = LATITUDE
    place[ExifTags.GPS.GPSLongitude] = LONGITUDE
    return exif


def _picture(seed: int = 1) -> PillowImage.Image:
    draw = np.random.default_rng(seed)
    rough = draw.integers(0, 255, (30, 20, 3), dtype=np.uint8)
    return PillowImage.fromarray(rough).resize((200, 300))


def _written(ending: str) -> bytes:
    stream = BytesIO()
    picture, exif = _picture(), _exif()
    if ending == "jpg":
        picture.save(stream, "JPEG", exif=exif, quality=90, comment=NOTE, xmp=XMP)
    elif ending == "progressive.jpg":
        picture.save(stream, "JPEG", exif=exif, progressive=True, restart_marker_rows=2)
    elif ending == "mpo.jpg":
        second = _picture(2)
        more = {"save_all": True, "append_images": [second]}
        picture.save(stream, "MPO", exif=exif, **more)
        return stream.getvalue() + b"\0\0\0\x18ftypmp42 a film of the place " + XMP
    elif ending == "png":
        told = PngInfo()
        told.add_text("Comment", NOTE.decode())
        told.add_itxt("XML:com.adobe.xmp", XMP.decode())
        picture.save(stream, "PNG", exif=exif, pnginfo=told)
    elif ending == "tif":
        told = TiffImagePlugin.ImageFileDirectory_v2()
        told[ExifTags.IFD.GPSInfo] = dict(exif.get_ifd(ExifTags.IFD.GPSInfo))
        told[ExifTags.IFD.Exif] = {ExifTags.Base.DateTimeOriginal.value: "2026:08:12 09:30:00"}
        told[ExifTags.Base.Artist] = NOTE.decode()
        told[ExifTags.Base.Model] = "Test phone 3"
        picture.save(stream, "TIFF", tiffinfo=told)
    else:
        return _heic(b85decode(HEIC[6]), exif.tobytes())
    return stream.getvalue()


def _heic(content: bytes, exif: bytes) -> bytes:
    """The picture with other tags: they are its last item, whose place and length iloc tells."""
    offset, length = 580, 128
    assert len(content) == offset + length
    known = content.index(struct.pack(">IHII", offset, 1, 0, length))
    box = content.index(b"mdat") - 4
    new = struct.pack(">I", 6) + exif
    changed = bytearray(content[:offset] + new)
    struct.pack_into(">I", changed, known + 10, len(new))
    struct.pack_into(">I", changed, box, len(changed) - box)
    return bytes(changed)


ENDINGS = ["jpg", "progressive.jpg", "mpo.jpg", "png", "tif", "heic"]


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_photo_that_leaves_has_its_pixels_date_and_lens_and_no_place(
    ending: str, tmp_path: Path
) -> None:
    before, after = tmp_path / f"before.{ending}", tmp_path / f"after.{ending}"
    content = _written(ending)
    before.write_bytes(content)
    image, photo = read_photo(before)
    assert photo.latitude_deg is not None, "a photo without a place proves nothing"
    cleaned = without_place(content, before.name)
    after.write_bytes(cleaned)
    image_after, photo_after = read_photo(after)
    assert (photo_after.latitude_deg, photo_after.longitude_deg) == (None, None)
    np.testing.assert_array_equal(image, image_after)
    for field in ("taken_at", "phone", "focal_mm", "width_px", "height_px", "turned_deg"):
        assert getattr(photo_after, field) == getattr(photo, field)
    with PillowImage.open(BytesIO(cleaned)) as opened:
        assert not any(opened.getexif().get_ifd(ExifTags.IFD.GPSInfo).values())
    for private in (NOTE, b"GPSLatitude", b"a film of the place"):
        assert private not in cleaned
    assert without_place(cleaned, "again") == cleaned


def test_a_photo_that_says_nothing_private_is_written_byte_by_byte() -> None:
    stream = BytesIO()
    _picture().save(stream, "JPEG")
    assert without_place(stream.getvalue(), "a.jpg") == stream.getvalue()


@pytest.mark.parametrize("keep", [3, 40, 400, -300])
def test_a_photo_that_is_cut_short_is_refused_in_words(keep: int) -> None:
    with pytest.raises(PhotoUnreadable, match=r"a\.jpg can't be written without its place"):
        without_place(_written("jpg")[:keep], "a.jpg")


def test_training_data_leave_without_places_and_the_originals_stay(tmp_path: Path) -> None:
    content = _written("jpg")
    file = tmp_path / "farm" / f"{hashlib.sha256(content).hexdigest()}.jpg"
    file.parent.mkdir()
    file.write_bytes(content)
    outlines = Outlines(coco=b"{}", photo_list=b"", files=(file,), unchecked=0, refused=())
    write_outlines(outlines, tmp_path / "out")
    left = (tmp_path / "out" / "photos" / file.name).read_bytes()
    assert left != content
    with PillowImage.open(BytesIO(left)) as opened:
        assert not any(opened.getexif().get_ifd(ExifTags.IFD.GPSInfo).values())
    assert hashlib.sha256(file.read_bytes()).hexdigest() == file.stem


def test_small_and_drawn_pictures_and_tables_of_photos_hold_no_place(tmp_path: Path) -> None:
    path = tmp_path / "IMG_1.jpg"
    path.write_bytes(_written("jpg"))
    image, photo = read_photo(path)
    measured = records.measured("ab" * 32)
    write_overlay(image, measured, tmp_path / "drawn.jpg", METRIC.diameter)
    (tmp_path / "small.jpg").write_bytes(thumbnail(path, tmp_path / "kept.jpg"))
    (tmp_path / "shown.jpg").write_bytes(
        small_jpeg(draw_overlay(image, measured, METRIC.diameter), 200)
    )
    for name in ("drawn.jpg", "small.jpg", "shown.jpg", "kept.jpg"):
        with PillowImage.open(tmp_path / name) as opened:
            assert dict(opened.getexif()) == {}
    assert photo.latitude_deg == pytest.approx(47.60343, abs=1e-4)
    write_photos_csv([measured], tmp_path / "photos.csv")
    write_fruit_csv([measured], tmp_path / "fruit.csv")
    for name in ("photos.csv", "fruit.csv"):
        assert "latitude" not in (tmp_path / name).read_text(encoding="utf-8")
