"""Block estimates to one forecast of the farm, in one simulation."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from fruitvision.advice import next_action
from fruitvision.domain import (
    Block,
    BlockInputs,
    CropForecast,
    Doubt,
    Doubts,
    Forecast,
    MadeWith,
    SizeTable,
    merge_doubts,
)
from fruitvision.errors import ForecastError, FruitVisionError, did_you_mean
from fruitvision.forecast.crop_draws import CropDraws, RunningTotal
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.growth import Weather
from fruitvision.forecast.inputs import what_if
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import Heading, forecast_doubts, pick_forecasts, summarise
from fruitvision.forecast.uses import is_past, is_picked
from fruitvision.forecast.words import rests_on, use_quantiles
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.block_inputs import block_inputs, read_office, unknown_classes
from fruitvision.pipeline.blocks import estimate_blocks
from fruitvision.pipeline.learning import choices_now, learned_inputs
from fruitvision.pipeline.photos import Refused, made_with, refused_block
from fruitvision.pipeline.pick_plans import farm_plans
from fruitvision.pipeline.picked import picked_blocks
from fruitvision.pipeline.publish import published
from fruitvision.settings import Settings, all_settings_to_text
from fruitvision.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What a person may choose for one forecast.

    `season` and `pick_shift_days` make it a what-if, which is kept only with `keep`;
    `confirm_factor` uses a hidden-fruit factor that another detector measured.
    """

    season: Weather = Weather.NORMAL
    pick_shift_days: int = 0
    keep: bool = False
    confirm_factor: bool = False

    @property
    def what_if(self) -> str:
        """The what-if in words; empty for the forecast of record."""
        parts = []
        if self.season is not Weather.NORMAL:
            parts.append(f"{self.season.value} season up to the pick")
        if self.pick_shift_days:
            days = abs(self.pick_shift_days)
            when = "later" if self.pick_shift_days > 0 else "earlier"
            parts.append(f"picked {days} day{'' if days == 1 else 's'} {when}")
        return ", ".join(parts)


AS_PLANNED = Choices()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """A block's inputs, and the summary of its draws."""

    inputs: BlockInputs
    crop: CropForecast


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Totals:
    """Draws of the farm and of its varieties, added up block by block."""

    farm: RunningTotal = field(default_factory=RunningTotal)
    varieties: dict[str, RunningTotal] = field(default_factory=dict)

    def add(self, variety: str, draws: CropDraws) -> None:
        for total in (self.farm, self.varieties.setdefault(variety, RunningTotal())):
            total.add(draws)


def forecast_farm(
    store: Store,
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
    detector_name: str = DEFAULT_DETECTOR,
    pick_dates: Mapping[str, date] | None = None,
    choices: Choices = AS_PLANNED,
) -> tuple[Forecast, tuple[Refused, ...]]:
    """Forecast every block of the farm to its picks, in one simulation, and store it.

    A what-if is not stored unless it is asked for. A forecast with the content of a stored one is
    that one again.

    Parameters
    ----------
    made_on : date
        The day that the forecast bears.
    pick_dates : mapping
        Day of the first pick by block, instead of the planned one; later passes move with it.

    Raises
    ------
    ForecastError
        If no block can be forecast, or a pick date is given that can't be: for a block that is not
        there, or before its walk.
    """
    walks, refused_blocks = estimate_blocks(
        store, settings, detector_name=detector_name, confirm_factor=choices.confirm_factor
    )
    refused = list(refused_blocks)
    dates = dict(pick_dates or {})
    _check_blocks(dates, store)
    office = read_office(store)
    refused += unknown_classes(office, table)
    shared, learned = draw_shared(settings), choices_now(store)
    # Who names a day for a pick says that it is to come.
    picked = picked_blocks(store, farm_plans(store)) - dates.keys()
    crops, totals = list[_Drawn](), _Totals()
    for walk in walks:
        name = walk.estimate.block.block_id
        try:
            inputs = block_inputs(walk, office, table, settings, first_pick=dates.get(name))
            inputs = learned_inputs(inputs, learned, table, settings, made_on=made_on)
            inputs = what_if(inputs, settings, weather=choices.season, days=choices.pick_shift_days)
            draws = draw_block(inputs, table, settings, shared)
            over = _over(inputs, made_on, picked)
            crops.append(_drawn(inputs, draws, table, settings, over))
        except FruitVisionError as err:
            if name in dates:
                raise
            refused.append(refused_block(name, err))
            continue
        totals.add(walk.estimate.block.variety, draws)
    if not crops:
        raise _none_can_be(refused)
    inside = {one.crop.name for one in crops}
    left_out = [one for one in store.blocks() if one.block_id not in inside]
    origin = replace(
        made_with(choose_detector(detector_name), settings), settings_sha256=settings.sha256
    )
    forecast = replace(
        _forecast(
            crops, totals, table, settings, made_on=made_on, origin=origin, left_out=left_out
        ),
        farm=store.farm().name,
        what_if=choices.what_if,
    )
    return published(forecast, store, keep=choices.keep or not choices.what_if), tuple(refused)


