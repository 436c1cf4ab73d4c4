"""A block's load against its target, on one line."""

from __future__ import annotations

import altair as alt

from app.charts import AXIS_PX, BARK, FONT_PX, SAND, Chart, axis, values
from app.wording import number, say
from fruitvision.crop_load import fruit_for_trunk
from fruitvision.domain import Block
from fruitvision.thinning import ThinningCheck

# Height of the picture, px, axis and its name included.
HEIGHT_PX = 110 + AXIS_PX
# Rows of the picture from the bottom up: the bar, and above it the names of the marks, the mark
# with more fruit higher up, so that no mark's line runs through another's name.
BAR, ROWS, NAMES = (0.4, 1.6), 4.0, (2.3, 3.3)


def load_chart(found: ThinningCheck, block: Block) -> Chart | None:
    """The range as a bar with a stroke at P50; target and trunk guide as broken lines with names.

    None where there is nothing to hold it against.
    """
    marks = sorted(_marks(found, block))
    if not marks:
        return None
    now = found.fruit_per_tree
    end = 1.1 * max(now.p90, *(at for at, _ in marks))
    x = alt.X(
        "fruit:Q",
        title=say("planning.chart_fruit"),
        scale=alt.Scale(domain=[0, end], nice=False),
        axis=axis(grid=False, tickCount=6),
    )
    y = alt.Y("row:Q", scale=alt.Scale(domain=[0, ROWS], nice=False), axis=None)
    told = {"range": f"{number(now.p10)}–{number(now.p90)}", "middle": number(now.p50)}
    tooltip = [
        alt.Tooltip("range:N", title=say("planning.chart_range")),
        alt.Tooltip("middle:N", title=say("planning.chart_middle")),
    ]
    bottom, top = BAR
    bar = [{"fruit": now.p10, "to": now.p90, "row": bottom, "up": top, **told}]
    stroke = [{"fruit": now.p50, "row": bottom - 0.2, "up": top + 0.2, **told}]
    layers = [
        alt.Chart(values(bar))
        .mark_rect(color=SAND, stroke=BARK, strokeWidth=1)
        .encode(x=x, x2=alt.X2("to:Q"), y=y, y2=alt.Y2("up:Q"), tooltip=tooltip),
        alt.Chart(values(stroke))
        .mark_rule(color=BARK, strokeWidth=4)
        .encode(x=x, y=y, y2=alt.Y2("up:Q"), tooltip=tooltip),
    ]
    for (at, name), row in zip(marks, NAMES, strict=False):
        layers += [
            alt.Chart(values([{"fruit": at, "row": 0.0, "up": row + 0.5}]))
            .mark_rule(color=BARK, strokeDash=[5, 3], strokeWidth=2)
            .encode(x=x, y=y, y2=alt.Y2("up:Q")),
            alt.Chart(values([{"fruit": at, "row": row, "name": name}]))
            .mark_text(color=BARK, fontSize=FONT_PX, align="right", dx=-6)
            .encode(x=x, y=y, text=alt.Text("name:N")),
        ]
    return alt.layer(*layers).properties(height=HEIGHT_PX)


def _marks(found: ThinningCheck, block: Block) -> list[tuple[float, str]]:
    """Target and trunk guide, fruit per tree, with what each is called."""
    marks = []
    if found.target is not None and not found.by_trunk:
        marks.append((found.target, say("planning.chart_target", target=number(found.target))))
    if block.trunk_area_cm2:
        guide = fruit_for_trunk(block.trunk_area_cm2, fruit_per_cm2=found.guide_per_cm2)
        marks.append((float(guide), say("planning.chart_guide", guide=number(guide))))
    return marks
