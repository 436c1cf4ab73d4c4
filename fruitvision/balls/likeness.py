"""Which colours are the ball's, and which are those of what hangs around it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.balls.window import Window, to_stored

Floats = NDArray[np.float64]

# Colours are sorted by lightness in steps of 10 and by a* and b*, brought to lightness 50, in steps
# of 8 (CIE 1976 L*a*b*). Our choice: shading changes the first and hardly the others.
_STEPS = (11, 16, 16)
_SMOOTH = (2.0, 0.7, 0.7)
# Surely the ball, and surely not, in half sizes of the box. Our choice.
_INNER, _OUTER = 0.7, 1.25
# A colour that is also seen around the ball counts as that of something in front of it, even where
# the box holds a few times more of it: a leaf over the ball. Our choice.
_FOR_AROUND = 4.0
_RARE = 3e-4
_MOST_ODDS = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Likeness:
    """Log odds of a colour being the ball's, -2 to 2, by its place in the table (11, 16, 16)."""

    odds: Floats

    def of(self, light: Floats) -> Floats:
        """(...) log odds of (..., 3) linear light."""
        return np.asarray(self.odds[_places(light)])


def learn_likeness(window: Window, box_px: Floats, *, inner: float = _INNER) -> Likeness:
    """Likeness from the inner part of a box (x0, y0, x1, y1), px, and from what lies around it."""
    low, high = window.to_window(box_px.reshape(2, 2))
    rows, columns = np.mgrid[: window.light.shape[0], : window.light.shape[1]]
    middle, half = (low + high) / 2, np.maximum((high - low) / 2, 1.0)
    away = np.hypot((columns - middle[0]) / half[0], (rows - middle[1]) / half[1])
    places = _places(window.light.astype(np.float64))
    ball = _shares(places, away < inner)
    around = _shares(places, away > _OUTER)
    odds = np.log((ball + _RARE) / (_FOR_AROUND * around + _RARE))
    return Likeness(odds=np.clip(odds, -_MOST_ODDS, _MOST_ODDS))


def _places(light: Floats) -> tuple[NDArray[np.int64], ...]:
    stored = to_stored(light).astype(np.float32).reshape(1, -1, 3)
    lab = cv2.cvtColor(stored, cv2.COLOR_RGB2LAB)[0]
    hue = lab[:, 1:] * (50 / np.maximum(lab[:, :1], 15))
    parts = (lab[:, 0] / 10, (hue[:, 0] + 64) / 8, (hue[:, 1] + 64) / 8)
    return tuple(
        np.clip(part, 0, size - 1).astype(np.int64).reshape(light.shape[:-1])
        for part, size in zip(parts, _STEPS, strict=True)
    )


def _shares(places: tuple[NDArray[np.int64], ...], chosen: NDArray[np.bool_]) -> Floats:
    """Share of each colour among the chosen pixels, smoothed."""
    table = np.zeros(_STEPS)
    np.add.at(table, tuple(place[chosen] for place in places), 1)
    for axis, sigma in enumerate(_SMOOTH):
        reach = np.arange(-int(2 * sigma + 1), int(2 * sigma + 1) + 1)
        bell = np.exp(-((reach / sigma) ** 2) / 2)
        table = np.apply_along_axis(np.convolve, axis, table, bell / bell.sum(), mode="same")
    return np.asarray(table / max(table.sum(), 1.0))
