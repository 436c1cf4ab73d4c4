"""What a photo's EXIF tags say of the lens that took it, and whether they can be believed.

From Exif 2.32 and 3.0 (CIPA DC-008, from memory): FocalLengthIn35mmFilm is the focal length of a
35 mm film camera with the same picture, 0 where it is unknown. DigitalZoomRatio is how many times
the picture was enlarged by cutting, 0 where it was not. PixelXDimension and PixelYDimension are the
size of the picture as the camera recorded it. FocalPlaneXResolution is the pixels of the recorded
picture per FocalPlaneResolutionUnit on the sensor. **Whether FocalLengthIn35mmFilm includes the
digital zoom, the standard does not say**, and phones differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, isfinite
from typing import Any

from PIL import ExifTags

from fruitvision.domain import Doubt, Doubts

TAG = ExifTags.Base

# 35 mm equivalents that are believed, mm. Our choice: the widest lenses of phones have 12 to 14 mm,
# the longest 240 mm; a whole tree is photographed with less.
LEAST_35MM, MOST_35MM = 10.0, 300.0
# Times that film's diagonal is longer than the sensor's. Our choice: 0.79 for medium format, 10 for
# the smallest sensors of phones. Beyond it one of the two focal lengths is a slip.
LEAST_CROP, MOST_CROP = 0.5, 15.0
# Main cameras of phones, mm: 23 to 28 (from memory), and room for rounding.
LEAST_MAIN_35MM, MOST_MAIN_35MM = 21.0, 31.0
# Ratios that differ by less than this are alike: focal lengths are rounded to whole mm.
_ALIKE = 0.01
# Diagonal of a picture on 35 mm film, mm (CIPA DCG-001).
DIAGONAL_35MM = 43.2666
# FocalPlaneResolutionUnit in mm: inch and centimetre; 4 and 5 (mm, µm) are common, not standard.
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
# How far the orientation tag turns the picture clockwise; mirrored ones are not known here.
_TURNS = {1: 0, 3: 180, 6: 90, 8: 270}


@dataclass(frozen=True, slots=True, kw_only=True)
class LensTags:
    """The lens as `Photo` has it, with doubts about what the tags say."""

    phone: str = ""
    lens: str = ""
    focal_35mm: float | None = None
    focal_mm: float | None = None
    zoom: float = 1.0
    turned_deg: int | None = None
    doubts: Doubts = ()


def lens_tags(
    main: Mapping[int, Any], more: Mapping[int, Any], *, size_px: tuple[int, int], orientation: Any
) -> LensTags:
    """Phone, lens, focal lengths, zoom and turn of a photo.

    Parameters
    ----------
    main, more : mapping
        Tags of the first directory and of the EXIF directory, by number.
    size_px : tuple of int
        The file's real width and height, turned or not.
    orientation : int or anything else
        The orientation tag as it was before the picture was turned.

    Returns
    -------
    LensTags
        A focal length that is missing, absurd, of a cropped photo or of unclear zoom is None, with
        PHOTO_CROPPED, FOCAL_ABSURD and LENS_ZOOMED among the doubts.
    """
    zoom = _zoom(more)
    focal_mm = _number(more, TAG.FocalLength)
    doubts: Doubts = (Doubt.LENS_ZOOMED,) if zoom > 1 else ()
    focal_35mm, absurd = _believed(more, focal_mm, zoom, size_px)
    if absurd:
        doubts = (*doubts, Doubt.FOCAL_ABSURD)
    if (change := _size_doubt(more, size_px)) is not None:
        doubts = (change, *doubts)
    return LensTags(
        phone=_in_one_line(main.get(TAG.Model), main.get(TAG.Make)),
        lens=_in_one_line(more.get(TAG.LensModel), main.get(TAG.Model), main.get(TAG.Make)),
        focal_35mm=None if change is Doubt.PHOTO_CROPPED else focal_35mm,
        focal_mm=focal_mm,
        zoom=zoom,
        turned_deg=_TURNS.get(orientation) if isinstance(orientation, int) else None,
        doubts=doubts,
    )


def _believed(
    more: Mapping[int, Any], focal_mm: float | None, zoom: float, size_px: tuple[int, int]
) -> tuple[float | None, bool]:
    """35 mm equivalent of the picture as it is, and whether the tags hold an absurd one."""
    named = _number(more, TAG.FocalLengthIn35mmFilm)
    if named is None:
        found = None if zoom > 1 else _from_sensor(more, focal_mm, size_px)
        believed = found is not None and LEAST_35MM <= found <= MOST_35MM
        return (found if believed else None), found is not None and not believed
    if focal_mm is not None and not LEAST_CROP <= named / focal_mm <= MOST_CROP * zoom:
        return None, True
    if not LEAST_35MM <= named <= MOST_35MM * zoom:
        return None, True
    return (named if zoom == 1 else _zoomed(named, zoom)), False


def _zoomed(named: float, zoom: float) -> float | None:
    """35 mm equivalent with the digital zoom in it; None where the tags leave both open.

    Our choice: digital zoom starts from the main camera, so that of `named` and `named / zoom` the
    one that a main camera has is the lens.
    """
    without, within = (_is_main(named), _is_main(named / zoom))
    if without == within:
        return None
    return named * zoom if without else named


def _is_main(focal_35mm: float) -> bool:
    return LEAST_MAIN_35MM <= focal_35mm <= MOST_MAIN_35MM


def _from_sensor(
    more: Mapping[int, Any], focal_mm: float | None, size_px: tuple[int, int]
) -> float | None:
    """35 mm equivalent from focal length and the pixels per mm of the sensor."""
    per_unit = _number(more, TAG.FocalPlaneXResolution)
    unit_mm = _UNIT_MM.get(int(_number(more, TAG.FocalPlaneResolutionUnit) or 2))
    if focal_mm is None or per_unit is None or unit_mm is None:
        return None
    sides = _recorded_size(more)
    made_smaller = max(size_px) / max(sides) if sides else 1.0
    focal_px = focal_mm * per_unit / unit_mm * made_smaller
    return focal_px / hypot(*size_px) * DIAGONAL_35MM


def _size_doubt(more: Mapping[int, Any], size_px: tuple[int, int]) -> Doubt | None:
    """Whether the picture has lost the shape or the size that the camera gave it."""
    sides = _recorded_size(more)
    if sides is None:
        return None
    shape, shape_taken = max(size_px) / min(size_px), max(sides) / min(sides)
    if not abs(shape / shape_taken - 1) <= _ALIKE:
        return Doubt.PHOTO_CROPPED
    return None if max(size_px) == round(max(sides)) else Doubt.PHOTO_RESIZED


def _recorded_size(more: Mapping[int, Any]) -> tuple[float, float] | None:
    width, height = _number(more, TAG.ExifImageWidth), _number(more, TAG.ExifImageHeight)
    return None if width is None or height is None else (width, height)


def _zoom(more: Mapping[int, Any]) -> float:
    """Digital zoom; 1 where there is none, where it is not told, and where it makes no sense."""
    zoom = _number(more, TAG.DigitalZoomRatio) or 1.0
    return zoom if zoom > 1 + _ALIKE else 1.0


def _number(tags: Mapping[int, Any], tag: int) -> float | None:
    """A tag as a number above 0; 0 means unknown in all that are asked for here."""
    try:
        value = float(tags.get(tag, 0))
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return value if isfinite(value) and value > 0 else None


def _in_one_line(*parts: Any) -> str:
    """From the narrowest name to the widest, put in front of each other, nothing twice."""
    words = ""
    for part in map(text_of, parts):
        if part and not words.lower().startswith(part.lower()):
            words = f"{part} {words}".strip()
    return words


def text_of(value: Any) -> str:
    """A tag as text, without the zeros that end it; empty where it is none."""
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="replace")
    return value.replace("\0", "").strip() if isinstance(value, str) else ""
