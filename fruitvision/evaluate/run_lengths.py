"""Masks written as COCO run lengths, and the pieces that they fall into."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Pieces nearer than this belong together: one fruit seen through leaves. Our choice, about the
# size of the fruit that have no annotation of their own.
JOINED_PX = 9


def mask_of(segmentation: Mapping[str, Any]) -> NDArray[np.bool_]:
    """(H, W) bool: pixels of a segmentation with `size` and `counts`, as text or as a list.

    Raises
    ------
    KeyError, ValueError, TypeError
        If it is not written as cocodataset.org/#format-data says.
    """
    height, width = (int(side) for side in segmentation["size"])
    runs = lengths_of(segmentation)
    if (runs < 0).any() or runs.sum() != height * width:
        raise ValueError("run lengths do not add up to the picture")
    values = np.arange(len(runs)) % 2 == 1
    # Columns first, from the top left.
    return np.repeat(values, runs).reshape(width, height).T


def lengths_of(segmentation: Mapping[str, Any]) -> NDArray[np.int64]:
    """(N,) lengths of runs of 0, 1, 0, 1 ... down the columns, from text or list; not checked."""
    counts = segmentation["counts"]
    return np.array(_runs(counts) if isinstance(counts, str) else counts, dtype=np.int64)


def _runs(text: str) -> Sequence[int]:
    """Run lengths from their text: groups of five bits, from the third on as differences.

    The code is that of `rleFrString` in pycocotools' maskApi.c, from memory.
    """
    runs: list[int] = []
    value, bits = 0, 0
    for sign in text.encode("ascii"):
        group = sign - 48
        value |= (group & 0x1F) << bits
        bits += 5
        if group & 0x20:
            continue
        if group & 0x10:
            value -= 1 << bits
        runs.append(value + (runs[-2] if len(runs) > 2 else 0))
        value, bits = 0, 0
    return runs


def pieces(mask: NDArray[np.bool_]) -> Floats:
    """(N, 4) left, top, right, bottom: boxes around the pieces of a mask, edges of pixels."""
    joined = cv2.morphologyEx(
        mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((JOINED_PX, JOINED_PX), np.uint8)
    )
    stats = cv2.connectedComponentsWithStats(joined, connectivity=8)[2][1:].astype(np.float64)
    left, top, width, height = stats[:, :4].T
    return np.column_stack([left, top, left + width, top + height])
