"""The order book into the farm, and held against the forecast that sales works with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fruitvision.domain import Forecast
from fruitvision.errors import StoreError
from fruitvision.field_table import without
from fruitvision.forecast.firm import firm_part
from fruitvision.orders import CheckedOrders, check_orders, order_doubts, read_orders
from fruitvision.packout_data import check_varieties
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import Refused, refused_row
from fruitvision.pipeline.sales import kept_forecast, sold_from
from fruitvision.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedOrders:
    """How many lines came in, how many the book had before, and the rows that were left out.

    `checked_by` is the version whose classes and weeks the rows were checked by; empty where there
    is no forecast yet.
    """

    lines: int
    before: int
    refused: tuple[Refused, ...]
    checked_by: str


def load_orders(path: Path, store: Store, *, who: str = "") -> LoadedOrders:
    """Read an order book and keep it in place of the one before; `who` loaded it is kept too.

    A book of which no row is understood leaves the one before as it was.

    Raises
    ------
    FieldDataError
        If the table can't be read or lacks a column.
    """
    table = check_varieties(read_orders(path), {block.variety for block in store.blocks()})
    sold = sold_from(store)
    if sold is not None:
        table = without(table, order_doubts(table, sold.forecast))
    before = len(store.order_book())
    if table.rows or not table.refused:
        store.save_order_book(table.rows)
        store.note_table("orders", len(table.rows), who=who, at=now_utc())
    return LoadedOrders(
        lines=len(table.rows),
        before=before,
        refused=tuple(map(refused_row, table.refused)),
        checked_by="" if sold is None else sold.forecast.forecast_id,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmOrders:
    """The farm's order book against a forecast; whether sales works with that one."""

    forecast: Forecast
    checked: CheckedOrders
    frozen: bool


def check_farm_orders(store: Store, forecast_id: str | None = None) -> FarmOrders:
    """Hold the order book against a forecast; against the one that sales works with if left out.

    Raises
    ------
    StoreError
        If there is no such forecast, or no order.
    ForecastError
        If the forecast was made by a version that did not keep its size table.
    """
    sold = sold_from(store) if forecast_id is None else None
    forecast = kept_forecast(store.forecasts(), forecast_id) if sold is None else sold.forecast
    orders = store.order_book()
    if not orders:
        raise StoreError("The order book is empty.", fix="Load it: fruitvision orders load.")
    return FarmOrders(
        forecast=forecast,
        checked=check_orders(firm_part(forecast).forecast, orders),
        frozen=any(one.forecast_id == forecast.forecast_id for one in store.frozen_forecasts()),
    )
