"""What a photo's EXIF tags say of its date, place and lens."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from PIL import ExifTags
from PIL import Image as PillowImage

from fruitvision.lens_tags import TAG, LensTags, lens_tags, text_of


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoTags:
    """What the EXIF tags of a photo say. Whatever makes no sense is left out."""

    taken_at: datetime | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    lens: LensTags = field(default_factory=LensTags)


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
        lens=lens_tags(
            main,
            more,
            size_px=opened.size,
            # A HEIC arrives turned, its tag cleared and kept here.
            orientation=opened.info.get("original_orientation", main.get(TAG.Orientation)),
        ),
    )


def _taken_at(more: Mapping[int, Any]) -> datetime | None:
    """When the shutter opened; the tag of the file's last change is not asked."""
    for date_tag, offset_tag in (
        (ExifTags.Base.DateTimeOriginal, ExifTags.Base.OffsetTimeOriginal),
        (ExifTags.Base.DateTimeDigitized, ExifTags.Base.OffsetTimeDigitized),
    ):
        day, _, time = text_of(more.get(date_tag)).partition(" ")
        moment = f"{day.replace(':', '-')}T{time}"
        for offset in (text_of(more.get(offset_tag)), ""):
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
    return -value if text_of(side).upper() == negative else value
