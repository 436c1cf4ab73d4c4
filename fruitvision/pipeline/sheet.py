"""Sales sheets of a version: one a variety, from what sales works with."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from fruitvision.domain import Forecast, UseQuantiles
from fruitvision.errors import ForecastError, StoreError
from fruitvision.forecast.change import ClassChange, changes_by_class
from fruitvision.pipeline.photos import Refused
from fruitvision.pipeline.sales import SoldFrom, explains, kept_forecast, sold_from
from fruitvision.sheet import BehindSheets, SalesSheet, TrackRecord, make_sheet
from fruitvision.store import Store

NO_EARLIER = "There is no earlier frozen version by this size table, so no change is told."

# Changes by class from an earlier forecast to a later one.
Changes = Callable[[Forecast, Forecast], tuple[ClassChange, ...]]


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
        A version; the latest frozen one if left out, the latest of record where none is.

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
            f"Forecast {forecast_id} is a what-if ({forecast.what_if}).",
            fix="Sell from a forecast of record: give the version of one.",
        )
    frozen = [one for one in store.frozen_forecasts() if one.forecast_id in forecasts]
    numbers = [one.number for one in frozen if one.forecast_id == forecast_id]
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
    changes: Changes = changes_by_class,
) -> MadeSheets:
    """A sheet of each variety whose cartons are known.

    Parameters
    ----------
    quantiles : UseQuantiles
        The farm's, where the forecast has none of its own (an earlier version's).
    track_records : mapping, optional
        By variety.
    changes : function, optional
        Another way to `changes_by_class`, which keeps what it found.
    """
    behind = _behind(sold, quantiles, changes)
    sheets: list[SalesSheet] = []
    left_out: list[Refused] = []
    for crop in sold.forecast.varieties:
        try:
            record = (track_records or {}).get(crop.variety)
            sheets.append(make_sheet(crop, behind, track_record=record))
        except ForecastError as err:
            left_out.append(Refused(name=crop.variety, what=err.what, fix=err.fix))
    order = {one.variety: (not one.weeks, one.weeks[:1]) for one in sheets}
    return MadeSheets(
        sheets=tuple(sorted(sheets, key=lambda one: order[one.variety])), left_out=tuple(left_out)
    )


def _behind(sold: SoldFrom, quantiles: UseQuantiles, changes: Changes) -> BehindSheets:
    """What the sheets share; without means or changes where a forecast can't be drawn again."""
    forecast, earlier, why = sold.forecast, sold.earlier, ""
    means: tuple[ClassChange, ...] = ()
    since: tuple[ClassChange, ...] = ()
    try:
        means = changes(forecast, forecast)
        since = () if earlier is None else changes(earlier, forecast)
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
