"""Is a candidate circle a fruit? Measured along 32 rays from its centre."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import LAB_SPANS, Appearance, Plane
from fruitvision.fruit.circles import drop_overlaps
from fruitvision.fruit.fitted import UNLIKE_OFFSET, UNLIKE_WEIGHT, VERIFY, VERIFY_OFFSET

Floats = NDArray[np.float64]

RAYS = 32
# Distances from the centre as shares of the radius.
STEPS = np.arange(0.1, 1.65, 0.1)
# Bands along a ray, as indices into STEPS.
BANDS = {"core": (0, 5), "middle": (5, 8), "rim": (8, 10), "outside": (10, 13), "far": (13, 16)}
# One px at finding scale is about 1/12 radius; the rim is searched over this part of a ray.
RIM = slice(7, 11)
INNER = slice(0, 7)
# Score from which a circle teaches the photo's fruit colour, and how many it takes. Our choice.
SURE_FROM = 0.3
FEWEST_SURE = 5
# Chroma (of Lab, in spans of b) below which a circle is paper, print, cloud or metal: of the fruit
# in the photos that the constants were fitted on, 99.5 % have more.
GREY_BELOW = 9.0 / 30.0
# Variance of colour (L, a, b in LAB_SPANS) among the fruit of a tree if it can't be learnt, and the
# least that is assumed. Our choice.
USUAL_SPREAD = (0.10, 0.30, 0.30)
LEAST_SPREAD = (0.02, 0.05, 0.05)


def verify_circles(seen: Appearance, circles: Floats, usual_radius_px: float | Floats) -> Floats:
    """Probability, 0 to 1, that each (x, y, radius, response) circle is a fruit of this row."""
    if not len(circles):
        return np.zeros(0)
    facts = circle_facts(seen, circles, usual_radius_px)
    total = np.full(len(circles), VERIFY_OFFSET)
    for name, weight in VERIFY.items():
        total += weight * facts[name]
    colour = np.column_stack([facts[f"{channel}_core"] for channel in ("L", "a", "b")])
    first = _logistic(total)
    kept = drop_overlaps(circles, first)
    unlike = unlike_sure_fruit(colour, colour[kept], first[kept])
    scores = _logistic(total + UNLIKE_WEIGHT * np.log1p(unlike) + UNLIKE_OFFSET)
    return np.where(facts["chroma"] < GREY_BELOW, 0.0, scores)


def unlike_sure_fruit(colour: Floats, found: Floats, scores: Floats) -> Floats:
    """Squared distance (Mahalanobis) of colours (N, 3) from the sure fruit of the same photo.

    Fruit of one tree are of one variety: what has another colour is more likely a leaf.
    """
    sure = scores >= SURE_FROM
    if sure.sum() < FEWEST_SURE:
        # Too few to learn from: the best five, and the usual spread.
        sure = scores >= np.sort(scores)[-min(5, len(scores))]
        middle, spread = found[sure].mean(0), np.diag(USUAL_SPREAD)
    else:
        weight = scores[sure] ** 2 / (scores[sure] ** 2).sum()
        middle = weight @ found[sure]
        off = found[sure] - middle
        spread = np.einsum("n,ni,nj->ij", weight, off, off)
    off = colour - middle
    inverse = np.linalg.inv(spread + np.diag(LEAST_SPREAD))
    return np.asarray(np.einsum("ni,ij,nj->n", off, inverse, off), dtype=np.float64)


def _logistic(total: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(total, -30, 30))), dtype=np.float64)


def circle_facts(
    seen: Appearance, circles: Floats, usual_radius_px: float | Floats
) -> dict[str, Floats]:
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
    facts |= _hue_facts(facts, seen.leaf)
    return facts | _products(facts)


def _along_rays(plane: Plane, circles: Floats) -> Floats:
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


def _rim_facts(rays: dict[str, Floats]) -> dict[str, Floats]:
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


def _longest_arc(good: NDArray[np.bool_]) -> Floats:
    """Longest run of good rays around the circle, as a share of all rays."""
    run = np.zeros(len(good))
    longest = np.zeros(len(good))
    for ray in range(2 * RAYS):
        run = np.where(good[:, ray % RAYS], run + 1, 0)
        longest = np.maximum(longest, np.minimum(run, RAYS))
    return longest / RAYS


def _shading_facts(lightness: Floats) -> dict[str, Floats]:
    """A lit ball is brightest within and darkens towards its rim."""
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    ring = lightness[:, :, 5:8].mean(2)
    return {
        "centre_brighter": lightness[:, :, :3].mean((1, 2)) - lightness[:, :, 6:9].mean((1, 2)),
        "top_brighter": -(ring * np.sin(angle)).mean(1),
        "spread_inside": lightness[:, :, :8].std((1, 2)),
    }


def _hue_facts(facts: dict[str, Floats], leaf: Plane) -> dict[str, Floats]:
    """Hue against the photo's leaves, in radians towards red; a lit leaf keeps its hue."""
    a = facts["a_core"] * LAB_SPANS[1] + leaf[1]
    b = facts["b_core"] * LAB_SPANS[2] + leaf[2]
    turn = np.arctan2(leaf[2], leaf[1]) - np.arctan2(b, a)
    hue = np.mod(turn + np.pi, 2 * np.pi) - np.pi
    return {"hue": hue, "hue_squared": hue**2, "chroma": np.hypot(a, b) / LAB_SPANS[2]}


def _products(facts: dict[str, Floats]) -> dict[str, Floats]:
    """Facts that say little alone: fruit colour inside *and* a rim, or a change of colour."""
    inside = facts["likelihood_core"]
    change = [facts[f"{k}_core"] - facts[f"{k}_far"] for k in ("L", "a", "b")]
    return {
        "fruit_and_rim": inside * facts["rim_mean"],
        "fruit_and_contrast": inside * (inside - facts["likelihood_far"]),
        "colour_change": np.sqrt(sum(part**2 for part in change)),
    }
