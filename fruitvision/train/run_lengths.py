"""COCO's run-length masks, read with numpy alone: the machine that packs may have nothing else.

The format is that of cocodataset.org/#format-data, as its reference code (maskApi.c) writes it:
lengths of runs of 0, 1, 0, 1 ... counted down the columns. In the compressed form each length from
the fourth on is the difference to the one two before; a number is written in groups of five bits,
the lowest first, each as one character from '0' on; 32 says that more follow, and 16 in the last
group that it is negative.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import TrainingError

Ints = NDArray[np.int64]

_FIRST_CHARACTER = 48
_GROUP_BITS, _VALUE, _MORE, _NEGATIVE = 5, 0x1F, 0x20, 0x10


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
    counts = segmentation["counts"]
    lengths = np.array(_lengths(counts) if isinstance(counts, str) else counts, dtype=np.int64)
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


def _lengths(text: str) -> list[int]:
    lengths: list[int] = []
    value = shift = 0
    for character in text:
        group = ord(character) - _FIRST_CHARACTER
        value |= (group & _VALUE) << shift
        shift += _GROUP_BITS
        if group & _MORE:
            continue
        if group & _NEGATIVE:
            value -= 1 << shift
        lengths.append(value + lengths[-2] if len(lengths) > 2 else value)
        value = shift = 0
    return lengths
