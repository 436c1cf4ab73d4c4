"""Charts of a forecast and its harvest: pack-out, bridge, sizes at the pick, weeks, crew."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import altair as alt

from app.charts import (
    AXIS_PX,
    BARK,
    FONT_PX,
    HEIGHT_PX,
    LEAF,
    NAME_PX,
    ROW_PX,
    RUSSET,
    SAND,
    Chart,
    Limits,
    axis,
    values,
)
from app.wording import number, say, signed
from fruitvision.domain import Bridge, ClassForecast, Estimate, WeekForecast
from fruitvision.forecast.size_bands import SizeBand
from fruitvision.harvest import HarvestDay, PassPlan
from fruitvision.report.forecast import SMALLEST_STEP
from fruitvision.unit_system import Unit

# Room beside the bars of a bridge, as a part of their length. Our choice: a number fits in.
BRIDGE_ROOM = 0.12
# A class narrower than this part of the axis has no room for its name. Our choice: 18 px on a
# phone.
NARROWEST_NAMED = 0.06
# Room above the curves for the names of the classes, in two lines.
HEADROOM = 1.3
# Steps of the diameter, by unit: smooth enough for a curve. Our choice.
CURVE_STEP = {"mm": 2.0, "in": 0.08}
# Room right of a bar for its words, as a part of the days shown. Our choice.
WORDS_ROOM = 0.35
# Fewer than this are written with a decimal. Our choice.
FEW = 10


def amount(value: float) -> str:
    """A number of bins, pickers or cartons, with a decimal where there are few."""
    return number(value, int(abs(value) < FEW))


# ---------------------------------------------------------------- classes and weeks


def packout(classes: Sequence[ClassForecast]) -> Chart:
    """Cartons of each class: a bar to P50, a whisker from P10 to P90; large fruit on top."""
    rows = [whisker(class_words(item.size_class), item.cartons) for item in reversed(classes)]
    names = [row["name"] for row in rows]
    y = alt.Y("name:N", sort=names, title=None, axis=axis(labelLimit=110))
    x = alt.X(
        "p50:Q", title=say("forecast.cartons"), axis=axis(format=",d", tickCount=5, tickMinStep=1)
    )
    return lying_bars(rows, x, y, say("forecast.class")).properties(
        height=ROW_PX * max(len(rows), 2) + AXIS_PX
    )


def weeks(rows: Sequence[WeekForecast]) -> Chart:
    """Cartons of each week, all classes: a bar to P50, a whisker from P10 to P90."""
    shown = [whisker(week_name(row.week), row.cartons) for row in rows]
    names = [row["name"] for row in shown]
    y = alt.Y("name:N", sort=names, title=None, axis=axis(labelLimit=140))
    x = alt.X(
        "p50:Q",
        title=say("sales.chart_cartons"),
        axis=axis(format=",d", tickCount=5, tickMinStep=1),
    )
    return lying_bars(shown, x, y, say("sales.chart_week")).properties(
        height=ROW_PX * max(len(shown), 2) + AXIS_PX
    )


def class_words(size_class: str) -> str:
    """The name of a class; those that no size table holds are named in the visitor's language."""
    known = ("all", "undersize", "oversize", "smaller", "larger")
    return say(f"forecast.class_{size_class}") if size_class in known else size_class


def week_name(monday: date) -> str:
    """`wk 36, 31 Aug`."""
    return f"{say('sales.week_short', number=str(monday.isocalendar().week))}, {_day(monday)}"


def _day(value: date) -> str:
    return f"{value.day} {say('common.months').split()[value.month - 1]}"


def whisker(name: str, estimate: Estimate) -> dict[str, Any]:
    """A row of a chart of ranges: its name, P10, P50, P90, and these as they are told."""
    numbers = {"p10": estimate.p10, "p50": estimate.p50, "p90": estimate.p90}
    told = {f"{key} told": amount(value) for key, value in numbers.items()}
    return {"name": name, **numbers, **told}


def lying_bars(rows: list[dict[str, Any]], x: alt.X, y: alt.Y, what: str) -> Chart:
    """Lying bars to P50 with whiskers from P10 to P90; `what` a row is, for its tooltip."""
    chart = alt.Chart(values(rows))
    tooltip = [
        alt.Tooltip("name:N", title=what),
        *(alt.Tooltip(f"{p} told:N", title=p.upper()) for p in ("p10", "p50", "p90")),
    ]
    bars = chart.mark_bar(color=SAND, size=18).encode(x=x, y=y, tooltip=tooltip)
    whiskers = chart.mark_rule(color=BARK, strokeWidth=2).encode(
        x=alt.X("p10:Q"), x2=alt.X2("p90:Q"), y=y, tooltip=tooltip
    )
    ends = [
        chart.mark_tick(color=BARK, thickness=2, size=10).encode(x=f"{end}:Q", y=y)
        for end in ("p10", "p90")
    ]
    return alt.layer(bars, whiskers, *ends)


