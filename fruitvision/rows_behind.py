"""Fruit of rows behind, told by the other trees of a walk.

A photo tells them from its own fruit: those of a row behind look about half as large. Where a tree
bears next to nothing there are hardly any of its own, and all that is seen hangs behind. What is
usual in the block then tells them, in mm by the scale of each photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fruitvision.domain import Doubt, Fruit, MeasuredPhoto, merge_doubts

# The usual fruit of a photo is the upper quartile of what the detector calls this row's: where a
# tree bears little, most of that may hang behind. A fruit smaller than this share of it hangs in
# the row behind, about twice as far away. On 72 rendered photos all 112 fruit of rows behind that
# the detector took for this row lie below, and none of this row's. Over a walk, the photos of a
# block with bare trees lost 101 of 102 more, and one of this row.
USUAL_QUANTILE = 0.75
BEHIND_BELOW = 0.61
# Fruit seen less than this do not tell what is usual in a walk. Our choice.
LEAST_SHARE = 0.5
# Fruit that tell what is usual in a photo, and photos that tell it of a walk. Our choice: then
# trees that bear nothing are outvoted unless they are the half of all.
FEWEST_FRUIT = 3
FEWEST_PHOTOS = 3


def without_rows_behind(photos: Sequence[MeasuredPhoto]) -> tuple[MeasuredPhoto, ...]:
    """The photos of one block's walk, fruit far smaller than usual in it no longer of this row.

    Parameters
    ----------
    photos : sequence of MeasuredPhoto
        One without scale, or with nothing to leave out, stays as it is; so do all where fewer than
        three show what is usual.
    """
    quartiles = [
        float(np.quantile(sizes_mm, USUAL_QUANTILE))
        for photo in photos
        if len(sizes_mm := _well_seen_mm(photo)) >= FEWEST_FRUIT
    ]
    if len(quartiles) < FEWEST_PHOTOS:
        return tuple(photos)
    least_mm = BEHIND_BELOW * float(np.median(quartiles))
    return tuple(_without_smaller(photo, least_mm) for photo in photos)


def _well_seen_mm(photo: MeasuredPhoto) -> list[float]:
    seen = (one for one in photo.fruit if one.on_this_row and one.visible_share >= LEAST_SHARE)
    sizes_mm = (_plane_mm(one, photo) for one in seen)
    return [size_mm for size_mm in sizes_mm if size_mm is not None]


def _plane_mm(fruit: Fruit, photo: MeasuredPhoto) -> float | None:
    """The fruit's diameter if it hung as deep as the references."""
    if photo.scale is None:
        return None
    return fruit.diameter_px * photo.scale.at(fruit.centre_x_px, fruit.centre_y_px)[0]


def _without_smaller(photo: MeasuredPhoto, least_mm: float) -> MeasuredPhoto:
    fruit = tuple(_behind_if_smaller(one, photo, least_mm) for one in photo.fruit)
    if fruit == photo.fruit:
        return photo
    return replace(photo, fruit=fruit, doubts=merge_doubts(photo.doubts, (Doubt.ROW_BEHIND,)))


def _behind_if_smaller(fruit: Fruit, photo: MeasuredPhoto, least_mm: float) -> Fruit:
    if Doubt.BY_HAND in fruit.doubts:  # somebody looked
        return fruit
    size_mm = _plane_mm(fruit, photo)
    if not fruit.on_this_row or size_mm is None or size_mm >= least_mm:
        return fruit
    return replace(
        fruit,
        on_this_row=False,
        diameter_mm=None,
        diameter_error_mm=None,
        doubts=merge_doubts((Doubt.NOT_SIZED,), fruit.doubts),
    )
