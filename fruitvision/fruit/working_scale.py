"""How large a picture is made for the network, so that its fruit are as large as in training."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.cells import Peaks
from fruitvision.fruit.detector import Image

Floats = NDArray[np.float64]

# A picture is never made larger than this many times: more shows nothing new. Our choice.
MOST_UPSAMPLING = 2.5
# Most pixels that the network sees of one picture: bounds time and memory. Our choice: a photo of
# 50 megapixels whose fruit are 64 px wide just fits.
MOST_PIXELS = 24e6
# Least length of the long side, px. Our choice: what the network halves five times.
LEAST_SIDE_PX = 32
# Long sides of the first looks at a picture of unknown scale, px, and of the one that follows if
# they show too little. Our choice: fruit of 2 to 4 % of the side are 13 to 51 px wide there.
COARSE_SIDES_PX = (640, 1280)
FINE_SIDE_PX = 2560
# Sure fruit that it takes to tell the usual width. Our choice.
FEWEST_SURE = 3
# First looks that find at least this share of the best one's fruit are as good. Our choice.
NEARLY_AS_GOOD = 0.8
# Usual widths, as shares of the wanted one, between which one look is enough. Our choice: within
# them the figures hardly change with scale.
WIDTHS_THAT_FIT = (0.6, 1.6)


@dataclass(frozen=True, slots=True)
class Zoom:
    """From a picture to the one that the network sees, along both sides."""

    across: float
    down: float

    @property
    def mean(self) -> float:
        """Along any direction."""
        return float(np.sqrt(self.across * self.down))

    def boxes_to_full(self, boxes: Floats) -> Floats:
        """(N, 4) boxes, or (N, 2) points, in px of the picture itself."""
        by = np.tile((self.across, self.down), boxes.shape[1] // 2)
        return np.asarray((boxes + 0.5) / by - 0.5, dtype=np.float64)

    def outlines_to_full(self, outlines: Floats) -> Floats:
        """(N, 5) outlines in px of the picture itself."""
        out = outlines.copy()
        out[:, :2] = self.boxes_to_full(outlines[:, :2])
        out[:, 2:4] /= self.mean
        return out


def resampled(image: Image, factor: float) -> tuple[Image, Zoom]:
    """The picture, about `factor` times as large, and by how much exactly.

    Parameters
    ----------
    image : (H, W, 3) uint8
    """
    height, width = image.shape[:2]
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    zoom = Zoom(size[0] / width, size[1] / height)
    if size == (width, height):
        return image, zoom
    # Up on straight lines, as in training (`fruitvision.train.crops`).
    how = cv2.INTER_AREA if zoom.mean < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, size, interpolation=how), dtype=np.uint8), zoom


def bounded(factor: float, image: Image) -> float:
    """The factor, within what time, memory and sense allow for this picture."""
    height, width = image.shape[:2]
    most = min(MOST_UPSAMPLING, sqrt(MOST_PIXELS / (height * width)))
    least: float = LEAST_SIDE_PX / max(height, width)
    return max(min(factor, most), least)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What was found in a picture made `factor` times as large.

    Parameters
    ----------
    factor : float
    widths_px : (N,) float
        Longer sides of the visible boxes of sure fruit of this row, px of the resampled picture.
    sum_of_chances : float
        How many fruit it saw.
    """

    factor: float
    widths_px: Floats
    sum_of_chances: float

    @property
    def usual_px(self) -> float | None:
        """Median width; None if too few are sure."""
        return float(np.median(self.widths_px)) if len(self.widths_px) >= FEWEST_SURE else None


def look_of(factor: float, peaks: Peaks, chances: Floats, least_chance: float) -> Look:
    """A look at peaks whose chances (N,) are known."""
    sure = (chances >= least_chance) & (peaks.scores >= peaks.behind_scores)
    boxes = peaks.boxes[sure]
    widths = (boxes[:, 2:] - boxes[:, :2]).max(1) if len(boxes) else np.zeros(0)
    return Look(factor, widths, float(chances[sure].sum()))


def working_factor(
    image: Image, look: Callable[[float], Look], *, known: float | None, wanted_px: float
) -> float:
    """By how much to make the picture larger or smaller.

    Parameters
    ----------
    image : (H, W, 3) uint8
    look : callable
        What is found at a factor.
    known : float or None
        Factor that a marker asks for; None if there is no marker.
    wanted_px : float
        Width that the usual fruit should get.
    """
    look = cache(look)
    first = _first_factor(image, look, wanted_px) if known is None else bounded(known, image)
    return _fitted(image, look(first), wanted_px)


def _first_factor(image: Image, look: Callable[[float], Look], wanted_px: float) -> float:
    """Without a marker: from a few coarse looks at the whole picture."""
    longest = max(image.shape[:2])
    factors = sorted({bounded(side / longest, image) for side in COARSE_SIDES_PX})
    looks = [look(factor) for factor in factors]
    if all(one.usual_px is None for one in looks):
        looks.append(look(bounded(FINE_SIDE_PX / longest, image)))
    best = best_look(looks, wanted_px)
    if best is None or best.usual_px is None:
        return looks[-1].factor
    return bounded(best.factor * wanted_px / best.usual_px, image)


def best_look(looks: list[Look], wanted_px: float) -> Look | None:
    """Of those that see about the most fruit, the one that sees them nearest to their best size."""
    told = [one for one in looks if one.usual_px is not None]
    if not told:
        return None
    most = max(one.sum_of_chances for one in told)
    good = [one for one in told if one.sum_of_chances >= NEARLY_AS_GOOD * most]
    return min(good, key=lambda one: abs(np.log((one.usual_px or wanted_px) / wanted_px)))


def _fitted(image: Image, found: Look, wanted_px: float) -> float:
    """The factor of a look, or a better one where its usual fruit are far too small or large."""
    low, high = WIDTHS_THAT_FIT
    if found.usual_px is None or low <= found.usual_px / wanted_px <= high:
        return found.factor
    return bounded(found.factor * wanted_px / found.usual_px, image)