# ---------------------------------------------------------------- why it changed


def bridge(found: Bridge) -> Chart:
    """Expected cartons before and now, and the bars of each cause between them.

    A bar runs from where the sum stood to where it stands after its cause; the change is written
    beside it with its sign, so that nothing rests on the colour.
    """
    bars: list[dict[str, Any]] = []
    at = found.earlier_cartons
    for step in found.steps:
        if abs(step.cartons) >= SMALLEST_STEP:
            words = signed(step.cartons)
            bars.append(_bar(cause_words(step.cause), at, at + step.cartons, words))
        at += step.cartons
    ends = [
        _bar(name, value, value, number(value))
        for name, value in (
            (say("forecast.before"), found.earlier_cartons),
            (say("forecast.now"), found.cartons),
        )
    ]
    order = [ends[0]["cause"], *(row["cause"] for row in bars), ends[1]["cause"]]
    low = min(row["left"] for row in (*bars, *ends))
    high = max(row["right"] for row in (*bars, *ends))
    room = max(BRIDGE_ROOM * (high - low), 1.0)
    x = alt.X(
        "to:Q",
        title=say("forecast.expected_cartons"),
        scale=alt.Scale(domain=[low - room, high + 2 * room], nice=False),
        axis=axis(format=",d", tickCount=5, tickMinStep=1),
    )
    y = alt.Y("cause:N", sort=order, title=None, axis=axis(labelLimit=130))
    tooltip = [
        alt.Tooltip("cause:N", title=say("forecast.cause")),
        alt.Tooltip("text:N", title=say("forecast.expected_cartons")),
    ]
    rising = alt.condition("datum.to >= datum.from", alt.value(LEAF), alt.value(RUSSET))
    return alt.layer(
        alt.Chart(values(bars))
        .mark_bar(size=16)
        .encode(x=x, x2=alt.X2("from:Q"), y=y, color=rising, tooltip=tooltip),
        alt.Chart(values(ends)).mark_tick(color=BARK, thickness=4, size=20).encode(x=x, y=y),
        alt.Chart(values([*bars, *ends]))
        .mark_text(color=BARK, fontSize=FONT_PX, align="left", dx=6)
        .encode(x=alt.X("right:Q"), y=y, text=alt.Text("text:N")),
    ).properties(height=ROW_PX * len(order) + AXIS_PX)


def cause_words(cause: str) -> str:
    """What moved a forecast, in the visitor's language."""
    return say(f"forecast.cause_{cause.replace(' ', '_')}")


def _bar(cause: str, start: float, end: float, text: str) -> dict[str, Any]:
    ends = {"left": min(start, end), "right": max(start, end)}
    return {"cause": cause, "from": start, "to": end, "text": text, **ends}


# ---------------------------------------------------------------- sizes


