"""Charts from records. Nothing rests on colour alone, and every chart fits a phone's width."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import altair as alt

from app import charts_language  # noqa: F401 - numbers in the visitor's language
from app.wording import say
from fruitvision.caliper_check import MatchedPair
from fruitvision.caliper_plot import plot_limits_mm
from fruitvision.domain import (
    CaliperCheck,
    HiddenFruitFactor,
    SizeDistribution,
)
from fruitvision.pipeline.lines import TreeLine, bars_mm
from fruitvision.unit_system import Unit

RUSSET = "#7a3b2e"
BARK = "#3f3528"
LEAF = "#5b7d87"
SAND = "#cfa98f"
# Heights of charts and of a row in a chart of rows, px. Our choice: legible at 390 px width.
HEIGHT_PX = 260
ROW_PX = 30
# Room for the axis below a chart of few rows, px.
AXIS_PX = 75
# Width of the bars of the size distribution, by unit, and the step of its axis. Our choice: half of
# a 5 mm class, and the eighth of an inch that the trade counts in.
BARS = {"mm": (2.5, 5.0), "in": (0.125, 0.25)}
# A class narrower than this has no room for its name. Our choice: 20 px on a phone.
NARROWEST_NAMED_MM = 1.5
# Room above the bars for the names of the classes, in two lines so that they fit on a phone.
HEADROOM = 1.25
NAME_PX = 16
FONT_PX = 13
# Width of a picture to draw in, px. Our choice: a ball of 40 px in a phone's photo is still 15.
PICTURE_PX = 660

Chart = alt.LayerChart | alt.FacetChart
Limits = Sequence[tuple[str, float, float]]


def axis(**options: Any) -> alt.Axis:
    """An axis that is read on a phone and in print."""
    return alt.Axis(
        labelFontSize=FONT_PX, titleFontSize=FONT_PX, labelColor=BARK, titleColor=BARK, **options
    )


def values(rows: list[dict[str, Any]]) -> alt.InlineData:
    """Rows as data that travel with the chart."""
    return alt.InlineData(values=rows)


def picture_to_draw_in(jpeg: bytes, size_px: tuple[int, int], name: str) -> Chart:
    """A photo in which a box can be drawn; the selection `name` gives it in px of `size_px`.

    `size_px` : width and height of the photo; `jpeg` may be smaller. Axes are px, y down.
    """
    width_px, height_px = size_px
    shown_px = PICTURE_PX, round(PICTURE_PX * height_px / width_px)
    url = f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"
    middle = alt.InlineData(values=[{"x": width_px / 2, "y": height_px / 2, "url": url}])
    across = alt.X("x:Q", scale=alt.Scale(domain=[0, width_px], nice=False), title="x, px")
    down = alt.Y("y:Q", scale=alt.Scale(domain=[height_px, 0], nice=False), title="y, px")
    box = alt.selection_interval(name=name, encodings=["x", "y"])
    # The axes take their room from the plot: the picture fills what is left, and fits its axes.
    fills = alt.MarkDef(
        type="image", aspect=False, width=alt.ExprRef("width"), height=alt.ExprRef("height")
    )
    picture = alt.Chart(middle, mark=fills)
    # A mark of its own carries the selection: an image would hide the box.
    corners = alt.InlineData(values=[{"x": 0, "y": 0}, {"x": width_px, "y": height_px}])
    ground = alt.Chart(corners).mark_point(opacity=0.0).encode(x=across, y=down).add_params(box)
    layers = alt.layer(picture.encode(x=across, y=down, url=alt.Url("url:N")), ground)
    return layers.properties(width=shown_px[0], height=shown_px[1])


def sizes(today: SizeDistribution, limits: Limits, unit: Unit) -> Chart:
    """Share of the fruit by diameter today, with the limits of the size classes in mm."""
    width, step = BARS[unit.symbol]
    bars = [
        (unit.shown(start), unit.shown(end), share)
        for start, end, share in bars_mm(today, width_mm=unit.kept(width))
    ]
    limits = [(name, unit.shown(first), unit.shown(last)) for name, first, last in limits]
    low, high = bars[0][0], bars[-1][1]
    most = max(share for *_, share in bars)
    x = alt.X(
        "low:Q",
        title=say("blocks.sizes_diameter", unit=unit.symbol),
        scale=alt.Scale(domain=[low, high], nice=False),
        axis=axis(grid=False, format=f".{unit.decimals(0)}f", tickMinStep=step),
    )
    y = alt.Y(
        "percent:Q",
        title=say("blocks.sizes_share"),
        scale=alt.Scale(domain=[0, 100 * most * HEADROOM], nice=False),
        axis=axis(),
    )
    shares = [{"low": start, "high": end, "percent": 100 * share} for start, end, share in bars]
    names = [
        {"name": name, "low": (max(first, low) + min(last, high)) / 2}
        for name, first, last in limits
        if min(last, high) - max(first, low) >= unit.shown(NARROWEST_NAMED_MM)
    ]
    edges = sorted({edge for _, *pair in limits for edge in pair if low < edge < high})
    return alt.layer(
        alt.Chart(values(shares))
        .mark_rect(color=SAND, stroke=BARK, strokeWidth=0.5)
        .encode(x=x, x2=alt.X2("high:Q"), y=y, y2=alt.datum(0)),
        alt.Chart(values([{"low": edge} for edge in edges]))
        .mark_rule(color=BARK, strokeDash=[4, 3])
        .encode(x=x),
        *(
            alt.Chart(values(names[start::2]))
            .mark_text(color=BARK, fontSize=FONT_PX, baseline="top", dy=2 + NAME_PX * start)
            .encode(x=x, y=alt.value(0), text=alt.Text("name:N"))
            for start in (0, 1)
        ),
    ).properties(height=HEIGHT_PX)


def hand_against_visible(trees: Sequence[TreeLine], factor: HiddenFruitFactor) -> Chart:
    """One dot a hand-counted tree, and the line of the hidden-fruit factor."""
    counted = [tree for tree in trees if tree.hand_count is not None]
    dots = [
        {
            "visible": tree.visible_count / tree.trees,
            "hand": (tree.hand_count or 0) / tree.trees,
            "tree": say("blocks.tree_name", row=tree.tree.row, tree=tree.tree.position),
        }
        for tree in counted
    ]
    most = max((tree.visible_count / tree.trees for tree in counted), default=1.0)
    line = [{"visible": x, "hand": x * factor.factor} for x in (0, 1.1 * most)]
    x = alt.X("visible:Q", title=say("blocks.hand_seen"), axis=axis(tickMinStep=10))
    y = alt.Y("hand:Q", title=say("blocks.hand_counted"), axis=axis())
    return alt.layer(
        alt.Chart(values(line)).mark_line(color=LEAF, strokeDash=[6, 3]).encode(x=x, y=y),
        alt.Chart(values(dots))
        .mark_point(color=RUSSET, filled=True, size=90, opacity=0.9)
        .encode(
            x=x,
            y=y,
            tooltip=[
                alt.Tooltip("tree:N", title=say("blocks.hand_tree")),
                alt.Tooltip("visible:Q", title=say("blocks.hand_seen"), format=".0f"),
                alt.Tooltip("hand:Q", title=say("blocks.hand_counted"), format=".0f"),
            ],
        ),
    ).properties(height=HEIGHT_PX)


def photo_against_caliper(pairs: Sequence[MatchedPair], check: CaliperCheck, unit: Unit) -> Chart:
    """One dot a calipered fruit, the line of equal sizes (broken) and the fitted one (full)."""
    low, high = plot_limits_mm(pairs)
    ends = [min(pair.caliper_mm for pair in pairs), max(pair.caliper_mm for pair in pairs)]
    dots = [
        {"caliper": unit.shown(pair.caliper_mm), "photo": unit.shown(pair.photo_mm),
         "fruit": pair.fruit_id}
        for pair in pairs
    ]  # fmt: skip
    equal = [{"caliper": unit.shown(mm), "photo": unit.shown(mm)} for mm in (low, high)]
    fit = [{"caliper": unit.shown(mm), "photo": unit.shown(check.photo_mm(mm))} for mm in ends]
    scale = alt.Scale(domain=[unit.shown(low), unit.shown(high)], nice=False)
    titles = [say(f"blocks.calipers_{side}", unit=unit.symbol) for side in ("caliper", "photo")]
    x = alt.X("caliper:Q", title=titles[0], scale=scale, axis=axis())
    y = alt.Y("photo:Q", title=titles[1], scale=scale, axis=axis())
    digits = f".{unit.decimals(1)}f"
    return alt.layer(
        alt.Chart(values(equal)).mark_line(color=BARK, strokeDash=[6, 3]).encode(x=x, y=y),
        alt.Chart(values(fit)).mark_line(color=LEAF).encode(x=x, y=y),
        alt.Chart(values(dots))
        .mark_point(color=RUSSET, filled=True, size=70, opacity=0.9)
        .encode(
            x=x,
            y=y,
            tooltip=[
                alt.Tooltip("fruit:N", title=say("blocks.calipers_fruit")),
                alt.Tooltip("caliper:Q", title=titles[0], format=digits),
                alt.Tooltip("photo:Q", title=titles[1], format=digits),
            ],
        ),
    ).properties(height=HEIGHT_PX)
