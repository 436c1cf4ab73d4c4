"""Fruit over two or more views: pairs become fruit of the tree, and all cameras are fitted once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fruitvision.views.bundle import Bundle, fit_bundle
from fruitvision.views.pair import JoinedPair
from fruitvision.views.pose import Floats, Pose
from fruitvision.views.residuals import Sightings
from fruitvision.views.view import View

# A sighting: number of the view, number of the fruit in it.
Seen = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tracks:
    """Fruit of the tree that two views or more show.

    `views` : numbers of the views that hang together, rising; `sightings`, `bundle` : of these, in
    that order; `fruit` : (M,) number of the fruit in its own view, for each sighting.
    """

    views: tuple[int, ...]
    sightings: Sightings
    fruit: tuple[int, ...]
    bundle: Bundle


def join_tracks(views: Mapping[int, View], pairs: Mapping[tuple[int, int], JoinedPair]) -> Tracks:
    """All views that hang together with the first of them, fitted at once.

    Parameters
    ----------
    views : mapping
        By their number.
    pairs : mapping
        Pairs of view numbers, the lower first, that were found to show one tree face; not empty.
    """
    poses = _poses(pairs)
    joined = tuple(sorted(poses))
    groups = [
        group
        for group in _groups({key: pair for key, pair in pairs.items() if set(key) <= set(joined)})
        if len(group) > 1
    ]
    rows = sorted((view, track, fruit) for track, of in enumerate(groups) for view, fruit in of)
    place = {view: number for number, view in enumerate(joined)}
    sightings = Sightings(
        view=np.array([place[view] for view, _, _ in rows]),
        fruit=np.array([track for _, track, _ in rows]),
        px=np.array([views[view].centres_px[fruit] for view, _, fruit in rows]),
        error_px=np.array([views[view].centre_errors_px[fruit] for view, _, fruit in rows]),
    )
    return Tracks(
        views=joined,
        sightings=sightings,
        fruit=tuple(fruit for _, _, fruit in rows),
        bundle=fit_bundle(
            [views[view] for view in joined], [poses[view] for view in joined], sightings
        ),
    )


def _poses(pairs: Mapping[tuple[int, int], JoinedPair]) -> dict[int, Pose]:
    """First guess of each view that hangs together with the best pair, in its first's frame."""
    best = max(pairs, key=lambda key: pairs[key].support)
    poses = dict(zip(best, pairs[best].bundle.poses, strict=True))
    grown = True
    while grown:
        grown = False
        for (one, other), pair in sorted(pairs.items(), key=lambda item: -item[1].support):
            first, second = pair.bundle.poses
            if one in poses and other not in poses:
                turn = second.turn @ first.turn.T @ poses[one].turn
                poses[other], grown = replace(second, turn=turn), True
            elif other in poses and one not in poses:
                turn = first.turn @ second.turn.T @ poses[other].turn
                poses[one], grown = replace(first, turn=turn), True
    return poses


def _groups(pairs: Mapping[tuple[int, int], JoinedPair]) -> list[list[Seen]]:
    """Sightings of one fruit each, the surest pairs first; never two of one view together."""
    links = sorted(
        (
            (-float(worth), (one, int(first)), (other, int(second)))
            for (one, other), pair in pairs.items()
            for first, second, worth in zip(
                pair.pairs.first, pair.pairs.second, pair.pairs.worth, strict=True
            )
        ),
    )
    group_of: dict[Seen, list[Seen]] = {}
    for _, one, other in links:
        first, second = group_of.setdefault(one, [one]), group_of.setdefault(other, [other])
        if first is second or {view for view, _ in first} & {view for view, _ in second}:
            continue
        first.extend(second)
        for seen in second:
            group_of[seen] = first
    return [
        list(group) for group in {id(group): sorted(group) for group in group_of.values()}.values()
    ]


def sightings_of(tracks: Tracks, number: int) -> dict[int, int]:
    """Row of each fruit of a view among the sightings. `number` : of the view, as in `views`."""
    place = tracks.views.index(number)
    return {
        fruit: row
        for row, (view, fruit) in enumerate(zip(tracks.sightings.view, tracks.fruit, strict=True))
        if view == place
    }


def parallax(tracks: Tracks) -> float:
    """Mean squared standardised spread of the depths: 1 where all could lie in one plane."""
    bundle = tracks.bundle
    first = tracks.sightings.view == 0
    depths = bundle.depths_mm[first]
    errors = bundle.ratio_errors[first] * depths
    middle = np.average(depths, weights=1 / errors**2)
    return float(np.mean(((depths - middle) / errors) ** 2))


def step_mm(first: Pose, second: Pose) -> float:
    """How far apart the cameras stood."""
    return float(np.linalg.norm(first.camera_mm - second.camera_mm))


def mm_per_px(tracks: Tracks, views: Mapping[int, View]) -> tuple[Floats, Floats]:
    """(M,) mm of a px at each sighting's depth, and relative standard error."""
    focal = np.array([views[view].camera.focal_px for view in tracks.views])
    focal = focal * tracks.bundle.focal_factors
    return tracks.bundle.depths_mm / focal[tracks.sightings.view], tracks.bundle.ratio_errors
