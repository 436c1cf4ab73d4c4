"""Step 1: a file becomes an upright picture, with its date, place, lens, sharpness and exposure.

Every format is opened by Pillow, so that the orientation tag is applied once: Pillow turns a
TIFF and libheif turns a HEIC while decoding, and both clear the tag; the others are turned here.
The pixels of a whole JPEG are decoded beside it (`jpeg.py`), all others by it.
"""

from __future__ import annotations

import hashlib
import re
import warnings
from collections.abc import Callable, Iterable
from datetime import date, datetime
from io import BytesIO
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, ImageOps, UnidentifiedImageError
from PIL import Image as PillowImage

from fruitvision.domain import Doubt, Doubts, Photo
from fruitvision.errors import PhotoUnreadable
from fruitvision.jpeg import decoded_jpeg, turned_upright
from fruitvision.photo_folder import MOST_FILE_BYTES
from fruitvision.photo_tags import PhotoTags, tags_of

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]
T = TypeVar("T")

# Endings of files that are taken for photos when a folder is given.
PHOTO_ENDINGS = (".heic", ".heif", ".jpeg", ".jpg", ".png", ".tif", ".tiff")
# JPEG stands also for MPO, what some phones write: a second picture behind the first.
_FORMATS = ("JPEG", "PNG", "TIFF", "HEIF")
# Limits against files made to fill the memory. Our choice: the largest phone pictures that are
# not stitched have 108 million pixels at 8 bits (a 200-megapixel mode exists and is refused).
MOST_PIXELS = 120_000_000
MOST_BYTES = MOST_FILE_BYTES

# Below this a photo is called blurred (see `sharpness_of`). Over 257 orchard photos at 2.7
# thousand px none lies below (least 1.39, middle 4.6). Of blurred copies of 65 of them all do:
# Gaussian blur of sigma 4 px (at most 0.48) and motion of 12 px (1.15), 16 px (0.75), 24 px (0.68).
LEAST_SHARPNESS = 1.2
# Mean grey, 0 to 1. Our choice; the same orchard photos lie between 0.49 and 0.75.
LEAST_BRIGHTNESS = 0.15
MOST_BRIGHTNESS = 0.85

# Long side at which sharpness is judged, px, so that cameras compare. Our choice: on a canopy
# that fills the picture a fruit is then about 30 px wide.
_JUDGED_SIDE_PX = 1280


def read_photo(path: Path) -> tuple[Image, Photo]:
    """The upright picture and what is known of it.

    Parameters
    ----------
    path : Path
        JPEG, PNG, HEIC or TIFF, told by content, not by name. Of several pictures the first.

    Returns
    -------
    image : (H, W, 3) uint8, RGB
        16 bits are brought to 8, transparency is dropped, colour profiles are not applied.
    photo : Photo
        With BLURRED, TOO_DARK, TOO_BRIGHT, NO_DATE and those of `lens_tags` among its doubts.
        `taken_at` carries the time zone only if the photo does.

    Raises
    ------
    PhotoUnreadable
        If it is missing, no file, not allowed, empty, too large, damaged or no picture.
    """
    content = _content(path)
    image, tags = _decode(content, path.name)
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    sharpness, brightness = sharpness_of(grey), cv2.mean(grey)[0] / 255
    height_px, width_px = grey.shape
    photo = Photo(
        photo_id=hashlib.sha256(content).hexdigest(),
        name=path.name,
        width_px=width_px,
        height_px=height_px,
        taken_at=tags.taken_at,
        latitude_deg=tags.latitude_deg,
        longitude_deg=tags.longitude_deg,
        phone=tags.lens.phone,
        lens=tags.lens.lens,
        focal_35mm=tags.lens.focal_35mm,
        focal_mm=tags.lens.focal_mm,
        zoom=tags.lens.zoom,
        turned_deg=tags.lens.turned_deg,
        sharpness=sharpness,
        brightness=brightness,
        doubts=_doubts(sharpness, brightness, tags.taken_at) + tags.lens.doubts,
    )
    return image, photo


def read_small(path: Path, long_side_px: int) -> Image:
    """The upright picture, its long side brought down to so many px; for looking at only.

    A JPEG is decoded at a part of its size, which takes a fraction of the time.

    Parameters
    ----------
    path : Path
        As in `read_photo`.
    long_side_px : int
        A smaller picture stays as it is.

    Returns
    -------
    (H, W, 3) uint8, RGB

    Raises
    ------
    PhotoUnreadable
        As in `read_photo`.
    """
    return _decode(_content(path), path.name, long_side_px)[0]


def photo_id_of(path: Path) -> str:
    """Sha256 of the file's bytes: the same photo under another name is the same photo.

    Raises
    ------
    PhotoUnreadable
        If it is missing, no file, not allowed, empty or too large.
    """
    return hashlib.sha256(_content(path)).hexdigest()


