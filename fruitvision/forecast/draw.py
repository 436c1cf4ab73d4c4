"""One simulation that carries every error from the walk to the carton.

Errors that blocks share are drawn once for all of them: the fall of fruit and the culls, the mass
rule of a variety, growth that is not a block's own, the season's departure from the growth line,
the depth of the marker, the hidden-fruit factor of a pooled group, early or late picks. They do not
average out over the farm. Errors of a block's own sample are drawn for each block from its name,
each purpose from a stream of its own, so that one block's numbers do not move when another is
added, nor count when growth changes.

Which fruit a pass takes is settled at the expected sizes: a draw changes how large fruit are, not
which of them are picked first.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import BlockEstimate, BlockInputs, HiddenFruitFactor, SizeTable
from fruitvision.forecast.crop_draws import CropDraws, PassDraws, crop_of
from fruitvision.forecast.culls import cull_errors, cull_shares
from fruitvision.forecast.grades import graded
from fruitvision.forecast.inputs import check_inputs
from fruitvision.forecast.learned import count_factor, cull_offset
from fruitvision.forecast.packout import (
    DrawnSizes,
    cartons_per_class,
    sort_into_classes,
)
from fruitvision.forecast.picks import pick_weights
from fruitvision.forecast.season import Season
from fruitvision.forecast.shared import SharedErrors, drawn_share, named_normal, named_rng
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Fewer photographed trees than this are a first look: no cartons by class. Common practice.
FEWEST_TREES = 8
# Beyond this many days ahead only the peak classes are to be trusted. Common practice.
FAR_AHEAD_DAYS = 60


def draw_block(
    inputs: BlockInputs, table: SizeTable, settings: Settings, shared: SharedErrors
) -> CropDraws:
    """One block at its picks, drawn `settings.draws` times.

    Raises
    ------
    ForecastError
        If the pick plan, the losses or the weight rule can't be meant.
    """
    check_inputs(inputs, table)
    return draw_unchecked(inputs, table, settings, shared)


def draw_unchecked(
    inputs: BlockInputs, table: SizeTable, settings: Settings, shared: SharedErrors
) -> CropDraws:
    """`draw_block` for mixed inputs of a bridge: a pick before the walk counts as on its day."""
    estimate = inputs.estimate
    hanging = hanging_fruit(inputs, settings, shared)
    sizes = estimate.sizes
    if sizes is None:
        passes = _passes_without_sizes(inputs, hanging, shared)
    else:
        season = Season(inputs, sizes, settings, shared)
        passes = _passes(inputs, season, hanging, table, shared)
    fruit = np.sum([one.fruit for one in passes], axis=0)
    last = max(pick.pick_date for pick in inputs.plan.picks)
    far = (last - estimate.walked_on).days > FAR_AHEAD_DAYS
    crop = crop_of(
        passes,
        unsure_fruit=fruit * (estimate.trees < FEWEST_TREES),
        far_fruit=fruit * far,
    )
    return replace(crop, grades=graded(crop.cartons, inputs.grades, table))


# ---------------------------------------------------------------- number


def hanging_fruit(inputs: BlockInputs, settings: Settings, shared: SharedErrors) -> Array:
    """Fruit that hang at the first pass, (draws,)."""
    losses = inputs.losses
    kept = 1 - drawn_share(losses.drop_share, losses.drop_share_error, shared.drop)
    return np.asarray(fruit_today(inputs, settings) * kept * count_factor(inputs, settings))


def fruit_today(inputs: BlockInputs, settings: Settings) -> Array:
    """Fruit that hang on the day of the walk, (draws,)."""
    estimate = inputs.estimate
    trees = estimate.bearing_trees
    bearing = float(estimate.block.bearing_trees) if trees is None else trees
    normal = named_normal(settings, "register", estimate.block.block_id)
    drawn = np.maximum(bearing + estimate.bearing_trees_error * normal, 0.0)
    return np.asarray(_fruit_per_tree(estimate, settings) * drawn)


def _fruit_per_tree(estimate: BlockEstimate, settings: Settings) -> Array:
    """Fruit per tree with its error by Student's t; a pooled factor errs for its whole group."""
    name, draws = estimate.block.block_id, settings.draws
    rng = named_rng(settings, "count", name)
    normal = rng.standard_normal(draws)
    error = estimate.fruit_per_tree_error
    together = min(1.0, _pooled_error(estimate) / error) if error > 0 else 0.0
    if estimate.factor is not None and together > 0:
        group = named_normal(settings, "hidden fruit", *_group(name, estimate.factor))
        normal = together * group + (1 - together**2) ** 0.5 * normal
    freedom = estimate.degrees_of_freedom
    student = normal * np.sqrt(freedom / rng.chisquare(freedom, draws))
    return np.asarray(np.maximum(estimate.fruit_per_tree_mean + error * student, 0.0))


