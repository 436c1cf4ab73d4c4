"""Step 4, second half: from outlines in pixels to fruit in millimetres, with error and doubts."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import ideal_outlines
from fruitvision.domain import DepthGrade, Doubt, Doubts, Fruit, Photo, Scale, merge_doubts
from fruitvision.fruit.detector import Detections, Image
from fruitvision.fruit.rim import Rims, refined
from fruitvision.rows_behind import BEHIND_BELOW, USUAL_QUANTILE
from fruitvision.scale import remove_off_axis_stretch
from fruitvision.settings import Settings

# Distance that is taken where the lens does not tell it, mm. Our choice: common for row photos.
USUAL_DISTANCE_MM = 2000.0
# Error of an outline's long axis, as a share of it: one part of all fruit, since the learned
# detector sees all at one size, and one that grows with the share that it calls hidden. Fitted by
# maximum likelihood (0.054 and 0.32) to 254 fruit of 13 sample photos that it called 0.7 visible or
# more; standard deviation 5 % where it called more than 0.9 visible, 8 to 9 % from 0.7 to 0.9.
OUTLINE_ERROR_SHARE = 0.055
HIDDEN_ERROR_SHARE = 0.30
# Sized fruit of this row that tell the usual fruit. Our choice: a median of fewer says little.
FEWEST_USUAL = 5


# Most that is taken off for the scatter of depths. Our choice: what it is in row photos from 2.2 m;
# a photo from nearer shows less of a canopy's depth.
MOST_SCATTER_GAIN = 0.005
# Fruit whose fitted outline errs by more are counted and not sized, however much of them seems to
# be seen. Our choice: about the error of their depth (140 mm at 2.2 m are 6 %). On 72 rendered
# photos it says more than the visible share does: of equally many fruit the outlines err by 4.6 %
# and not by 5.4 % (sd).
LARGEST_OUTLINE_ERROR = 0.065


def measure_fruit(
    detections: Detections,
    *,
    photo: Photo,
    scale: Scale | None,
    settings: Settings,
    picture: Image | None = None,
) -> tuple[Fruit, ...]:
    """All fruit of a photo, numbered from the top down, ties from the left.

    Parameters
    ----------
    detections : Detections
        What a detector found in the upright picture of `photo`.
    photo : Photo
        Its camera, if known, frees outlines of the lens's bend and of the off-axis stretch.
    scale : Scale or None
        None: fruit are counted and not sized.
    settings : Settings
        Depth of the canopy, smallest visible share of a sized fruit.
    picture : (H, W, 3) uint8 RGB, optional
        The upright picture, in which outlines are fitted at full resolution; without it they stay
        as the detector gave them.

    Returns
    -------
    tuple of Fruit
        A fruit that is cut by the edge, too much hidden, of a row behind, or without scale has
        no diameter in mm.
    """
    least_share = settings.smallest_sized_share
    rims: Rims | None = None
    if picture is not None:
        detections, rims = refined(picture, detections)
    outline_errors = _outline_errors(detections, rims)
    detections = replace(detections, on_this_row=on_this_row(detections, least_share))
    diameters_px = true_diameters_px(detections.outlines, photo)
    order = np.lexsort((detections.outlines[:, 0], detections.outlines[:, 1]))
    fruit: list[Fruit] = []
    for number, index in enumerate(order, start=1):
        seen = _seen_fruit(
            f"f{number:03d}", detections, int(index), float(diameters_px[index]), photo
        )
        fruit.append(
            sized_fruit(
                seen,
                float(outline_errors[index]),
                fitted=rims is not None,
                photo=photo,
                scale=scale,
                settings=settings,
            )
        )
    return tuple(fruit)


def true_diameters_px(outlines: NDArray[np.float64], photo: Photo) -> NDArray[np.float64]:
    """(N,) long axes freed of lens and off-axis stretch; as they are where no lens is known.

    Parameters
    ----------
    outlines : (N, 5) float
        As in `Detections`.
    """
    camera = photo.camera
    if camera is None or not len(outlines):
        return outlines[:, 2]
    return remove_off_axis_stretch(
        ideal_outlines(outlines, camera),
        focal_px=camera.focal_px,
        principal_point_px=(camera.middle_x_px, camera.middle_y_px),
    )


def sized_fruit(
    fruit: Fruit,
    outline_error: float,
    *,
    fitted: bool,
    photo: Photo,
    scale: Scale | None,
    settings: Settings,
) -> Fruit:
    """The fruit with its diameter in mm, or with the doubts that stand against it.

    Parameters
    ----------
    fruit : Fruit
        As it is seen: its `diameter_px` is freed of the stretch, and it has no doubts yet.
    outline_error : float
        Standard error of the outline's long axis, as a share of it.
    fitted : bool
        The error is this outline's own, so that one that errs too much is not sized.
    """
    fruit = replace(fruit, diameter_error_px=outline_error * fruit.diameter_px)
    doubts = _against_sizing(fruit, photo, settings.smallest_sized_share)
    if fitted and outline_error > LARGEST_OUTLINE_ERROR:
        doubts = merge_doubts(doubts, (Doubt.PARTLY_HIDDEN,))
    if scale is None or not fruit.on_this_row:
        doubts = (Doubt.NOT_SIZED, *doubts)
    if scale is None or doubts:
        return replace(fruit, doubts=merge_doubts(doubts))
    middle = (fruit.centre_x_px, fruit.centre_y_px)
    distance_mm = scale.distance_at(*middle)
    mm_per_px = scale.at(*middle)[0]
    if scale.grade is DepthGrade.ONE_PLANE:
        mm_per_px /= 1 + scatter_gain(settings.canopy_depth_sd_mm, distance_mm)
    error_mm = diameter_error_mm(
        fruit.diameter_px,
        outline_error,
        scale=scale,
        at_px=middle,
        canopy_depth_sd_mm=settings.canopy_depth_sd_mm,
    )
    return replace(
        fruit,
        diameter_mm=fruit.diameter_px * mm_per_px,
        diameter_error_mm=error_mm,
        distance_mm=distance_mm if scale.grade is DepthGrade.REFERENCES else None,
        depth_grade=scale.grade,
    )


def diameter_error_mm(
    diameter_px: float,
    outline_error: float,
    *,
    scale: Scale,
    at_px: tuple[float, float],
    canopy_depth_sd_mm: float,
) -> float:
    """One standard error of a fruit's diameter, mm.

    Three parts, added as squares: the outline, the scale where the fruit hangs, and the fruit's
    depth around the reference: a fruit nearer by 1 % of the distance looks 1 % larger.

    Parameters
    ----------
    diameter_px : float
        Diameter in the picture, px.
    outline_error : float
        Standard error of the outline's long axis, as a share of it.
    scale : Scale
    at_px : tuple of float
        Middle of the fruit.
    canopy_depth_sd_mm : float
        Standard deviation of the fruit's depth around the reference, mm.
    """
    mm_per_px, scale_error = scale.at(*at_px)
    distance_mm = scale.distance_at(*at_px) or USUAL_DISTANCE_MM
    depth = canopy_depth_sd_mm / distance_mm
    return diameter_px * mm_per_px * hypot(outline_error, scale_error / mm_per_px, depth)


def scatter_gain(canopy_depth_sd_mm: float, distance_mm: float | None) -> float:
    """By how much the mean of fruit that scatter around one plane reads too large, as a share.

    Nearer ones gain more mm than farther ones lose: the mean of 1 / depth is above 1 / mean depth
    by the variance of the depth over its square (second order of its series).
    """
    scatter = canopy_depth_sd_mm / (distance_mm or USUAL_DISTANCE_MM)
    return min(scatter**2, MOST_SCATTER_GAIN)


def outline_error_px(diameter_px: float, visible_share: float) -> float:
    """Standard error of a detector's own long axis, px: grows as less of the fruit is seen."""
    hidden = 1.0 - min(max(visible_share, 0.0), 1.0)
    return hypot(OUTLINE_ERROR_SHARE, HIDDEN_ERROR_SHARE * hidden) * diameter_px


