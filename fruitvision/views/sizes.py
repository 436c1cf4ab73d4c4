"""Millimetres of fruit that were seen from two places, and of their neighbours seen from one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt

import numpy as np

from fruitvision.domain import DepthGrade, Doubt, Fruit, MeasuredPhoto
from fruitvision.settings import Settings
from fruitvision.views.canopy import Canopy, canopy_of
from fruitvision.views.pose import Floats
from fruitvision.views.tracks import Tracks, mm_per_px, sightings_of
from fruitvision.views.view import View

# Outlines with one of these are not sized.
BAD_OUTLINE = frozenset({Doubt.CUT_BY_EDGE, Doubt.PARTLY_HIDDEN})
# Correlation of the errors of two outlines of one fruit: one detector draws both, and both faces
# of a lumpy fruit are alike.
OUTLINES_ALIKE = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sighting:
    """A fruit in one photo, with mm of a px at its depth and the relative error of that.

    `number` : of the fruit in its photo; `row` : in its view.
    """

    photo: int
    number: int
    row: int
    fruit: Fruit
    disc_px: float
    disc_error: float
    mm_per_px: float
    ratio_error: float
    distance_mm: float


def sized_together(
    photos: Sequence[MeasuredPhoto], views: Mapping[int, View], tracks: Tracks, settings: Settings
) -> tuple[MeasuredPhoto, ...]:
    """The photos with the fruit seen from two places sized by their own distance.

    Parameters
    ----------
    photos : sequence of MeasuredPhoto
        All of a face; `views` and `tracks` number them in this order.

    Notes
    -----
    mm = px of the disc x depth / focal length, from each photo, averaged by the outlines' weights.
    A shared fruit has the same mm in all its photos; those after the first name it in `same_as`.
    Fruit seen once take the depth of the canopy that the shared ones tell.
    """
    changed = [list(photo.fruit) for photo in photos]
    sightings = _by_fruit(photos, views, tracks)
    for group in sightings:
        for sighting, fruit in zip(group, _as_one(group), strict=True):
            changed[sighting.photo][sighting.number] = fruit
    for number in tracks.views:
        shared = [one for group in sightings for one in group if one.photo == number]
        canopy = canopy_of(
            views[number].centres_px[[one.row for one in shared]],
            np.array([one.distance_mm for one in shared]),
            np.array([one.distance_mm * one.ratio_error for one in shared]),
            spread_mm=settings.canopy_depth_sd_mm,
        )
        if canopy is not None:
            alone = set(range(len(views[number].numbers))) - {one.row for one in shared}
            for row in sorted(alone):
                index = int(views[number].numbers[row])
                changed[number][index] = _by_canopy(
                    changed[number][index], row, views[number], canopy, tracks, number
                )
    return tuple(
        replace(photo, fruit=tuple(fruit)) for photo, fruit in zip(photos, changed, strict=True)
    )


def _by_fruit(
    photos: Sequence[MeasuredPhoto], views: Mapping[int, View], tracks: Tracks
) -> list[list[_Sighting]]:
    """Sightings of each shared fruit, by photo."""
    scales, errors = mm_per_px(tracks, views)
    groups: list[list[_Sighting]] = [[] for _ in range(tracks.sightings.fruit_count)]
    for number in tracks.views:
        bent = _magnified(views[number], tracks, number)
        for index, row in sightings_of(tracks, number).items():
            groups[int(tracks.sightings.fruit[row])].append(
                _Sighting(
                    photo=number,
                    number=int(views[number].numbers[index]),
                    row=index,
                    fruit=photos[number].fruit[int(views[number].numbers[index])],
                    disc_px=float(views[number].discs_px[index] / bent[index]),
                    disc_error=float(views[number].disc_errors[index]),
                    mm_per_px=float(scales[row]),
                    ratio_error=float(errors[row]),
                    distance_mm=float(tracks.bundle.depths_mm[row]),
                )
            )
    return groups


def _magnified(view: View, tracks: Tracks, number: int) -> Floats:
    """(N,) how much larger the lens draws each fruit than a pinhole, by the bend that was found.

    The mean of 1 + 3 k1 r² along and 1 + k1 r² across the line from the middle.
    """
    bend = tracks.bundle.bends[tracks.views.index(number)]
    return np.asarray(1 + 2 * bend * (view.slopes[:, :2] ** 2).sum(axis=1))


def _as_one(group: Sequence[_Sighting]) -> list[Fruit]:
    """One fruit in all its photos."""
    sized = [one for one in group if not BAD_OUTLINE.intersection(one.fruit.doubts)]
    this_row = any(one.fruit.on_this_row for one in group)
    size = _mean_mm(sized) if sized and this_row else None
    first = group[0].fruit
    twin = (first.photo_id, first.fruit_id)
    return [
        replace(
            one.fruit,
            diameter_mm=None if size is None else size[0],
            diameter_error_mm=None if size is None else size[1],
            on_this_row=this_row,
            doubts=one.fruit.doubts if size is None else _without_reasons(one.fruit),
            depth_grade=DepthGrade.TWO_VIEWS,
            distance_mm=one.distance_mm,
            same_as=None if one is group[0] else twin,
        )
        for one in group
    ]


def _without_reasons(fruit: Fruit) -> tuple[Doubt, ...]:
    """Doubts of a fruit that is sized after all."""
    reasons = {Doubt.NOT_SIZED, *BAD_OUTLINE}
    return tuple(doubt for doubt in fruit.doubts if doubt not in reasons)


def _mean_mm(sized: Sequence[_Sighting]) -> tuple[float, float]:
    """Diameter and its standard error.

    Outlines of one fruit err partly alike; depths come from the same rays and err alike.
    """
    errors = np.array([one.disc_error for one in sized])
    weights = 1 / errors**2
    weights /= weights.sum()
    mm = np.array([one.disc_px * one.mm_per_px for one in sized])
    mean = float(weights @ mm)
    alike = OUTLINES_ALIKE + (1 - OUTLINES_ALIKE) * np.eye(len(sized))
    outline = float((weights * errors) @ alike @ (weights * errors))
    depth = float(weights @ [one.ratio_error for one in sized])
    return mean, mean * sqrt(outline + depth**2)


def _by_canopy(
    fruit: Fruit, row: int, view: View, canopy: Canopy, tracks: Tracks, number: int
) -> Fruit:
    """A fruit seen from one place, at the depth of its neighbours, if that is surer than before."""
    if fruit.diameter_mm is None or fruit.diameter_error_mm is None:
        return fruit
    x, y = view.centres_px[row]
    depth, depth_error = canopy.depth_at(float(x), float(y))
    place = tracks.views.index(number)
    focal_px = view.camera.focal_px * float(tracks.bundle.focal_factors[place])
    disc_px = float(view.discs_px[row] / _magnified(view, tracks, number)[row])
    mm = disc_px * depth / focal_px
    outline, cameras = float(view.disc_errors[row]), float(np.median(tracks.bundle.ratio_errors))
    error = mm * hypot(outline, depth_error / depth, cameras)
    if error > fruit.diameter_error_mm:
        return fruit
    return replace(fruit, diameter_mm=mm, diameter_error_mm=error, distance_mm=depth)
