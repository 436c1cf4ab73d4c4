"""Block estimates to one forecast of the farm: drawn, explained, numbered, kept for good."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from fruitvision.advice import next_action
from fruitvision.domain import (
    BlockEstimate,
    BlockInputs,
    Bridge,
    CropForecast,
    Forecast,
    MadeWith,
    PickPlan,
    SizeTable,
    WeighedFruit,
    WeightRule,
    merge_doubts,
)
from fruitvision.errors import ForecastError, FruitVisionError, SettingsError, did_you_mean
from fruitvision.forecast.bridge import DrawnWith, bridge
from fruitvision.forecast.draw import CropDraws, add_draws, draw_block
from fruitvision.forecast.growth import Weather
from fruitvision.forecast.inputs import default_losses, what_if
from fruitvision.forecast.picks import moved, strip_pick
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.forecast.summary import Heading, forecast_doubts, pick_forecasts, summarise
from fruitvision.forecast.weight import FEWEST_WEIGHED, weight_rule
from fruitvision.forecast.words import rests_on, use_quantiles
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.block_record import of_season
from fruitvision.pipeline.blocks import BlockWalks, estimate_blocks
from fruitvision.pipeline.photos import Refused, made_with
from fruitvision.records import to_json
from fruitvision.settings import Settings, all_settings_to_text, settings_from_text
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
    """A block's inputs, its draws, and their summary."""

    inputs: BlockInputs
    draws: CropDraws
    crop: CropForecast


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
    plans, weighed = store.pick_plans(), store.weighed_fruit()
    shared = draw_shared(settings)
    crops: list[_Drawn] = []
    for walk in walks:
        name = walk.estimate.block.block_id
        try:
            inputs = block_inputs(
                walk, plans.get(name), weighed, settings, first_pick=dates.get(name)
            )
            inputs = what_if(inputs, settings, weather=choices.season, days=choices.pick_shift_days)
            crops.append(_draw_crop(inputs, table, settings, shared))
        except FruitVisionError as err:
            if name in dates:
                raise
            refused.append(Refused(name=name, what=err.what, fix=err.fix))
    if not crops:
        raise _none_can_be(refused)
    origin = replace(
        made_with(choose_detector(detector_name), settings), settings_sha256=settings.sha256
    )
    forecast = replace(
        _forecast(crops, table, settings, made_on=made_on, origin=origin),
        farm=store.farm().name,
        what_if=choices.what_if,
    )
    return _published(forecast, store, keep=choices.keep or not choices.what_if), tuple(refused)


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


# ---------------------------------------------------------------- inputs


def block_inputs(
    walk: BlockWalks,
    plan: PickPlan | None,
    weighed: Sequence[WeighedFruit],
    settings: Settings,
    *,
    first_pick: date | None = None,
) -> BlockInputs:
    """All that a block is forecast from.

    Parameters
    ----------
    plan : PickPlan or None
        The block's passes; None picks it once on its pick date.
    weighed : sequence of WeighedFruit
        Those of all varieties.
    first_pick : date, optional
        Another day for the first pass; the others move with it.

    Raises
    ------
    ForecastError
        If the block has neither plan nor pick date.
    FieldDataError
        If the weighed fruit of its variety make no sense.
    """
    estimate = walk.estimate
    plan = _plan(estimate, plan, settings, first_pick)
    block = replace(estimate.block, pick_date=plan.picks[0].pick_date)
    return BlockInputs(
        estimate=replace(estimate, block=block),
        growth=walk.growth,
        weight=_weight(block.variety, weighed, estimate.walked_on, settings),
        losses=default_losses(settings),
        plan=plan,
    )


def _plan(
    estimate: BlockEstimate, plan: PickPlan | None, settings: Settings, first_pick: date | None
) -> PickPlan:
    """The passes; one without an error of its day has that of the settings."""
    first = first_pick or estimate.block.pick_date
    if plan is None:
        if first is None:
            raise ForecastError("There is no pick date.", fix="Enter the day of the pick.")
        return strip_pick(first, settings)
    if first_pick is not None:
        plan = moved(plan, days=(first_pick - plan.picks[0].pick_date).days)
    error_days = settings.pick_date_error_days
    picks = (
        replace(pick, date_error_days=pick.date_error_days or error_days) for pick in plan.picks
    )
    return replace(plan, picks=tuple(picks))


def _weight(
    variety: str, weighed: Sequence[WeighedFruit], walked_on: date, settings: Settings
) -> WeightRule:
    """The variety's rule by the fruit weighed this season, by all its fruit where these are few."""
    of_variety = [fruit for fruit in weighed if fruit.variety == variety]
    now = [fruit for fruit in of_variety if of_season(fruit.weighed_on, walked_on)]
    return weight_rule(now if len(now) >= FEWEST_WEIGHED else of_variety, settings)


# ---------------------------------------------------------------- numbers


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


def _forecast(
    crops: Sequence[_Drawn],
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
    origin: MadeWith,
) -> Forecast:
    """Blocks, varieties and the farm, with all that they were drawn from."""
    varieties = tuple(
        _total([one for one in crops if one.crop.variety == variety], variety, table, settings)
        for variety in dict.fromkeys(one.crop.variety for one in crops)
    )
    return Forecast(
        forecast_id="",
        farm="",
        made_on=made_on,
        size_table=table.name,
        blocks=tuple(one.crop for one in crops),
        varieties=varieties,
        total=_total(crops, "", table, settings),
        next_action=next_action([one.inputs.estimate for one in crops]),
        made_with=origin,
        seed=settings.seed,
        inputs=tuple(one.inputs for one in crops),
        quantiles=use_quantiles(settings),
        settings_text=all_settings_to_text(settings),
        table=table,
    )


# ---------------------------------------------------------------- publishing


def _published(forecast: Forecast, store: Store, *, keep: bool) -> Forecast:
    """The forecast with its id, number and bridge, and in the store.

    The id is made of the content without number and bridge, so that the same content is the same
    forecast, whatever was published in between.
    """
    content = hashlib.sha256(to_json(forecast).encode()).hexdigest()
    forecast = replace(forecast, forecast_id=f"{forecast.made_on:%Y-%m-%d}-{content[:8]}")
    kept = store.forecasts()
    again = [one for one in kept if one.forecast_id == forecast.forecast_id]
    if again:
        forecast = again[0]
    else:
        earlier = [one for one in kept if _explains(one, forecast)]
        forecast = replace(
            forecast,
            number=1 + max((one.number for one in kept), default=0) if keep else 0,
            bridge=_bridge(earlier[-1], forecast) if earlier else None,
        )
    if keep:
        store.save_forecast(forecast)
    return forecast


def _explains(earlier: Forecast, forecast: Forecast) -> bool:
    """Whether a bridge may start there: by the same size table, no what-if, with its inputs."""
    return bool(
        earlier.size_table == forecast.size_table and earlier.inputs and not earlier.what_if
    )


def _bridge(earlier: Forecast, forecast: Forecast) -> Bridge | None:
    now = _drawn_with(forecast)
    before = _drawn_with(earlier)
    if now is None:
        return None
    return bridge(earlier, forecast.inputs, now, earlier_with=before)


def _drawn_with(forecast: Forecast) -> DrawnWith | None:
    """Size table and settings of a forecast; None where an earlier version did not keep them, or
    this one no longer knows one of them."""
    if forecast.table is None:
        return None
    try:
        settings = settings_from_text(forecast.settings_text)
    except SettingsError:
        return None
    return DrawnWith(table=forecast.table, settings=settings)
