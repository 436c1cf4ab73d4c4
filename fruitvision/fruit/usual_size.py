"""How large the usual fruit of a photo is, in pixels: from the scale, or from the photo itself."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import look
from fruitvision.fruit.circles import drop_overlaps, find_circles
from fruitvision.fruit.detector import Image
from fruitvision.fruit.verify import verify_circles

Floats = NDArray[np.float64]

# Radius of the usual fruit at finding scale, px. Our choice: large enough for a rim and its
# surroundings, small enough for speed.
FINDING_RADIUS_PX = 12.0
# Radii tried at each guess, px: they cover a factor of 1.8, as the guesses do.
GUESS_RADII_PX = (9.0, 11.0, 13.4, 16.2)
# Diameters guessed where no scale is known, as shares of the long side: a tree that fills the photo
# shows fruit of 2 to 4 %; the others are for a near or a far view. Our choice.
GUESSED_SHARES = (0.06, 0.034, 0.019)
FAR_SHARE = 0.0106
# Diameters guessed where the scale is known, mm: apples from the June drop to the pick.
GUESSED_MM = (70.0, 39.0)
SMALLEST_MM, LARGEST_MM = 20.0, 100.0
# Smallest radius that is looked for, px: less shows no shape. And the most pixels at finding scale:
# bounds time and memory, whatever scale is given. Our choice.
SMALLEST_RADIUS_PX = 4.0
MOST_PIXELS = 6e6
# Part of each side that is searched, in the middle, where the tree is. Our choice, for speed.
MIDDLE = 0.7
# Candidates per guess, and the score from which one tells the size.
MOST_CANDIDATES = 300
SURE_SCORE = 0.5
# With a scale, fruit of less than that share of the usual size, or fewer than that many sure ones,
# call for a second, finer look. Our choice.
SMALL_END, FEW_SURE = 0.85, 5
# Smoothing of the sizes, on a log axis: fruit of one tree differ by about that. Our choice.
LOG_SPREAD = 0.2


def usual_radius_px(image: Image, mm_per_px: float | None) -> float:
    """Radius of the usual fruit in full pixels.

    Parameters
    ----------
    image : (H, W, 3) uint8
        RGB.
    mm_per_px : float or None
        Millimetres per pixel; None leaves the size to the photo.
    """
    smallest = smallest_radius_px(image)
    if mm_per_px is None:
        longest = max(image.shape[:2])
        sizes = [_sure_radii(image, share * longest / 2) for share in GUESSED_SHARES]
        usual = _densest(sizes, fallback=GUESSED_SHARES[-1] * longest / 2)
        if usual < 0.9 * GUESSED_SHARES[-1] * longest / 2:
            # At the small end: look once more, finer.
            sizes.append(_sure_radii(image, FAR_SHARE * longest / 2))
            usual = _densest(sizes, fallback=usual)
        return max(usual, smallest)
    usual_mm, small_mm = GUESSED_MM
    sizes = [_sure_radii(image, usual_mm / mm_per_px / 2)]
    usual = _densest(sizes, fallback=usual_mm / mm_per_px / 2)
    if len(sizes[0]) < FEW_SURE or usual < SMALL_END * usual_mm / mm_per_px / 2:
        sizes.append(_sure_radii(image, small_mm / mm_per_px / 2))
        usual = _densest(sizes, fallback=usual)
    usual = float(np.clip(usual, SMALLEST_MM / mm_per_px / 2, LARGEST_MM / mm_per_px / 2))
    return max(usual, smallest)


def smallest_radius_px(image: Image) -> float:
    """Radius below which no fruit is looked for in this picture, px."""
    pixels = image.shape[0] * image.shape[1]
    return max(SMALLEST_RADIUS_PX, FINDING_RADIUS_PX * float(np.sqrt(pixels / MOST_PIXELS)))


def too_far(image: Image, mm_per_px: float) -> bool:
    """Even the largest fruit is too small to show its shape at this scale."""
    return LARGEST_MM / mm_per_px / 2 < smallest_radius_px(image)


def resized(image: Image, factor: float) -> Image:
    """Picture `factor` times as large, at least 8 px a side."""
    height, width = image.shape[:2]
    size = (max(8, round(width * factor)), max(8, round(height * factor)))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, size, interpolation=how), dtype=np.uint8)


def _sure_radii(image: Image, guess_px: float) -> Floats:
    """(N, 2): radii of likely fruit in full pixels, and how much each weighs."""
    height, width = image.shape[:2]
    rows, columns = round(height * (1 - MIDDLE) / 2), round(width * (1 - MIDDLE) / 2)
    middle = image[rows : height - rows, columns : width - columns]
    factor = FINDING_RADIUS_PX / max(guess_px, smallest_radius_px(image))
    seen = look(resized(middle, factor))
    circles = find_circles(seen, GUESS_RADII_PX, MOST_CANDIDATES)
    scores = verify_circles(seen, circles, circles[:, 2])
    keep = drop_overlaps(circles, scores)
    keep = keep[scores[keep] > SURE_SCORE]
    radii = circles[keep, 2] / factor
    # Near fruit look larger than those of the rows behind: area counts. Our choice.
    return np.column_stack([radii, scores[keep] * radii**2])


def _densest(sizes: list[Floats], *, fallback: float) -> float:
    """Radius around which most weight lies, on a log axis."""
    radii, weights = np.concatenate(sizes).T
    if not len(radii):
        return fallback
    logs = np.log(radii)
    grid = np.linspace(logs.min(), logs.max() + 1e-6, 60)
    density = (weights * np.exp(-0.5 * ((grid[:, None] - logs) / LOG_SPREAD) ** 2)).sum(1)
    return float(np.exp(grid[density.argmax()]))
