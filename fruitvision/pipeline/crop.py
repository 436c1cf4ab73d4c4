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
    CaliperReading,
    CropForecast,
    Doubt,
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
from fruitvision.forecast.draw import (
    CropDraws,
    SharedErrors,
    add_draws,
    draw_block,
    draw_shared,
    forecast_doubts,
    summarise,
)
from fruitvision.forecast.growth import growth_from_calipers, growth_from_walks
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import Refused, made_with
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import sample_trees, split_walks


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
    return BlockWalks(estimate=estimates[-1], growth=_growth(calipers, sizes, settings))


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
    calipers: Sequence[CaliperReading], sizes: Sequence[SizeDistribution], settings: Settings
) -> GrowthRate:
    """Own calipers first, then two photo walks, then the default."""
    rate = growth_from_calipers(calipers, settings)
    if Doubt.DEFAULT_GROWTH in rate.doubts and len(sizes) >= 2:
        rate = growth_from_walks(sizes[-2], sizes[-1], settings)
    return rate


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
    crops: list[tuple[CropForecast, CropDraws]] = []
    estimates: list[BlockEstimate] = []
    for walk in walks:
        estimate = _with_pick_date(walk.estimate, dates)
        try:
            crops.append(_draw_crop(estimate, walk.growth, table, settings, shared))
            estimates.append(estimate)
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
        action=next_action(estimates),
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
    estimate: BlockEstimate,
    growth: GrowthRate,
    table: SizeTable,
    settings: Settings,
    shared: SharedErrors,
) -> tuple[CropForecast, CropDraws]:
    """One block drawn, and its summary."""
    draws = draw_block(estimate, growth, table, settings, shared)
    crop = summarise(
        draws,
        name=estimate.block.block_id,
        variety=estimate.block.variety,
        pick_date=estimate.block.pick_date,
        table=table,
        settings=settings,
        doubts=forecast_doubts(estimate, growth),
    )
    return crop, draws


def _with_pick_date(estimate: BlockEstimate, pick_dates: Mapping[str, date]) -> BlockEstimate:
    block = estimate.block
    pick_date = pick_dates.get(block.block_id, block.pick_date)
    return replace(estimate, block=replace(block, pick_date=pick_date))


def _forecast(
    farm: str,
    crops: Sequence[tuple[CropForecast, CropDraws]],
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
    action: str,
    origin: MadeWith,
) -> Forecast:
    """Blocks, varieties and the farm; the id is made of the content, so the same is the same."""
    varieties = tuple(
        _total([pair for pair in crops if pair[0].variety == variety], variety, table, settings)
        for variety in dict.fromkeys(crop.variety for crop, _ in crops)
    )
    forecast = Forecast(
        forecast_id="",
        farm=farm,
        made_on=made_on,
        size_table=table.name,
        blocks=tuple(crop for crop, _ in crops),
        varieties=varieties,
        total=_total(crops, "", table, settings),
        next_action=action,
        made_with=origin,
    )
    content = hashlib.sha256(repr(forecast).encode()).hexdigest()
    return replace(forecast, forecast_id=f"{made_on:%Y-%m-%d}-{content[:8]}")


def _total(
    crops: Sequence[tuple[CropForecast, CropDraws]],
    variety: str,
    table: SizeTable,
    settings: Settings,
) -> CropForecast:
    dates = {crop.pick_date for crop, _ in crops}
    return summarise(
        add_draws([draws for _, draws in crops]),
        name=variety or "farm",
        variety=variety,
        pick_date=dates.pop() if len(dates) == 1 else None,
        table=table,
        settings=settings,
        doubts=merge_doubts(*(crop.doubts for crop, _ in crops)),
    )
