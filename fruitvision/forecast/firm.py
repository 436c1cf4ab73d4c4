"""The part of a forecast that may be promised: without first looks and picks that are past."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from fruitvision.domain import BlockInputs, CropForecast, Estimate, Forecast
from fruitvision.forecast.crop_draws import add_draws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.drawn_with import DrawnWith, drawn_again_with
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.forecast.summary import Heading, summarise
from fruitvision.forecast.uses import blocks_of, is_firm


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmPart:
    """A forecast without first looks and past picks, and the names of the blocks left out.

    `forecast` : `inputs` and `varieties` are of the firm blocks alone; all else, the farm's total
    and `blocks` among it, is of all. A variety of which no block is firm stays in it, with
    nothing at P10.
    """

    forecast: Forecast
    left_out: tuple[str, ...] = ()


def firm_part(forecast: Forecast) -> FirmPart:
    """What may be promised by class and week, drawn again with the same random numbers.

    Raises
    ------
    ForecastError
        If a block is left out, and the forecast can't be drawn again.
    """
    left_out = tuple(one.name for one in forecast.blocks if not is_firm(one))
    if not left_out:
        return FirmPart(forecast=forecast)
    made_with = drawn_again_with(forecast)
    shared = draw_shared(made_with.settings)
    inputs = tuple(one for one in forecast.inputs if one.estimate.block.block_id not in left_out)
    varieties = tuple(
        _firm(crop, forecast, inputs, made_with, shared) for crop in forecast.varieties
    )
    return FirmPart(
        forecast=replace(forecast, inputs=inputs, varieties=varieties), left_out=left_out
    )


def without_blocks(forecast: Forecast, names: Sequence[str]) -> Forecast:
    """A forecast with the inputs of other blocks only, to tell changes of these."""
    kept = (one for one in forecast.inputs if one.estimate.block.block_id not in names)
    return replace(forecast, inputs=tuple(kept))


def _firm(
    crop: CropForecast,
    forecast: Forecast,
    inputs: Sequence[BlockInputs],
    made_with: DrawnWith,
    shared: SharedErrors,
) -> CropForecast:
    of_crop = [one for one in inputs if one.estimate.block.variety == crop.variety]
    blocks = blocks_of(crop, forecast)
    if not of_crop:
        return _nothing_safe(crop)
    if len(of_crop) == len(blocks):
        return crop
    names = {one.estimate.block.block_id for one in of_crop}
    firm = [one for one in blocks if one.name in names]
    dates = {one.pick_date for one in firm}
    heading = Heading(
        name=crop.name,
        variety=crop.variety,
        pick_date=dates.pop() if len(dates) == 1 else None,
        doubts=tuple(dict.fromkeys(doubt for one in firm for doubt in one.doubts)),
        rests_on=crop.rests_on,
    )
    table, settings = made_with.table, made_with.settings
    draws = add_draws(draw_block(one, table, settings, shared) for one in of_crop)
    return _on_the_safe_side(summarise(draws, heading, table, settings), firm)


def _on_the_safe_side(crop: CropForecast, blocks: Sequence[CropForecast]) -> CropForecast:
    """P10 of every number of cartons no higher than the sum of the blocks', as `to_promise` is: so
    the lines of a table and the number for sales are the same."""
    cells: dict[tuple[date, str], float] = {}
    for block in blocks:
        for row in block.weeks:
            cell = row.week, row.size_class
            cells[cell] = cells.get(cell, 0.0) + row.cartons.p10
    weeks = tuple(
        replace(row, cartons=_at_most(row.cartons, cells.get((row.week, row.size_class), 0.0)))
        for row in crop.weeks
    )
    if crop.cartons is None:
        return replace(crop, weeks=weeks)
    whole = sum(one.cartons.p10 for one in blocks if one.cartons)
    return replace(crop, weeks=weeks, cartons=_at_most(crop.cartons, whole))


def _at_most(cartons: Estimate, p10: float) -> Estimate:
    return Estimate(min(cartons.p10, p10), cartons.p50, cartons.p90)


def _nothing_safe(crop: CropForecast) -> CropForecast:
    """No firm block: what may come in, and nothing of it at P10."""
    weeks = tuple(replace(row, cartons=_from_0(row.cartons)) for row in crop.weeks)
    cartons = None if crop.cartons is None else _from_0(crop.cartons)
    return replace(crop, weeks=weeks, cartons=cartons)


def _from_0(cartons: Estimate) -> Estimate:
    return Estimate(0.0, cartons.p50, cartons.p90)
