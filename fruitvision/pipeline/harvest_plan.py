"""The harvest as it is planned now: by the forecast of sales, the passes that the farm
keeps by now, its cold rooms, and what bin tickets say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fruitvision.domain import BinTicket, CartonPrice, ColdRoom, Forecast, PickPlan
from fruitvision.forecast.drawn_with import drawn_again_with
from fruitvision.harvest import HarvestCalendar
from fruitvision.harvest.calendar import calendar_of
from fruitvision.harvest.margins import Margins, pass_margins
from fruitvision.harvest.passes import DrawnHarvest, draw_harvest
from fruitvision.harvest.rest import RestDraws, rest_draws
from fruitvision.harvest.rooms import Arrival
from fruitvision.harvest.tickets import PassKey, SortedTickets, sort_tickets
from fruitvision.harvest.update import HarvestUpdate, harvest_update
from fruitvision.pipeline.pick_plans import kept_plans, moved_since
from fruitvision.pipeline.picked import finished_passes, first_picks_of
from fruitvision.settings import Settings
from fruitvision.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestRecord:
    """What the farm keeps of its harvest beside the forecast.

    `plans` are the passes that it keeps now, as typed (see `kept_plans`); `finished` passes of
    which a person said so.
    """

    plans: Mapping[str, PickPlan]
    prices: tuple[CartonPrice, ...]
    rooms: tuple[ColdRoom, ...]
    tickets: tuple[BinTicket, ...]
    finished: frozenset[PassKey]


def read_harvest(store: Store, forecast: Forecast) -> HarvestRecord:
    """Passes, rooms, tickets and finished passes of the season of a forecast.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    drawn_again_with(forecast)
    return HarvestRecord(
        plans=kept_plans(store, forecast),
        prices=store.prices(),
        rooms=store.cold_rooms(),
        tickets=store.bin_tickets(),
        finished=frozenset(finished_passes(store, first_picks_of(forecast))),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestNow:
    """The calendar of what is still to be picked, and what is picked; None without tickets."""

    calendar: HarvestCalendar
    update: HarvestUpdate | None


def margins_now(forecast: Forecast, record: HarvestRecord, settings: Settings) -> Margins | None:
    """What each pass leaves at the farm's prices and costs; None where these are not set.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    plans = moved_since(record.plans, forecast)
    return pass_margins(forecast, record.prices, settings, plans=plans)


def harvest_now(forecast: Forecast, record: HarvestRecord, settings: Settings) -> HarvestNow:
    """The harvest by the passes that the farm keeps now, its rooms, and its bin tickets.

    Without tickets of the season and finished passes the calendar is that of the whole harvest.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    plans = moved_since(record.plans, forecast)
    drawn = draw_harvest(forecast, settings, plans)
    tickets = sort_tickets(record.tickets, forecast, drawn, record.finished)
    if tickets.as_of is None and not record.finished and not tickets.left_out:
        calendar = calendar_of(drawn.passes, forecast, settings, rooms=record.rooms)
        update = None
    else:
        rest = rest_draws(drawn, tickets, settings)
        update = harvest_update(rest, forecast_id=forecast.forecast_id, farm=forecast.farm)
        calendar = _of_rest(rest, drawn, forecast, record.rooms, settings)
    named = replace(calendar, unknown=drawn.unknown, moved=tuple(plans))
    return HarvestNow(calendar=named, update=update)


def _of_rest(
    rest: RestDraws,
    drawn: DrawnHarvest,
    forecast: Forecast,
    rooms: Sequence[ColdRoom],
    settings: Settings,
) -> HarvestCalendar:
    calendar = calendar_of(
        rest.to_come(),
        forecast,
        settings,
        rooms=rooms,
        arrived=_arrived(rest.tickets, drawn),
    )
    return replace(calendar, picked_bins=sum(rest.tickets.bins.values()))


def _arrived(tickets: SortedTickets, drawn: DrawnHarvest) -> list[Arrival]:
    """Bins of tickets as they came in; no draw of them errs."""
    draws = drawn.made_with.settings.draws
    return [
        Arrival(day=day, variety=variety, bins=np.full(draws, bins))
        for (day, variety), bins in sorted(tickets.arrived.items())
    ]
