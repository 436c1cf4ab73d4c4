"""What came in, against the range that was forecast: one row a block and season."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import altair as alt

from app.charts import AXIS_PX, BARK, FONT_PX, LEAF, ROW_PX, RUSSET, SAND, Chart, axis, values
from app.wording import number, percent, say
from fruitvision.learning.layers import Comparison
from fruitvision.learning.score import is_inside, truth_of

# Room right of the furthest mark for its number, as a part of the axis. Our choice.
WORDS_ROOM = 0.16


def against_ranges(found: Sequence[Comparison]) -> Chart | None:
    """A bar from P10 to P90 about the forecast (100 %), and a mark where the crop ended.

    A crop inside has a filled circle, one outside a diamond and its number in bold: nothing rests
    on the colour. None where no result is known.
    """
    rows = [row for one in found if (row := _row(one)) is not None]
    if not rows:
        return None
    names = [row["name"] for row in rows]
    low = min(min(row["low"], row["at"]) for row in rows)
    high = max(max(row["high"], row["at"]) for row in rows)
    x = alt.X(
        "low:Q",
        title=say("score.chart_axis"),
        scale=alt.Scale(domain=[low - 5, high + WORDS_ROOM * (high - low) + 5], nice=False),
        axis=axis(format="d", tickCount=5),
    )
    y = alt.Y("name:N", sort=names, title=None, axis=axis(labelLimit=130))
    tooltip = [
        alt.Tooltip("name:N", title=say("common.block")),
        alt.Tooltip("said:N", title=say("score.forecast_column")),
        alt.Tooltip("came:N", title=say("score.came_column")),
    ]
    whole = alt.Chart(values(rows))
    bars = whole.mark_bar(color=SAND, size=16).encode(x=x, x2="high:Q", y=y, tooltip=tooltip)
    middle = alt.Chart(values([{"at": 100}])).mark_rule(color=BARK, strokeDash=[4, 3])
    layers = [bars, middle.encode(x="at:Q")]
    weights: tuple[Literal["normal", "bold"], ...] = ("normal", "bold")
    kinds = zip((True, False), ("circle", "diamond"), (LEAF, RUSSET), weights, strict=True)
    for inside, shape, colour, weight in kinds:
        of_kind = [row for row in rows if row["inside"] is inside]
        if of_kind:
            marks = alt.Chart(values(of_kind))
            layers += [
                marks.mark_point(
                    shape=shape, color=colour, fill=colour, size=110, opacity=1
                ).encode(x="at:Q", y=y, tooltip=tooltip),
                marks.mark_text(
                    align="left", dx=9, fontSize=FONT_PX, color=BARK, fontWeight=weight
                ).encode(x="words_at:Q", y=y, text="words:N"),
            ]
    return alt.layer(*layers).properties(height=ROW_PX * max(len(rows), 2) + AXIS_PX)


def _row(one: Comparison) -> dict[str, Any] | None:
    pair = truth_of(one)
    if pair is None or pair[0].p50 <= 0:
        return None
    said, came = pair
    low, at, high = (100 * value / said.p50 for value in (said.p10, came, said.p90))
    return {
        "name": f"{one.block_id} {one.season}",
        "low": low,
        "high": high,
        "at": at,
        # Beside the bar, so that the number is read on white.
        "words_at": max(at, high),
        "inside": is_inside(one),
        "words": percent(came / said.p50),
        "said": f"{number(said.p50)} ({number(said.p10)}–{number(said.p90)})",
        "came": number(came),
    }
