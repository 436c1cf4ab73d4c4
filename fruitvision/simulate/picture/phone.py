"""What a phone makes of the light: exposure, blur, noise, tone, sharpening, JPEG with its EXIF."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fruitvision.simulate.picture import blur
from fruitvision.simulate.picture.blur import Pixels
from fruitvision.simulate.picture.dials import check_choice, check_number, check_span

# An invented phone.
MAKER, MODEL = "Orchard Phone", "One"
# EXIF tags by number: TIFF 6.0 and EXIF 2.32.
_MAKE, _MODEL, _ORIENTATION, _CHANGED, _EXIF = 271, 272, 274, 306, 34665
_TAKEN, _OFFSET, _FOCAL_MM, _FOCAL_35MM, _WIDTH, _HEIGHT = 36867, 36881, 37386, 41989, 40962, 40963

# What the meter brings to which part of white: a quarter of the lower middle of the frame, where
# the tree stands and little sky, is brighter. Our choice: then the middle tone lands near that of
# a grey card by day, and a tree before the night is not burnt out.
METERED_QUANTILE, METERED_TONE = 0.75, 0.30
# Light above this many times white no longer adds to the veil: the sun's own disc would drown the
# picture, and lenses of phones are coated. Our choice.
BRIGHTEST = 12.0
# Spread of lens and mosaic of colours at the size of the finished picture, least and most. Our
# choice: with the smoothing below, real photos of orchards have the same finest detail.
LENS_PX = (0.50, 0.70)
# Rec. 709 weights of red, green and blue in luminance (ITU-R BT.709).
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
# Rows that are finished at once. Our choice: 100 rows of 1500 px stay in the processor's cache.
STRIP_PX = 100
# Light of 4 and more is white; steps so fine that 8 bits don't see them.
TONE_STEPS, TONE_TOP = 1 << 16, 4.0
SUBSAMPLINGS = ("4:4:4", "4:2:2", "4:2:0")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneDials:
    """What the phone does to the light. Our choice, where no source is named.

    `exposure_stops` : mean and standard deviation of how far the exposure is off; `warm_stops` :
    mean and standard deviation of red against blue, of an imperfect white balance; `saturation` : 1
    leaves colours alone, phones add some (from memory); `veil` : share of the light that the lens
    scatters over the picture, 0.01 to 0.03 for phones (from memory), more with the sun on the lens;
    `defocus_px` : smallest and largest spread of a lens not quite in focus; `motion_px` : likewise
    length of the smear of a moving hand; `noise` : against that of bright daylight;
    `smoothing_px` : smallest and largest spread of the phone's own noise reduction, the default
    after the balance of fine and finest detail in real photos of orchards (Kodors et al. 2023);
    `sharpening` : height of the halos at edges, as a share of the edge; `jpeg_quality` : 86 gives
    the size of a phone's own files; `jpeg_subsampling` : of colour, 4:2:0 is common practice.
    """

    exposure_stops: tuple[float, float] = (0.0, 0.2)
    warm_stops: tuple[float, float] = (0.0, 0.04)
    saturation: float = 1.1
    veil: float = 0.015
    defocus_px: tuple[float, float] = (0.0, 0.0)
    motion_px: tuple[float, float] = (0.0, 0.0)
    noise: float = 1.0
    smoothing_px: tuple[float, float] = (0.50, 0.75)
    sharpening: float = 0.25
    jpeg_quality: int = 86
    jpeg_subsampling: str = "4:2:0"

    def __post_init__(self) -> None:
        for name, (middle, sd) in (
            ("exposure_stops", self.exposure_stops),
            ("warm_stops", self.warm_stops),
        ):
            check_number(f"phone.{name}[0]", middle, -4.0, 4.0)
            check_number(f"phone.{name}[1]", sd, 0.0, 2.0)
        check_number("phone.saturation", self.saturation, 0.0, 2.0)
        check_number("phone.veil", self.veil, 0.0, 0.5)
        check_span("phone.defocus_px", self.defocus_px, 0.0, 4.0)
        check_span("phone.motion_px", self.motion_px, 0.0, 30.0)
        check_number("phone.noise", self.noise, 0.0, 20.0)
        check_span("phone.smoothing_px", self.smoothing_px, 0.0, 3.0)
        check_number("phone.sharpening", self.sharpening, 0.0, 2.0)
        check_number("phone.jpeg_quality", self.jpeg_quality, 30, 100)
        check_choice("phone.jpeg_subsampling", self.jpeg_subsampling, SUBSAMPLINGS)


def develop(dials: PhoneDials, light: Pixels, rng: np.random.Generator) -> NDArray[np.uint8]:
    """(H, W, 3) sRGB picture of (H, W, 3) linear radiance, exposed for the middle of the frame."""
    # All draws first, in this order, so that a dial turned to 0 moves no other.
    stops, warm = rng.normal(*dials.exposure_stops), rng.normal(*dials.warm_stops)
    lens_px, smoothing_px = rng.uniform(*LENS_PX), rng.uniform(*dials.smoothing_px)
    defocus_px = rng.uniform(*dials.defocus_px)
    motion_px, motion_rad = rng.uniform(*dials.motion_px), rng.uniform(0.0, np.pi)
    spread_px = float(np.hypot(lens_px, defocus_px))
    grain = _grain(light.shape, rng)
    balance = np.array([2.0 ** (warm / 2.0), 1.0, 2.0 ** (-warm / 2.0)], dtype=np.float32)
    linear = light * (balance * np.float32(gain_for(light) * 2.0**stops))
    linear = _veiled(np.minimum(linear, np.float32(BRIGHTEST)), dials.veil)

    def finish(part: slice) -> Pixels:
        strip = blur.smear(blur.gaussian(linear[part], spread_px), motion_px, motion_rad)
        strip = _saturated(_noisy(strip, grain[part], dials.noise), dials.saturation)
        # A phone smooths its noise after the tone curve, so edges stay where they are.
        return _sharpened(blur.gaussian(_tone(strip), smoothing_px), dials.sharpening)

    # What a blur takes from the next rows: three sigmas each, half a smear, and the halos.
    margin = int(3.0 * (spread_px + smoothing_px) + motion_px / 2.0) + 12
    return _levels_in_strips(finish, light.shape, margin)


def _levels_in_strips(
    finish: Callable[[slice], Pixels], shape: tuple[int, ...], margin: int
) -> NDArray[np.uint8]:
    """8-bit picture whose rows `finish` makes, a strip that the processor can hold at a time."""
    picture = np.empty(shape, dtype=np.uint8)
    for top in range(0, shape[0], STRIP_PX):
        bottom = min(top + STRIP_PX, shape[0])
        first = max(top - margin, 0)
        strip = finish(slice(first, bottom + margin))[top - first : bottom - first]
        picture[top:bottom] = np.clip(strip * np.float32(255.0) + np.float32(0.5), 0.0, 255.0)
    return picture


def gain_for(light: Pixels) -> float:
    """What the meter multiplies (H, W, 3) radiance by so that 1 is white."""
    height, width, _ = light.shape
    rows = slice(9 * height // 20, 9 * height // 10)
    field = light[rows, width // 5 : width - width // 5] @ LUMINANCE
    return METERED_TONE / max(float(np.quantile(field, METERED_QUANTILE)), 1e-9)


def _veiled(linear: Pixels, veil: float) -> Pixels:
    """Part of the light spread over the picture: half of it near by, half of it far."""
    if veil == 0.0:
        return linear
    stray = blur.spread_widely(linear)
    stray -= linear
    stray *= np.float32(veil)
    stray += linear
    return stray


def _grain(shape: tuple[int, ...], rng: np.random.Generator) -> Pixels:
    """Noise of spread 1 and, coarser and weaker, of colour (our choice)."""
    height, width, _ = shape
    fine = rng.standard_normal(shape, dtype=np.float32)
    coarse = rng.standard_normal((height // 3 + 2, width // 3 + 2, 3), dtype=np.float32)
    coarse -= coarse.mean(axis=2, keepdims=True)
    fine += np.repeat(np.repeat(np.float32(0.25) * coarse, 3, axis=0), 3, axis=1)[:height, :width]
    return fine


def _noisy(linear: Pixels, grain: Pixels, noise: float) -> Pixels:
    """Photon noise grows with the root of the light, over the noise of reading. Our choice."""
    sigma = np.maximum(linear, np.float32(0.0))
    sigma *= np.float32(0.8e-4 * noise**2)
    sigma += np.float32(0.6e-5 * noise**2)
    np.sqrt(sigma, out=sigma)
    sigma *= grain
    sigma += linear
    return sigma


def _saturated(linear: Pixels, saturation: float) -> Pixels:
    if saturation == 1.0:
        return linear
    grey = (linear @ LUMINANCE)[..., None]
    return np.asarray(grey + np.float32(saturation) * (linear - grey))


def _tone(linear: Pixels) -> Pixels:
    """Soft shoulder above 0.6, then the sRGB curve of IEC 61966-2-1, by table."""
    at = linear * np.float32(TONE_STEPS / TONE_TOP)
    return np.asarray(_tone_table()[np.clip(at, 0.0, TONE_STEPS, out=at).astype(np.int32)])


@cache
def _tone_table() -> Pixels:
    x = np.linspace(0.0, TONE_TOP, TONE_STEPS + 1)
    x = np.where(x > 0.6, 0.6 + 0.4 * (1.0 - np.exp(-(x - 0.6) / 0.4)), x)
    curve = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(curve, dtype=np.float32)


def _sharpened(finished: Pixels, amount: float) -> Pixels:
    """Halos at edges, alike in all colours, 1.2 px wide (our choice)."""
    if amount == 0.0:
        return finished
    grey = (finished @ LUMINANCE)[..., None]
    return np.asarray(finished + np.float32(amount) * (grey - blur.gaussian(grey, 1.2)))


def to_jpeg(
    picture: NDArray[np.uint8],
    taken_at: datetime,
    focal_35mm: float,
    *,
    quality: int,
    subsampling: str = "4:2:0",
) -> bytes:
    """JPEG bytes with the time and the lens, without a place."""
    exif = Image.Exif()
    exif[_MAKE], exif[_MODEL], exif[_ORIENTATION] = MAKER, MODEL, 1
    exif[_CHANGED] = f"{taken_at:%Y:%m:%d %H:%M:%S}"
    exif.get_ifd(_EXIF).update(
        {
            _TAKEN: f"{taken_at:%Y:%m:%d %H:%M:%S}",
            _OFFSET: "+00:00",
            # The film's 43.27 mm diagonal to a sensor of 9.0 mm: 26 mm are 5.4 mm.
            _FOCAL_MM: round(focal_35mm * 5.4 / 26.0, 2),
            _FOCAL_35MM: round(focal_35mm),
            _WIDTH: picture.shape[1],
            _HEIGHT: picture.shape[0],
        }
    )
    stream = BytesIO()
    Image.fromarray(picture).save(
        stream,
        "JPEG",
        quality=quality,
        subsampling=subsampling,
        optimize=True,
        exif=exif.tobytes(),
    )
    return stream.getvalue()
