"""Is a candidate circle a fruit? Measured along 32 rays from its centre."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import Appearance, Plane
from fruitvision.fruit.fitted import VERIFY, VERIFY_OFFSET

RAYS = 32
# Distances from the centre as shares of the radius.
STEPS = np.arange(0.1, 1.65, 0.1)
# Bands along a ray, as indices into STEPS.
BANDS = {"core": (0, 5), "middle": (5, 8), "rim": (8, 10), "outside": (10, 13), "far": (13, 16)}
# One px at finding scale is about 1/12 radius; the rim is searched over this part of a ray.
RIM = slice(7, 11)
INNER = slice(0, 7)


def verify_circles(
    seen: Appearance, circles: NDArray[np.float64], usual_radius_px: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Probability, 0 to 1, that each (x, y, radius, response) circle is a fruit of this row."""
    if not len(circles):
        return np.zeros(0)
    facts = circle_facts(seen, circles, usual_radius_px)
    total = np.full(len(circles), VERIFY_OFFSET)
    for name, weight in VERIFY.items():
        total += weight * facts[name]
    probability: NDArray[np.float64] = 1.0 / (1.0 + np.exp(-np.clip(total, -30, 30)))
    return probability


def circle_facts(
    seen: Appearance, circles: NDArray[np.float64], usual_radius_px: float | NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    """Named measurements of (N, 4) circles, each (N,)."""
    planes = {
        "L": seen.lab[..., 0],
        "a": seen.lab[..., 1],
        "b": seen.lab[..., 2],
        "texture": seen.texture,
        "likelihood": seen.likelihood,
    }
    rays = {name: _along_rays(plane, circles) for name, plane in planes.items()}
    facts = {
        f"{name}_{band}": values[:, :, low:high].mean((1, 2))
        for name, values in rays.items()
        for band, (low, high) in BANDS.items()
    }
    facts |= _rim_facts(rays)
    facts |= _shading_facts(rays["L"])
    size = np.log(circles[:, 2] / usual_radius_px)
    facts |= {"size": size, "size_squared": size**2, "response": circles[:, 3]}
    return facts | _products(facts)


def _along_rays(plane: Plane, circles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of an (H, W) plane, (N, RAYS, len(STEPS))."""
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    reach = circles[:, 2, None, None] * STEPS
    x = circles[:, 0, None, None] + reach * np.cos(angle)[:, None]
    y = circles[:, 1, None, None] + reach * np.sin(angle)[:, None]
    shape = x.shape
    values = cv2.remap(
        np.ascontiguousarray(plane),
        x.reshape(len(circles), -1).astype(np.float32),
        y.reshape(len(circles), -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(values, dtype=np.float64).reshape(shape)


def _rim_facts(rays: dict[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    """How hard and how complete the rim is against edges inside."""
    spans = {"L": 50.0, "a": 20.0, "b": 30.0}
    steps = np.sqrt(sum((np.diff(rays[k], axis=2) * span) ** 2 for k, span in spans.items()))
    rim, inner = steps[:, :, RIM].max(2), steps[:, :, INNER].max(2)
    fall = -np.diff(rays["likelihood"], axis=2)[:, :, RIM].max(2)
    inside = rays["likelihood"][:, :, :8].mean(2)
    outside = rays["likelihood"][:, :, 11:15].mean(2)
    return {
        "rim_mean": np.log1p(rim).mean(1),
        "rim_upper": np.log1p(np.percentile(rim, 75, axis=1)),
        "inner_mean": np.log1p(inner).mean(1),
        "inner_upper": np.log1p(np.percentile(inner, 75, axis=1)),
        "rim_above_inner": (rim > 1.5 * inner).mean(1),
        "rim_fall": fall.mean(1),
        "rim_arc": (fall > 0.1).mean(1),
        "rim_longest_arc": _longest_arc(fall > 0.1),
        "full_rays": (inside > 0.5).mean(1),
        "full_rays_outside": (outside > 0.5).mean(1),
    }


def _longest_arc(good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Longest run of good rays around the circle, as a share of all rays."""
    run = np.zeros(len(good))
    longest = np.zeros(len(good))
    for ray in range(2 * RAYS):
        run = np.where(good[:, ray % RAYS], run + 1, 0)
        longest = np.maximum(longest, np.minimum(run, RAYS))
    return longest / RAYS


def _shading_facts(lightness: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """A lit ball is brightest within and darkens towards its rim."""
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    ring = lightness[:, :, 5:8].mean(2)
    return {
        "centre_brighter": lightness[:, :, :3].mean((1, 2)) - lightness[:, :, 6:9].mean((1, 2)),
        "top_brighter": -(ring * np.sin(angle)).mean(1),
        "spread_inside": lightness[:, :, :8].std((1, 2)),
    }


def _products(facts: dict[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    """Facts that say little alone: fruit colour inside *and* a rim, or a change of colour."""
    inside = facts["likelihood_core"]
    change = [facts[f"{k}_core"] - facts[f"{k}_far"] for k in ("L", "a", "b")]
    return {
        "fruit_and_rim": inside * facts["rim_mean"],
        "fruit_and_contrast": inside * (inside - facts["likelihood_far"]),
        "colour_change": np.sqrt(sum(part**2 for part in change)),
    }
