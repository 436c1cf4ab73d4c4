"""The outline of a ball, from a box that somebody or something drew around it.

A coarse search in a picture of the box finds the circle, a fine one follows its edge. Both ask
along rays from the middle: where is an edge, is what lies inside of it the ball's colour, and is
what lies outside of it not? A leaf over the ball gives edges too, but none on one circle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.balls.edge import (
    LEAST_GAIN,
    SPACING_PX,
    Circle,
    edge_gains,
    fit_circle,
    in_stored_steps,
    votes,
)
from fruitvision.balls.likeness import Likeness, learn_likeness
from fruitvision.balls.sphere import View, view_of
from fruitvision.balls.window import Image, Window, read_rays, to_stored, window_around
from fruitvision.domain import Camera

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Largest radius in the picture that is searched, and in that which is measured, px. Our choice: a
# tenth of a pixel is 0.2 % of the latter.
_SEARCHED_PX, _MEASURED_PX = 24.0, 60.0
_SEARCH_RAYS = 72
# A box by hand is 4 px or 6 % off at each side, whichever is more. Our choice; a side farther off
# is where something hides the ball, and costs no more than three standard errors do.
_BOX_ERROR_PX, _BOX_ERROR_SHARE, _MOST_BOX_COST = 4.0, 0.06, 3.0
# What one ray may say at most, so that the brightest edge does not outvote the rest; and what the
# ball's colour inside and another outside add to it. Our choice, on drawn scenes.
_MOST_GAIN, _FOR_COLOUR = 8.0, 2.0
# Colours tell the ball where the best ray reaches these log odds. Our choice.
_TELLING_ODDS = 0.4
# Light above which a pixel is blown out: its true light is not known. Our choice.
_BLOWN_OUT = 0.93
# Part of a found circle that is surely the ball. Our choice.
_WHOLE = 0.92
# What a circle a whole reach away loses, in log likelihood of a ray. Our choice.
_FOR_NEAR = 0.2
# Blurs tried, window px.
_BLURS = (0.6, 0.85, 1.2, 1.7)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """The outline of a ball as a circle in the view that looks at its middle.

    `seen` : (N,) bool, rays that show it: an edge on the circle, the ball's colour inside.
    `blown_out` : (N,) bool, rays whose outside is blown out, which eats into the ball.
    `colour_odds` : log odds by which its colour tells it from what is around; 0 to 2.
    """

    view: View
    radius_px: float
    radius_error_px: float
    seen: Bools
    blown_out: Bools
    colour_odds: float = 0.0


def find_outline(image: Image, camera: Camera, box_px: Floats) -> Outline | None:
    """The outline of the ball in a box; None where no circle is found.

    Parameters
    ----------
    image : (H, W, 3) uint8, RGB
    camera : Camera
    box_px : (4,) float
        x0, y0, x1, y1, around the ball or around what is seen of it.
    """
    found, likeness = _search(image, camera, box_px)
    first = _measure(image, camera, found, likeness, (_WIDE, _NEAR, _CLOSE, _LAST))
    if first is None:
        return None
    # Again with the colours of the whole circle: a rim is often lighter or darker than the middle.
    likeness = _likeness_of(image, first)
    again = _measure(image, camera, first, likeness, (_WIDE, _NEAR, _CLOSE, _LAST))
    return first if again is None or first.seen.mean() > again.seen.mean() else again


def _likeness_of(image: Image, outline: Outline) -> Likeness:
    x, y = (float(one) for one in outline.view.to_picture(np.zeros((1, 2)))[0])
    radius = outline.radius_px
    window = window_around(image, x, y, 1.9 * radius, radius_px=radius, most_px=_SEARCHED_PX)
    box = np.array([x - radius, y - radius, x + radius, y + radius])
    return learn_likeness(window, box, inner=_WHOLE)


# ---------------------------------------------------------------- search


def _search(image: Image, camera: Camera, box_px: Floats) -> tuple[Outline, Likeness]:
    size = box_px[2:] - box_px[:2]
    x, y = (float(one) for one in (box_px[:2] + box_px[2:]) / 2)
    radius_px = float(size.max()) / 2
    window = window_around(
        image, x, y, 1.9 * radius_px + 8, radius_px=radius_px, most_px=_SEARCHED_PX
    )
    likeness = learn_likeness(window, box_px)
    like = cv2.GaussianBlur(likeness.of(window.light.astype(np.float64)), (0, 0), 0.7)
    layers = np.dstack([to_stored(window.light), like]).astype(np.float32)
    both = Window(light=layers, origin_px=window.origin_px, shrink=window.shrink)
    radius = radius_px / window.shrink
    view = view_of(camera, x, y)
    reach = max(0.4 * radius, 5.0)
    steps = np.arange(-reach, reach + 0.01, SPACING_PX)
    first = -min(reach + 5, radius - 0.5)
    offsets = np.arange(first, reach + 5, SPACING_PX)
    values = read_rays(both, view, (radius + offsets) * window.shrink, _SEARCH_RAYS)
    gains = np.clip(edge_gains(values[..., :3], first, steps, 1.0), 0, _MOST_GAIN)
    inside, outside = _beside(values[..., 3], offsets, steps, clear_px=0.5)
    said = gains * _trust(inside) + _FOR_COLOUR * (inside - outside)
    said -= _MOST_GAIN * _spill(inside, outside)
    shifts = _grid(np.arange(-round(reach), round(reach) + 1), steps)
    cost = _box_cost(shifts, radius, size / window.shrink, window.shrink)
    best = shifts[int(np.argmax(votes(said, steps, shifts) - _SEARCH_RAYS * cost))]
    centre = view.to_picture(best[None, :2] * window.shrink)[0]
    none = np.zeros(0, dtype=bool)
    found = Outline(
        view=view_of(camera, float(centre[0]), float(centre[1])),
        radius_px=float(radius + best[2]) * window.shrink,
        radius_error_px=float(window.shrink),
        seen=none,
        blown_out=none,
    )
    return found, likeness


def _grid(middle: Floats | NDArray[np.int64], radius: Floats | NDArray[np.int64]) -> Floats:
    """(S, 3) all shifts of the middle in x and y and of the radius."""
    places = np.stack(np.meshgrid(middle, middle, radius, indexing="ij"), axis=-1)
    return np.asarray(places.reshape(-1, 3), dtype=np.float64)


def _box_cost(shifts: Floats, radius: float, size: Floats, shrink: int) -> Floats:
    """(S,) how badly each circle fits the box, in log likelihood."""
    error = max(_BOX_ERROR_PX / shrink, _BOX_ERROR_SHARE * float(size.max()))
    reach = radius + shifts[:, 2:]
    sides = np.hstack([shifts[:, :2] - reach + size / 2, shifts[:, :2] + reach - size / 2])
    return np.asarray(np.minimum((sides / error) ** 2 / 2, _MOST_BOX_COST).sum(axis=1))


def _beside(
    like: Floats, offsets: Floats, steps: Floats, *, clear_px: float
) -> tuple[Floats, Floats]:
    """(N, E) mean log odds just inside and just outside of an edge at each step."""
    ahead = offsets[None, :] - steps[:, None]
    inner = (ahead > -clear_px - 3) & (ahead < -clear_px)
    outer = (ahead < clear_px + 3) & (ahead > clear_px)
    return (
        like @ inner.T / np.maximum(inner.sum(axis=1), 1),
        like @ outer.T / np.maximum(outer.sum(axis=1), 1),
    )


def _colour_tells(inside: Floats) -> float:
    """Log odds that most rays reach at their best; 0 where colours do not tell the ball."""
    odds = float(np.percentile(inside.max(axis=1), 80))
    return odds if odds > _TELLING_ODDS else 0.0


def _trust(inside: Floats) -> Floats:
    """How far an edge may be the ball's, by the colour inside of it. Our choice."""
    if not _colour_tells(inside):
        return np.ones_like(inside)
    return np.clip((inside + 0.6) / 0.8, 0.15, 1)


