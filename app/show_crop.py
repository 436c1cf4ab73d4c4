"""Forecasts in plain words and tables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

import streamlit as st

from app import show
from app.charts_forecast import class_words
from app.wording import day, number, percent, ranged, say, sentence, week
from fruitvision.domain import (
    Block,
    CropForecast,
    Doubt,
    Estimate,
    Forecast,
    FrozenForecast,
    WeekForecast,
)
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import UseNumber, is_first_look, is_picked, use_numbers, whole_number
from fruitvision.report.forecast import matters
from fruitvision.unit_system import Unit, Units

# Size tables that come along.
_SHIPPED = ("box_counts_42lb", "carton_counts_18kg", "classes_5mm")

# ---------------------------------------------------------------- numbers


def crop_numbers(crop: CropForecast, units: Units) -> None:
    """What a block or the farm brings: fruit, size, bins, mass, cartons."""
    show.numbers(
        [
            show.estimate(say("forecast.bins"), crop.bins),
            show.estimate(
                say(f"forecast.mass_{units.crop.name}"),
                units.crop.shown_range(crop.tonnes),
                digits=1,
            ),
            show.estimate(say("forecast.cartons_packed"), crop.cartons),
            show.estimate(say("forecast.mean_size"), crop.diameter_mm, unit=units.diameter),
            show.estimate(say("forecast.fruit_picked"), crop.fruit),
        ]
    )


def uses(forecast: Forecast) -> None:
    """The farm's number for each use."""
    show.numbers(
        [
            (
                say(f"forecast.use_{one.use}"),
                say(f"forecast.of_{one.unit}", number=number(whole_number(one.value, one.use))),
                _chance(one),
            )
            for one in use_numbers(forecast)
            if one.level == "farm"
        ]
    )


def _chance(one: UseNumber) -> str:
    """With what chance less comes in, and how the number beside it is rounded."""
    key = "forecast.use_chance" if one.use == "promise" else "forecast.use_chance_up"
    return say(key, percent=percent(one.quantile))


def doubts(crop: CropForecast) -> None:
    """The doubts of a crop, without that of a pick that is past or over: `not_in_it` tells it."""
    over = (Doubt.PAST_PICK, Doubt.PICKED)
    show.doubts(tuple(one for one in crop.doubts if one not in over))


def not_in_it(forecast: Forecast, blocks: Sequence[Block], today: date) -> None:
    """What the farm's numbers leave out, or stand for no longer; nothing where all is well."""
    in_it = {crop.name: crop for crop in forecast.blocks}
    left_out = [one.block_id for one in blocks if one.block_id not in in_it]
    if left_out:
        st.warning(say("forecast.without", names=show.plain(", ".join(left_out))))
    first_looks = [name for name, crop in in_it.items() if is_first_look(crop)]
    if first_looks:
        st.warning(say("forecast.no_promise", names=show.plain(", ".join(first_looks))))
    past = [
        f"{name}, {day(last)}"
        for name, crop in in_it.items()
        if (last := _last_pick(crop)) is not None and last < today and not is_picked(crop)
    ]
    if past:
        st.warning(say("forecast.pick_is_past", names=show.plain("; ".join(past))))
    picked = [name for name, crop in in_it.items() if is_picked(crop)]
    if picked:
        st.info(say("forecast.is_picked", names=show.plain(", ".join(picked))))


def _last_pick(crop: CropForecast) -> date | None:
    return max((one.pick_date for one in crop.picks), default=crop.pick_date)


def beside(planned: Forecast | None, what_if: Forecast, unit: Unit) -> None:
    """A what-if beside the forecast of record; alone where there is none."""
    crops = {say("forecast.what_if"): what_if.total}
    if planned is not None:
        crops[say("forecast.as_planned")] = planned.total
    rows = [
        {"": say("forecast.cartons_packed")} | {n: ranged(c.cartons) for n, c in crops.items()},
        {"": say("forecast.bins")} | {n: ranged(c.bins) for n, c in crops.items()},
        {"": say("forecast.mean_size")}
        | {n: ranged(c.diameter_mm, 1, unit) for n, c in crops.items()},
    ]
    show.table(rows)


# ---------------------------------------------------------------- classes and weeks