def _group(name: str, factor: HiddenFruitFactor) -> list[str]:
    """The blocks whose counts a pooled factor rests on, the same list for each of them."""
    return sorted({name, *factor.pooled_blocks})


def _pooled_error(estimate: BlockEstimate) -> float:
    """Error of fruit per tree that like blocks share by their factor; 0 for an own factor."""
    factor = estimate.factor
    if factor is None or not factor.pooled_blocks or factor.factor <= 0:
        return 0.0
    common = factor.factor_error if factor.common_error is None else factor.common_error
    return estimate.fruit_per_tree_mean * common / factor.factor


def picked_parts(inputs: BlockInputs, shared: SharedErrors) -> list[Array]:
    """Factor on the fruit of each pass by the error of what stays on the tree, (draws,)."""
    plan = inputs.plan
    ones = np.ones(len(shared.left))
    if plan.left_share_error == 0 or plan.left_share >= 1:
        return [ones] * len(plan.picks)
    left = np.clip(plan.left_share + plan.left_share_error * shared.left, 0.0, 1.0)
    return [*[ones] * (len(plan.picks) - 1), (1 - left) / (1 - plan.left_share)]


def days_late(error_days: float, shared: SharedErrors) -> NDArray[np.int64]:
    """A late season delays all picks of the farm."""
    return np.rint(error_days * shared.dates).astype(np.int64)


# ---------------------------------------------------------------- passes


def _passes_without_sizes(
    inputs: BlockInputs, hanging: Array, shared: SharedErrors
) -> tuple[PassDraws, ...]:
    shares = pick_weights(np.zeros((len(inputs.plan.picks), 1)), np.ones(1), inputs.plan).sum(
        axis=1
    )
    return tuple(
        PassDraws(
            pick_date=pick.pick_date,
            days_late=days_late(pick.date_error_days, shared),
            fruit=hanging * share * part,
        )
        for pick, share, part in zip(
            inputs.plan.picks, shares, picked_parts(inputs, shared), strict=True
        )
    )


def _passes(
    inputs: BlockInputs,
    season: Season,
    hanging: Array,
    table: SizeTable,
    shared: SharedErrors,
) -> tuple[PassDraws, ...]:
    passes = []
    parts = picked_parts(inputs, shared)
    for pick, weights, part in zip(inputs.plan.picks, season.taken(), parts, strict=True):
        late = days_late(pick.date_error_days, shared)
        sizes = season.at_pick(pick.pick_date, late)
        crop = hanging * part
        share = float(weights.sum())
        away = float(weights.sum(axis=1) @ season.nodes.deviations_mm) / max(share, 1e-12)
        one = PassDraws(
            pick_date=pick.pick_date,
            days_late=late,
            fruit=crop * share,
            diameter_mm=sizes.mean_mm + sizes.stretch * away,
        )
        if inputs.estimate.factor is not None:
            one = _packed(one, crop, season, weights, sizes, table)
        passes.append(one)
    return tuple(passes)


def _packed(
    one: PassDraws,
    crop: Array,
    season: Season,
    weights: Array,
    sizes: DrawnSizes,
    table: SizeTable,
) -> PassDraws:
    """A pass sorted and packed. `crop` are the fruit of all passes that the shares refer to."""
    losses, shared = season.inputs.losses, season.shared
    culls = drawn_share(
        cull_shares(losses, table) + cull_offset(season.inputs, season.settings),
        cull_errors(losses, table),
        shared.culls[:, np.newaxis],
    )
    found = sort_into_classes(season.nodes, weights, sizes, table)
    return PassDraws(
        pick_date=one.pick_date,
        days_late=one.days_late,
        fruit=one.fruit,
        diameter_mm=one.diameter_mm,
        tonnes=crop * found.total_g / 1e6,
        cartons=cartons_per_class(
            found, packed_fruit=crop[:, np.newaxis] * (1 - culls), table=table
        ),
        class_fruit=crop[:, np.newaxis] * found.shares,
    )
