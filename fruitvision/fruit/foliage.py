"""Is there a tree in the picture at all?"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.detector import Image

# A picture with less foliage than this shows no tree. Our choice: a tree from ground to top wire
# covers a quarter of the photo or more.
LEAST_FOLIAGE_SHARE = 0.03
# Excess green 2g - r - b of a leaf pixel (Woebbecke et al. 1995, Trans. ASAE 38: 259-269). The
# limit is our choice: shaded leaves reach it, grey walls and sky do not.
LEAST_EXCESS_GREEN = 0.05
# Least r + g + b of a leaf pixel: what is darker has no colour but noise. Our choice: of photos by
# flash at night it takes a quarter of the leaves (46 % of a photo stay), of others nothing, and a
# starry sky keeps 3 %.
LEAST_LIGHT = 60.0
# Long side at which the share is judged, px: leaves need no more.
JUDGED_AT_PX = 400


def foliage_share(image: Image) -> float:
    """Share of pixels that are green as leaves are, 0 to 1, of an (H, W, 3) uint8 RGB picture."""
    factor = JUDGED_AT_PX / max(image.shape[:2])
    if factor < 1:
        height, width = image.shape[:2]
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        image = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)
    return float(foliage(image).mean())


def foliage(image: Image) -> NDArray[np.bool_]:
    """Which pixels (H, W) are green as leaves are, of an (H, W, 3) uint8 RGB picture."""
    colour = image.astype(np.float32)
    total = colour.sum(axis=2)
    excess_green = 2 * colour[..., 1] - colour[..., 0] - colour[..., 2]
    return np.asarray((total >= LEAST_LIGHT) & (excess_green > LEAST_EXCESS_GREEN * total))