def packout_table(crop: CropForecast) -> None:
    """Share and cartons of each class that matters, large fruit first; the range in brackets."""
    a_class, share, cartons = (say(f"forecast.{name}") for name in ("class", "share", "cartons"))
    rows = [
        {
            a_class: class_words(item.size_class),
            f"{share}, %": ranged(_percent(item.share)),
            cartons: ranged(item.cartons),
        }
        for item in reversed(crop.classes)
        if matters(item)
    ]
    whole = {a_class: class_words(ALL), f"{share}, %": "", cartons: ranged(crop.cartons)}
    show.table([*rows, whole])


def grades(crop: CropForecast) -> None:
    """Cartons of each grade, all size classes together."""
    show.table(
        [
            {
                say("forecast.grade"): _capital(sentence(row.grade)),
                say("forecast.cartons"): ranged(row.cartons),
            }
            for row in crop.grades
            if row.size_class == ALL
        ]
    )


def weeks(crop: CropForecast) -> None:
    """Cartons by week and class for sales, starting with the week that brings most."""
    wholes = [row for row in crop.weeks if row.size_class == ALL]
    mondays = [row.week for row in wholes]
    most = max(range(len(wholes)), key=lambda index: wholes[index].cartons.p50)
    chosen = st.selectbox(
        say("forecast.week_of", variety=crop.name),
        mondays,
        index=most,
        format_func=_week_choice(wholes),
    )
    _week_table([row for row in crop.weeks if row.week == chosen])


def _week_choice(wholes: Sequence[WeekForecast]) -> Callable[[date], str]:
    cartons = {row.week: ranged(row.cartons) for row in wholes}
    return lambda monday: say("forecast.week_choice", week=week(monday), cartons=cartons[monday])


def _week_table(rows: Sequence[WeekForecast]) -> None:
    """Safe to promise, even chance, at most."""
    whole = [row for row in rows if row.size_class == ALL]
    classes = [row for row in reversed(rows) if row.size_class != ALL and row.cartons.p90 >= 1]
    show.table(
        [
            {
                say("forecast.class"): class_words(row.size_class),
                say("forecast.p10_safe"): number(whole_number(row.cartons.p10, "promise")),
                say("forecast.p50"): number(row.cartons.p50),
                say("forecast.p90"): number(row.cartons.p90),
            }
            for row in (*classes, *whole)
        ]
    )


def picks_table(crop: CropForecast, unit: Unit) -> None:
    """What each pass through a block brings in."""
    show.table(
        [
            {
                say("forecast.pass"): show.day(one.pick_date),
                say("forecast.bins"): ranged(one.bins),
                say("forecast.mean"): ranged(one.diameter_mm, 0, unit),
                say("forecast.cartons"): ranged(one.cartons),
            }
            for one in crop.picks
        ]
    )


def _percent(share: Estimate) -> Estimate:
    return Estimate(p10=100 * share.p10, p50=100 * share.p50, p90=100 * share.p90)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# ---------------------------------------------------------------- names


def size_table_words(name: str) -> str:
    """What the trade calls a shipped size table; other tables by their name."""
    return say(f"forecast.sizes_{name}") if name in _SHIPPED else name


def short_version(forecast: Forecast) -> str:
    """`no. 2 of 17 Aug 2026`."""
    return say("forecast.version_short", number=forecast.number, made_on=day(forecast.made_on))


def version_words(forecast: Forecast, frozen: Sequence[FrozenForecast] = ()) -> str:
    """How a forecast is named in a list: its number, day, size table, and what is special."""
    table = size_table_words(forecast.size_table)
    if forecast.number:
        words = say(
            "forecast.version_numbered",
            number=forecast.number,
            made_on=day(forecast.made_on),
            size_table=table,
        )
    else:
        made_on = day(forecast.made_on)
        words = say("forecast.version_unnumbered", made_on=made_on, size_table=table)
    if forecast.what_if:
        words = say("forecast.version_what_if", version=words, what_if=sentence(forecast.what_if))
    if any(one.forecast_id == forecast.forecast_id for one in frozen):
        words = say("forecast.version_frozen", version=words)
    return say("forecast.version_with_id", version=words, id=forecast.forecast_id[11:])
