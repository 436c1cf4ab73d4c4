"""Measured walks to block estimates, and these to one forecast of the farm."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from fruitvision.advice import next_action
from fruitvision.block import estimate_block
from fruitvision.domain import (
    Block,
    BlockEstimate,
    BlockInputs,
    CaliperReading,
    CropForecast,
    Forecast,
    GrowthRate,
    MadeWith,
    MeasuredPhoto,
    SizeDistribution,
    SizeTable,
    TreePhoto,
    merge_doubts,
)
from fruitvision.errors import FieldDataError, ForecastError, FruitVisionError, did_you_mean
from fruitvision.forecast.draw import CropDraws, add_draws, draw_block
from fruitvision.forecast.growth import SEASON_DAYS
from fruitvision.forecast.inputs import default_inputs
from fruitvision.forecast.like_growth import choose_growth
from fruitvision.forecast.own_growth import own_growth
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.forecast.summary import Heading, forecast_doubts, pick_forecasts, summarise
from fruitvision.forecast.words import rests_on, use_quantiles
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import Refused, made_with
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import sample_trees, split_walks


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """A block's inputs, its draws, and their summary."""

    inputs: BlockInputs
    draws: CropDraws
    crop: CropForecast


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockWalks:
    """A block's estimate of its latest walk, and its growth rate."""

    estimate: BlockEstimate
    growth: GrowthRate


