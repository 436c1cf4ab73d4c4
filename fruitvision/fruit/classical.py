"""Fruit by colour and shape, without a network: round rims around fruit-like colour.

Steps: picture at finding scale -> fruit likelihood per pixel -> candidate circles -> each verified
along rays -> overlaps removed -> outline fitted at full resolution -> visible mask.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import look, to_linear_light
from fruitvision.fruit.circles import drop_overlaps, find_circles
from fruitvision.fruit.detector import Detections, Image
from fruitvision.fruit.foliage import LEAST_FOLIAGE_SHARE, foliage_share
from fruitvision.fruit.outline import fit_outlines
from fruitvision.fruit.usual_size import FINDING_RADIUS_PX, resized, usual_radius_px
from fruitvision.fruit.verify import verify_circles
from fruitvision.fruit.visible import inside_outline, share_in_front, visible_mask

# Radii tried at finding scale: 0.55 to 1.5 of the usual fruit, in steps of 22 %.
FINDING_RADII_PX = tuple(FINDING_RADIUS_PX * 1.22**step for step in range(-3, 3))
# Radius from which the outline is drawn, px: more detail no longer moves the ellipse.
OUTLINE_RADIUS_PX = 40.0
# Most candidates that are verified. Row photos hold up to 300 fruit.
MOST_CANDIDATES = 900
# Smaller than this share of the median sure fruit: a row behind, twice as far or more. Our choice.
BEHIND_BELOW = 0.65
SURE_SCORE = 0.60


@dataclass(frozen=True, slots=True)
class ClassicalDetector:
    """Colour, shape and shading. `threshold` is the lowest score that counts as fruit."""

    threshold: float = 0.33

    name: str = "classical"
    version: str = "1"
    limits: str = (
        "Finds about six in ten of the fruit that a person marks in a row photo, fewer where they "
        "are green, dark, or mostly hidden; yellow leaves and fruit of the row behind may be "
        "counted. Numbers are for trying things out, not for selling fruit."
    )

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """Fruit in `image`, an (H, W, 3) uint8 RGB picture; `mm_per_px` helps if known."""
        usual_px, found, scores = _find(image, mm_per_px)
        keep = scores >= self.threshold
        if not keep.any():
            return _nothing()
        return _outlined(image, found[keep], scores[keep], usual_px)


def _nothing() -> Detections:
    empty = np.zeros(0)
    return Detections(
        outlines=np.zeros((0, 5)),
        masks=(),
        mask_origins=np.zeros((0, 2), dtype=np.int64),
        visible_shares=empty,
        scores=empty,
        on_this_row=empty.astype(np.bool_),
    )


def _find(
    image: Image, mm_per_px: float | None
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Usual radius (px), circles (N, 3) in full px, scores (N,)."""
    if foliage_share(image) < LEAST_FOLIAGE_SHARE:
        return 1.0, np.zeros((0, 3)), np.zeros(0)
    usual_px = usual_radius_px(image, mm_per_px)
    factor = FINDING_RADIUS_PX / usual_px
    seen = look(resized(image, factor))
    circles = find_circles(seen, FINDING_RADII_PX, MOST_CANDIDATES)
    scores = verify_circles(seen, circles, FINDING_RADIUS_PX)
    keep = drop_overlaps(circles, scores)
    return usual_px, _to_full(circles[keep, :3], factor), scores[keep]


def _to_full(circles: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Circles of a resized picture in full pixels (pixel centres at whole numbers)."""
    centres = (circles[:, :2] + 0.5) / factor - 0.5
    return np.column_stack([centres, circles[:, 2] / factor])


def _outlined(
    image: Image, circles: NDArray[np.float64], scores: NDArray[np.float64], usual_px: float
) -> Detections:
    """Outlines, visible masks and rows of circles in full pixels."""
    factor = min(1.0, OUTLINE_RADIUS_PX / usual_px)
    detailed = image if factor == 1.0 else resized(image, factor)
    scaled = np.column_stack([(circles[:, :2] + 0.5) * factor - 0.5, circles[:, 2] * factor])
    outlines, rims = fit_outlines(to_linear_light(detailed), scaled)
    outlines[:, :2] = (outlines[:, :2] + 0.5) / factor - 0.5
    outlines[:, 2:4] /= factor
    rims /= factor
    # Two circles may have settled on one rim.
    kept = drop_overlaps(np.column_stack([outlines[:, :2], outlines[:, 2:4].mean(1) / 2]), scores)
    outlines, rims, scores = outlines[kept], rims[kept], scores[kept]
    masks, origins, shares = _masks(image, outlines, rims, usual_px)
    return Detections(
        outlines=outlines,
        masks=tuple(masks),
        mask_origins=origins,
        visible_shares=shares,
        scores=scores,
        on_this_row=near_row(outlines[:, 2], scores),
    )


def near_row(long_px: NDArray[np.float64], scores: NDArray[np.float64]) -> NDArray[np.bool_]:
    """False for fruit much smaller than the median of the sure ones: they hang farther back."""
    sure = long_px[scores >= SURE_SCORE]
    median = np.median(sure if len(sure) else long_px)
    near: NDArray[np.bool_] = long_px >= BEHIND_BELOW * median
    return near


def _masks(
    image: Image, outlines: NDArray[np.float64], rims: NDArray[np.float64], usual_px: float
) -> tuple[list[NDArray[np.bool_]], NDArray[np.int64], NDArray[np.float64]]:
    """Visible masks in windows, their origins, and visible shares."""
    height, width = image.shape[:2]
    factor = FINDING_RADIUS_PX / usual_px
    likelihood = look(resized(image, factor)).likelihood
    masks, origins = [], np.zeros((len(outlines), 2), dtype=np.int64)
    for index, outline in enumerate(outlines):
        full, origin = inside_outline(outline, width, height)
        columns, rows = np.meshgrid(
            ((np.arange(full.shape[1]) + origin[0] + 0.5) * factor - 0.5).astype(np.float32),
            ((np.arange(full.shape[0]) + origin[1] + 0.5) * factor - 0.5).astype(np.float32),
        )
        local = cv2.remap(
            likelihood,
            columns,
            rows,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        masks.append(visible_mask(full, origin, rims[index], outline[:2], np.asarray(local)))
        origins[index] = origin
    masks = share_in_front(outlines, masks, origins, (height, width))
    areas = np.pi / 4 * outlines[:, 2] * outlines[:, 3]
    shares = np.array([mask.sum() for mask in masks]) / areas
    return masks, origins, np.clip(shares, 0.0, 1.0)
