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
# Correlation of the errors of two outlines of one fruit: one detector draws both, and the same
# leaves hide both. This and the next three fitted by maximum likelihood on 826 fruit of 36 rendered
# pairs (six kinds of block; none of the benchmark).
OUTLINES_ALIKE = 0.45
# Variance of the outlines, as a share of what they state: at least, and so much more for each
# squared standardised disagreement, up to a most. Outlines that agree are better than they say.
AGREEING = 0.35
DISAGREEING = 0.65
MOST_DISAGREEMENT = 6.0
# The same where only one of the outlines would be sized by itself.
ONE_GOOD = 1.4
# Fruit seen from one place only hang deeper than those seen from both, by this share of the spread
# of those, and scatter by so many times it; their outlines err by so many times what they state.
# From 343 such fruit of the same pairs.
DEEPER = 0.3
SCATTER = 1.4
WORSE_OUTLINE = 1.2


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
    good = sum(not BAD_OUTLINE.intersection(one.fruit.doubts) for one in group)
    whole = [one for one in group if Doubt.CUT_BY_EDGE not in one.fruit.doubts]
    this_row = any(one.fruit.on_this_row for one in group)
    size = _mean_mm(whole, good=good) if good and this_row else None
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


def _mean_mm(whole: Sequence[_Sighting], *, good: int) -> tuple[float, float]:
    """Diameter and its standard error, of outlines that the frame does not cut.

    Outlines of one fruit err partly alike; depths come from the same rays and err alike. `good` :
    outlines that would be sized by themselves.
    """
    errors = np.array([one.disc_error for one in whole])
    shares = 1 / errors**2 / (1 / errors**2).sum()
    mm = np.array([one.disc_px * one.mm_per_px for one in whole])
    mean = float(shares @ mm)
    alike = OUTLINES_ALIKE + (1 - OUTLINES_ALIKE) * np.eye(len(whole))
    outline = float((shares * errors) @ alike @ (shares * errors))
    if len(whole) > 1:
        apart = float(((mm / mean - 1) ** 2 / errors**2).sum())
        apart /= (1 - OUTLINES_ALIKE) * (len(whole) - 1)
        outline *= AGREEING + DISAGREEING * min(apart, MOST_DISAGREEMENT)
    if good == 1:
        outline *= ONE_GOOD
    depth = float(shares @ [one.ratio_error for one in whole])
    return mean, mean * sqrt(outline + depth**2)


def _by_canopy(
    fruit: Fruit, row: int, view: View, canopy: Canopy, tracks: Tracks, number: int
) -> Fruit:
    """A fruit seen from one place only, at the depth that its neighbours tell.

    Where references in the picture tell it better, or the fruit is not sized, it stays as it is.
    """
    if fruit.diameter_mm is None or fruit.depth_grade is not DepthGrade.ONE_PLANE:
        return fruit
    x, y = view.centres_px[row]
    depth, depth_error = canopy.depth_at(float(x), float(y))
    depth, depth_error = depth + DEEPER * canopy.spread_mm, SCATTER * depth_error
    place = tracks.views.index(number)
    focal_px = view.camera.focal_px * float(tracks.bundle.focal_factors[place])
    disc_px = float(view.discs_px[row] / _magnified(view, tracks, number)[row])
    mm = disc_px * depth / focal_px
    outline = WORSE_OUTLINE * float(view.disc_errors[row])
    cameras = float(np.median(tracks.bundle.ratio_errors))
    error = mm * hypot(outline, depth_error / depth, cameras)
    return replace(fruit, diameter_mm=mm, diameter_error_mm=error, distance_mm=depth)