def _outline_errors(detections: Detections, rims: Rims | None) -> NDArray[np.float64]:
    """(N,) standard errors of long axes, as shares of them."""
    if rims is not None:
        return rims.errors
    shares = detections.visible_shares
    return np.array([outline_error_px(1.0, float(share)) for share in shares])


def on_this_row(detections: Detections, least_share: float) -> NDArray[np.bool_]:
    """(N,) fruit that the detector calls this row's and that are not far smaller than the others.

    The others are those that are seen to `least_share` or more; where they are fewer than
    `FEWEST_USUAL`, the detector's word stands.
    """
    others = detections.on_this_row & (detections.visible_shares >= least_share)
    if others.sum() < FEWEST_USUAL:
        return detections.on_this_row
    long_px = detections.outlines[:, 2]
    usual_px = np.quantile(long_px[others], USUAL_QUANTILE)
    return detections.on_this_row & (long_px >= BEHIND_BELOW * usual_px)


def _seen_fruit(
    fruit_id: str, detections: Detections, index: int, diameter_px: float, photo: Photo
) -> Fruit:
    x, y, long_px, short_px, direction_deg = (float(v) for v in detections.outlines[index])
    return Fruit(
        photo_id=photo.photo_id,
        fruit_id=fruit_id,
        centre_x_px=x,
        centre_y_px=y,
        width_px=long_px,
        height_px=short_px,
        angle_deg=direction_deg,
        diameter_px=diameter_px,
        diameter_mm=None,
        diameter_error_mm=None,
        visible_share=float(detections.visible_shares[index]),
        score=float(detections.scores[index]),
        on_this_row=bool(detections.on_this_row[index]),
    )


def _against_sizing(fruit: Fruit, photo: Photo, smallest_sized_share: float) -> Doubts:
    """Doubts about the outline itself."""
    reach_x, reach_y = fruit.outline.half_box_px
    # Pixel centres are whole numbers: the picture reaches from -0.5 to width - 0.5.
    inside = (
        fruit.centre_x_px - reach_x >= -0.5
        and fruit.centre_y_px - reach_y >= -0.5
        and fruit.centre_x_px + reach_x <= photo.width_px - 0.5
        and fruit.centre_y_px + reach_y <= photo.height_px - 0.5
    )
    doubts: Doubts = () if inside else (Doubt.CUT_BY_EDGE,)
    if fruit.visible_share < smallest_sized_share:
        doubts = (*doubts, Doubt.PARTLY_HIDDEN)
    return doubts