def day_and_id_of(path: Path) -> tuple[date | None, str]:
    """The day that a photo carries, and `photo_id_of` it, without decoding its pixels.

    A photo that is cut short passes here, and is refused when it is measured.

    Raises
    ------
    PhotoUnreadable
        If it is missing, no file, not allowed, empty, too large or no picture.
    """
    content = _content(path)
    tags = _opened(content, path.name, tags_of)
    day = tags.taken_at.date() if tags.taken_at else None
    return day, hashlib.sha256(content).hexdigest()


def find_photos(paths: Iterable[Path]) -> tuple[Path, ...]:
    """Files as given, and in place of each folder the photos in it, sorted by name, each once.

    In a folder only files with a photo's ending count, whatever the case; hidden files and
    folders inside it are left out. A file that is named is kept, whatever its ending.
    """
    found: dict[Path, None] = {}
    for path in paths:
        inside = sorted(path.iterdir()) if path.is_dir() else [path]
        found.update((one, None) for one in inside if one is path or _is_photo_name(one))
    return tuple(found)


def _is_photo_name(path: Path) -> bool:
    hidden = path.name.startswith(".")
    return path.suffix.lower() in PHOTO_ENDINGS and not hidden and path.is_file()


# ---------------------------------------------------------------- bytes to picture


def _content(path: Path) -> bytes:
    """The file's bytes, checked before they are read."""
    try:
        if path.is_dir():
            raise PhotoUnreadable(f"{path.name} is a folder.", fix="Name the photos in it.")
        if not path.exists():
            raise PhotoUnreadable(f"There is no file {path}.", fix="Check its name and folder.")
        if not path.is_file():
            raise PhotoUnreadable(f"{path.name} is no file.", fix="Name a photo.")
        if path.stat().st_size > MOST_BYTES:
            raise PhotoUnreadable(
                f"{path.name} is larger than {MOST_BYTES // 10**6} MB.",
                fix="Save it as JPEG and try again.",
            )
        content = path.read_bytes()
    except OSError as err:
        raise PhotoUnreadable(
            f"{path.name} can't be opened: {err.strerror or err}.",
            fix="Check that you may read it and that the disk is connected.",
        ) from err
    if not content:
        raise PhotoUnreadable(
            f"{path.name} is empty (0 bytes).", fix="Copy it from the phone again."
        )
    return content


def _decode(content: bytes, name: str, long_side_px: int = 0) -> tuple[Image, PhotoTags]:
    """Picture and tags; the long side is brought down to `long_side_px` unless that is 0."""

    def decoded(opened: PillowImage.Image) -> tuple[Image, PhotoTags]:
        tags = tags_of(opened)
        if long_side_px:
            share = min(1.0, long_side_px / max(opened.size))
            opened.draft(None, (int(opened.width * share), int(opened.height * share)))
        elif (image := _plain_jpeg(opened, content)) is not None:
            return image, tags
        opened.load()
        return _small(_to_rgb(_upright(opened), name), long_side_px), tags

    return _opened(content, name, decoded)


def _opened(content: bytes, name: str, use: Callable[[PillowImage.Image], T]) -> T:
    """What `use` makes of the opened picture; whatever goes wrong becomes PhotoUnreadable."""
    # Only here, so that importing the package leaves Pillow as it was.
    from pi_heif import register_heif_opener

    register_heif_opener()
    try:
        with warnings.catch_warnings():
            # Pillow warns of odd tags and of 90 to 120 megapixels: both are dealt with here.
            warnings.simplefilter("ignore")
            with PillowImage.open(BytesIO(content), formats=_FORMATS) as opened:
                _refuse_too_large(opened.size, name)
                return use(opened)
    except PhotoUnreadable:
        raise
    except UnidentifiedImageError as err:
        raise PhotoUnreadable(
            f"{name} is no JPEG, PNG, HEIC or TIFF picture.",
            fix="Check that it is a photo; save other kinds as JPEG.",
        ) from err
    except PillowImage.DecompressionBombError as err:
        raise _too_large(name, _pixels_named_by(err)) from err
    except Exception as err:
        # Damaged bytes raise many kinds: OSError, SyntaxError, ValueError, struct.error and more.
        raise PhotoUnreadable(
            f"{name} is damaged or cut short: {err}.", fix="Copy it from the phone again."
        ) from err


def _plain_jpeg(opened: PillowImage.Image, content: bytes) -> Image | None:
    """The upright picture of a whole colour JPEG; None for what Pillow has to judge."""
    if opened.format not in ("JPEG", "MPO") or opened.mode != "RGB":
        return None
    image = decoded_jpeg(content)
    if image is None or (image.shape[1], image.shape[0]) != opened.size:
        return None
    try:
        orientation = opened.getexif().get(ExifTags.Base.Orientation)
    except Exception:
        # Broken tags: the pixels are fine, and nothing says how to turn them.
        return image
    return turned_upright(image, orientation)