def sizes_at_pick(bands: Sequence[SizeBand], limits: Limits, unit: Unit) -> Chart:
    """Share of the fruit by diameter: at the walk, and at the pick with its P10 to P90.

    `limits` are name, lower and upper end of the size classes, mm.
    """
    at_walk, at_pick = say("forecast.sizes_at_walk"), say("forecast.sizes_at_pick")
    rows = [row for band in bands for row in _curve_rows(band, unit, at_walk, at_pick)]
    low, high = unit.shown(bands[0].low_mm), unit.shown(bands[-1].high_mm)
    most = max(row["high"] for row in rows)
    step = f"{number(CURVE_STEP[unit.symbol], 0 if unit.symbol == 'mm' else 2)} {unit.symbol}"
    x = alt.X(
        "at:Q",
        title=say("forecast.sizes_diameter", unit=unit.symbol),
        scale=alt.Scale(domain=[low, high], nice=False),
        axis=axis(format=f".{unit.decimals(0)}f", grid=False, tickCount=7),
    )
    y = alt.Y(
        "mid:Q",
        title=say("forecast.sizes_share", step=step),
        scale=alt.Scale(domain=[0, most * HEADROOM], nice=False),
        axis=axis(format="d", tickMinStep=1, tickCount=5),
    )
    legend = alt.Legend(
        orient="top", direction="vertical", title=None, labelFontSize=FONT_PX, symbolSize=500,
        labelLimit=320, symbolType="stroke",
    )  # fmt: skip
    kinds = [at_walk, at_pick]
    lines = alt.Chart(values(rows))
    tooltip = [
        alt.Tooltip("line:N", title=say("forecast.sizes_line")),
        alt.Tooltip("told:N", title=say("forecast.sizes_diameter", unit=unit.symbol)),
        alt.Tooltip("share:N", title="%"),
    ]
    band = lines.transform_filter(alt.datum.line == at_pick).mark_area(color=SAND, opacity=0.75)
    colours = alt.Scale(domain=kinds, range=[LEAF, RUSSET])
    dashes = alt.Scale(domain=kinds, range=[[6, 4], [1, 0]])
    curves = lines.mark_line(strokeWidth=2.5).encode(
        x=x,
        y=y,
        color=alt.Color("line:N", scale=colours, legend=legend),
        strokeDash=alt.StrokeDash("line:N", scale=dashes, legend=legend),
        tooltip=tooltip,
    )
    return alt.layer(
        band.encode(x=x, y=alt.Y("low:Q"), y2=alt.Y2("high:Q")),
        *_limits(limits, unit, x, low, high),
        curves,
    ).properties(height=HEIGHT_PX + 60)


def _curve_rows(band: SizeBand, unit: Unit, at_walk: str, at_pick: str) -> list[dict[str, Any]]:
    at = unit.shown((band.low_mm + band.high_mm) / 2)
    digits = unit.decimals(0)
    told = f"{number(unit.shown(band.low_mm), digits)}–{number(unit.shown(band.high_mm), digits)}"
    return [
        {
            "at": at,
            "line": line,
            "told": told,
            "low": 100 * share.p10,
            "mid": 100 * share.p50,
            "high": 100 * share.p90,
            "share": f"{number(100 * share.p50, 1)} "
            f"({number(100 * share.p10, 1)}–{number(100 * share.p90, 1)})",
        }
        for line, share in ((at_walk, band.at_walk), (at_pick, band.at_pick))
    ]


def _limits(limits: Limits, unit: Unit, x: alt.X, low: float, high: float) -> list[alt.Chart]:
    """Limits of the classes and their names, in two lines so that they fit on a phone."""
    shown = [(name, unit.shown(first), unit.shown(last)) for name, first, last in limits]
    edges = sorted({edge for _, *pair in shown for edge in pair if low < edge < high})
    names = [
        {"name": name, "at": (max(first, low) + min(last, high)) / 2}
        for name, first, last in shown
        if min(last, high) - max(first, low) >= NARROWEST_NAMED * (high - low) / 2
    ]
    return [
        alt.Chart(values([{"at": edge} for edge in edges]))
        .mark_rule(color=BARK, strokeDash=[2, 3], opacity=0.7, aria=False)
        .encode(x=x),
        *(
            alt.Chart(values(names[start::2]))
            .mark_text(color=BARK, fontSize=FONT_PX, baseline="top", dy=2 + NAME_PX * start)
            .encode(x=x, y=alt.value(0), text=alt.Text("name:N"))
            for start in (0, 1)
        ),
    ]


# ---------------------------------------------------------------- harvest


def calendar(passes: Sequence[PassPlan]) -> Chart:
    """Which block is picked when: a bar from the first to the last day, its bins beside it."""
    rows = [_pass_row(one) for one in passes]
    order = list(dict.fromkeys(row["block"] for row in rows))
    first = min(one.first_day for one in passes)
    last = max(one.last_day for one in passes) + timedelta(days=1)
    room = timedelta(days=max(2, round(WORDS_ROOM * (last - first).days)))
    x = alt.X(
        "start:T",
        title=say("sales.day_column"),
        scale=alt.Scale(domain=[_date_time(first), _date_time(last + room)], nice=False),
        axis=day_axis(tickCount=5),
    )
    y = alt.Y("block:N", sort=order, title=None, axis=axis(labelLimit=120))
    tooltip = [
        alt.Tooltip("block:N", title=say("sales.chart_block")),
        alt.Tooltip("days:N", title=say("sales.days_column")),
        alt.Tooltip("told:N", title=say("sales.bins")),
    ]
    chart = alt.Chart(values(rows))
    return alt.layer(
        chart.mark_bar(color=SAND, stroke=BARK, strokeWidth=1, size=16).encode(
            x=x, x2=alt.X2("end:T"), y=y, tooltip=tooltip
        ),
        chart.mark_text(color=BARK, fontSize=FONT_PX, align="left", dx=5).encode(
            x=alt.X("end:T"), y=y, text=alt.Text("bins:N")
        ),
    ).properties(height=ROW_PX * max(len(order), 2) + AXIS_PX)