def _spill(inside: Floats, outside: Floats) -> Floats:
    """How far the ball's colour goes on outside of an edge, 0 to 1: then it is not the ball's."""
    odds = _colour_tells(inside)
    return np.clip(outside / odds, 0, 1) if odds else np.zeros_like(inside)


# ---------------------------------------------------------------- measure


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turn:
    """One turn of measuring, all in window px.

    `reach` : how far edges are asked for, `spacing` : steps between them, `far` : how far from the
    circle an edge may lie, `spread` : the largest spread that edges are granted, `moves` : shifts
    of the circle that are voted on, none if empty.
    """

    reach: float
    spacing: float
    far: float
    spread: float
    moves: tuple[float, ...] = ()


# The first turn reaches 15 % of a radius of 60 px, and 4 px of a small one.
_WIDE = _Turn(reach=9.0, spacing=0.4, far=3.0, spread=1.0, moves=tuple(range(-9, 10)))
_LEAST_REACH, _REACH_SHARE = 4.0, 0.15
_NEAR = _Turn(reach=3.0, spacing=0.2, far=2.0, spread=0.6, moves=tuple(np.arange(-2, 2.01, 0.5)))
_CLOSE = _Turn(reach=1.6, spacing=0.1, far=1.6, spread=0.4)
# The last turn looks farther than it fits: a ray whose clear edge lies elsewhere shows no ball.
_LAST = _Turn(reach=3.4, spacing=0.1, far=1.2, spread=0.35)
_CLEAREST = 0.6


