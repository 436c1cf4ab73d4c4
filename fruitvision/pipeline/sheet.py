"""Sales sheets of a version: one a variety, from what sales works with."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from fruitvision.domain import CropForecast, Forecast, Stage, UseQuantiles
from fruitvision.errors import ForecastError, StoreError
from fruitvision.forecast.change import ClassChange, changes_by_class
from fruitvision.forecast.firm import FirmPart, firm_part, without_blocks
from fruitvision.forecast.uses import blocks_of, is_firm
from fruitvision.learning.stages import stage_of
from fruitvision.pipeline.learning import track_record as coverage_of
from fruitvision.pipeline.photos import Refused
from fruitvision.pipeline.sales import SoldFrom, explains, kept_forecast, sold_from
from fruitvision.sheet import BehindSheets, SalesSheet, TrackRecord, make_sheet
from fruitvision.sheet.stage import pick_window
from fruitvision.store import Store

NO_EARLIER = "There is no earlier frozen version by this size table, so no change is told."


class Drawn(Protocol):
    """What is drawn again from forecasts; the app has one that keeps what it found."""

    def changes(
        self, earlier: Forecast, now: Forecast, left_out: Sequence[str] = ()
    ) -> tuple[ClassChange, ...]:
        """Changes by class, without these blocks."""
        ...

    def firm(self, forecast: Forecast) -> FirmPart:
        """The forecast without its first looks."""
        ...


class _DrawnAgain:
    def changes(
        self, earlier: Forecast, now: Forecast, left_out: Sequence[str] = ()
    ) -> tuple[ClassChange, ...]:
        return changes_by_class(without_blocks(earlier, left_out), without_blocks(now, left_out))

    def firm(self, forecast: Forecast) -> FirmPart:
        return firm_part(forecast)


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeSheets:
    """Sheets in the order in which the varieties are picked, and varieties without one."""

    sheets: tuple[SalesSheet, ...]
    left_out: tuple[Refused, ...]


def sold_as(store: Store, forecast_id: str | None = None) -> SoldFrom:
    """What sales works with, or worked with when that version was the frozen one.

    Parameters
    ----------
    forecast_id : str, optional
        A version or its number; the latest frozen one if left out, the latest of record where
        none is.

    Raises
    ------
    StoreError
        If there is no such forecast.
    ForecastError
        If it is a what-if.
    """
    if forecast_id is None:
        sold = sold_from(store)
        if sold is None:
            raise StoreError(
                "There is no forecast of record yet.", fix="Make one: fruitvision forecast."
            )
        return sold
    forecasts = {one.forecast_id: one for one in store.forecasts()}
    forecast = kept_forecast(tuple(forecasts.values()), forecast_id)
    if forecast.what_if:
        raise ForecastError(
            f"Forecast {forecast.forecast_id} is a what-if ({forecast.what_if}).",
            fix="Sell from a forecast of record: give the version of one.",
        )
    frozen = [one for one in store.frozen_forecasts() if one.forecast_id in forecasts]
    numbers = [one.number for one in frozen if one.forecast_id == forecast.forecast_id]
    found = sold_from(store, numbers[-1]) if numbers else None
    if found is not None:
        return found
    before = [
        one
        for one in frozen
        if forecasts[one.forecast_id].number < forecast.number
        and explains(forecasts[one.forecast_id], forecast)
    ]
    return SoldFrom(
        forecast=forecast,
        earlier=forecasts[before[-1].forecast_id] if before else None,
        earlier_frozen=before[-1] if before else None,
    )


def sales_sheets(
    sold: SoldFrom,
    quantiles: UseQuantiles,
    *,
    track_records: Mapping[str, TrackRecord] | None = None,
    moved: Collection[str] = (),
    drawn: Drawn | None = None,
) -> MadeSheets:
    """A sheet of each variety whose cartons are known.

    Of a variety with firm blocks the blocks that are a first look are left out, as on the page for
    sales; a variety that is a first look as a whole has a sheet in which nothing is safe.

    Parameters
    ----------
    quantiles : UseQuantiles
        The farm's, where the forecast has none of its own (an earlier version's).
    track_records : mapping, optional
        By variety.
    moved : collection of str, optional
        Blocks whose passes are not the forecast's (`pick_plans.moved_blocks`).
    drawn : Drawn, optional
        Draws forecasts again; anew if left out.
    """
    drawn = drawn or _DrawnAgain()
    whole = _behind(sold, quantiles, drawn)
    sheets: list[SalesSheet] = []
    left_out: list[Refused] = []
    for variety in sold.forecast.varieties:
        record = (track_records or {}).get(variety.variety)
        crop, behind = _firm(variety, whole, sold, drawn)
        try:
            behind = replace(behind, moved=tuple(moved))
            sheets.append(make_sheet(crop, behind, track_record=record))
        except ForecastError as err:
            left_out.append(Refused(name=crop.variety, what=err.what, fix=err.fix))
    order = {one.variety: (not one.weeks, one.weeks[:1]) for one in sheets}
    return MadeSheets(
        sheets=tuple(sorted(sheets, key=lambda one: order[one.variety])), left_out=tuple(left_out)
    )


def track_records(store: Store, forecast: Forecast) -> dict[str, TrackRecord]:
    """How often earlier results of the farm ended inside the range of forecasts made as long before
    the pick, by variety; none where there is no history."""
    found: dict[str, TrackRecord] = {}
    by_stage: dict[Stage, TrackRecord | None] = {}
    for crop in forecast.varieties:
        pick = pick_window(blocks_of(crop, forecast) or (crop,), (), forecast.made_on)
        if pick is None:
            continue
        stage = stage_of(pick.days_ahead)
        if stage not in by_stage:
            by_stage[stage] = _record(store, stage)
        record = by_stage[stage]
        if record is not None:
            found[crop.variety] = record
    return found


def _record(store: Store, stage: Stage) -> TrackRecord | None:
    known = coverage_of(store, stage)
    if known is None:
        return None
    return TrackRecord(inside=known.inside, of=known.of, stage=stage.value)


def _firm(
    crop: CropForecast, whole: BehindSheets, sold: SoldFrom, drawn: Drawn
) -> tuple[CropForecast, BehindSheets]:
    """The variety of its firm blocks, and what stands behind that; as it is where all or none of
    them are firm, or where it can't be drawn again."""
    blocks = blocks_of(crop, sold.forecast)
    out = tuple(one.name for one in blocks if not is_firm(one))
    if not out or len(out) == len(blocks):
        return crop, whole
    try:
        firm = drawn.firm(sold.forecast)
    except ForecastError:
        return crop, whole
    kept = tuple(one for one in firm.forecast.blocks if one.name not in firm.left_out)
    behind = _behind(sold, whole.quantiles, drawn, firm.left_out)
    found = next(one for one in firm.forecast.varieties if one.variety == crop.variety)
    forecast = replace(firm.forecast, blocks=kept)
    return found, replace(behind, forecast=forecast, left_out=out)


def _behind(
    sold: SoldFrom, quantiles: UseQuantiles, drawn: Drawn, left_out: Sequence[str] = ()
) -> BehindSheets:
    """What sheets share; without means or changes where a forecast can't be drawn again."""
    forecast, earlier, why = sold.forecast, sold.earlier, ""
    means: tuple[ClassChange, ...] = ()
    since: tuple[ClassChange, ...] = ()
    try:
        means = drawn.changes(forecast, forecast, left_out)
        since = () if earlier is None else drawn.changes(earlier, forecast, left_out)
    except ForecastError as err:
        why = f"{err.what} {err.fix}"
    return BehindSheets(
        forecast=forecast,
        quantiles=forecast.quantiles or quantiles,
        frozen=sold.frozen,
        means=means,
        earlier=earlier,
        earlier_frozen=sold.earlier_frozen,
        changes=since,
        no_change=why or (NO_EARLIER if earlier is None else ""),
    )
