"""What sales may promise by class and week, and what the harvest needs by day."""

from collections.abc import Sequence
from datetime import date

import streamlit as st

from app import charts_forecast, drawn, session, show, show_crop
from app.charts_forecast import amount
from app.chosen import in_address
from app.downloads import FORECAST_XLSX, WEEKS_CSV, download_row, sheet_rows
from app.other_cause import other_words
from app.sales.harvest import BINS, harvest
from app.sales.orders import ORDERS, order_book, sold_of
from app.sales.promises import NAMED_REASONS, class_lines, promise_table, week_lines, why_words
from app.sales.version import choose_version, version_line
from app.score.record import track_record_words
from app.show_chart import show_chart
from app.show_crop import short_version
from app.since import picks_of, since, since_part
from app.wording import moment, number, percent, ranged, say, sentence, signed, week
from fruitvision.domain import CropForecast, Forecast, OrderLine, UseQuantiles, WeekForecast
from fruitvision.errors import ForecastError
from fruitvision.forecast.change import ClassChange, added
from fruitvision.forecast.firm import FirmPart
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import blocks_of, is_firm, to_promise, whole_number
from fruitvision.forecast.words import use_quantiles
from fruitvision.pipeline.harvest_plan import read_harvest
from fruitvision.pipeline.picked import picked_since, picked_words
from fruitvision.pipeline.sales import SoldFrom
from fruitvision.store import FarmStore


def compare(sold: SoldFrom) -> tuple[tuple[ClassChange, ...], bool]:
    """Means and changes by class and week, and whether there is an earlier version behind them."""
    try:
        return drawn.changes(sold.earlier or sold.forecast, sold.forecast), sold.earlier is not None
    except ForecastError as err:
        why = f"{show.plain(sentence(err.what))} {show.plain(sentence(err.fix))}"
        st.warning(say("sales.cant_compare", why=why))
        return (), False


def farm_numbers(
    forecast: Forecast, quantiles: UseQuantiles, *, orders: Sequence[OrderLine]
) -> None:
    """What the farm may promise, before orders, and what of it the order book takes."""
    total = forecast.total
    cartons = to_promise(total, forecast.blocks, quantiles)
    promise = [] if cartons is None else [whole_number(cartons, "promise")]
    show.numbers(
        [
            *(
                (
                    say("sales.to_promise_before" if orders else "sales.to_promise"),
                    say("forecast.of_cartons", number=number(value)),
                    say("sales.chance_less", percent=percent(quantiles.promise)),
                )
                for value in promise
            ),
            show.estimate(say("sales.cartons_in_all"), total.cartons),
            show.estimate(say("sales.bins_in_all"), total.bins),
        ]
    )
    with show.errors():
        sold_of(promise[0] if promise else None, drawn.firm(forecast).forecast, orders)


def picking_line(forecast: Forecast, store: FarmStore) -> None:
    """That some of what stands here is picked already, and which blocks are picked as a whole since
    it was forecast; nothing before the pick."""
    record = read_harvest(store, forecast)
    if not record.tickets and not record.finished:
        return
    now = drawn.harvest(forecast, record)
    picked = now.calendar.picked_bins
    if picked or record.finished:
        where = f"[{say('sales.harvest_head')}](#{BINS})"
        st.info(
            say("sales.picking", picked=amount(picked), n=number(len(record.finished)), where=where)
        )
    if blocks := picked_since(store, forecast):
        st.warning(show.plain(sentence(picked_words(blocks))))


def farm_change(sold: SoldFrom, changes: Sequence[ClassChange], *, compared: bool) -> None:
    if not compared or sold.earlier is None or not changes:
        return
    whole = added(changes)
    version = show.plain(short_version(sold.earlier))
    words = say("sales.change_in_all", change=signed(whole.change), version=version)
    why = why_words(whole)
    st.markdown(f"**{words}** {why}".strip())


def choose_variety(forecast: Forecast) -> CropForecast:
    """A box with the varieties, where there are several; the earliest one first."""
    crops = {crop.variety: crop for crop in sorted(forecast.varieties, key=_first_week)}
    names = list(crops)
    if len(names) == 1:
        return crops[names[0]]
    return crops[in_address(say("sales.variety"), names, name="variety")]


def choose_week(whole: Sequence[WeekForecast]) -> date:
    """The week whose classes are shown; a visitor starts with the one that brings most."""
    most = max(whole, key=lambda row: row.cartons.p50).week
    mondays = [row.week for row in whole]
    return in_address(say("sales.classes_week"), mondays, name="week", words=week, start=most)


def _first_week(crop: CropForecast) -> date:
    return min((row.week for row in crop.weeks), default=date.max)


