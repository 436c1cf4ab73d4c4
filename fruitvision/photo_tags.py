"""What a photo's EXIF tags say of its date, place and lens."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Any

from PIL import ExifTags
from PIL import Image as PillowImage


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoTags:
    """What the EXIF tags of a photo say. Whatever makes no sense is left out."""

    taken_at: datetime | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    lens: str = ""
    focal_35mm: float | None = None


def tags_of(opened: PillowImage.Image) -> PhotoTags:
    """Date, place and lens of a picture that Pillow has opened and not yet decoded."""
    try:
        tags = opened.getexif()
        main = dict(tags)
        more = tags.get_ifd(ExifTags.IFD.Exif)
        place = tags.get_ifd(ExifTags.IFD.GPSInfo)
    except Exception:
        # A photo with broken tags is still a photo.
        return PhotoTags()
    latitude_deg, longitude_deg = _place(place)
    return PhotoTags(
        taken_at=_taken_at(more),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        lens=_lens(main, more),
        focal_35mm=None if _is_cropped(more, opened.size) else _focal_35mm(more),
    )


def _taken_at(more: Mapping[int, Any]) -> datetime | None:
    """When the shutter opened; the tag of the file's last change is not asked."""
    for date_tag, offset_tag in (
        (ExifTags.Base.DateTimeOriginal, ExifTags.Base.OffsetTimeOriginal),
        (ExifTags.Base.DateTimeDigitized, ExifTags.Base.OffsetTimeDigitized),
    ):
        day, _, time = _text(more.get(date_tag)).partition(" ")
        moment = f"{day.replace(':', '-')}T{time}"
        for offset in (_text(more.get(offset_tag)), ""):
            try:
                return datetime.fromisoformat(moment + offset)
            except ValueError:
                continue
    return None


def _place(place: Mapping[int, Any]) -> tuple[float | None, float | None]:
    tag = ExifTags.GPS
    latitude = _degrees(place.get(tag.GPSLatitude), place.get(tag.GPSLatitudeRef), "S", 90)
    longitude = _degrees(place.get(tag.GPSLongitude), place.get(tag.GPSLongitudeRef), "W", 180)
    if latitude is None or longitude is None or (latitude == 0 and longitude == 0):
        # 0°, 0° is what some phones write before they know.
        return None, None
    return latitude, longitude


def _degrees(parts: Any, side: Any, negative: str, limit: float) -> float | None:
    try:
        degrees, minutes, seconds = (float(part) for part in parts)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    value = degrees + minutes / 60 + seconds / 3600
    if not 0 <= value <= limit:
        return None
    return -value if _text(side).upper() == negative else value


def _lens(main: Mapping[int, Any], more: Mapping[int, Any]) -> str:
    """Make, model and lens in one line, nothing twice."""
    words = ""
    for part in (
        _text(more.get(ExifTags.Base.LensModel)),
        _text(main.get(ExifTags.Base.Model)),
        _text(main.get(ExifTags.Base.Make)),
    ):
        if part and not words.lower().startswith(part.lower()):
            words = f"{part} {words}".strip()
    return words


def _focal_35mm(more: Mapping[int, Any]) -> float | None:
    try:
        focal = float(more.get(ExifTags.Base.FocalLengthIn35mmFilm, 0))
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    # 0 means unknown (EXIF 2.32). Beyond 5 to 1,000 mm it is a slip.
    return focal if 5 <= focal <= 1000 else None


def _is_cropped(more: Mapping[int, Any], size_px: tuple[int, int]) -> bool:
    """Whether the picture lost the shape that the camera gave it: then its focal length is off."""
    try:
        sides = [
            float(more[tag])
            for tag in (ExifTags.Base.ExifImageWidth, ExifTags.Base.ExifImageHeight)
        ]
    except (KeyError, TypeError, ValueError, ZeroDivisionError):
        return False
    if not min(sides) > 0:
        return False
    shape, shape_taken = max(size_px) / min(size_px), max(sides) / min(sides)
    return not isfinite(shape_taken) or abs(shape / shape_taken - 1) > 0.01


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="replace")
    return value.replace("\0", "").strip() if isinstance(value, str) else ""
