"""The pack-out at the pick, why it changed, and the version that sales works with."""

from collections.abc import Sequence

import streamlit as st

from app import charts_forecast, drawn, session, show, show_crop
from app.chosen import in_address
from app.downloads import FORECAST_CSV, FORECAST_JSON, FORECAST_XLSX, WEEKS_CSV, download_row
from app.forms.freeze import freeze_form, frozen_list, standing
from app.forms.size_table import size_table_upload
from app.forms.what_if import show_what_if, what_if
from app.other_cause import other_words
from app.show_chart import show_chart
from app.since import picks_of, since_part
from app.wording import day_span, number, ranged, say, sentence, week
from fruitvision.domain import CropForecast, Forecast, FrozenForecast, SizeTable
from fruitvision.forecast.drawn_with import drawn_with
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.lines import class_limits_mm
from fruitvision.pipeline.standing import pick_days
from fruitvision.report.forecast import SMALLEST_STEP, matters
from fruitvision.store import FarmStore

# Varieties that are shown at once; of more, one. Our choice: two columns of a laptop.
SIDE_BY_SIDE = 2


def make(store: FarmStore) -> SizeTable:
    """The size table, and the button that makes a forecast by it."""
    table = session.choose_size_table()
    if session.may_change():
        with st.expander(say("forecast.own_table")):
            size_table_upload(store)
    plans = store.pick_plans()
    dates = (
        f"{block.block_id} {day_span(pick_days(block, plans.get(block.block_id)))}"
        for block in store.blocks()
    )
    st.caption(say("forecast.pick_dates", dates=show.plain(", ".join(dates))))
    if st.button(say("forecast.make"), type="primary"):
        with show.errors(), st.spinner(say("forecast.drawing")):
            made, refused = forecast_farm(store, table, session.settings(), made_on=session.today())
            session.remember_version(made.forecast_id)
            session.say_next(say("forecast.made"), refused)
            st.rerun()
    return table


def choose(forecasts: Sequence[Forecast], frozen: Sequence[FrozenForecast]) -> Forecast:
    newest_first = {item.forecast_id: item for item in reversed(forecasts)}
    names = list(newest_first)
    last = session.last_version()
    chosen = st.selectbox(
        say("forecast.version"),
        names,
        index=names.index(last) if last in names else 0,
        format_func=lambda name: show_crop.version_words(newest_first[name], frozen),
    )
    st.caption(say("forecast.versions_kept", n=len(forecasts)))
    return newest_first[chosen]


def packout(forecast: Forecast, crop: CropForecast) -> None:
    st.subheader(say("forecast.packout", variety=show.plain(crop.variety)))
    if crop.classes:
        classes = [item for item in crop.classes if matters(item)]
        show_chart(charts_forecast.packout(classes))
        st.caption(say("forecast.bars_help"))
    elif crop.cartons is not None:
        st.write(say("forecast.first_look", cartons=ranged(crop.cartons)))
    sizes(forecast, crop)
    if crop.classes:
        show_crop.packout_table(crop)
    if crop.grades:
        show_crop.grades(crop)
    weeks = sorted({row.week for row in crop.weeks})
    if len(weeks) == 1:
        st.caption(say("forecast.one_week", week=week(weeks[0])))
    elif weeks:
        st.markdown(f"**{say('forecast.by_week')}**")
        show_crop.weeks(crop)
    st.caption(show.plain(sentence(crop.rests_on)))
    show_crop.doubts(crop)


def sizes(forecast: Forecast, crop: CropForecast) -> None:
    """Sizes at the walk and at the pick, with the limits of the classes that have cartons.

    Nothing where a block has no sizes, or an earlier version made the forecast.
    """
    made_with, unit = drawn_with(forecast), session.units().diameter
    if made_with is None or not forecast.inputs:
        return
    step_mm = unit.kept(charts_forecast.CURVE_STEP[unit.symbol])
    bands = drawn.sizes(forecast, crop.variety, step_mm=step_mm)
    if bands:
        named = {item.size_class for item in crop.classes}
        limits = [
            limit
            for limit in class_limits_mm(made_with.table, made_with.settings)
            if limit[0] in named
        ]
        st.markdown(f"**{say('forecast.sizes_head')}**")
        show_chart(charts_forecast.sizes_at_pick(bands, limits, unit))
        st.caption(say("forecast.sizes_help"))


