"""The mean diameter of a block against the curve that its target needs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import altair as alt

from app.charts import BARK, FONT_PX, HEIGHT_PX, LEAF, RUSSET, Chart, axis, values
from app.wording import day, language, say, texts
from fruitvision.target import CurveDay, SizeAgainstTarget
from fruitvision.unit_system import Unit


def size_curve(found: SizeAgainstTarget, curve: Sequence[CurveDay], unit: Unit) -> Chart:
    """Two lines from the walk to the pick: what the target needs, broken, and what is expected.

    The walk's mean stands with its range at their start, the target as a triangle at their end.
    """
    needed, expected = say("blocks.chart_needed"), say("blocks.chart_expected")
    lines = [
        {"day": _ticks(one.day), "mm": unit.shown(mm), "line": line, "told": day(one.day)}
        for one in curve
        for line, mm in ((needed, one.needed_mm), (expected, one.expected_mm))
    ]
    title = say("blocks.chart_diameter", unit=unit.symbol)
    x = alt.X("day:T", title=say("blocks.chart_day"), axis=_day_axis())
    y = alt.Y("mm:Q", title=title, scale=alt.Scale(zero=False), axis=axis())
    legend = alt.Legend(
        orient="top", direction="vertical", title=None, labelFontSize=FONT_PX, symbolSize=500,
        labelLimit=320,
    )  # fmt: skip
    kinds = [needed, expected]
    tooltip = [
        alt.Tooltip("line:N", title=say("blocks.chart_line")),
        alt.Tooltip("told:N", title=say("blocks.chart_day")),
        alt.Tooltip("mm:Q", title=title, format=f".{unit.decimals(1)}f"),
    ]
    mean = found.mean_mm
    measured = [
        {
            "day": _ticks(found.measured_on),
            "told": day(found.measured_on),
            "line": say("blocks.chart_measured"),
            "mm": unit.shown(mean.p50),
            "low": unit.shown(mean.p10),
            "high": unit.shown(mean.p90),
        }
    ]
    target = [
        {
            "day": _ticks(found.pick_day),
            "told": day(found.pick_day),
            "line": say("blocks.chart_target"),
            "mm": unit.shown(found.target_mm),
        }
    ]
    point = alt.Chart(values(measured))
    return alt.layer(
        alt.Chart(values(lines))
        .mark_line(strokeWidth=2.5)
        .encode(
            x=x,
            y=y,
            strokeDash=alt.StrokeDash(
                "line:N", scale=alt.Scale(domain=kinds, range=[[6, 4], [1, 0]]), legend=legend
            ),
            color=alt.Color(
                "line:N", scale=alt.Scale(domain=kinds, range=[BARK, LEAF]), legend=legend
            ),
            tooltip=tooltip,
        ),
        point.mark_rule(color=RUSSET, strokeWidth=2.5).encode(
            x=x, y=alt.Y("low:Q"), y2=alt.Y2("high:Q")
        ),
        point.mark_point(color=RUSSET, filled=True, size=110, opacity=1).encode(
            x=x, y=y, tooltip=tooltip
        ),
        alt.Chart(values(target))
        .mark_point(shape="triangle-down", color=BARK, filled=True, size=170, opacity=1)
        .encode(x=x, y=y, tooltip=tooltip),
    ).properties(height=HEIGHT_PX)


def _ticks(value: date) -> str:
    """A day at noon, so that no time zone moves it."""
    return f"{value.isoformat()}T12:00:00"


def _day_axis() -> alt.Axis:
    """`14 Aug`: months in the visitor's language."""
    months = str(texts(language(), "common")["months"]).split()
    options: dict[str, Any] = {"labelOverlap": True, "tickCount": 5, "grid": False}
    return axis(labelExpr=f"date(datum.value) + ' ' + {months!r}[month(datum.value)]", **options)