def estimate_blocks(
    store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> tuple[tuple[BlockWalks, ...], tuple[Refused, ...]]:
    """Every block of the farm as of its latest walk; a block that can't be estimated is refused."""
    origin = made_with(choose_detector(detector_name), settings)
    done: list[BlockWalks] = []
    refused: list[Refused] = []
    for block in store.blocks():
        try:
            done.append(_block_walks(block, store, settings, origin))
        except FruitVisionError as err:
            refused.append(Refused(name=block.block_id, what=err.what, fix=err.fix))
    return tuple(done), tuple(refused)


def _block_walks(block: Block, store: Store, settings: Settings, origin: MadeWith) -> BlockWalks:
    photos = store.tree_photos(block.block_id)
    measured = {
        photo.photo_id: found
        for photo in photos
        if (found := store.measured_photo(photo.photo_id, origin)) is not None
    }
    calipers = store.caliper_readings(block.block_id)
    estimates = [
        estimate
        for walk in split_walks(photos)
        if (estimate := _walk_estimate(block, walk, measured, store, settings)) is not None
    ]
    if not estimates:
        raise FieldDataError(
            f"{block.block_id} has no tree with a complete set of usable photos.",
            fix="Load a walk of at least 8 trees, each photographed from the same faces.",
        )
    sizes = [estimate.sizes for estimate in estimates if estimate.sizes is not None]
    rate = _growth(calipers, sizes, estimates[-1].walked_on, settings)
    return BlockWalks(estimate=estimates[-1], growth=rate)


def _walk_estimate(
    block: Block,
    walk: Sequence[TreePhoto],
    measured: Mapping[str, MeasuredPhoto],
    store: Store,
    settings: Settings,
) -> BlockEstimate | None:
    trees, doubts = sample_trees(walk, measured)
    if not trees:
        return None
    estimate = estimate_block(
        block,
        trees,
        store.hand_counts(block.block_id),
        store.caliper_readings(block.block_id),
        settings,
    )
    return replace(estimate, doubts=merge_doubts(estimate.doubts, doubts))


def _growth(
    calipers: Sequence[CaliperReading],
    sizes: Sequence[SizeDistribution],
    walked_on: date,
    settings: Settings,
) -> GrowthRate:
    """The block's own rate of the season of its latest walk, else the default."""

    def of_season(measured_on: date) -> bool:
        return abs((walked_on - measured_on).days) <= SEASON_DAYS

    own = own_growth(
        [reading for reading in calipers if of_season(reading.measured_on)],
        [walk for walk in sizes if of_season(walk.measured_on)],
    )
    return choose_growth(own, None, None, settings)


def forecast_farm(
    store: Store,
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
    detector_name: str = DEFAULT_DETECTOR,
    pick_dates: Mapping[str, date] | None = None,
) -> tuple[Forecast, tuple[Refused, ...]]:
    """Forecast every block of the farm to its pick date, in one simulation, and store it.

    Parameters
    ----------
    made_on : date
        The day that the forecast bears.
    pick_dates : mapping, optional
        Pick date by block, instead of the register's.

    Raises
    ------
    ForecastError
        If no block can be forecast, or a pick date is given that can't be: for a block that is not
        there, or before its walk.
    """
    walks, refused_blocks = estimate_blocks(store, settings, detector_name=detector_name)
    refused = list(refused_blocks)
    dates = dict(pick_dates or {})
    _check_blocks(dates, store)
    shared = draw_shared(settings)
    crops: list[_Drawn] = []
    for walk in walks:
        estimate = _with_pick_date(walk.estimate, dates)
        try:
            inputs = default_inputs(estimate, walk.growth, settings)
            crops.append(_draw_crop(inputs, table, settings, shared))
        except ForecastError as err:
            if estimate.block.block_id in dates:
                raise
            refused.append(Refused(name=estimate.block.block_id, what=err.what, fix=err.fix))
    if not crops:
        raise ForecastError(
            " ".join(
                ["No block can be forecast.", *(f"{item.name}: {item.what}" for item in refused)]
            ),
            fix=" ".join(dict.fromkeys(item.fix for item in refused)) or "Load a walk.",
        )
    forecast = _forecast(
        store.farm().name,
        crops,
        table,
        settings,
        made_on=made_on,
        action=next_action([one.inputs.estimate for one in crops]),
        origin=replace(
            made_with(choose_detector(detector_name), settings), settings_sha256=settings.sha256
        ),
    )
    store.save_forecast(forecast)
    return forecast, tuple(refused)


def _check_blocks(pick_dates: Mapping[str, date], store: Store) -> None:
    known = [block.block_id for block in store.blocks()]
    for name in pick_dates:
        if name not in known:
            raise ForecastError(f"There is no block '{name}'.", fix=did_you_mean(name, known))


def _draw_crop(
    inputs: BlockInputs, table: SizeTable, settings: Settings, shared: SharedErrors
) -> _Drawn:
    """One block drawn, and its summary."""
    draws = draw_block(inputs, table, settings, shared)
    block = inputs.estimate.block
    heading = Heading(
        name=block.block_id,
        variety=block.variety,
        pick_date=inputs.plan.picks[0].pick_date,
        doubts=forecast_doubts(inputs, settings),
        rests_on=rests_on([inputs]),
    )
    crop = summarise(draws, heading, table, settings)
    return _Drawn(
        inputs=inputs, draws=draws, crop=replace(crop, picks=pick_forecasts(draws, settings))
    )


def _with_pick_date(estimate: BlockEstimate, pick_dates: Mapping[str, date]) -> BlockEstimate:
    block = estimate.block
    pick_date = pick_dates.get(block.block_id, block.pick_date)
    return replace(estimate, block=replace(block, pick_date=pick_date))


def _forecast(
    farm: str,
    crops: Sequence[_Drawn],
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
    action: str,
    origin: MadeWith,
) -> Forecast:
    """Blocks, varieties and the farm; the id is made of the content, so the same is the same."""
    varieties = tuple(
        _total([one for one in crops if one.crop.variety == variety], variety, table, settings)
        for variety in dict.fromkeys(one.crop.variety for one in crops)
    )
    forecast = Forecast(
        forecast_id="",
        farm=farm,
        made_on=made_on,
        size_table=table.name,
        blocks=tuple(one.crop for one in crops),
        varieties=varieties,
        total=_total(crops, "", table, settings),
        next_action=action,
        made_with=origin,
        seed=settings.seed,
        inputs=tuple(one.inputs for one in crops),
        quantiles=use_quantiles(settings),
    )
    content = hashlib.sha256(repr(forecast).encode()).hexdigest()
    return replace(forecast, forecast_id=f"{made_on:%Y-%m-%d}-{content[:8]}")


def _total(
    crops: Sequence[_Drawn], variety: str, table: SizeTable, settings: Settings
) -> CropForecast:
    dates = {one.crop.pick_date for one in crops}
    heading = Heading(
        name=variety or "farm",
        variety=variety,
        pick_date=dates.pop() if len(dates) == 1 else None,
        doubts=merge_doubts(*(one.crop.doubts for one in crops)),
        rests_on=rests_on([one.inputs for one in crops]),
    )
    return summarise(add_draws([one.draws for one in crops]), heading, table, settings)
