"""How much each pixel looks like fruit: colour against the photo's own leaves, and smoothness."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.detector import Image
from fruitvision.fruit.fitted import LIKELIHOOD, LIKELIHOOD_OFFSET

Plane = NDArray[np.float32]

# Foliage in CIE Lab: greener than grey, yellower than grey, neither black nor burnt out.
# Our choice, from looking at row photos in sun and under cloud.
LEAF_A_BELOW = -3.0
LEAF_B_ABOVE = 4.0
LEAF_L_RANGE = (12.0, 90.0)
# Spans that bring the three Lab differences to about the same size. Our choice.
LAB_SPANS = (50.0, 20.0, 30.0)
# Leaf of a photo without any, CIE Lab. Our choice; the detector gives up on such photos before.
USUAL_LEAF = (40.0, -12.0, 18.0)


@dataclass(frozen=True, slots=True, eq=False)
class Appearance:
    """A picture as the finder sees it.

    Parameters
    ----------
    lab : (H, W, 3) float32
        CIE Lab less the photo's median leaf, divided by `LAB_SPANS`.
    texture : (H, W) float32
        log(1 + standard deviation of L in a 5 x 5 window): low on fruit, high on leaves and grass.
    likelihood : (H, W) float32
        Looks like fruit, 0 to 1, fruit and not-fruit taken as equally common.
    leaf : (3,) float32
        The photo's median leaf, CIE Lab.
    """

    lab: Plane
    texture: Plane
    likelihood: Plane
    leaf: Plane


def to_lab(image: Image) -> Plane:
    """CIE Lab of an (H, W, 3) uint8 RGB picture, float32."""
    scaled = image.astype(np.float32) / 255.0
    return np.asarray(cv2.cvtColor(scaled, cv2.COLOR_RGB2LAB), dtype=np.float32)


def to_linear_light(image: Image) -> Plane:
    """Light of an (H, W, 3) uint8 RGB picture, float32 0 to 1 (IEC 61966-2-1)."""
    stored = np.arange(256) / 255.0
    light = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)[image]


def local_texture(lightness: Plane) -> Plane:
    """log(1 + standard deviation) of an (H, W) plane in a 5 x 5 window."""
    mean = cv2.blur(lightness, (5, 5))
    variance = cv2.blur(lightness * lightness, (5, 5)) - mean * mean
    return np.log1p(np.sqrt(np.maximum(variance, 0.0))).astype(np.float32)


def leaf_mask(lab: Plane) -> NDArray[np.bool_]:
    """Pixels of an (H, W, 3) Lab picture that look like leaf or grass."""
    lightness, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    low, high = LEAF_L_RANGE
    leaf: NDArray[np.bool_] = (a < LEAF_A_BELOW) & (b > LEAF_B_ABOVE)
    return leaf & (lightness > low) & (lightness < high)


def look(image: Image) -> Appearance:
    """Colour, texture and fruit likelihood of an (H, W, 3) uint8 RGB picture."""
    texture = local_texture(to_lab(image)[..., 0])
    lab = to_lab(np.asarray(cv2.GaussianBlur(image, (0, 0), 0.8), dtype=np.uint8))
    seen = leaf_mask(lab)
    leaf = np.median(lab[seen], axis=0) if seen.any() else np.array(USUAL_LEAF)
    relative = against_leaf(lab, leaf)
    return Appearance(relative, texture, likelihood(relative, texture), leaf)


def against_leaf(lab: Plane, leaf: Plane) -> Plane:
    """CIE Lab less the leaf's, in `LAB_SPANS`."""
    spans = np.array(LAB_SPANS, dtype=np.float32)
    return np.asarray((lab - leaf.astype(np.float32)) / spans, dtype=np.float32)


def likelihood(lab: Plane, texture: Plane) -> Plane:
    """Logistic function of a second-order polynomial in colour and texture."""
    lightness, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    terms = {
        "L": lightness,
        "a": a,
        "b": b,
        "LL": lightness * lightness,
        "aa": a * a,
        "bb": b * b,
        "La": lightness * a,
        "Lb": lightness * b,
        "ab": a * b,
        "T": texture,
        "TL": texture * lightness,
        "Ta": texture * a,
        "Tb": texture * b,
        "TT": texture * texture,
    }
    total = np.full(texture.shape, LIKELIHOOD_OFFSET, dtype=np.float32)
    for name, plane in terms.items():
        total += np.float32(LIKELIHOOD[name]) * plane
    return (1.0 / (1.0 + np.exp(-np.clip(total, -30, 30)))).astype(np.float32)
