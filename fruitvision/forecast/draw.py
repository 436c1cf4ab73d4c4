"""One simulation that carries every error from the walk to the carton.

Errors that blocks share are drawn once for all of them: the fall of fruit and the culls, the mass
rule, the default growth rate, the season's departure from the growth line, and the depth of the
marker. They do not average out over the farm. Errors of a block's own sample are drawn for each
block from its name, so that one block's numbers do not move when another is added.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import (
    BlockEstimate,
    ClassForecast,
    CropForecast,
    Doubt,
    Doubts,
    Estimate,
    GrowthRate,
    SizeDistribution,
    SizeTable,
    merge_doubts,
)
from fruitvision.errors import ForecastError
from fruitvision.forecast.growth import growth_shift_mm
from fruitvision.forecast.packout import Sorted, cartons_per_class, sort_into_classes
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Beyond this many days ahead only the peak classes are to be trusted. Common practice.
FAR_AHEAD_DAYS = 60
# A drawn share of drop or culls is cut to this range.
LARGEST_SHARE = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class SharedErrors:
    """Standard normal draws that all blocks have in common, each (draws,)."""

    scale: Array
    growth: Array
    season: Array
    mass: Array
    drop: Array
    culls: Array


@dataclass(frozen=True, slots=True, eq=False)
class CropDraws:
    """One crop drawn many times: (draws,) each, and (draws, classes) for the last two.

    Sizes are None where they, or hidden fruit, are unknown.
    """

    fruit: Array
    diameter_mm: Array | None
    tonnes: Array | None
    cartons: Array | None
    class_fruit: Array | None


def draw_shared(settings: Settings) -> SharedErrors:
    """The shared errors of one forecast, reproducible by the seed."""
    rng = np.random.default_rng(settings.seed)
    normals = rng.standard_normal((6, settings.draws))
    return SharedErrors(*normals)


def draw_block(
    estimate: BlockEstimate,
    growth: GrowthRate,
    table: SizeTable,
    settings: Settings,
    shared: SharedErrors,
) -> CropDraws:
    """One block at its pick date, drawn `settings.draws` times.

    Raises
    ------
    ForecastError
        If the pick date is missing or before the walk.
    """
    days = days_to_pick(estimate)
    rng = np.random.default_rng([settings.seed, zlib.crc32(estimate.block.block_id.encode())])
    student = rng.standard_t(estimate.degrees_of_freedom, settings.draws)
    per_tree = np.maximum(
        estimate.fruit_per_tree_mean + estimate.fruit_per_tree_error * student, 0.0
    )
    kept = 1 - _share(settings.drop_share, settings.drop_share_error, shared.drop)
    fruit = per_tree * estimate.block.bearing_trees * kept
    if estimate.sizes is None:
        return CropDraws(fruit, None, None, None, None)
    today = draw_sizes(estimate.sizes, shared, rng)
    at_pick = _grown(today, growth, days, settings, shared, rng)
    if estimate.factor is None:
        return CropDraws(fruit, at_pick.mean(axis=1), None, None, None)
    factor = settings.mass_factor_g_per_mm3 * (1 + settings.mass_factor_error * shared.mass)
    fruit_sorted = sort_into_classes(
        at_pick, factor_g_per_mm3=factor, mass_scatter=settings.mass_scatter, table=table
    )
    return _packed(fruit, at_pick.mean(axis=1), fruit_sorted, table, settings, shared)


def days_to_pick(estimate: BlockEstimate) -> int:
    """Days from the walk to the pick.

    Raises
    ------
    ForecastError
        If the pick date is missing or before the walk.
    """
    block = estimate.block
    if block.pick_date is None:
        raise ForecastError("There is no pick date.", fix="Enter the day of the pick.")
    days = (block.pick_date - estimate.walked_on).days
    if days < 0:
        raise ForecastError(
            f"The pick date {block.pick_date} is before the photos of {estimate.walked_on}.",
            fix="Correct the pick date, or the phone's clock.",
        )
    return days


def draw_sizes(sizes: SizeDistribution, shared: SharedErrors, rng: np.random.Generator) -> Array:
    """Today's diameters, (draws, quantiles), with the errors of mean and spread."""
    draws = len(shared.scale)
    student = rng.standard_t(max(1, sizes.trees - 1), draws)
    mean = sizes.mean_mm * (1 + sizes.shared_error * shared.scale) + sizes.mean_error_mm * student
    # Lognormal, so that the spread stays above 0.
    stretch = np.exp(sizes.spread_error * rng.standard_normal(draws))
    deviation = np.asarray(sizes.quantiles_mm) - sizes.mean_mm
    return np.maximum(mean[:, np.newaxis] + stretch[:, np.newaxis] * deviation, 1.0)


