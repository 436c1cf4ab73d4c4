"""Two photos of one tree face: how the cameras stood, and which fruit are the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fruitvision.views.bundle import Bundle, fit_bundle
from fruitvision.views.match import (
    FEWEST_USUAL,
    LEAST_DEPTH_SD_MM,
    Expected,
    Pairs,
    pair_fruit,
)
from fruitvision.views.pose import Pose, marker_poses, square_mm
from fruitvision.views.residuals import Sightings
from fruitvision.views.search import Turn, search_turns
from fruitvision.views.view import View

# Rounds of pairing: how far the cameras' guess may shift fruit aside, as a share of the focal
# length (8, 4, 2 and 1 px of 1800). All turns that were found are followed through the rough
# rounds, the best through the fine ones. Our choice.
_ROUGH = (8.0 / 1800, 4.0 / 1800)
_FINE = (2.0 / 1800, 1.0 / 1800, 0.7 / 1800)
# Spread of depths around the marker while nothing is known of them, as a share of its depth.
_FIRST_DEPTH_SHARE = 0.10
# Fewest pairs that say anything about how the cameras are turned.
_FEWEST = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoinedPair:
    """Two views with their cameras and pairs; sightings of `bundle` are all of the first view, then
    all of the second, in the order of `pairs`. `support` : sum of the pairs' worth."""

    pairs: Pairs
    bundle: Bundle
    support: float


def join_pair(first: View, second: View) -> JoinedPair | None:
    """The best explanation of both photos as one tree face; None if there is none at all."""
    poses = [marker_poses(one.corners_px, one.camera, one.side_mm) for one in (first, second)]
    if not all(poses) or min(len(first.shares), len(second.shares)) < _FEWEST:
        return None
    guesses = [
        _first_guess(first, second, poses, turn) for turn in search_turns(first, second, poses)
    ]
    found = [_follow(first, second, _start(guess), _ROUGH) for guess in guesses]
    best = max(
        (one for one in found if one is not None),
        key=lambda followed: followed.joined.support,
        default=None,
    )
    fine = None if best is None else _follow(first, second, best, _FINE)
    return None if fine is None else fine.joined


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Start:
    """Where the next round of pairing starts from: cameras, views freed of bend, what to expect."""

    guess: tuple[Pose, Pose]
    views: tuple[View, View] | None
    expected: Expected


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Followed(_Start):
    """The same after some rounds, with what they found."""

    joined: JoinedPair


def _start(guess: tuple[Pose, Pose]) -> _Start:
    depth_mm = float(guess[0].place[2])
    expected = Expected(aside_px=0.0, depth_mm=depth_mm, depth_sd_mm=_FIRST_DEPTH_SHARE * depth_mm)
    return _Start(guess=guess, views=None, expected=expected)


def _follow(
    first: View, second: View, start: _Start, aside_shares: Sequence[float]
) -> _Followed | None:
    """Pairs and cameras in turns, ever more closely; None where too few pairs are found."""
    guess, views, expected = start.guess, start.views or (first, second), start.expected
    followed = None
    for share in aside_shares:
        aside_px = share * second.camera.focal_px
        pairs = pair_fruit(*views, guess, replace(expected, aside_px=aside_px))
        if len(pairs) < _FEWEST:
            return None
        try:
            bundle = fit_bundle((first, second), guess, sightings(first, second, pairs))
        except np.linalg.LinAlgError:
            return None  # the guess leads nowhere: no camera could stand like this
        guess = (bundle.poses[0], bundle.poses[1])
        views = (freed_of_bend(first, bundle, 0), freed_of_bend(second, bundle, 1))
        expected = _expected(first, bundle, pairs, expected)
        support = float(pairs.worth.sum()) - bundle.corner_misfit
        joined = JoinedPair(pairs=pairs, bundle=bundle, support=support)
        followed = _Followed(guess=guess, views=views, expected=expected, joined=joined)
    return followed


def _first_guess(
    first: View, second: View, poses: Sequence[Sequence[Pose]], turn: Turn
) -> tuple[Pose, Pose]:
    """Both poses under a turn, so that the marker's corners fit best."""
    alone = [pose.turn for pose in poses[0]] + [turn.turn.T @ pose.turn for pose in poses[1]]
    places = (poses[0][0].place, poses[1][0].place)
    guesses = [
        (Pose(turn=one, place=places[0]), Pose(turn=turn.turn @ one, place=places[1]))
        for one in alone
    ]
    return min(guesses, key=lambda pair: _corner_gap(first, pair[0]) + _corner_gap(second, pair[1]))


def _corner_gap(view: View, pose: Pose) -> float:
    seen = square_mm(view.side_mm) @ pose.turn.T + pose.place
    middle = np.array([view.camera.middle_x_px, view.camera.middle_y_px])
    drawn = middle + view.camera.focal_px * seen[:, :2] / seen[:, 2:]
    return float(((drawn - view.corners_px) ** 2).sum())


def sightings(first: View, second: View, pairs: Pairs) -> Sightings:
    """Each pair seen in view 0 and in view 1."""
    number = np.arange(len(pairs))
    return Sightings(
        view=np.repeat([0, 1], len(pairs)),
        fruit=np.concatenate([number, number]),
        px=np.concatenate([first.centres_px[pairs.first], second.centres_px[pairs.second]]),
        error_px=np.concatenate(
            [first.centre_errors_px[pairs.first], second.centre_errors_px[pairs.second]]
        ),
    )


def _expected(first: View, bundle: Bundle, pairs: Pairs, before: Expected) -> Expected:
    """Depths and sizes of this tree, from the pairs so far."""
    if len(pairs) < FEWEST_USUAL:
        return before
    depths = bundle.depths_mm[: len(pairs)]
    middle = float(np.median(depths))
    spread = 1.4826 * float(np.median(np.abs(depths - middle)))
    sizes = first.discs_px[pairs.first] * depths / first.camera.focal_px
    # Fruit that were not matched yet may lie deeper than those that were: half as much again.
    return replace(
        before,
        depth_mm=middle,
        depth_sd_mm=max(1.5 * spread, LEAST_DEPTH_SD_MM),
        diameter_mm=float(np.median(sizes)),
    )


def freed_of_bend(view: View, bundle: Bundle, number: int) -> View:
    """The view as a pinhole of the same focal length would show it, by the lens that was found."""
    middle = np.array([view.camera.middle_x_px, view.camera.middle_y_px])
    drawn = (view.centres_px - middle) / (view.camera.focal_px * bundle.focal_factors[number])
    slope = drawn
    for _ in range(5):
        slope = drawn / (1 + bundle.bends[number] * (slope**2).sum(axis=1, keepdims=True))
    return replace(view, centres_px=np.asarray(middle + view.camera.focal_px * slope))
