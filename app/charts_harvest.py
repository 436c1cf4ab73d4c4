"""Charts of a harvest beside its calendar: bins out there, cold rooms, what is still to come."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt

from app.charts import AXIS_PX, ROW_PX, RUSSET, Chart, axis, values
from app.charts_forecast import amount, day_words, lying_bars, range_of, whisker
from app.wording import say
from fruitvision.harvest import BinsOut, RoomUse
from fruitvision.harvest.update import RestUpdate

# Room beyond the longest bar. Our choice.
ROOM = 1.15


def bins_out(days: Sequence[BinsOut]) -> Chart:
    """Bins in the orchard, day by day: a bar to P50, a whisker from P10 to P90."""
    rows = [whisker(day_words(one.day), one.out) for one in days]
    x = _bins_axis(max(row["p90"] for row in rows), say("harvest.chart_bins_out"))
    return _lying(rows, x, say("sales.day_column"))


def rooms(used: Sequence[RoomUse]) -> Chart:
    """Bins in each cold room at the end, and what it holds as a thick line."""
    rows = [whisker(one.room.name, one.fill) for one in used]
    names = [row["name"] for row in rows]
    most = max(*(row["p90"] for row in rows), *(one.room.bins for one in used))
    x = _bins_axis(most, say("harvest.chart_bins_in_rooms"))
    y = alt.Y("name:N", sort=names, title=None, axis=axis(labelLimit=110))
    limits = [
        {"name": one.room.name, "p50": one.room.bins, "holds": amount(one.room.bins)}
        for one in used
    ]
    tooltip = [
        alt.Tooltip("name:N", title=say("harvest.room")),
        alt.Tooltip("holds:N", title=say("harvest.holds")),
    ]
    line = (
        alt.Chart(values(limits))
        .mark_tick(color=RUSSET, thickness=4, size=24)
        .encode(x=alt.X("p50:Q"), y=y, tooltip=tooltip)
    )
    return alt.layer(lying_bars(rows, x, y, say("harvest.room")), line).properties(
        height=ROW_PX * max(len(rows), 2) + AXIS_PX
    )


def rest(blocks: Sequence[RestUpdate]) -> Chart:
    """What is still to come of each block: a bar and whisker of now, a diamond for P50 before."""
    rows = [whisker(one.name, one.rest) for one in blocks]
    names = [row["name"] for row in rows]
    most = max(max(one.rest.p90, one.rest_before.p50) for one in blocks)
    x = _bins_axis(most, say("harvest.chart_rest"))
    y = alt.Y("name:N", sort=names, title=None, axis=axis(labelLimit=110))
    before = [
        {"name": one.name, "p50": one.rest_before.p50, "told": range_of(one.rest_before)}
        for one in blocks
    ]
    tooltip = [
        alt.Tooltip("name:N", title=say("sales.chart_block")),
        alt.Tooltip("told:N", title=say("harvest.rest_before")),
    ]
    marks = (
        alt.Chart(values(before))
        .mark_point(shape="diamond", size=110, color=RUSSET, filled=False, strokeWidth=2.5)
        .encode(x=alt.X("p50:Q"), y=y, tooltip=tooltip)
    )
    return alt.layer(lying_bars(rows, x, y, say("sales.chart_block")), marks).properties(
        height=ROW_PX * max(len(rows), 2) + AXIS_PX
    )


def _lying(rows: list[dict[str, Any]], x: alt.X, what: str) -> Chart:
    names = [row["name"] for row in rows]
    y = alt.Y("name:N", sort=names, title=None, axis=axis(labelLimit=110))
    return lying_bars(rows, x, y, what).properties(height=ROW_PX * max(len(rows), 2) + AXIS_PX)


def _bins_axis(most: float, title: str) -> alt.X:
    return alt.X(
        "p50:Q",
        title=title,
        scale=alt.Scale(domain=[0, max(1.0, ROOM * most)], nice=False),
        axis=axis(format=",d", tickCount=5, tickMinStep=1),
    )
