"""Balls that are found by their colour."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.balls.ball import LEAST_BALL_PX, UNUSABLE_BALL, ball_of, outline_of
from fruitvision.balls.outline import Outline
from fruitvision.camera import usual_camera
from fruitvision.domain import Ball, Photo

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BallColour:
    """A paint: hue from and to, degrees; saturation and value from and to, shares of full scale."""

    hue_deg: tuple[float, float] = (0.0, 360.0)
    saturation: tuple[float, float] = (0.0, 1.0)
    value: tuple[float, float] = (0.0, 1.0)


# Paints of balls that a grower can buy (`settings.BALL_COLOUR_NAMES`), wide enough for sun and
# shade. Our choice. Red, pink, green and wood are not among them: fruit, leaves and branches have
# these colours. The pale underside of a leaf is nearly white, with a saturation of 0.15 and more.
BALL_COLOURS = {
    "white": BallColour(saturation=(0.0, 0.12), value=(0.55, 1.0)),
    "blue": BallColour(hue_deg=(195, 260), saturation=(0.40, 1.0), value=(0.10, 1.0)),
    "orange": BallColour(hue_deg=(14, 40), saturation=(0.62, 1.0), value=(0.45, 1.0)),
    "yellow": BallColour(hue_deg=(40, 62), saturation=(0.60, 1.0), value=(0.50, 1.0)),
    "purple": BallColour(hue_deg=(262, 308), saturation=(0.25, 1.0), value=(0.15, 1.0)),
}
# Ball against the size that the marker's scale tells: 33 % nearer or farther. Our choice.
_DEPTH_FACTOR = 1.33
# Distances that a ball may have where no marker tells its size, mm. Our choice: row photos.
_NEAREST_MM, _FARTHEST_MM = 800.0, 4000.0
# Radius that the smallest ball has in the picture that is searched, px. Our choice.
_SEARCHED_RADIUS_PX = 7.0
# Share of a candidate that has the colour, and of the ring around it that may have it. Our choice.
_LEAST_INSIDE, _MOST_AROUND = 0.75, 0.35
# What tells a ball from gaps of sky and other patches: share of the edge that is seen, error of the
# radius as a share of it, spread of light over the disc (stored values, 0 to 255), share of it that
# is blown out. Our choice, between 33 rendered balls and 200 other patches of 12 rendered photos.
_LEAST_SEEN, _MOST_ERROR, _MOST_SPREAD, _MOST_BLOWN = 0.62, 0.004, 32.0, 0.6
_BLOWN_OUT = 250
# Places that are looked at closely, the roundest first. Our choice: each takes a tenth of a second.
_MOST_CANDIDATES = 24


def find_balls(
    image: Image, photo: Photo, *, diameter_mm: float, colour: str, mm_per_px: float | None
) -> tuple[Ball, ...]:
    """Balls of one colour and diameter, from left to right.

    Parameters
    ----------
    image : (H, W, 3) uint8, RGB
    photo : Photo
    diameter_mm : float
    colour : str
        One of `BALL_COLOURS`.
    mm_per_px : float or None
        Scale of a marker in the same photo, if there is one: tells how large balls are.
    """
    least_px, most_px = _radii_px(photo, diameter_mm, mm_per_px)
    shrink = max(1.0, least_px / _SEARCHED_RADIUS_PX)
    size = (round(image.shape[1] / shrink), round(image.shape[0] / shrink))
    small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    paint = BALL_COLOURS[colour]
    balls: list[Ball] = []
    for x, y, radius in _candidates(small, paint, least_px / shrink, most_px / shrink):
        middle = (np.array([x, y]) + 0.5) * shrink - 0.5
        if any(_holds(ball, middle) for ball in balls):
            continue
        outline = _outline_at(image, photo, middle, radius * shrink)
        if outline is None or not 0.95 * least_px <= outline.radius_px <= 1.05 * most_px:
            continue
        ball = ball_of(outline, photo, diameter_mm=diameter_mm, found_by="colour")
        if not set(ball.doubts) & set(UNUSABLE_BALL) and _is_clear(outline, ball, image, paint):
            balls.append(ball)
    return tuple(sorted(balls, key=lambda ball: ball.centre_x_px))


def _outline_at(image: Image, photo: Photo, middle: Floats, radius: float) -> Outline | None:
    """The outline around a patch; asked again from where it was found, since patches are rough."""
    outline: Outline | None = None
    for _ in range(2):
        box = np.concatenate([middle - radius, middle + radius])
        outline = outline_of(image, photo, box)
        if outline is None or outline.seen.mean() < _LEAST_SEEN / 2:
            return None
        middle, radius = outline.view.to_picture(np.zeros((1, 2)))[0], outline.radius_px
    return outline


def _radii_px(photo: Photo, diameter_mm: float, mm_per_px: float | None) -> tuple[float, float]:
    if mm_per_px is not None:
        radius = diameter_mm / 2 / mm_per_px
        least, most = radius / _DEPTH_FACTOR, radius * _DEPTH_FACTOR
    else:
        at_1_mm = (photo.camera or usual_camera(photo)).focal_px * diameter_mm / 2
        least, most = at_1_mm / _FARTHEST_MM, at_1_mm / _NEAREST_MM
    return max(least, LEAST_BALL_PX / 2), max(most, LEAST_BALL_PX / 2)


def _has_colour(image: Image, colour: BallColour) -> NDArray[np.uint8]:
    """(H, W) 1 where a pixel has the colour."""
    pixels = cv2.GaussianBlur(image, (0, 0), 0.8)
    hue, saturation, value = cv2.split(cv2.cvtColor(pixels, cv2.COLOR_RGB2HSV_FULL))
    bounds = (
        (hue, colour.hue_deg, 256 / 360),
        (saturation, colour.saturation, 255.0),
        (value, colour.value, 255.0),
    )
    mask = np.ones(hue.shape, dtype=bool)
    for channel, (low, high), unit in bounds:
        mask &= (channel >= low * unit) & (channel <= high * unit)
    return mask.astype(np.uint8)


def _candidates(
    image: Image, colour: BallColour, least: float, most: float
) -> list[tuple[float, float, float]]:
    """x, y and radius of round patches of a colour, the roundest first, px."""
    closed = cv2.morphologyEx(_has_colour(image, colour), cv2.MORPH_CLOSE, np.ones((3, 3)))
    mask = np.asarray(closed, dtype=np.uint8)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    wide = 2 * int(least * 0.7) + 1
    top = (depth == cv2.dilate(depth, np.ones((wide, wide), np.uint8))) & (depth > 0.6 * least)
    found: list[tuple[float, float, float, float]] = []
    for y, x in zip(*np.nonzero(top & (depth < 1.1 * most)), strict=True):
        # Shade and highlights leave the patch smaller than the ball.
        for grown in (1.0, 1.2, 1.45):
            radius = float(depth[y, x]) * grown
            inside, around = _shares(mask, float(x), float(y), radius)
            if inside >= _LEAST_INSIDE and around <= _MOST_AROUND:
                spread, blown = _light(image, float(x), float(y), radius)
                if spread <= _MOST_SPREAD and blown <= _MOST_BLOWN:
                    found.append((inside - around, float(x), float(y), max(radius, least)))
                break
    found.sort(reverse=True)
    return [(x, y, radius) for _, x, y, radius in found[:_MOST_CANDIDATES]]


def _light(image: Image, x: float, y: float, radius: float) -> tuple[float, float]:
    """Spread of light over a disc, stored values, and the share of it that is blown out."""
    part, disc = _disc(image, x, y, radius)
    inner = part[disc < 0.85]
    if not len(inner):
        return 0.0, 1.0
    return float(inner.mean(axis=1).std()), float((inner.min(axis=1) >= _BLOWN_OUT).mean())


def _disc(
    image: NDArray[np.uint8], x: float, y: float, radius: float
) -> tuple[NDArray[np.uint8], Floats]:
    """Part of a picture around a disc, and each pixel's distance from its middle, in radii."""
    reach = int(1.7 * radius) + 2
    rows = np.arange(max(int(y) - reach, 0), min(int(y) + reach + 1, image.shape[0]))
    columns = np.arange(max(int(x) - reach, 0), min(int(x) + reach + 1, image.shape[1]))
    away = np.hypot(columns[None, :] - x, rows[:, None] - y) / radius
    return image[np.ix_(rows, columns)], away