def _check_blocks(pick_dates: Mapping[str, date], store: Store) -> None:
    known = [block.block_id for block in store.blocks()]
    for name in pick_dates:
        if name not in known:
            raise ForecastError(f"There is no block '{name}'.", fix=did_you_mean(name, known))


def _none_can_be(refused: Sequence[Refused]) -> ForecastError:
    return ForecastError(
        " ".join(["No block can be forecast.", *(f"{item.name}: {item.what}" for item in refused)]),
        fix=" ".join(dict.fromkeys(item.fix for item in refused)) or "Load a walk.",
    )


# ---------------------------------------------------------------- numbers


def _drawn(
    inputs: BlockInputs, draws: CropDraws, table: SizeTable, settings: Settings, over: Doubts
) -> _Drawn:
    """One block, and the summary of its draws; `over` : the doubts about a crop that is picked."""
    block = inputs.estimate.block
    heading = Heading(
        name=block.block_id,
        variety=block.variety,
        pick_date=inputs.plan.picks[0].pick_date,
        doubts=merge_doubts(forecast_doubts(inputs, settings), over),
        rests_on=rests_on([inputs]),
    )
    crop = summarise(draws, heading, table, settings)
    return _Drawn(inputs=inputs, crop=replace(crop, picks=pick_forecasts(draws, settings)))


def _over(inputs: BlockInputs, made_on: date, picked: Collection[str]) -> Doubts:
    """The doubt about a forecast of a crop that is picked, as somebody said or by its own plan."""
    if inputs.estimate.block.block_id in picked:
        return (Doubt.PICKED,)
    last = max(pick.pick_date for pick in inputs.plan.picks)
    return (Doubt.PAST_PICK,) if last < made_on else ()


def _next_action(crops: Sequence[_Drawn]) -> str:
    """What to do first; there is nothing to measure in a crop that is picked by plan."""
    to_come = [one.inputs.estimate for one in crops if not is_past(one.crop)]
    if to_come:
        return next_action(to_come)
    names = ", ".join(one.crop.name for one in crops if not is_picked(one.crop))
    if not names:
        return "All that was forecast is picked: load what the packing house tells of it."
    return f"The pick date is past: set it anew ({names})."


def _total(
    crops: Sequence[_Drawn],
    draws: CropDraws,
    variety: str,
    table: SizeTable,
    settings: Settings,
    *,
    left_out: Sequence[Block],
) -> CropForecast:
    """A variety, or the farm if `variety` is empty; blocks that are not in it are a doubt."""
    missing = [one for one in left_out if variety in {"", one.variety}]
    without = (Doubt.BLOCK_LEFT_OUT,) if missing else ()
    dates = {one.crop.pick_date for one in crops}
    heading = Heading(
        name=variety or "farm",
        variety=variety,
        pick_date=dates.pop() if len(dates) == 1 else None,
        doubts=merge_doubts(without, *(one.crop.doubts for one in crops)),
        rests_on=rests_on([one.inputs for one in crops]),
    )
    return summarise(draws, heading, table, settings)


def _forecast(
    crops: Sequence[_Drawn],
    totals: _Totals,
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
    origin: MadeWith,
    left_out: Sequence[Block],
) -> Forecast:
    """Blocks, varieties and the farm, with all that they were drawn from."""
    varieties = tuple(
        _total(
            [one for one in crops if one.crop.variety == variety],
            totals.varieties[variety].crop(),
            variety,
            table,
            settings,
            left_out=left_out,
        )
        for variety in dict.fromkeys(one.crop.variety for one in crops)
    )
    return Forecast(
        forecast_id="",
        farm="",
        made_on=made_on,
        size_table=table.name,
        blocks=tuple(one.crop for one in crops),
        varieties=varieties,
        total=_total(crops, totals.farm.crop(), "", table, settings, left_out=left_out),
        next_action=_next_action(crops),
        made_with=origin,
        seed=settings.seed,
        inputs=tuple(one.inputs for one in crops),
        quantiles=use_quantiles(settings),
        settings_text=all_settings_to_text(settings),
        table=table,
    )