def changes(forecast: Forecast, known: Sequence[Forecast]) -> None:
    bridge = forecast.bridge
    if bridge is None:
        return
    earlier = [one for one in known if one.forecast_id == bridge.earlier_id]
    version = show.plain(
        show_crop.version_words(earlier[0]) if earlier else say("forecast.since_unknown")
    )
    st.subheader(say("forecast.why"))
    steps = [step for step in bridge.steps if abs(step.cartons) >= SMALLEST_STEP]
    if not steps:
        st.write(say("forecast.nothing_changed", version=version))
        return
    st.write(say("forecast.since", version=version))
    show_chart(charts_forecast.bridge(bridge))
    if forecast.total.cartons is not None:
        means = number(bridge.cartons), number(forecast.total.cartons.p50)
        st.caption(say("forecast.mean_and_p50", mean=means[0], p50=means[1]))
    if any(step.cause == "other" for step in steps):
        st.caption(other_words(earlier[0] if earlier else None, forecast))


def frozen_part(
    forecast: Forecast,
    forecasts: Sequence[Forecast],
    frozen: Sequence[FrozenForecast],
    store: FarmStore,
) -> None:
    """Whether sales works with this version; freeze it; all that were frozen."""
    st.subheader(say("forecast.freeze_head"))
    if not forecast.what_if:
        st.markdown(standing(forecast, frozen))
    freeze_form(forecast, store)
    with st.expander(say("forecast.frozen_list")):
        frozen_list(forecasts, frozen)


def shown(forecast: Forecast, forecasts: Sequence[Forecast]) -> None:
    if forecast.what_if:
        st.warning(say("forecast.what_if_is", what_if=show.plain(sentence(forecast.what_if))))
    since_part(forecast)
    st.caption(say("since.picks_of", dates=show.plain(picks_of(forecast))))
    show_crop.crop_numbers(forecast.total, session.units())
    show_crop.not_in_it(forecast, store.blocks(), session.today())
    st.caption(show.plain(sentence(forecast.total.rests_on)))
    st.caption(say("forecast.range_help"))
    show.caution()
    action = show.plain(sentence(forecast.next_action))
    st.markdown(say("forecast.next_action", action=action))
    show_crop.uses(forecast)
    st.markdown(f"**{say('forecast.for_sales')}**")
    download_row(forecast, (FORECAST_XLSX, FORECAST_CSV, WEEKS_CSV, FORECAST_JSON))
    changes(forecast, forecasts)


def details(forecast: Forecast) -> None:
    """Two varieties side by side, or one of several; then one block of them."""
    varieties = {crop.variety: crop for crop in forecast.varieties}
    if len(varieties) > SIDE_BY_SIDE:
        chosen = in_address(say("forecast.variety"), list(varieties), name="variety")
        packout(forecast, varieties[chosen])
        blocks([crop for crop in forecast.blocks if crop.variety == chosen])
        return
    columns = st.columns(len(varieties), gap="medium")
    for column, crop in zip(columns, varieties.values(), strict=True):
        with column:
            packout(forecast, crop)
    blocks(forecast.blocks)


def blocks(crops: Sequence[CropForecast]) -> None:
    st.subheader(say("forecast.blocks"))
    known = {crop.name: crop for crop in crops}
    chosen = in_address(
        say("forecast.block"),
        list(known),
        name="block",
        words=lambda name: say(
            "forecast.block_pick", block=name, day=show.day(known[name].pick_date)
        ),
    )
    crop = known[chosen]
    show_crop.crop_numbers(crop, session.units())
    if len(crop.picks) > 1:
        show_crop.picks_table(crop, session.units().diameter)
    st.caption(show.plain(sentence(crop.rests_on)))
    show_crop.doubts(crop)


store = session.farm()
st.title(say("forecast.title"))
show.note(*session.said())
if not store.blocks():
    st.write(say("forecast.no_block"))
    session.page_link(
        "screens/setup.py", label=say("forecast.add_block"), icon=":material/arrow_back:"
    )
    st.stop()
new, kept = st.columns(2, gap="medium")
with new:
    table = make(store)
forecasts, frozen = store.forecasts(), store.frozen_forecasts()
with st.expander(say("forecast.what_if_head")):
    what_if(store, table)
    show_what_if(forecasts)
if forecasts:
    with kept:
        chosen = choose(forecasts, frozen)
    shown(chosen, forecasts)
    frozen_part(chosen, forecasts, frozen, store)
    details(chosen)
else:
    st.write(say("forecast.no_forecast"))