def _shares(mask: NDArray[np.uint8], x: float, y: float, radius: float) -> tuple[float, float]:
    """Share of a disc, and of the ring around it, that has the colour."""
    part, away = _disc(mask, x, y, radius)
    inside, around = part[away < 0.9], part[(away > 1.25) & (away < 1.6)]
    return float(inside.mean()) if len(inside) else 0.0, float(around.mean()) if len(
        around
    ) else 1.0


def _is_clear(outline: Outline, ball: Ball, image: Image, colour: BallColour) -> bool:
    """Whether a patch is surely a ball."""
    if outline.seen.mean() < _LEAST_SEEN:
        return False
    if outline.radius_error_px > _MOST_ERROR * outline.radius_px:
        return False
    place = (ball.centre_x_px, ball.centre_y_px, outline.radius_px)
    spread, blown = _light(image, *place)
    part, away = _disc(image, *place)
    mask = _has_colour(part, colour)
    inside, around = mask[away < 0.9].mean(), mask[(away > 1.25) & (away < 1.6)].mean()
    light = spread <= _MOST_SPREAD and blown <= _MOST_BLOWN
    return bool(light and inside >= _LEAST_INSIDE and around <= _MOST_AROUND)


def _holds(ball: Ball, middle: Floats) -> bool:
    gap = np.hypot(ball.centre_x_px - middle[0], ball.centre_y_px - middle[1])
    return bool(gap < ball.width_px / 2)