def _measure(
    image: Image, camera: Camera, outline: Outline, likeness: Likeness, turns: tuple[_Turn, ...]
) -> Outline | None:
    blurs: tuple[float, ...] = _BLURS
    for turn in turns:
        x, y = (float(one) for one in outline.view.to_picture(np.zeros((1, 2)))[0])
        reach_px = 1.3 * outline.radius_px + 16
        window = window_around(
            image, x, y, reach_px, radius_px=outline.radius_px, most_px=_MEASURED_PX
        )
        radius = outline.radius_px / window.shrink
        fitted = _fitted(turn, radius)
        rays = _Rays.read(window, outline.view, radius, fitted, blurs, likeness)
        near = rays.vote(fitted) if turn.moves else np.zeros(3)
        circle = fit_circle(
            rays.gains,
            rays.steps,
            rays.trust,
            near=near,
            reach_px=turn.far,
            most_spread_px=turn.spread,
        )
        if circle is None:
            return None
        x, y = (
            float(one) for one in outline.view.to_picture(circle.shift[None, :2] * window.shrink)[0]
        )
        outline = Outline(
            view=view_of(camera, x, y),
            radius_px=float(radius + circle.shift[2]) * window.shrink,
            radius_error_px=circle.radius_error_px * window.shrink,
            seen=rays.seen(circle),
            blown_out=rays.blown_out,
            colour_odds=_colour_tells(rays.inside),
        )
        blurs = (rays.blur,)
    return outline


def _fitted(turn: _Turn, radius: float) -> _Turn:
    """The turn for a ball of that radius: a wide one reaches a share of it."""
    reach = min(turn.reach, max(_REACH_SHARE * radius, _LEAST_REACH))
    return replace(turn, reach=reach, moves=tuple(one for one in turn.moves if abs(one) <= reach))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rays:
    """What rays say at each of `steps` (E,): (N, E) gains, trust and log odds beside an edge."""

    gains: Floats
    steps: Floats
    trust: Floats
    inside: Floats
    outside: Floats
    blown_out: Bools
    blur: float

    @classmethod
    def read(
        cls,
        window: Window,
        view: View,
        radius: float,
        turn: _Turn,
        blurs: tuple[float, ...],
        likeness: Likeness,
    ) -> _Rays:
        # 1.5 px apart along the edge: closer ones would share their pixels.
        count = int(np.clip(round(2 * np.pi * radius / 1.5), 48, 240))
        first = -min(turn.reach + 6, radius - 0.5)
        offsets = np.arange(first, turn.reach + 6.01, SPACING_PX)
        steps = np.arange(-turn.reach, turn.reach + 0.01, turn.spacing)
        light = read_rays(window, view, (radius + offsets) * window.shrink, count)
        scaled = in_stored_steps(light)
        tried = [(edge_gains(scaled, first, steps, blur), blur) for blur in blurs]
        gains, blur = max(tried, key=lambda one: float(one[0].max(axis=1).sum()))
        like = likeness.of(light)
        inside, outside = _beside(like, offsets, steps, clear_px=1 + blur)
        blown = light[:, -6:].min(axis=2).mean(axis=1) > _BLOWN_OUT
        # Rays before a blown-out sky are asked only where there is little else.
        asked = np.where(blown & (blown.mean() < 0.6), 0.1, 1.0)[:, None]
        return cls(
            gains=gains,
            steps=steps,
            trust=_trust(inside) * asked,
            inside=inside,
            outside=outside,
            blown_out=blown,
            blur=blur,
        )

    def vote(self, turn: _Turn) -> Floats:
        """The shift for which most rays speak."""
        said = np.clip(self.gains, 0, _MOST_GAIN) * self.trust
        # An edge within 0.8 px speaks for a circle, first; then within 0.4 px.
        said = cv2.dilate(said, np.ones((1, 5))) - _MOST_GAIN * _spill(self.inside, self.outside)
        shifts = _grid(np.array(turn.moves), np.array(turn.moves))
        # Nearer circles are likelier, where the first one is not far off.
        away = _FOR_NEAR * len(said) * (shifts**2).sum(axis=1) / turn.reach**2
        return np.asarray(shifts[int(np.argmax(votes(said, self.steps, shifts) - away))])

    def seen(self, circle: Circle) -> Bools:
        """Rays that show the ball's edge on the circle."""
        turn = np.arange(len(self.gains)) * 2 * np.pi / len(self.gains)
        where = circle.shift[0] * np.cos(turn) + circle.shift[1] * np.sin(turn) + circle.shift[2]
        index = np.abs(self.steps - where[:, None]).argmin(axis=1)
        ray = np.arange(len(index))
        here = self.gains[ray, index]
        clearest = (self.gains * self.trust).max(axis=1)
        shown = circle.on_it & (here > LEAST_GAIN) & (here >= _CLEAREST * clearest)
        if not _colour_tells(self.inside):
            return np.asarray(shown)
        return np.asarray(shown & (self.inside[ray, index] > 0) & (self.outside[ray, index] < 1))
