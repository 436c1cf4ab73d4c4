"""What a phone makes of the light: exposure, tone, lens blur, noise, JPEG with its EXIF."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[np.float32]

# An invented phone.
MAKER, MODEL = "Orchard Phone", "One"
# EXIF tags by number: TIFF 6.0 and EXIF 2.32.
_MAKE, _MODEL, _ORIENTATION, _CHANGED, _EXIF = 271, 272, 274, 306, 34665
_TAKEN, _OFFSET, _FOCAL_MM, _FOCAL_35MM, _WIDTH, _HEIGHT = 36867, 36881, 37386, 41989, 40962, 40963


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneDials:
    """What the phone does to the light. Our choice.

    `exposure_stops` : mean and standard deviation around a middle tone of 0.12; `jpeg_quality` : 86
    gives the size of a phone's own files.
    """

    exposure_stops: tuple[float, float] = (0.0, 0.2)
    jpeg_quality: int = 86


def develop(dials: PhoneDials, light: Pixels, rng: np.random.Generator) -> NDArray[np.uint8]:
    """(H, W, 3) sRGB picture of (H, W, 3) linear radiance, exposed for the middle of the frame."""
    height = len(light)
    exposed = np.minimum(light, np.quantile(light, 0.999))
    grey = exposed[height // 4 :].mean(axis=2)
    # A scene's middle tone lands at about 0.12 of white, give or take a quarter of a stop.
    gain = 0.120 / float(np.median(grey)) * 2.0 ** float(rng.normal(*dials.exposure_stops))
    warm = np.exp(rng.normal(0.0, 0.02, 3)).astype(np.float32)
    linear = _blurred(exposed * gain * warm, float(rng.uniform(0.30, 0.45)))
    # Photon noise grows with the root of the light; numbers are our choice.
    sigma = np.sqrt(2.0e-5 + 3.0e-4 * np.clip(linear, 0.0, None))
    linear = linear + sigma * rng.normal(0.0, 1.0, linear.shape).astype(np.float32)
    # A phone smooths its noise after the tone curve, so edges stay where they are.
    finished = _blurred(_tone(linear), float(rng.uniform(0.50, 0.65)))
    return np.asarray(np.rint(255.0 * finished), dtype=np.uint8)


def _tone(linear: Pixels) -> Pixels:
    """Soft shoulder above 0.6, then the sRGB curve of IEC 61966-2-1."""
    x = np.clip(linear, 0.0, None)
    x = np.where(x > 0.6, 0.6 + 0.4 * (1.0 - np.exp(-(x - 0.6) / 0.4)), x)
    curve = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(curve, 0.0, 1.0), dtype=np.float32)


def _blurred(picture: Pixels, sigma_px: float) -> Pixels:
    reach = np.arange(-3, 4)
    weights = np.exp(-0.5 * (reach / sigma_px) ** 2)
    weights = (weights / weights.sum()).astype(np.float32)
    for axis in (0, 1):
        margin = [(3, 3) if side == axis else (0, 0) for side in range(3)]
        padded = np.pad(picture, margin, mode="edge")
        length = picture.shape[axis]
        picture = sum(
            weight * np.take(padded, range(shift, shift + length), axis=axis)
            for shift, weight in enumerate(weights)
        )
    return picture


def to_jpeg(
    picture: NDArray[np.uint8], taken_at: datetime, focal_35mm: float, *, quality: int
) -> bytes:
    """JPEG bytes with the time and the lens, without a place."""
    exif = Image.Exif()
    exif[_MAKE], exif[_MODEL], exif[_ORIENTATION] = MAKER, MODEL, 1
    exif[_CHANGED] = f"{taken_at:%Y:%m:%d %H:%M:%S}"
    exif.get_ifd(_EXIF).update(
        {
            _TAKEN: f"{taken_at:%Y:%m:%d %H:%M:%S}",
            _OFFSET: "+00:00",
            _FOCAL_MM: 5.4,
            _FOCAL_35MM: round(focal_35mm),
            _WIDTH: picture.shape[1],
            _HEIGHT: picture.shape[0],
        }
    )
    stream = BytesIO()
    Image.fromarray(picture).save(
        stream, "JPEG", quality=quality, optimize=True, exif=exif.tobytes()
    )
    return stream.getvalue()
