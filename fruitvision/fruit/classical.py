"""Fruit by colour and shape, without a network: round rims around fruit-like colour.

Steps: picture at finding scale -> fruit likelihood per pixel -> candidate circles -> each verified
along rays -> overlaps removed -> outline fitted at full resolution -> visible mask.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import Appearance, look, to_lab
from fruitvision.fruit.circles import find_circles
from fruitvision.fruit.detector import Detections, Image
from fruitvision.fruit.outline import fit_outlines, trace_rims
from fruitvision.fruit.verify import verify_circles
from fruitvision.fruit.visible import inside_outline, share_in_front, visible_mask

# Radius of the usual fruit at finding scale, px. Our choice: large enough for a rim and its
# surroundings, small enough for speed.
FINDING_RADIUS_PX = 12.0
# Radii tried at finding scale: 0.55 to 1.5 of the usual fruit, in steps of 22 %.
FINDING_RADII_PX = tuple(FINDING_RADIUS_PX * 1.22**step for step in range(-3, 3))
# Radius from which the outline is drawn, px: more detail no longer moves the ellipse.
OUTLINE_RADIUS_PX = 40.0
# Most candidates that are verified. Row photos hold up to 300 fruit.
MOST_CANDIDATES = 900
# Fewest green pixels of a photo with a tree, as a share. Our choice: bins, walls, sky have less.
LEAST_FOLIAGE = 0.04
# Diameters of apples that are looked for, mm, and the usual one.
SMALLEST_MM, USUAL_MM, LARGEST_MM = 20.0, 65.0, 100.0
# Sizes tried where no scale is known: diameter of a fruit as a share of the photo's long side.
GUESSED_SHARES = (0.012, 0.021, 0.036, 0.065)
# Two outlines are one fruit if they share this part (intersection over union of their boxes) or
# if their centres are nearer than this share of the larger radius. Our choice: clusters touch.
SAME_FRUIT_OVERLAP = 0.35
SAME_FRUIT_CENTRES = 0.55
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
    nothing = (1.0, np.zeros((0, 3)), np.zeros(0))
    usual_px = _usual_radius(image, mm_per_px)
    if usual_px is None:
        return nothing
    factor = FINDING_RADIUS_PX / usual_px
    seen = look(_resized(image, factor))
    circles = find_circles(seen, FINDING_RADII_PX, MOST_CANDIDATES)
    scores = verify_circles(seen, circles, FINDING_RADIUS_PX)
    keep = drop_overlaps(circles, scores)
    return usual_px, _to_full(circles[keep, :3], factor), scores[keep]


def _resized(image: Image, factor: float) -> Image:
    height, width = image.shape[:2]
    size = (max(8, round(width * factor)), max(8, round(height * factor)))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, size, interpolation=how), dtype=np.uint8)


def _to_full(circles: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Circles of a resized picture in full pixels (pixel centres at whole numbers)."""
    centres = (circles[:, :2] + 0.5) / factor - 0.5
    return np.column_stack([centres, circles[:, 2] / factor])


