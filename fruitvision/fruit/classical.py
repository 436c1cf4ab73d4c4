"""Fruit by colour and shape, without a network: round rims around fruit-like colour.

Steps: picture at finding scale -> fruit likelihood per pixel -> candidate circles -> each verified
along rays -> overlaps removed -> outline fitted at full resolution -> visible mask.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import (
    Appearance,
    against_leaf,
    likelihood,
    look,
    to_lab,
    to_linear_light,
)
from fruitvision.fruit.circles import drop_overlaps, find_circles
from fruitvision.fruit.detector import Detections, Image, no_fruit
from fruitvision.fruit.foliage import LEAST_FOLIAGE_SHARE, foliage_share
from fruitvision.fruit.outline import Detail, fit_outlines
from fruitvision.fruit.usual_size import FINDING_RADIUS_PX, resized, too_far, usual_radius_px
from fruitvision.fruit.verify import verify_circles
from fruitvision.fruit.visible import boxes_around, visible_masks

Floats = NDArray[np.float64]

# Radii tried at finding scale: 0.55 to 1.5 of the usual fruit, in steps of 22 %.
FINDING_RADII_PX = tuple(FINDING_RADIUS_PX * 1.22**step for step in range(-3, 3))
# Radius from which the outline is drawn, px: more detail no longer moves the ellipse.
OUTLINE_RADIUS_PX = 30.0
# Most pixels at outline scale: bounds memory. Our choice.
MOST_OUTLINE_PIXELS = 9e6
# Most candidates that are verified. Row photos hold up to 300 fruit.
MOST_CANDIDATES = 900
# Share of the rays on which the rim of a whole fruit is seen: dark leaves and stripes take the
# rest. Our choice, on rendered fruit. Less rim than that counts as hidden, whatever the area.
RIM_OF_A_WHOLE_FRUIT = 0.65
# Smaller than this share of the median sure fruit: a row behind, twice as far or more. Our choice.
BEHIND_BELOW = 0.65
SURE_SCORE = 0.60
# Candidates below this are not fitted: hardly any is a fruit, and they take twice the time of the
# others. Our choice.
LEAST_CANDIDATE_SCORE = 0.03


@dataclass(frozen=True, slots=True)
class ClassicalDetector:
    """Colour, shape and shading. `threshold` is the lowest score that counts as fruit."""

    threshold: float = 0.20

    name: str = "classical"
    version: str = "1"
    limits: str = (
        "Finds about half of the fruit that a person marks in a row photo, fewer where they are "
        "green, dark or mostly hidden; one in six of what it finds is no fruit of this row. "
        "It sizes about one in four of them. Use it beside your usual count, not instead of it."
    )
    # Mean absolute error of counts on real row photos of apple of a row that nothing was fitted on
    # (DEVELOPERS.md, "Classical detector on real photos"); nearly all of it is fruit not found.
    count_error: float = 0.36
    facts: tuple[str, ...] = (
        "The count of one photo errs by 36 %, nearly always too low: hand counts correct it.",
    )

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """Fruit in `image`, an (H, W, 3) uint8 RGB picture; `mm_per_px` helps if known."""
        return _above(image, mm_per_px, self.threshold)

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """Candidates from a score of 0.03 on: `detect` gives those at or above `threshold`."""
        return _above(image, mm_per_px, min(self.threshold, LEAST_CANDIDATE_SCORE))


def _above(image: Image, mm_per_px: float | None, least_score: float) -> Detections:
    """Fruit of that score or more."""
    if foliage_share(image) < LEAST_FOLIAGE_SHARE:
        return no_fruit()
    if mm_per_px is not None and too_far(image, mm_per_px):
        return no_fruit()
    found = _find(image, mm_per_px)
    keep = found.scores >= least_score
    if not keep.any():
        return no_fruit()
    kept = replace(found, circles=found.circles[keep], scores=found.scores[keep])
    return _outlined(image, kept)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Circles (N, 3) at finding scale with scores (N,), and what they were found in."""

    seen: Appearance
    factor: float
    circles: Floats
    scores: Floats


def _find(image: Image, mm_per_px: float | None) -> _Found:
    """Every fruit once, sure or not."""
    factor = FINDING_RADIUS_PX / usual_radius_px(image, mm_per_px)
    seen = look(resized(image, factor))
    circles = find_circles(seen, FINDING_RADII_PX, MOST_CANDIDATES)
    scores = verify_circles(seen, circles, FINDING_RADIUS_PX)
    keep = drop_overlaps(circles, scores)
    return _Found(seen, factor, circles[keep, :3], scores[keep])


def _outlined(image: Image, found: _Found) -> Detections:
    """Outlines, visible masks and rows, in full pixels."""
    # From finding scale to outline scale, never above full size.
    pixels = image.shape[0] * image.shape[1]
    factor = min(
        1.0,
        found.factor * OUTLINE_RADIUS_PX / FINDING_RADIUS_PX,
        float(np.sqrt(MOST_OUTLINE_PIXELS / pixels)),
    )
    zoom = factor / found.factor
    detail = _detail(image if factor == 1.0 else resized(image, factor), found.seen)
    outlines, rims, seen = fit_outlines(detail, _zoomed(found.circles, zoom))
    # Two circles may have settled on one rim.
    round_again = np.column_stack([outlines[:, :2], outlines[:, 2:4].mean(1) / 2])
    kept = drop_overlaps(round_again, found.scores)
    outlines = _zoomed(outlines[kept], 1 / factor)
    scores = found.scores[kept]
    masks, origins, shares = visible_masks(
        outlines,
        rims[kept] / factor,
        likelihood=detail.likelihood,
        factor=factor,
        picture=(image.shape[0], image.shape[1]),
    )
    return Detections(
        outlines=outlines,
        masks=masks,
        mask_origins=origins,
        visible_shares=np.minimum(shares, seen[kept] / RIM_OF_A_WHOLE_FRUIT),
        scores=scores,
        on_this_row=near_row(outlines[:, 2], scores),
        boxes=boxes_around(masks, origins, outlines),
    )


def _detail(image: Image, seen: Appearance) -> Detail:
    """Light and fruit likelihood at outline scale; texture is taken from the finding scale."""
    height, width = image.shape[:2]
    smooth = np.asarray(cv2.GaussianBlur(image, (0, 0), 1.0), dtype=np.uint8)
    texture = cv2.resize(seen.texture, (width, height), interpolation=cv2.INTER_LINEAR)
    colour = against_leaf(to_lab(smooth), seen.leaf)
    return Detail(to_linear_light(image), likelihood(colour, np.asarray(texture)))


def _zoomed(outlines: Floats, zoom: float) -> Floats:
    """Outlines or circles of a picture that is made `zoom` times as large.

    Centres lie between pixels' centres, lengths (columns 2 and 3) just grow.
    """
    out = outlines.copy()
    out[:, :2] = (outlines[:, :2] + 0.5) * zoom - 0.5
    out[:, 2:4] *= zoom
    return out


def near_row(long_px: Floats, scores: Floats) -> NDArray[np.bool_]:
    """False for fruit much smaller than the median of the sure ones: they hang farther back."""
    sure = long_px[scores >= SURE_SCORE]
    median = np.median(sure if len(sure) else long_px)
    return np.asarray(long_px >= BEHIND_BELOW * median, dtype=np.bool_)
