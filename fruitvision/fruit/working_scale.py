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

# A picture is never made larger than this many times: more shows nothing new. Our choice: fruit of
# 15 px, the smallest that people mark in small pictures, then are 45 px wide.
MOST_UPSAMPLING = 3.0
# What is made larger is smoothed by this much for every time that it is larger, px (standard
# deviation): the network takes enlarged grain and JPEG blocks for detail. Our choice, on val rows
# made smaller: of fruit 18 px wide AP50 rises from .75 to .82; 0.8 to 1.1 are alike.
SMOOTHED_PX = 0.8
# Less is not done: it changes nothing.
LEAST_SMOOTHED_PX = 0.3
# Most pixels that the network sees of one picture: bounds time and memory. Our choice: a photo of
# 50 megapixels whose fruit are 64 px wide just fits.
MOST_PIXELS = 24e6
# Least length of the long side, px. Our choice: what the network halves five times.
LEAST_SIDE_PX = 32
# Long sides of the first looks at a picture of unknown scale, px, and of those that follow if they
# show too little: of fruit close up, and of a wide view. Our choice: fruit of 2 to 4 % of the side
# are 13 to 51 px wide in the first, one of 20 % is 51 px wide in the close one.
COARSE_SIDES_PX = (640, 1280)
CLOSE_SIDE_PX, FINE_SIDE_PX = 256, 2560
# These looks make a picture larger by this much at most: in one made three times as large, blurred
# leaves hold more small "fruit" than there are fruit, and the scale was told by them. Our choice,
# on windows of 40 train photos reduced to fruit of 32 px: F1 at overlap 0.2 rises from .843 to
# .906, where the true width gives .916.
MOST_LOOKED_UPSAMPLING = 2.0
# Chance from which a fruit tells the scale. Our choice, on the same windows: the widths of all that
# count as fruit err by 14.0 % (mean absolute), of these by 11.1 %.
TELLS_FROM = 0.6
# Sure fruit that it takes to tell the usual width. Our choice: that fewer tell it where no look has
# as many gains nothing (F1 .906 for .905 on those windows), and finds four "fruit" in a hedge out
# of focus.
FEWEST_SURE = 3
# Fruit, as a sum of chances, below which pieces of a fruit close up may have been taken for fruit:
# then the picture is also looked at from afar, and what is there with this mean chance is one. Our
# choice: pieces of one fruit were up to 8, row photos have 20 and more.
FEW, CLOSE_CHANCE = 10.0, 0.75
# First looks that find at least this share of the best one's fruit are as good. Our choice.
NEARLY_AS_GOOD = 0.8
# Fruit narrower than this share of the wanted width look wider than they are, and the smallest are
# not seen: the width told is taken times (share / this) to this power. Our choice, on 40 photos of
# the train rows: widths told by coarse looks then err by 5.0 % instead of 6.4 % (mean absolute).
LOOKS_TRUE_FROM, SHRINKS_BY_POWER = 0.63, 0.5
# Usual widths, as shares of the wanted one, between which one look is enough. Our choice: within
# them the figures hardly change with scale.
WIDTHS_THAT_FIT = (0.6, 1.6)
# Fruit that are too small at a marker's scale are brought to this share of the wanted width. Our
# choice, on ten photos of the train rows: F1 is .907 with the whole width and with this share, .895
# with three quarters, for pixels as its square.
ENLARGED_TO = 0.88
# Sure fruit in the middle of a picture that tell that all are too small. Our choice: more than it
# takes of a whole picture, since others may hang around them.
FEWEST_IN_THE_MIDDLE = 6


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
    if zoom.mean < 1:
        smaller = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        return np.asarray(smaller, dtype=np.uint8), zoom
    # Up on straight lines, as in training (`fruitvision.train.crops`).
    larger = cv2.resize(image, size, interpolation=cv2.INTER_LINEAR)
    sigma = SMOOTHED_PX * (zoom.mean - 1)
    if sigma >= LEAST_SMOOTHED_PX:
        larger = cv2.GaussianBlur(larger, (0, 0), sigma)
    return np.asarray(larger, dtype=np.uint8), zoom


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
        Longer sides of the visible boxes of fruit of this row that tell the scale, px of the
        resampled picture.
    sum_of_chances : float
        How many fruit it saw.
    """

    factor: float
    widths_px: Floats
    sum_of_chances: float

    @property
    def usual_px(self) -> float | None:
        """Median width; None if too few are sure."""
        return self.middle_px if len(self.widths_px) >= FEWEST_SURE else None

    @property
    def middle_px(self) -> float | None:
        """Median width, however few are sure; None if none is."""
        return float(np.median(self.widths_px)) if len(self.widths_px) else None


def look_of(factor: float, peaks: Peaks, chances: Floats, least_chance: float) -> Look:
    """A look at peaks whose chances (N,) are known; `least_chance` : that counts as fruit."""
    sure = (chances >= least_chance) & (peaks.scores >= peaks.behind_scores)
    boxes = peaks.boxes[sure & (chances >= TELLS_FROM)]
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
    return _fitted(image, look(first), wanted_px, 1.0 if known is None else ENLARGED_TO)


def _first_factor(image: Image, look: Callable[[float], Look], wanted_px: float) -> float:
    """Without a marker: from a few coarse looks at the whole picture."""
    longest = max(image.shape[:2])

    def seen_at(*sides: int) -> list[Look]:
        return [look(at) for at in sorted({looked_at(side / longest) for side in sides})]

    def looked_at(factor: float) -> float:
        return bounded(min(factor, MOST_LOOKED_UPSAMPLING), image)

    # A small picture is also looked at as it is: its fruit may be large.
    looks = seen_at(*COARSE_SIDES_PX, min(longest, COARSE_SIDES_PX[0]))
    best = best_look(looks, wanted_px)
    if best is None or best.sum_of_chances < FEW:
        (close,) = seen_at(CLOSE_SIDE_PX)
        if _is_close_up(close, wanted_px):
            best = close
    if best is None:
        looks += seen_at(FINE_SIDE_PX)
        best = best_look(looks, wanted_px)
    if best is None or best.middle_px is None:
        return looks[-1].factor
    return bounded(best.factor * wanted_px / _true_width(best.middle_px, wanted_px), image)


def _is_close_up(close: Look, wanted_px: float) -> bool:
    """Whether the picture seen small holds a fruit or two, surely, and large even so."""
    return (
        close.middle_px is not None
        and close.middle_px >= LOOKS_TRUE_FROM * wanted_px
        and close.sum_of_chances >= CLOSE_CHANCE * len(close.widths_px)
    )


def _true_width(seen_px: float, wanted_px: float) -> float:
    """Of the usual fruit, from the width that it seems to have in a coarse look."""
    share = seen_px / (LOOKS_TRUE_FROM * wanted_px)
    shrinks: float = min(1.0, share) ** SHRINKS_BY_POWER
    return seen_px * shrinks


def best_look(looks: list[Look], wanted_px: float) -> Look | None:
    """Of those that see about the most fruit, the one that sees them nearest to their best size."""
    told = [one for one in looks if one.usual_px is not None]
    if not told:
        return None
    most = max(one.sum_of_chances for one in told)
    good = [one for one in told if one.sum_of_chances >= NEARLY_AS_GOOD * most]
    return min(good, key=lambda one: abs(np.log((one.usual_px or wanted_px) / wanted_px)))


def _fitted(image: Image, found: Look, wanted_px: float, enlarged_to: float) -> float:
    """The factor of a look, or a better one where its usual fruit are far too small or large.

    Small ones are brought to the share `enlarged_to` of the wanted width.
    """
    low, high = WIDTHS_THAT_FIT
    if found.usual_px is None or low <= found.usual_px / wanted_px <= high:
        return found.factor
    share = enlarged_to if found.usual_px < wanted_px else 1.0
    return bounded(found.factor * share * wanted_px / found.usual_px, image)


def is_far_too_small(middle: Look, wanted_px: float) -> bool:
    """Whether the middle of a picture alone tells that the usual fruit are far too small."""
    width = middle.usual_px if len(middle.widths_px) >= FEWEST_IN_THE_MIDDLE else None
    return width is not None and width < WIDTHS_THAT_FIT[0] * wanted_px