def to_be_sold(crop: CropForecast, sold: SoldFrom, firm: FirmPart) -> CropForecast:
    """The variety of its firm blocks alone, with a line on those that are left out; a variety that
    is a first look as a whole stays as it is, and nothing of it is promised."""
    blocks = [one.name for one in blocks_of(crop, sold.forecast)]
    out = [name for name in blocks if name in firm.left_out]
    if not out or len(out) == len(blocks):
        return crop
    st.info(say("sales.first_looks_out", names=show.plain(", ".join(out))))
    return next(one for one in firm.forecast.varieties if one.variety == crop.variety)


def changes_shown(
    crop: CropForecast, sold: SoldFrom, changes: Sequence[ClassChange], firm: FirmPart
) -> list[ClassChange]:
    """Changes of what is shown of a variety: of its firm blocks, where it has some."""
    some = not all(one.name in firm.left_out for one in blocks_of(crop, sold.forecast))
    if changes and firm.left_out and some:
        changes = drawn.changes(sold.earlier or sold.forecast, firm.forecast, firm.left_out)
    return [one for one in changes if one.variety == crop.variety]


def variety(
    whole_crop: CropForecast,
    sold: SoldFrom,
    changes: Sequence[ClassChange],
    quantiles: UseQuantiles,
    *,
    compared: bool,
) -> None:
    name = show.plain(whole_crop.variety)
    if whole_crop.cartons is None:
        st.write(say("sales.cartons_unknown"))
        show_crop.doubts(whole_crop)
        return
    st.subheader(say("sales.table_head", variety=name))
    firm_ones = drawn.firm(sold.forecast)
    crop = to_be_sold(whole_crop, sold, firm_ones)
    of_variety = changes_shown(crop, sold, changes, firm_ones)
    firm = any(map(is_firm, blocks_of(crop, sold.forecast)))
    promise_table(
        say("sales.chart_week"),
        week_lines(crop, of_variety),
        quantiles,
        compared=compared,
        firm=firm,
    )
    whole = [row for row in crop.weeks if row.size_class == ALL]
    show_chart(charts_forecast.weeks(whole))
    st.caption(say("forecast.bars_help"))
    if crop.classes:
        chosen = choose_week(whole)
        lines = class_lines(crop, of_variety, chosen)
        promise_table(say("sales.class"), lines, quantiles, compared=compared, firm=firm)
        st.caption(say("sales.safe_each"))
    else:
        st.write(say("forecast.first_look", cartons=ranged(crop.cartons)))
    if compared and sold.earlier is not None and sold.earlier_frozen is not None:
        version = show.plain(short_version(sold.earlier))
        when = moment(sold.earlier_frozen.frozen_at)
        st.caption(say("sales.change_from", version=version, when=when))
    else:
        st.caption(say("sales.no_earlier"))
    st.caption(say("sales.mean_and_p50"))
    if any(step.cause == "other" for one in of_variety for step in one.reasons(NAMED_REASONS)):
        st.caption(other_words(sold.earlier, sold.forecast))
    show_crop.doubts(crop)


store = session.farm()
st.title(say("sales.title"))
show.note(*session.said())
show.jumps((ORDERS, say("sales.orders_head")), (BINS, say("sales.harvest_head")))
sold = choose_version(store)
if sold is None:
    st.write(say("sales.no_forecast"))
    session.page_link("screens/forecast.py", label=say("sales.to_forecast"))
    st.stop()
version_line(sold)
since_part(sold.forecast)
st.caption(say("since.picks_of", dates=show.plain(picks_of(sold.forecast))))
quantiles = sold.forecast.quantiles or use_quantiles(session.settings())
farm_numbers(sold.forecast, quantiles, orders=store.order_book())
with show.errors():
    picking_line(sold.forecast, store)
show_crop.not_in_it(sold.forecast, store.blocks(), session.today())
show.caution()
st.caption(track_record_words(sold.forecast, store))
changes, compared = compare(sold)
farm_change(sold, changes, compared=compared)
chosen = choose_variety(sold.forecast)
with show.errors():
    variety(chosen, sold, changes, quantiles, compared=compared)
with show.errors():
    order_book(drawn.firm(sold.forecast).forecast, chosen, store)
if chosen.cartons is not None:
    st.markdown(f"**{say('sales.sheet_head', variety=show.plain(chosen.variety))}**")
    if since(sold.forecast).anything:
        st.warning(say("sales.sheet_old", number=number(sold.forecast.number)))
    sheet_rows(chosen.variety, sold, quantiles, store)
st.markdown(f"**{say('sales.to_others')}**")
download_row(sold.forecast, (FORECAST_XLSX, WEEKS_CSV))
with show.errors():
    harvest(sold.forecast, store)