def _grown(
    today: Array,
    growth: GrowthRate,
    days: int,
    settings: Settings,
    shared: SharedErrors,
    rng: np.random.Generator,
) -> Array:
    """Diameters at the pick: the mean grows in D³, every fruit by the same mm."""
    own = rng.standard_normal(len(today))
    normal = shared.growth if Doubt.DEFAULT_GROWTH in growth.doubts else own
    rate = np.maximum(growth.mm3_per_day + growth.mm3_per_day_error * normal, 0.0)
    shift = growth_shift_mm(today, rate * days)
    shift += settings.projection_error_mm_per_day * days * shared.season
    grown: Array = today + np.maximum(shift, 0.0)[:, np.newaxis]
    return grown


def _share(mid: float, error: float, normal: Array) -> Array:
    return np.clip(mid + error * normal, 0.0, LARGEST_SHARE)


def _packed(
    fruit: Array,
    diameter_mm: Array,
    fruit_sorted: Sorted,
    table: SizeTable,
    settings: Settings,
    shared: SharedErrors,
) -> CropDraws:
    packed = fruit * (1 - _share(settings.cull_share, settings.cull_share_error, shared.culls))
    return CropDraws(
        fruit=fruit,
        diameter_mm=diameter_mm,
        tonnes=fruit * fruit_sorted.mass_g.sum(axis=1) / 1e6,
        cartons=cartons_per_class(fruit_sorted, packed_fruit=packed, table=table),
        class_fruit=fruit[:, np.newaxis] * fruit_sorted.shares,
    )


def add_draws(crops: Sequence[CropDraws]) -> CropDraws:
    """Crops added draw by draw, so that shared errors stay shared.

    Tonnes and cartons are None if any crop lacks them: a total that leaves out a block would read
    as if it were whole. The mean diameter is weighted by fruit.
    """
    fruit = np.sum([crop.fruit for crop in crops], axis=0)
    diameters = [crop.diameter_mm for crop in crops if crop.diameter_mm is not None]
    diameter = None
    if len(diameters) == len(crops):
        weighted = np.sum([d * c.fruit for d, c in zip(diameters, crops, strict=True)], axis=0)
        diameter = weighted / np.maximum(fruit, 1e-9)
    return CropDraws(
        fruit=fruit,
        diameter_mm=diameter,
        tonnes=_add([crop.tonnes for crop in crops]),
        cartons=_add([crop.cartons for crop in crops]),
        class_fruit=_add([crop.class_fruit for crop in crops]),
    )


def _add(parts: Sequence[Array | None]) -> Array | None:
    known = [part for part in parts if part is not None]
    return np.sum(known, axis=0) if len(known) == len(parts) else None


def summarise(
    crop: CropDraws,
    *,
    name: str,
    variety: str,
    pick_date: date | None,
    table: SizeTable,
    settings: Settings,
    doubts: Doubts,
) -> CropForecast:
    """P10, P50 and P90 of every number of a drawn crop."""
    return CropForecast(
        name=name,
        variety=variety,
        pick_date=pick_date,
        fruit=estimate_of(crop.fruit),
        diameter_mm=_maybe(crop.diameter_mm),
        bins=_maybe(None if crop.tonnes is None else crop.tonnes * 1000 / settings.bin_kg),
        tonnes=_maybe(crop.tonnes),
        cartons=_maybe(None if crop.cartons is None else crop.cartons.sum(axis=1)),
        classes=_classes(crop, table),
        doubts=doubts,
    )


def _classes(crop: CropDraws, table: SizeTable) -> tuple[ClassForecast, ...]:
    """Classes from small to large; fruit below and above the table get no carton."""
    if crop.cartons is None or crop.class_fruit is None:
        return ()
    nothing = np.zeros((len(crop.fruit), 1))
    cartons = np.hstack([nothing, crop.cartons, nothing])
    shares = crop.class_fruit / np.maximum(crop.fruit, 1e-9)[:, np.newaxis]
    names = (UNDERSIZE, *(size_class.name for size_class in table.classes), OVERSIZE)
    return tuple(
        ClassForecast(
            size_class=name,
            share=estimate_of(shares[:, index]),
            cartons=estimate_of(cartons[:, index]),
        )
        for index, name in enumerate(names)
    )


# Names of the fruit that fall outside the size table.
UNDERSIZE = "undersize"
OVERSIZE = "oversize"


def estimate_of(draws: Array) -> Estimate:
    """P10, P50, P90 of draws."""
    p10, p50, p90 = np.quantile(draws, (0.1, 0.5, 0.9))
    return Estimate(float(p10), float(p50), float(p90))


def _maybe(draws: Array | None) -> Estimate | None:
    return None if draws is None else estimate_of(draws)


def forecast_doubts(estimate: BlockEstimate, growth: GrowthRate) -> Doubts:
    """All doubts of a block's forecast: those of the walk and those of the projection."""
    far = days_to_pick(estimate) > FAR_AHEAD_DAYS
    return merge_doubts(
        estimate.doubts,
        growth.doubts,
        (Doubt.DEFAULT_WEIGHT, Doubt.ASSUMED_CULLS),
        (Doubt.FAR_AHEAD,) if far else (),
    )