def _small(image: Image, long_side_px: int) -> Image:
    longest = max(image.shape[:2])
    if not 0 < long_side_px < longest:
        return image
    height_px, width_px = (max(1, side * long_side_px // longest) for side in image.shape[:2])
    small = cv2.resize(image, (width_px, height_px), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8)


def _refuse_too_large(size_px: tuple[int, int], name: str) -> None:
    if size_px[0] * size_px[1] > MOST_PIXELS:
        raise _too_large(name, size_px[0] * size_px[1])


def _too_large(name: str, pixels: int) -> PhotoUnreadable:
    return PhotoUnreadable(
        f"{name} has {pixels // 10**6} megapixels, more than {MOST_PIXELS // 10**6}.",
        fix="Take photos at 12 to 50 megapixels, or make this one smaller.",
    )


def _pixels_named_by(err: PillowImage.DecompressionBombError) -> int:
    """Pillow refuses from 179 megapixels on before it gives the size, but names it."""
    named = re.search(r"\((\d+) pixels\)", str(err))
    return int(named[1]) if named else 2 * (PillowImage.MAX_IMAGE_PIXELS or MOST_PIXELS)


def _upright(opened: PillowImage.Image) -> PillowImage.Image:
    try:
        return ImageOps.exif_transpose(opened)
    except Exception:
        # Broken tags: the pixels are fine, and nothing says how to turn them.
        return opened


def _to_rgb(picture: PillowImage.Image, name: str) -> Image:
    if picture.mode == "F":
        raise PhotoUnreadable(
            f"{name} holds measured values, not a photo.", fix="Save it as JPEG and try again."
        )
    if picture.mode.startswith("I"):
        deep = np.asarray(picture).astype(np.int64)
        # 65,535 / 255: 16 bits to 8.
        grey = np.clip((deep + 128) // 257, 0, 255).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2)
    # Converting copies, even to the same.
    same = picture if picture.mode == "RGB" else picture.convert("RGB")
    return np.array(same, dtype=np.uint8)


# ---------------------------------------------------------------- sharpness and exposure


def _doubts(sharpness: float, brightness: float, taken_at: datetime | None) -> Doubts:
    found = {
        Doubt.BLURRED: sharpness < LEAST_SHARPNESS,
        Doubt.TOO_DARK: brightness < LEAST_BRIGHTNESS,
        Doubt.TOO_BRIGHT: brightness > MOST_BRIGHTNESS,
        Doubt.NO_DATE: taken_at is None,
    }
    return tuple(doubt for doubt, holds in found.items() if holds)


def sharpness_of(grey: Image) -> float:
    """Contrast of fine structure over contrast of coarse structure, in the worst direction.

    Parameters
    ----------
    grey : (H, W) uint8

    Returns
    -------
    float
        0 if there is no structure. The same scene in other light gives about the same; motion
        shows in its own direction only, hence the worst one counts. Even areas (clipped sky,
        filled corners) are left out.
    """
    small = _judged_size(grey)
    textured = _textured(small)
    fine = _gradients(small, 0.8, 1.6, textured)
    coarse = _gradients(small, 3.0, 6.0, textured)
    # Below 0.01 grey levels squared there is nothing but rounding.
    if np.linalg.eigvalsh(coarse)[0] < 0.01:
        return 0.0
    return float(np.linalg.eigvals(np.linalg.solve(coarse, fine)).real.min())


def _judged_size(grey: Image) -> NDArray[np.float32]:
    zoom = min(1.0, _JUDGED_SIDE_PX / max(grey.shape))
    size = (max(1, round(grey.shape[1] * zoom)), max(1, round(grey.shape[0] * zoom)))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    return small.astype(np.float32)


def _textured(small: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where no even area is near: within 5 px all alike, and 12 px around it."""
    window = np.ones((5, 5), np.uint8)
    even = cv2.dilate(small, window) - cv2.erode(small, window) < 1
    near = cv2.dilate(even.astype(np.uint8), np.ones((25, 25), np.uint8))
    return np.asarray(near == 0)


def _gradients(
    small: NDArray[np.float32], sigma_px: float, wider_px: float, where: NDArray[np.bool_]
) -> Floats:
    """(2, 2) float: mean products of the slopes of one band of the picture."""
    if not where.any():
        return np.zeros((2, 2))
    band = cv2.GaussianBlur(small, (0, 0), sigma_px) - cv2.GaussianBlur(small, (0, 0), wider_px)
    right, down = (cv2.Sobel(band, cv2.CV_32F, *order) / 8 for order in ((1, 0), (0, 1)))
    inside = where.astype(np.uint8)
    across, upright, both = (
        cv2.mean(one * other, inside)[0]
        for one, other in ((right, right), (down, down), (right, down))
    )
    return np.array([[across, both], [both, upright]])