def _usual_radius(image: Image, mm_per_px: float | None) -> float | None:
    """Radius of the usual fruit, px, or None where there is no foliage."""
    if mm_per_px is None:
        longest = max(image.shape[:2])
        tries = [share * longest / 2 for share in GUESSED_SHARES]
    else:
        tries = [mm / mm_per_px / 2 for mm in (38.0, USUAL_MM)]
    radii, weights = [], []
    for radius in tries:
        seen = look(_resized(image, FINDING_RADIUS_PX / radius))
        if seen.foliage_share < LEAST_FOLIAGE:
            return None
        r, w = _sure_radii(seen)
        radii.append(r * radius / FINDING_RADIUS_PX)
        weights.append(w)
    usual = _mode(np.concatenate(radii), np.concatenate(weights), fallback=tries[len(tries) // 2])
    if mm_per_px is not None:
        usual = float(np.clip(usual, SMALLEST_MM / mm_per_px / 2, LARGEST_MM / mm_per_px / 2))
    return usual


def _sure_radii(seen: Appearance) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Radii of likely fruit at finding scale, and how much each weighs."""
    circles = find_circles(seen, FINDING_RADII_PX[1:5], 300)
    scores = verify_circles(seen, circles, FINDING_RADIUS_PX)
    keep = drop_overlaps(circles, scores)
    keep = keep[scores[keep] > 0.5]
    return circles[keep, 2], scores[keep]


def _mode(
    radii: NDArray[np.float64], weights: NDArray[np.float64], *, fallback: float
) -> float:
    """Densest radius on a log axis."""
    if not len(radii):
        return fallback
    logs = np.log(radii)
    grid = np.linspace(logs.min(), logs.max() + 1e-6, 60)
    density = (weights * np.exp(-0.5 * ((grid[:, None] - logs) / 0.2) ** 2)).sum(1)
    return float(np.exp(grid[density.argmax()]))


def drop_overlaps(
    circles: NDArray[np.float64], scores: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Indices of the circles that stay, best first, when each fruit may be found once."""
    x, y, r = circles[:, 0], circles[:, 1], circles[:, 2]
    alive = np.ones(len(circles), dtype=np.bool_)
    keep = []
    for index in np.argsort(-scores, kind="stable"):
        if not alive[index]:
            continue
        keep.append(int(index))
        wide = np.minimum(x + r, x[index] + r[index]) - np.maximum(x - r, x[index] - r[index])
        high = np.minimum(y + r, y[index] + r[index]) - np.maximum(y - r, y[index] - r[index])
        common = np.clip(wide, 0, None) * np.clip(high, 0, None)
        overlap = common / (4 * r**2 + 4 * r[index] ** 2 - common)
        apart = np.hypot(x - x[index], y - y[index]) / np.maximum(r, r[index])
        alive &= (overlap <= SAME_FRUIT_OVERLAP) & (apart >= SAME_FRUIT_CENTRES)
    return np.array(keep, dtype=np.int64)


def _outlined(
    image: Image, circles: NDArray[np.float64], scores: NDArray[np.float64], usual_px: float
) -> Detections:
    """Outlines, visible masks and rows of circles in full pixels."""
    factor = min(1.0, OUTLINE_RADIUS_PX / usual_px)
    detailed = image if factor == 1.0 else _resized(image, factor)
    scaled = np.column_stack([(circles[:, :2] + 0.5) * factor - 0.5, circles[:, 2] * factor])
    lab = to_lab(detailed)
    outlines, _ = fit_outlines(lab, scaled)
    rims = trace_rims(lab, np.column_stack([outlines[:, :2], outlines[:, 2:4].mean(1) / 2]))
    outlines[:, :2] = (outlines[:, :2] + 0.5) / factor - 0.5
    outlines[:, 2:4] /= factor
    rims *= outlines[:, 2:4].mean(1)[:, None] / 2
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
    likelihood = look(_resized(image, factor)).likelihood
    masks, origins = [], np.zeros((len(outlines), 2), dtype=np.int64)
    for index, outline in enumerate(outlines):
        full, origin = inside_outline(outline, width, height)
        rows = np.arange(full.shape[0]) + origin[1]
        columns = np.arange(full.shape[1]) + origin[0]
        local = cv2.remap(
            likelihood,
            *np.meshgrid(
                ((columns + 0.5) * factor - 0.5).astype(np.float32),
                ((rows + 0.5) * factor - 0.5).astype(np.float32),
            ),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        masks.append(visible_mask(full, origin, rims[index], outline[:2], np.asarray(local)))
        origins[index] = origin
    masks = share_in_front(outlines, masks, origins, (height, width))
    areas = np.pi / 4 * outlines[:, 2] * outlines[:, 3]
    shares = np.array([mask.sum() for mask in masks]) / areas
    return masks, origins, np.clip(shares, 0.0, 1.0)
