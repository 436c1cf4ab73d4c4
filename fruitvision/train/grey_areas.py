"""Areas of a photo that were never published: they are flat grey and nothing is labelled there."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import TrainingError
from fruitvision.evaluate.gaps import GAP_GREY, Area

# JPEG rings where a grey area meets the photo: up to 28 grey levels, over less than 1 % of the
# area in the 257 row photos. Our choice, because it is well past both and far below any photo.
MOST_RINGING, LEAST_FLAT = 2, 0.97


def check_grey(image: NDArray[np.uint8], areas: Iterable[Area]) -> None:
    """Make sure that the areas are flat grey in the photo.

    Parameters
    ----------
    image : (H, W, 3) uint8

    Raises
    ------
    TrainingError
        If one shows something: then tiles and photo do not belong together.
    """
    for area in areas:
        left, top, right, bottom = (round(edge + 0.5) for edge in area)
        part = image[top:bottom, left:right].astype(np.int16)
        flat = (np.abs(part - GAP_GREY) <= MOST_RINGING).all(axis=2).mean()
        if flat < LEAST_FLAT:
            raise TrainingError(
                f"Columns {left} to {right} of rows {top} to {bottom} should be flat grey, but "
                f"{1 - flat:.0%} of them are not.",
                fix="Photo and annotations do not belong together: copy both again.",
            )
