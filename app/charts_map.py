"""The plan of a block: rows side by side, places along them, and what the walk saw in its trees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from html import escape
from typing import Any

import altair as alt

from app.charts import AXIS_PX, BARK, Chart, axis, values
from app.wording import measure, number, say, sentence
from fruitvision.domain import TreeKind
from fruitvision.field_map import FieldMap, MapFind, MapRun, MapTree
from fruitvision.unit_system import Unit

# Height of a place, and of the whole plan at least and at most, px. Our choice: a tree can be told
# from its neighbour, and the plan fits on a phone.
PLACE_PX = 6
LEAST_PX, MOST_PX = 240, 620
# Ground of the parts of a block, light enough for the points on it, and each darker than the one
# before, so that print and every eye part them.
GROUND = ("#f3ece0", "#dccbb0", "#bfae98", "#a3988a", "#8c867f", "#78746f")
GAP = "#ffffff"
# Few, middling, many: an order of lightness that every eye and print keep, dark is more (ends and
# middle of cividis, Nuñez et al. 2018, PLoS ONE 13: e0199239).
COLOURS = ("#ffea46", "#7d7c78", "#00224e")
# Areas of points, least and most, and of marks, px²; in a block of many rows they are drawn
# smaller, so that rows can be told apart on a phone.
POINT_SIZES, MARK_SIZE = (70, 260), 45
MANY_ROWS, SMALLER = 25, 0.45
# Least span of the colours, so that trees that are all alike are no division by nothing.
SMALLEST_SPAN = 0.01


class Shown(StrEnum):
    """What the points of the plan tell. The value names it in the texts."""

    LOAD = "load"
    SIZE = "size"
    DOUBT = "doubt"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """What the layers share: rows across, places up, and the shapes of the marks."""

    last: int
    rows: int
    shape: alt.Shape

    @property
    def smaller(self) -> float:
        """Factor on the areas of points and marks."""
        return SMALLER if self.rows > MANY_ROWS else 1.0

    @property
    def point_sizes(self) -> list[float]:
        return [self.smaller * size for size in POINT_SIZES]

    def x(self) -> alt.X:
        return alt.X(
            "row:O",
            title=say("blocks.map_row"),
            scale=alt.Scale(paddingInner=0.25, paddingOuter=0.1),
            axis=axis(labelAngle=0, labelOverlap=True),
        )

    def y(self, field: str = "place:Q") -> alt.Y:
        return alt.Y(
            field,
            title=say("blocks.map_place"),
            scale=alt.Scale(domain=[0.5, self.last + 0.5], nice=False),
            axis=axis(grid=False, tickMinStep=1, format="d"),
        )


def block_map(found: FieldMap, shown: Shown, unit: Unit) -> Chart:
    """One rectangle a run of places, one point a photographed tree, one mark a place that differs.

    Parameters
    ----------
    unit : Unit
        Of diameters.
    """
    last = max([run.last for run in found.runs] + [one.position for one in found.trees], default=1)
    rows = len({run.row for run in found.runs} | {tree.row for tree in found.trees})
    frame = _Frame(last=last, rows=rows, shape=_shape(found))
    layers = [
        *([_ground(found, frame)] if found.from_register else []),
        *_marks(found, frame),
        *_trees(found.trees, shown, frame, unit),
    ]
    height = min(max(PLACE_PX * last, LEAST_PX), MOST_PX)
    return alt.layer(*layers).properties(height=height + AXIS_PX)


def _kind(kind: TreeKind) -> str:
    return say(f"blocks.map_kind_{kind.value}")


# ---------------------------------------------------------------- ground


def _ground(found: FieldMap, frame: _Frame) -> Any:
    """The runs: parts of the block by lightness, gaps white."""
    names = _parts(found)
    tones = _tones(found)
    rows = [_run_row(run, tones, names) for run in found.runs]
    # The tones themselves: the legend stands below the plan, in words of the page.
    fill = alt.Fill("tone:N", scale=None, legend=None)
    return (
        alt.Chart(values(rows))
        .mark_rect(stroke=BARK, strokeWidth=0.4)
        .encode(
            x=frame.x(),
            y=frame.y("from:Q"),
            y2=alt.Y2("to:Q"),
            fill=fill,
            tooltip=[
                alt.Tooltip("row:O", title=say("blocks.map_row")),
                alt.Tooltip("places:N", title=say("blocks.map_places")),
                alt.Tooltip("kind:N", title=say("blocks.map_what_stands")),
                alt.Tooltip("stratum:N", title=say("blocks.map_part")),
            ],
        )
    )


def _parts(found: FieldMap) -> dict[str, str]:
    """The parts of the block and what they are called."""
    rest = say("blocks.map_rest" if len(found.strata) > 1 else "blocks.map_whole")
    return {name: name or rest for name in found.strata}


def _tones(found: FieldMap) -> dict[str, str]:
    """A tone a part; more parts than tones share the last one, and keep their names."""
    return {name: GROUND[min(index, len(GROUND) - 1)] for index, name in enumerate(found.strata)}


def _run_row(run: MapRun, tones: dict[str, str], names: dict[str, str]) -> dict[str, Any]:
    places = number(run.first) if run.places == 1 else f"{number(run.first)}–{number(run.last)}"
    return {
        "row": run.row,
        "from": run.first - 0.5,
        "to": run.last + 0.5,
        "tone": GAP if run.kind is TreeKind.MISSING else tones[run.stratum],
        "places": places,
        "kind": _kind(run.kind) + (f", {run.variety}" if run.variety else ""),
        "stratum": names[run.stratum],
    }


# ---------------------------------------------------------------- marks


def _signs(found: FieldMap) -> dict[str, tuple[str, str]]:
    """The marks that the plan has: their shape in the plan, and the same as a letter."""
    signs = {
        say("blocks.map_photographed"): ("circle", "●"),
        say("blocks.map_counted"): ("square", "■"),
        _kind(TreeKind.MISSING): ("cross", "✚"),
        _kind(TreeKind.REPLANT): ("triangle-up", "▲"),
        _kind(TreeKind.POLLINIZER): ("diamond", "◆"),
        say("blocks.map_find"): ("triangle-down", "▼"),
    }
    used = {
        *(_kind(run.kind) for run in found.runs),
        *(_photographed(tree) for tree in found.trees),
        *(say("blocks.map_find") for _ in found.finds),
    }
    return {name: sign for name, sign in signs.items() if name in used}


def _shape(found: FieldMap) -> alt.Shape:
    """One shape a mark, of those that the plan has."""
    signs = _signs(found)
    shapes = [shape for shape, _ in signs.values()]
    return alt.Shape("mark:N", scale=alt.Scale(domain=list(signs), range=shapes), legend=None)


def _marks(found: FieldMap, frame: _Frame) -> list[alt.Chart]:
    """Gaps, replants and pollinizers place by place, and what the walk found otherwise."""
    rows = [
        {"row": run.row, "place": place, "mark": _kind(run.kind), "told": run.variety}
        for run in found.runs
        if run.kind is not TreeKind.BEARING
        for place in range(run.first, run.last + 1)
    ]
    rows += [_find_row(one) for one in found.finds]
    if not rows:
        return []
    return [
        alt.Chart(values(rows))
        .mark_point(filled=True, color=BARK, size=frame.smaller * MARK_SIZE, opacity=1)
        .encode(
            x=frame.x(),
            y=frame.y(),
            shape=frame.shape,
            tooltip=[
                alt.Tooltip("row:O", title=say("blocks.map_row")),
                alt.Tooltip("place:Q", title=say("blocks.map_place")),
                alt.Tooltip("mark:N", title=say("blocks.map_what_stands")),
                alt.Tooltip("told:N", title=say("blocks.map_variety")),
            ],
        )
    ]


def _find_row(one: MapFind) -> dict[str, Any]:
    return {
        "row": one.row,
        "place": one.position,
        "mark": say("blocks.map_find"),
        "told": say("blocks.map_found", found=_kind(one.found), registered=_kind(one.registered)),
    }


# ---------------------------------------------------------------- trees


def _photographed(tree: MapTree) -> str:
    counted = tree.hand_count is not None
    return say("blocks.map_counted" if counted else "blocks.map_photographed")


def _trees(trees: Sequence[MapTree], shown: Shown, frame: _Frame, unit: Unit) -> list[alt.Chart]:
    """One point a photographed tree; those without the number that is shown are empty."""
    rows = [_tree_row(tree, shown, unit) for tree in trees]
    with_value = [row for row in rows if row["value"] is not None]
    without = [row for row in rows if row["value"] is None]
    tooltip = _tree_tooltip(unit)
    found = []
    if with_value:
        chart = alt.Chart(values(with_value)).mark_point(
            filled=True, stroke=BARK, strokeWidth=1.2, opacity=1
        )
        found.append(
            chart.encode(
                x=frame.x(),
                y=frame.y(),
                shape=frame.shape,
                tooltip=tooltip,
                **_scale(trees, shown, frame, unit),
            )
        )
    if without:
        chart = alt.Chart(values(without)).mark_point(
            filled=False, color=BARK, size=frame.point_sizes[0], opacity=1
        )
        found.append(chart.encode(x=frame.x(), y=frame.y(), shape=frame.shape, tooltip=tooltip))
    return found


def _scale(trees: Sequence[MapTree], shown: Shown, frame: _Frame, unit: Unit) -> dict[str, Any]:
    """Colour and area of the points."""
    if shown is Shown.DOUBT:
        kinds = [say("blocks.map_doubts_none"), say("blocks.map_doubts_some")]
        colours = alt.Scale(domain=kinds, range=[COLOURS[0], COLOURS[-1]])
        return {
            "color": alt.Color("value:N", scale=colours, legend=None),
            "size": alt.Size(
                "value:N", scale=alt.Scale(domain=kinds, range=frame.point_sizes), legend=None
            ),
        }
    domain = list(_steps(trees, shown, unit))
    return {
        "color": alt.Color(
            "value:Q",
            scale=alt.Scale(domain=domain, range=list(COLOURS), interpolate="rgb"),
            legend=None,
        ),
        "size": alt.Size(
            "value:Q",
            scale=alt.Scale(domain=[domain[0], domain[-1]], range=frame.point_sizes),
            legend=None,
        ),
    }


def _steps(trees: Sequence[MapTree], shown: Shown, unit: Unit) -> tuple[float, float, float]:
    """The least, the middle and the most that is shown."""
    found = [_value(tree, shown, unit) for tree in trees]
    known = [one for one in found if isinstance(one, float)]
    low, high = min(known, default=0.0), max(known, default=1.0)
    if high - low < SMALLEST_SPAN:
        low, high = low - SMALLEST_SPAN / 2, high + SMALLEST_SPAN / 2
    return low, (low + high) / 2, high


def _value(tree: MapTree, shown: Shown, unit: Unit) -> float | str | None:
    if shown is Shown.LOAD:
        return tree.visible
    if shown is Shown.SIZE:
        return None if tree.mean_mm is None else unit.shown(tree.mean_mm)
    return say("blocks.map_doubts_some" if tree.doubts else "blocks.map_doubts_none")


def _tree_row(tree: MapTree, shown: Shown, unit: Unit) -> dict[str, Any]:
    doubted = say("blocks.map_doubts_some" if tree.doubts else "blocks.map_doubts_none")
    return {
        "row": tree.row,
        "place": tree.position + (tree.trees - 1) / 2,
        "tree": number(tree.position),
        "value": _value(tree, shown, unit),
        "mark": _photographed(tree),
        "seen": number(tree.visible),
        "hand": "–" if tree.hand_count is None else number(tree.hand_count),
        "mean": measure(tree.mean_mm, unit, 1),
        "sized": number(tree.sized),
        "trees": number(tree.trees),
        "doubts": " ".join(sentence(doubt.words) for doubt in tree.doubts) or doubted,
    }


def _tree_tooltip(unit: Unit) -> list[alt.Tooltip]:
    titles = {
        "row:O": say("blocks.map_row"),
        "tree:N": say("blocks.map_place"),
        "seen:N": say("blocks.map_fruit_seen"),
        "hand:N": say("blocks.map_hand"),
        "mean:N": say("blocks.map_diameter", unit=unit.symbol),
        "sized:N": say("blocks.map_sized"),
        "trees:N": say("blocks.map_panel"),
        "doubts:N": say("blocks.map_doubt_words"),
    }
    return [alt.Tooltip(field, title=title) for field, title in titles.items()]


# ---------------------------------------------------------------- legend


def legend(found: FieldMap, shown: Shown, unit: Unit) -> str:
    """What tones, marks and points stand for, as HTML that goes on in the next line on a phone."""
    lines = []
    if found.from_register:
        names, tones = _parts(found), _tones(found)
        ground = [_swatch(tones[name], names[name]) for name in found.strata]
        if any(run.kind is TreeKind.MISSING for run in found.runs):
            ground.append(_swatch(GAP, _kind(TreeKind.MISSING)))
        lines.append((say("blocks.map_ground"), ground))
    marks = [_item(f"<b>{sign}</b>", name) for name, (_, sign) in _signs(found).items()]
    lines.append((say("blocks.map_marks"), marks))
    if found.trees:
        lines.append(_points(found.trees, shown, unit))
    return "".join(
        f'<p class="fv-legend"><span class="title">'
        f"{escape(say('blocks.map_legend_title', title=title))}</span> {' '.join(items)}</p>"
        for title, items in lines
        if items
    )


def _points(trees: Sequence[MapTree], shown: Shown, unit: Unit) -> tuple[str, list[str]]:
    """The colours of the points, small to large."""
    if shown is Shown.DOUBT:
        names = [say("blocks.map_doubts_none"), say("blocks.map_doubts_some")]
        colours, sizes = [COLOURS[0], COLOURS[-1]], [0.8, 1.2]
        title = say("blocks.map_doubt")
    else:
        is_size = shown is Shown.SIZE
        digits = unit.decimals(0) if is_size else 0
        names = [number(step, digits) for step in _steps(trees, shown, unit)]
        colours, sizes = list(COLOURS), [0.8, 1.0, 1.2]
        title = (
            say("blocks.map_diameter", unit=unit.symbol)
            if is_size
            else say("blocks.map_fruit_seen")
        )
    return title, [
        _item(
            f'<span class="dot" style="background:{colour};width:{size}em;height:{size}em"></span>',
            name,
        )
        for name, colour, size in zip(names, colours, sizes, strict=True)
    ]


def _swatch(tone: str, name: str) -> str:
    return _item(f'<span class="tone" style="background:{tone}"></span>', name)


def _item(sign: str, name: str) -> str:
    return f'<span class="item">{sign} {escape(name)}</span>'


LEGEND_LOOK = f"""<style>
.fv-legend {{ margin: .1rem 0; font-size: .9rem; line-height: 1.7; }}
.fv-legend .title {{ font-weight: 650; }}
.fv-legend .item {{ white-space: nowrap; margin-right: .8rem; }}
.fv-legend .tone, .fv-legend .dot {{ display: inline-block; border: 1px solid {BARK};
  vertical-align: middle; print-color-adjust: exact; -webkit-print-color-adjust: exact; }}
.fv-legend .tone {{ width: 1.1em; height: 1.1em; }}
.fv-legend .dot {{ border-radius: 50%; }}
</style>"""
