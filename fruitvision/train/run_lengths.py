"""COCO's run-length masks as runs of pixels, and as numbers in an instance map."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import TrainingError
from fruitvision.evaluate.run_lengths import lengths_of

Ints = NDArray[np.int64]


def runs_of_mask(segmentation: Mapping[str, Any]) -> Ints:
    """First and end place of each run of pixels in a mask, counted down the columns.

    Parameters
    ----------
    segmentation : mapping
        COCO's `size` (height, width) and `counts`, as text or as a list.

    Returns
    -------
    (N, 2) int
        Pixel (row, column) has place column * height + row; ends are half-open.

    Raises
    ------
    TrainingError
        If the lengths do not add up to the size.
    """
    height, width = segmentation["size"]
    lengths = lengths_of(segmentation)
    if lengths.sum() != height * width or (lengths < 0).any():
        raise TrainingError(
            f"A mask of {width} x {height} px holds {lengths.sum()} px.",
            fix="The annotation file is damaged: make or copy it again.",
        )
    edges = np.concatenate([[0], np.cumsum(lengths)])
    ends = edges[2::2]
    return np.column_stack([edges[1::2][: len(ends)], ends])


def paint(instances: NDArray[np.uint16], runs: Ints, number: int) -> None:
    """Write a number into the pixels of a mask.

    Parameters
    ----------
    instances : (W, H) uint16
        Columns first, so that the runs of `runs_of_mask` lie one behind the other.
    """
    flat = instances.reshape(-1)
    for first, end in runs:
        flat[first:end] = number
