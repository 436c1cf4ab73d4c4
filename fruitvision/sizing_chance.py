"""How likely a counted fruit was to be sized, so that those that seldom are count for more.

A fruit is sized if enough of it is seen and the frame does not cut it. Which fruit these are is
known of every counted one, with its place and the size of its outline: fruit high in the tree hide
less, those at the frame's edge are cut, and so on. The chance is a logistic regression on the
height in the picture, the distance from its middle line and the log of the outline's size, over all
photos of a walk. A fruit's own visible share is what decides it, and so can't be a reason beside.

The slope on size is drawn towards none: outlines of half-hidden fruit are guessed, and a detector
that draws them 3 % too small would make it seem that large fruit are sized more often, by far more
than they are. On simulated orchards the true slope was 0 ± 1 in five looks of six, and −2.4 ± 1.8
in the sixth.

References
----------
Horvitz and Thompson, Journal of the American Statistical Association 47: 663 (1952): weights by the
inverse chance. Little, Survey Methodology 12: 139 (1986): chances from a model of who responds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Fruit, MeasuredPhoto

Array = NDArray[np.float64]
# A fruit by its photo_id and fruit_id.
FruitKey = tuple[str, str]

# Fewer sized or unsized fruit tell nothing of the chance. Our choice: ten for each slope.
FEWEST = 30
# Standard deviations of the slopes before anything is seen: places in units of their own spread,
# the log of the size as it is. Our choice; on simulated orchards slopes on height were to 0.35.
PLACE_SLOPE_SD = 0.5
SIZE_SLOPE_SD = 1.5
# Outlines of hidden fruit against those of whole ones, relative, one standard error: on rendered
# photos the learned detector drew fruit of which a third was hidden 3 to 5 % smaller.
HIDDEN_OUTLINE_ERROR = 0.03
# No fruit counts for more than so many times another. Our choice: common practice in surveys.
LARGEST_RATIO = 4.0
_ROUNDS = 25


def sizing_weights(photos: Sequence[MeasuredPhoto]) -> Mapping[FruitKey, float]:
    """Inverse chance of being sized of each sized fruit of this row, 1 on average.

    Photos without a scale size no fruit and tell nothing. All weights are 1 where too few fruit
    were sized or left unsized.
    """
    scaled = [photo for photo in photos if photo.scale is not None]
    fruit = [(photo, one) for photo in scaled for one in photo.fruit if one.on_this_row]
    sized = np.array([_is_sized(one) for _, one in fruit], dtype=bool)
    keys = [(one.photo_id, one.fruit_id) for _, one in fruit if _is_sized(one)]
    if min(sized.sum(), (~sized).sum()) < FEWEST:
        return dict.fromkeys(keys, 1.0)
    weights = 1 / sizing_chances(_places(fruit), _log_sizes(fruit), sized)[sized]
    middle = float(np.exp(np.log(weights).mean()))
    weights = np.clip(weights, middle / LARGEST_RATIO**0.5, middle * LARGEST_RATIO**0.5)
    return dict(zip(keys, (weights / weights.mean()).tolist(), strict=True))


def sizing_chances(places: Array, log_sizes: Array, sized: NDArray[np.bool_]) -> Array:
    """Chance of each fruit to be sized, (fruit,).

    Parameters
    ----------
    places : (fruit, n) float
        Numbers on where a fruit is; brought to mean 0 and standard deviation 1 here.
    log_sizes : (fruit,) float
        Log of the outline's size against the usual one of its photo.
    sized : (fruit,) bool
        Whether it was sized.
    """
    spread = places.std(axis=0)
    standard = (places - places.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    x = np.column_stack([np.ones(len(sized)), standard, log_sizes - log_sizes.mean()])
    y = sized.astype(float)
    penalty = np.array([0.0, *[PLACE_SLOPE_SD**-2] * places.shape[1], SIZE_SLOPE_SD**-2])
    free = _logistic(x, y, penalty)
    # A bias of the outlines moves the slope by itself over the variance of the log size; slope,
    # noise and bias add up, so the slope is believed by its part of their variances.
    variance = float(np.var(log_sizes))
    if variance > 0:
        chance = _chance(x @ free)
        known = float(np.sum(chance * (1 - chance) * x[:, -1] ** 2))
        bias = HIDDEN_OUTLINE_ERROR / variance
        penalty[-1] = (1 + bias**2 * known) / SIZE_SLOPE_SD**2
    return _chance(x @ _logistic(x, y, penalty))


def _logistic(x: Array, y: Array, penalty: Array) -> Array:
    """Slopes of highest penalised likelihood, by Newton's method."""
    slopes = np.zeros(x.shape[1])
    mean = float(np.clip(y.mean(), 1e-3, 1 - 1e-3))
    slopes[0] = np.log(mean / (1 - mean))
    for _ in range(_ROUNDS):
        chance = _chance(x @ slopes)
        curvature = (x * (chance * (1 - chance))[:, np.newaxis]).T @ x + np.diag(penalty + 1e-9)
        move = np.linalg.solve(curvature, x.T @ (y - chance) - penalty * slopes)
        slopes = slopes + np.clip(move, -2.0, 2.0)
        if np.abs(move).max() < 1e-8:
            break
    return slopes


def _chance(logit: Array) -> Array:
    return np.asarray(1 / (1 + np.exp(-np.clip(logit, -30, 30))))


def _is_sized(fruit: Fruit) -> bool:
    return fruit.diameter_mm is not None and fruit.diameter_error_mm is not None


def _places(fruit: Sequence[tuple[MeasuredPhoto, Fruit]]) -> Array:
    """Height in the picture and distance from its middle line, in picture heights, (fruit, 2)."""
    return np.array(
        [
            (
                one.centre_y_px / photo.photo.height_px,
                abs(one.centre_x_px - photo.photo.width_px / 2) / photo.photo.height_px,
            )
            for photo, one in fruit
        ]
    )


def _log_sizes(fruit: Sequence[tuple[MeasuredPhoto, Fruit]]) -> Array:
    """Log of each outline's size against the median of its photo, (fruit,)."""
    sizes: dict[str, list[float]] = {}
    for _, one in fruit:
        sizes.setdefault(one.photo_id, []).append(one.diameter_px)
    usual = {photo_id: float(np.median(of_photo)) for photo_id, of_photo in sizes.items()}
    return np.log([one.diameter_px / usual[one.photo_id] for _, one in fruit])
