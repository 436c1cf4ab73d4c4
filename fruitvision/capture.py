"""Is this photo good enough to go on to the next tree? Told at once, with one thing to do if not.

Marker, sharpness and exposure are what the measurement found. Whether the whole tree is in the
picture is told by its upper edge, and where the scale is known by its width.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from fruitvision.domain import Doubt, MeasuredPhoto
from fruitvision.fruit.detector import Image
from fruitvision.fruit.foliage import foliage

# Long side at which leaves and light are judged, px. Our choice: leaves need no more.
LOOKED_AT_PX = 800
# The upper edge: a band of so much of the height, over so much of the width in the middle, where
# the tree stands. Our choice.
BAND_SHARE, MIDDLE_SHARE = 0.02, 0.6
# Share of leaves in that band from which on the tree is cut off. Chosen on 50 row photos, nearly
# all with cut tops (the six whole ones have at most 0.04), and 40 rendered ones (whole: 0; with
# 20 % of their height cut away, which takes the first fruit: 0.19 and more).
MOST_LEAVES_AT_TOP = 0.08
# Fruit that touch the upper edge: one may hang on a shoot that sticks out. Our choice.
MOST_FRUIT_AT_TOP = 1


# A tree darker than this, median of 0 to 1, before a sky of which so much is blown out: the camera
# looks into the light. Of the same 90 photos none is darker than 0.29; made darker by three stops,
# all but the sky, all photos from orchards are.
DARKEST_TREE, BLOWN_SKY = 0.25, 0.1
# Least value of all colours from which on a pixel is blown out. Our choice.
_BLOWN = 245


class CaptureFault(StrEnum):
    """What makes a photo useless or weak, the gravest first. The value names it in texts."""

    NO_TREE = "no_tree"
    BLURRED = "blurred"
    TOO_DARK = "too_dark"
    TOO_BRIGHT = "too_bright"
    NO_MARKER = "no_marker"
    MARKER_CUT = "marker_cut"
    MARKER_SMALL = "marker_small"
    MARKER_TILTED = "marker_tilted"
    MARKER_UNCLEAR = "marker_unclear"
    TOP_CUT = "top_cut"
    SIDES_CUT = "sides_cut"
    INTO_SUN = "into_sun"


# Which doubts of a measurement mean which fault; in the order of the faults.
_BY_DOUBT = {
    CaptureFault.NO_TREE: (Doubt.NO_TREE,),
    CaptureFault.BLURRED: (Doubt.BLURRED,),
    CaptureFault.TOO_DARK: (Doubt.TOO_DARK,),
    CaptureFault.TOO_BRIGHT: (Doubt.TOO_BRIGHT,),
    CaptureFault.NO_MARKER: (Doubt.NO_MARKER,),
    CaptureFault.MARKER_CUT: (Doubt.MARKER_CUT,),
    CaptureFault.MARKER_SMALL: (Doubt.MARKER_SMALL,),
    CaptureFault.MARKER_TILTED: (Doubt.MARKER_TILTED,),
    CaptureFault.MARKER_UNCLEAR: (
        Doubt.MARKER_BENT,
        Doubt.MARKER_UNCLEAR,
        Doubt.MARKER_MIRRORED,
        Doubt.MARKERS_DISAGREE,
    ),
}

_OF_MARKER = (
    CaptureFault.NO_MARKER,
    CaptureFault.MARKER_CUT,
    CaptureFault.MARKER_SMALL,
    CaptureFault.MARKER_TILTED,
    CaptureFault.MARKER_UNCLEAR,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureCheck:
    """What was found wrong with a photo, the gravest first.

    `sides_known` : whether both sides could be judged at all: by the scale and the tree spacing.
    """

    faults: tuple[CaptureFault, ...] = ()
    sides_known: bool = False

    @property
    def fault(self) -> CaptureFault | None:
        """The one thing to put right first; None if the photo is good."""
        return self.faults[0] if self.faults else None


def check_capture(
    measured: MeasuredPhoto, small: Image, *, tree_spacing_m: float | None = None
) -> CaptureCheck:
    """Whether a photo can be used, and what to put right.

    Parameters
    ----------
    measured : MeasuredPhoto
        The photo as it was measured.
    small : (H, W, 3) uint8, RGB
        The same picture, upright, about `LOOKED_AT_PX` long.
    tree_spacing_m : float, optional
        From trunk to trunk in the row, m.
    """
    sides = cut_at_sides(measured, tree_spacing_m)
    seen = {
        CaptureFault.TOP_CUT: cut_at_top(measured, small),
        CaptureFault.SIDES_CUT: bool(sides),
        CaptureFault.INTO_SUN: is_into_sun(small),
    }
    faults = (*_faults_of(measured), *(fault for fault, holds in seen.items() if holds))
    # Of what shows no tree nothing else is worth saying.
    if CaptureFault.NO_TREE in faults:
        faults = (CaptureFault.NO_TREE,)
    return CaptureCheck(faults=faults, sides_known=sides is not None)


def _faults_of(measured: MeasuredPhoto) -> tuple[CaptureFault, ...]:
    """Faults that the measurement doubts. A marker that is wrong beside a good one is none."""
    doubts = set(measured.doubts)
    return tuple(
        fault
        for fault, meant in _BY_DOUBT.items()
        if doubts.intersection(meant) and not (fault in _OF_MARKER and measured.scale)
    )


def cut_at_top(measured: MeasuredPhoto, small: Image) -> bool:
    """Whether the tree goes on above the picture: its leaves or fruit fill part of the upper edge.

    Trees that reach to the side are no matter: only the middle of the edge is looked at.
    """
    return leaves_at_top(small) > MOST_LEAVES_AT_TOP or _fruit_at_top(measured) > MOST_FRUIT_AT_TOP


def leaves_at_top(small: Image) -> float:
    """Share of leaves in the middle of the upper edge, 0 to 1, of an (H, W, 3) uint8 picture.

    A bright sky whose blue is cut short at 255 has an excess of green too; no leaf is as blue as it
    is green.
    """
    height, width = small.shape[:2]
    margin = round((1 - MIDDLE_SHARE) / 2 * width)
    band = small[: max(1, round(BAND_SHARE * height)), margin : width - margin]
    return float((foliage(band) & (band[..., 2] < band[..., 1])).mean())


def _fruit_at_top(measured: MeasuredPhoto) -> int:
    margin = (1 - MIDDLE_SHARE) / 2 * measured.photo.width_px
    return sum(
        fruit.on_this_row
        and fruit.centre_y_px < fruit.width_px / 2
        and margin < fruit.centre_x_px < measured.photo.width_px - margin
        for fruit in measured.fruit
    )


def cut_at_sides(measured: MeasuredPhoto, tree_spacing_m: float | None) -> bool | None:
    """Whether the picture is narrower than a tree's own room in the row, at the marker's distance.

    None where there is no scale or the spacing is not known: between trees that touch nothing in
    the picture itself tells where one ends.
    """
    if measured.scale is None or not tree_spacing_m:
        return None
    middle = (measured.photo.width_px / 2, measured.photo.height_px / 2)
    width_mm = measured.photo.width_px * measured.scale.at(*middle)[0]
    return width_mm < tree_spacing_m * 1000


def is_into_sun(small: Image) -> bool:
    """Whether the tree stands dark before a bright sky.

    A camera that lights the tree well in spite of the sun is not told, and needs no telling.
    """
    height, width = small.shape[:2]
    blown = small.min(axis=2) >= _BLOWN
    middle = (
        slice(round(0.15 * height), round(0.8 * height)),
        slice(width // 4, width - width // 4),
    )
    tree = small[middle].mean(axis=2)[~blown[middle]] / 255
    dark = tree.size > 0 and float(np.median(tree)) < DARKEST_TREE
    return dark and float(blown[: max(1, height // 3)].mean()) >= BLOWN_SKY
