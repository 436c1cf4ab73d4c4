"""What is measured in a picture, and how far two sets of such numbers are apart."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import wasserstein_distance

from tests.bench.realism_photos import Bools, Floats, Pixels

# Part of a box's half axes inside which a pixel belongs to the fruit in front, unless a leaf
# crosses it. Our choice.
CENTRAL = 0.6
# A ring from just outside the outline to one radius beyond it, in half axes: what is near a fruit.
RING = (1.25, 2.2)
# All channels at or above / at or below these levels: nothing left to see. Common practice.
BLOWN, BLACK = 250, 8
# a* from which a fruit counts as red, up to which as green; between lies neither. Our choice: real
# fruit of the early set have a median of -5, of the late set of 30.
RED_FROM, GREEN_TO = 15.0, 5.0
# Side of the bins of the 2-D chroma histogram. Our choice: about a just visible step times four.
CHROMA_BIN = 8.0
# Frequencies between which the power spectrum's slope is fitted, cycles a pixel. Our choice: below
# the codec's and the sensor's noise, above the patch's own window.
SLOPE_RANGE = (0.03, 0.3)


def lab_of(rgb: Pixels) -> NDArray[np.float32]:
    """(H, W, 3) CIELAB, L 0 to 100, of sRGB."""
    scaled = rgb.astype(np.float32) / np.float32(255)
    return np.asarray(cv2.cvtColor(scaled, cv2.COLOR_RGB2LAB), dtype=np.float32)


def shift_between(one: Floats, other: Floats) -> float:
    """1-D Wasserstein distance: how far numbers must move, in their own unit."""
    return float(wasserstein_distance(one, other))


def chroma_histogram(a: Floats, b: Floats) -> Floats:
    """(32, 32) share of pixels by a* and b*."""
    edges = np.arange(-128.0, 128.0 + CHROMA_BIN, CHROMA_BIN)
    counts = np.histogram2d(np.asarray(a), np.asarray(b), bins=(edges, edges))[0]
    return np.asarray(counts / max(counts.sum(), 1.0))


def histogram_distance(one: Floats, other: Floats) -> float:
    """0 for equal histograms, 1 for such that share nothing (total variation)."""
    return float(np.abs(one - other).sum() / 2.0)


def local_sd(lightness: NDArray[np.float32], window_px: int) -> NDArray[np.float32]:
    """(h, w) standard deviation in windows side by side; a rest at the edge is dropped."""
    height, width = (side // window_px * window_px for side in lightness.shape)
    blocks = lightness[:height, :width].reshape(
        height // window_px, window_px, width // window_px, window_px
    )
    return np.asarray(blocks.std(axis=(1, 3)), dtype=np.float32)


def laplacian_variance(lightness: NDArray[np.float32]) -> float:
    """Variance of the Laplacian of L: large for sharp pictures."""
    return float(cv2.Laplacian(lightness, cv2.CV_32F)[1:-1, 1:-1].var())


def octave_power(lightness: NDArray[np.float32]) -> Floats:
    """(4,) share of the power in the octaves 1/32-1/16, 1/16-1/8, 1/8-1/4, 1/4-1/2 cycles a px."""
    frequency, power = _spectrum(lightness)
    edges = np.array([1 / 32, 1 / 16, 1 / 8, 1 / 4, 1 / 2])
    total = power[(frequency >= edges[0]) & (frequency < edges[-1])].sum()
    bands = [power[(frequency >= low) & (frequency < high)].sum() for low, high in pairwise(edges)]
    return np.array(bands) / max(total, 1e-12)


def spectrum_slope(lightness: NDArray[np.float32]) -> float:
    """Slope of log power against log frequency: about -2 for natural scenes, lower if blurred."""
    frequency, power = _spectrum(lightness)
    edges = np.geomspace(*SLOPE_RANGE, 9)
    place = np.digitize(frequency, edges)
    means = np.array([power[place == one].mean() for one in range(1, 9)])
    middles = np.sqrt(edges[:-1] * edges[1:])
    return float(np.polyfit(np.log(middles), np.log(means + 1e-9), 1)[0])


def noise_floor(lightness: NDArray[np.float32]) -> float:
    """Standard deviation of L from pixel to pixel where the picture is smoothest.

    The 5th percentile over 8 x 8 windows of the sd of the picture less its 3 x 3 mean; windows
    without any change at all (blown out, black) are left out.
    """
    rest = lightness - cv2.blur(lightness, (3, 3))
    deviations = local_sd(rest, 8)
    deviations = deviations[deviations > 1e-3]
    return float(np.percentile(deviations, 5)) if deviations.size else 0.0


def blown(rgb: Pixels) -> Bools:
    """(H, W) nothing but white."""
    return np.asarray(rgb.min(axis=2) >= BLOWN)


def black(rgb: Pixels) -> Bools:
    """(H, W) nothing but black."""
    return np.asarray(rgb.max(axis=2) <= BLACK)


def sky(lab: NDArray[np.float32]) -> Bools:
    """(H, W) bright and white, or blue. A rule of thumb: dull sky between leaves is missed."""
    light, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    pale = (light > 82) & (np.hypot(a, b) < 14)
    blue = (light > 45) & (b < -10)
    shade = (pale | blue).astype(np.uint8)
    return np.asarray(cv2.morphologyEx(shade, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)) > 0)


def leaf(lab: NDArray[np.float32]) -> Bools:
    """(..., ) green: a* below -2, b* above 3."""
    return np.asarray((lab[..., 1] < -2) & (lab[..., 2] > 3))


def reach(boxes: Floats, x: Floats, y: Floats, one: int) -> Floats:
    """How far pixels lie from a box's middle, in its half axes: 1 on the inscribed ellipse."""
    left, top, width, height = boxes[one]
    across = (x - left - width / 2 + 0.5) / (width / 2)
    down = (y - top - height / 2 + 0.5) / (height / 2)
    return np.asarray(np.hypot(across, down))


def _spectrum(lightness: NDArray[np.float32]) -> tuple[Floats, Floats]:
    """Frequencies and power of a windowed patch, flat."""
    height, width = lightness.shape
    window = np.outer(np.hanning(height), np.hanning(width))
    mean = float((lightness * window).sum() / window.sum())
    power = np.abs(np.fft.rfft2((lightness - mean) * window)) ** 2
    frequency = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None])
    return frequency.ravel(), np.asarray(power).ravel()
