"""How two cameras are turned against each other, before any fruit is matched.

A marker of 100 px tells its own place to millimetres and how it is turned to some degrees only. So
every turn of the second camera is tried, sideways and up, with the marker's middle held where both
photos show it; the turn under which most fruit meet their like is followed up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitvision.views.pose import Floats, Pose, turned
from fruitvision.views.sight import meetings
from fruitvision.views.view import View

# Turns that are tried, degrees: a phone that is turned with the step to keep the tree in its
# middle turns by 10 for 400 mm at 2.3 m, and hands add some.
_WIDEST_DEG = 18.0
_STEP_DEG = 1.5
# Fruit of a view that are looked at, the most seen first. Our choice: enough to tell.
_MOST_FRUIT = 40
# What counts as meeting: standard deviations of the distance aside (px for a phone photo of 1800
# focal lengths, as a share of it), of depths around the marker's, and of the sizes' logarithm.
_ASIDE_SHARE = 10.0 / 1800.0
_DEPTH_SHARE = 0.12
_SIZE_LOG = 0.15
# Turns that are handed on.
_FOLLOWED = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turn:
    """A turn of the second camera against the first, and about how many fruit meet under it."""

    turn: Floats
    meeting: float


def search_turns(first: View, second: View, poses: Sequence[Sequence[Pose]]) -> tuple[Turn, ...]:
    """The most promising turns, the best first.

    Parameters
    ----------
    first, second : View
    poses : sequence of two sequences of Pose
        What the marker alone says of each view.
    """
    first, second = _most_seen(first), _most_seen(second)
    place, other = poses[0][0].place, poses[1][0].place
    roll = _roll(poses[0][0], poses[1][0])
    angles = np.radians(np.arange(-_WIDEST_DEG, _WIDEST_DEG + 1e-9, _STEP_DEG))
    grid = np.stack(np.meshgrid(angles, angles, indexing="ij"), axis=-1).reshape(-1, 2)
    tried = turned(roll, np.column_stack([grid[:, 1], grid[:, 0], np.zeros(len(grid))]))
    score = np.concatenate(
        [_meeting(first, second, turns, place, other) for turns in np.array_split(tried, 16)]
    )
    peaks = _peaks(score.reshape(len(angles), len(angles)))
    return tuple(
        Turn(turn=tried[number], meeting=float(score[number])) for number in peaks[:_FOLLOWED]
    )


def _most_seen(view: View) -> View:
    keep = np.sort(np.argsort(-view.shares, kind="stable")[:_MOST_FRUIT])
    return View(
        camera=view.camera,
        side_mm=view.side_mm,
        corners_px=view.corners_px,
        corner_error_px=view.corner_error_px,
        centres_px=view.centres_px[keep],
        centre_errors_px=view.centre_errors_px[keep],
        discs_px=view.discs_px[keep],
        disc_errors=view.disc_errors[keep],
        shares=view.shares[keep],
        numbers=view.numbers[keep],
    )


def _roll(first: Pose, second: Pose) -> Floats:
    """(3, 3) turn about the axis from the first picture to the second, as the marker shows it."""
    turn = second.turn @ first.turn.T
    angle = np.arctan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1])
    return turned(np.eye(3), np.array([0.0, 0.0, angle]))


def _meeting(first: View, second: View, turns: Floats, place: Floats, other: Floats) -> Floats:
    """(T,) about how many fruit meet one of their size at a likely depth, under each turn."""
    met = meetings(first, second, turns, place, other)
    aside = met.aside_px / (_ASIDE_SHARE * second.camera.focal_px)
    depth = (met.first_mm / place[2] - 1) / _DEPTH_SHARE
    width = first.discs_px[:, None] * met.first_mm / first.camera.focal_px
    other_width = second.discs_px * met.second_mm / second.camera.focal_px
    size = np.log(np.maximum(width, 1.0) / np.maximum(other_width, 1.0)) / _SIZE_LOG
    alike = np.exp(-0.5 * np.minimum(aside**2 + depth**2 + size**2, 60.0))
    alike = np.where((met.first_mm > 0) & (met.second_mm > 0), alike, 0.0)
    return np.asarray(np.minimum(alike.max(axis=2).sum(axis=1), alike.max(axis=1).sum(axis=1)))


def _peaks(score: Floats) -> list[int]:
    """Numbers of the cells that no neighbour exceeds, the highest first."""
    rim = np.pad(score, 1, constant_values=-np.inf)
    around = np.max(
        [
            rim[1 + down : 1 + down + score.shape[0], 1 + right : 1 + right + score.shape[1]]
            for down in (-1, 0, 1)
            for right in (-1, 0, 1)
        ],
        axis=0,
    )
    order = np.argsort(-score, axis=None, kind="stable")
    return [int(number) for number in order if score.flat[number] >= around.flat[number]]
