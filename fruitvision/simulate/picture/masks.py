"""What is seen of each fruit: sub-pixels counted against those it covers alone, and masks.

An id picture is (H * per_side, W * per_side) int: which label (place in the picture's list + 1, or
0) the line of sight through the middle of each sub-pixel meets, see `render.labels_of`.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import SettingsError
from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Ints

Ids = NDArray[np.int32]


def seen_sub_pixels(ids: Ids, count: int) -> Ints:
    """(count,) how many sub-pixels of an id picture meet each fruit."""
    hits = np.bincount(ids.ravel(), minlength=count + 1)
    return hits[1 : count + 1].astype(np.int64)


def lone_sub_pixels(ellipses_px: Floats, per_side: int) -> Ints:
    """(N,) how many sub-pixels each fruit would cover with nothing before it.

    Those outside the frame count too. `ellipses_px` : (N, 5) full outlines, see `camera.outlines`.
    """
    return np.array([_inside(ellipse, per_side) for ellipse in ellipses_px], dtype=np.int64)


def _inside(ellipse: Floats, per_side: int) -> int:
    x, y, long_px, short_px, angle_deg = ellipse
    reach = long_px / 2.0 + 1.0
    along = np.radians(angle_deg)
    from_x = _sub_pixel_middles(x - reach, x + reach, per_side)[None, :] - x
    from_y = _sub_pixel_middles(y - reach, y + reach, per_side)[:, None] - y
    u = (from_x * np.cos(along) + from_y * np.sin(along)) / (long_px / 2.0)
    v = (from_y * np.cos(along) - from_x * np.sin(along)) / (short_px / 2.0)
    return int((u**2 + v**2 <= 1.0).sum())


def _sub_pixel_middles(low: float, high: float, per_side: int) -> Floats:
    """Middles of the sub-pixels of all pixels from `low` to `high`; pixel 0 is from -0.5 to 0.5."""
    first, last = int(np.floor(low)), int(np.ceil(high))
    count = (last - first + 1) * per_side
    return np.asarray(first - 0.5 + (np.arange(count) + 0.5) / per_side)


def owners(ids: Ids, per_side: int) -> Ids:
    """(H, W) label that each pixel belongs to: one that at least half of its sub-pixels meet.

    Of two fruit with half a pixel each, the lower label gets it.
    """
    height, width = ids.shape[0] // per_side, ids.shape[1] // per_side
    parts = ids.reshape(height, per_side, width, per_side).transpose(1, 3, 0, 2)
    in_order = np.sort(parts.reshape(per_side**2, height, width), axis=0)
    # At least half of the sub-pixels hold one label if sorted ones that far apart are equal.
    half = (per_side**2 + 1) // 2
    owned = np.zeros((height, width), dtype=np.int32)
    for first, last in zip(in_order, in_order[half - 1 :], strict=False):
        held = (first == last) & (owned == 0)
        owned[held] = first[held]
    return owned


def run_length_masks(owned: Ids, count: int) -> list[str]:
    """Counts of a COCO compressed run-length mask per fruit; empty where no pixel belongs to it.

    Raises
    ------
    SettingsError
        If faster-coco-eval is not installed.
    """
    height, width = owned.shape
    by_column = owned.T.ravel()
    places = np.flatnonzero(by_column)
    labels = by_column[places]
    order = np.argsort(labels, kind="stable")
    ends = np.searchsorted(labels[order], np.arange(1, count + 2))
    return [_compressed(places[order[first:last]], height, width) for first, last in pairwise(ends)]


def _compressed(places: Ints, height: int, width: int) -> str:
    """COCO's text for the pixels at these places, ascending, counted down the columns."""
    if not len(places):
        return ""
    breaks = np.flatnonzero(np.diff(places) > 1)
    starts = places[np.concatenate([[0], breaks + 1])]
    stops = places[np.concatenate([breaks, [len(places) - 1]])] + 1
    edges = np.column_stack([starts, stops]).ravel()
    # Lengths of runs of 0, 1, 0, 1 ... from the first pixel to the last.
    counts = np.diff(np.concatenate([[0], edges, [height * width]])).tolist()
    if counts[-1] == 0:
        counts.pop()
    mask = {"size": [height, width], "counts": counts}
    found = _coco_masks().frPyObjects(mask, height, width)
    return str(found["counts"], "ascii")


def mask_box(counts: str, height: int, width: int) -> tuple[list[int], int]:
    """COCO's box (x, y, width, height) and the area of a mask, px."""
    mask = {"size": [height, width], "counts": counts}
    box = [int(value) for value in _coco_masks().toBbox(mask)]
    return box, int(_coco_masks().area(mask))


def mask_pixels(counts: str, height: int, width: int) -> NDArray[np.bool_]:
    """(H, W) which pixels a mask holds."""
    if not counts:
        return np.zeros((height, width), dtype=np.bool_)
    mask = {"size": [height, width], "counts": counts}
    return np.asarray(_coco_masks().decode(mask), dtype=np.bool_)


def _coco_masks() -> Any:
    try:
        from faster_coco_eval.core import mask
    except ImportError as err:
        raise SettingsError(
            "Masks of fruit need faster-coco-eval.",
            fix="Install it: pip install 'fruitvision[simulate]'.",
        ) from err
    return mask