def _pass_row(one: PassPlan) -> dict[str, Any]:
    bins = one.need.bins
    return {
        "block": pass_words(one),
        "start": _ticks(one.first_day),
        "end": _ticks(one.last_day + timedelta(days=1)),
        "days": days_words(one.first_day, one.last_day),
        "bins": amount(bins.p50),
        "told": range_of(bins),
    }


def pass_words(one: PassPlan) -> str:
    """`Gala North 2/3`."""
    return f"{one.block_id} {one.number}/{one.passes}" if one.passes > 1 else one.block_id


def days_words(first: date, last: date) -> str:
    """`31 Aug – 5 Sep`, or one day with its weekday."""
    if first == last:
        return day_words(first)
    return say("sales.from_to", first=_day(first), last=_day(last))


def day_words(value: date) -> str:
    """`Thu 3 Sep`, kept on one line."""
    return f"{say('sales.weekdays').split()[value.weekday()]} {_day(value)}".replace(" ", "\u00a0")


def range_of(estimate: Estimate) -> str:
    """`4.3 (3.8–4.7)`, kept on one line: with a decimal where there are few."""
    digits = int(estimate.p90 < FEW)
    low, mid, high = (number(one, digits) for one in (estimate.p10, estimate.p50, estimate.p90))
    return f"{mid}\u00a0({low}\u2060–\u2060{high})"


def pickers(days: Sequence[HarvestDay], crew: int) -> Chart:
    """Pickers of each day: a bar to P50, a whisker to P10 and P90, the crew as a line.

    Days on which P90 is above it have a sign and a number beside their whisker.
    """
    rows = [whisker(day_words(one.day), one.need.picker_days) for one in days]
    names = [row["name"] for row in rows]
    most = max([crew, *(row["p90"] for row in rows)])
    x = alt.X(
        "p50:Q",
        title=say("sales.chart_pickers"),
        scale=alt.Scale(domain=[0, max(1.0, 1.2 * most)], nice=False),
        axis=axis(format=",d", tickCount=5, tickMinStep=1),
    )
    y = alt.Y("name:N", sort=names, title=None, axis=axis(labelLimit=110))
    layers = [lying_bars(rows, x, y, say("sales.day_column"))]
    marks = [
        {**row, "mark": f"▲ {number(day.pickers_short)}"}
        for row, day in zip(rows, days, strict=True)
        if day.pickers_short
    ]
    if marks:
        layers.append(
            alt.Chart(values(marks))
            .mark_text(color=RUSSET, fontSize=FONT_PX, fontWeight="bold", align="left", dx=5)
            .encode(x=alt.X("p90:Q"), y=y, text=alt.Text("mark:N"))
        )
    if crew:
        layers.append(_crew_line(crew))
    return alt.layer(*layers).properties(height=ROW_PX * max(len(rows), 2) + AXIS_PX)


def _crew_line(crew: int) -> Chart:
    line = alt.Chart(values([{"p50": crew, "words": say("sales.in_crew", crew=crew)}]))
    return alt.layer(
        line.mark_rule(color=RUSSET, strokeDash=[6, 3], strokeWidth=2).encode(x=alt.X("p50:Q")),
        line.mark_text(
            color=RUSSET, fontSize=FONT_PX, align="right", baseline="bottom", dx=-4, dy=-2
        ).encode(x=alt.X("p50:Q"), y=alt.value(0), text=alt.Text("words:N")),
    )


def day_axis(**options: Any) -> alt.Axis:
    """An axis of days: `3 Sep`, the month in the visitor's letters."""
    months = "', '".join(say("common.months").split())
    words = f"date(datum.value) + ' ' + ['{months}'][month(datum.value)]"
    return axis(labelExpr=words, grid=True, labelOverlap=True, **options)


def _ticks(value: date) -> str:
    """The start of a day, in whatever time zone."""
    return f"{value.isoformat()}T00:00:00"


def _date_time(value: date) -> alt.DateTime:
    return alt.DateTime(year=value.year, month=value.month, date=value.day)
