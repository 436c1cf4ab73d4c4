"""What every fruit detector gives, and how one is chosen by name."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import DetectorUnknown, did_you_mean

Image = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Detections:
    """All fruit of one picture, one row each.

    Parameters
    ----------
    outlines : (N, 5) float
        Full outline as ellipse, hidden parts included: centre x, centre y, long axis, short axis
        (full lengths, px), direction of the long axis (degrees clockwise from +x, -90 to 90).
    masks : tuple of N (h, w) bool
        Visible pixels, each in its own window.
    mask_origins : (N, 2) int
        Column and row of each window's top-left pixel in the picture.
    visible_shares : (N,) float
        Visible part of the full outline, 0 to 1.
    scores : (N,) float
        How sure the detector is, 0 to 1.
    on_this_row : (N,) bool
        False for fruit of a row behind.
    boxes : (N, 4) float
        Left, top, right, bottom of the visible part, as a person would box it, px. Edges of
        pixels: a fruit seen on columns 3 to 7 reaches from 2.5 to 7.5.

    Raises
    ------
    ValueError
        If shapes disagree, an axis is not above 0 or a box has no inside.
    """

    outlines: NDArray[np.float64]
    masks: tuple[NDArray[np.bool_], ...]
    mask_origins: NDArray[np.int64]
    visible_shares: NDArray[np.float64]
    scores: NDArray[np.float64]
    on_this_row: NDArray[np.bool_]
    boxes: NDArray[np.float64]

    def __post_init__(self) -> None:
        n = len(self.masks)
        wanted = {
            "outlines": (n, 5),
            "mask_origins": (n, 2),
            "visible_shares": (n,),
            "scores": (n,),
            "on_this_row": (n,),
            "boxes": (n, 4),
        }
        for name, shape in wanted.items():
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} must have shape {shape}, got {getattr(self, name).shape}")
        if n and not (self.outlines[:, 2:4] > 0).all():
            raise ValueError("axes of outlines must be above 0 px")
        if not (self.boxes[:, 2:] > self.boxes[:, :2]).all():
            raise ValueError("boxes must be wider and higher than 0 px")

    def __len__(self) -> int:
        return len(self.masks)

    def outside(self, areas_px: Sequence[NDArray[np.float64]]) -> Detections:
        """Those whose centre lies in none of the areas.

        Parameters
        ----------
        areas_px : sequence of (K, 2) float
            Corners of convex areas, px.
        """
        # Only here: every command needs names of detectors, few look at a picture.
        import cv2

        keep = np.ones(len(self), dtype=bool)
        for area in areas_px:
            contour = area.astype(np.float32)
            for index in np.flatnonzero(keep):
                x, y = self.outlines[index, :2]
                keep[index] = cv2.pointPolygonTest(contour, (float(x), float(y)), False) < 0
        return self.take(keep)

    def take(self, index: NDArray[np.bool_] | NDArray[np.int64]) -> Detections:
        """Those of a mask (N,) or of indices, in their order."""
        numbers = np.arange(len(self))[index]
        return Detections(
            outlines=self.outlines[numbers],
            masks=tuple(self.masks[number] for number in numbers),
            mask_origins=self.mask_origins[numbers],
            visible_shares=self.visible_shares[numbers],
            scores=self.scores[numbers],
            on_this_row=self.on_this_row[numbers],
            boxes=self.boxes[numbers],
        )


def no_fruit() -> Detections:
    """What a picture without fruit gives."""
    empty = np.zeros(0)
    return Detections(
        outlines=np.zeros((0, 5)),
        masks=(),
        mask_origins=np.zeros((0, 2), dtype=np.int64),
        visible_shares=empty,
        scores=empty,
        on_this_row=empty.astype(np.bool_),
        boxes=np.zeros((0, 4)),
    )


class Detector(Protocol):
    """Finds fruit in an upright picture."""

    @property
    def name(self) -> str:
        """Name by which it is chosen."""

    @property
    def version(self) -> str:
        """Changes whenever its results may change."""

    @property
    def limits(self) -> str:
        """One or two sentences: where it fails."""

    @property
    def count_error(self) -> float:
        """Standard deviation of a photo's count, as a share of it."""

    @property
    def facts(self) -> tuple[str, ...]:
        """What else there is to know of it, in lines."""

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """Fruit in `image`, an (H, W, 3) uint8 RGB picture; `mm_per_px` helps if known."""

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """All that may be fruit, however unsure: `detect` gives those that are sure enough."""


def _classical(kind: str) -> Detector:
    from fruitvision.fruit.classical import ClassicalDetector

    if kind:
        raise DetectorUnknown(
            f"The detector 'classical' has no kind '{kind}'.", fix="Choose 'classical'."
        )
    return ClassicalDetector()


def _learned(kind: str) -> Detector:
    from fruitvision.fruit.learned import learned_detector

    return learned_detector("learned", kind)


def _in_folder(folder: Path) -> Detector:
    from fruitvision.fruit.learned import detector_in

    if not folder.is_dir():
        raise DetectorUnknown(
            f"There is no folder {folder} with a detector.",
            fix=f"Check its name, or choose {' or '.join(detector_names())}.",
        )
    return detector_in(folder)


_DETECTORS: dict[str, Callable[[str], Detector]] = {"classical": _classical, "learned": _learned}

DEFAULT_DETECTOR = "learned"


def detector_names() -> tuple[str, ...]:
    """Names that `choose_detector` accepts."""
    return tuple(sorted(_DETECTORS))


def is_folder(name: str) -> bool:
    """Whether a name means a folder rather than a detector that came with the program."""
    return any(slash and slash in name for slash in ("/", os.sep, os.altsep))


def choose_detector(name: str = DEFAULT_DETECTOR) -> Detector:
    """The detector of that name.

    Parameters
    ----------
    name : str
        `classical`, `learned`, or `learned:float` for other weights that its card lists; or the
        folder of a farm's own detector, as a path with a slash in it.

    Raises
    ------
    DetectorUnknown
        If there is none; never falls back to another.
    DetectorDamaged
        If its files are missing, altered or damaged.
    """
    if is_folder(name):
        return _in_folder(Path(name))
    family, _, kind = name.partition(":")
    if family not in _DETECTORS:
        raise DetectorUnknown(f"Unknown detector '{name}'.", fix=did_you_mean(family, _DETECTORS))
    return _DETECTORS[family](kind)
