"""What sales may promise of a variety: by week, and by class in a week; what changed, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape

import streamlit as st

from app.charts_forecast import cause_words, class_words, week_name
from app.wording import number, say, signed
from fruitvision.domain import CropForecast, Estimate, UseQuantiles
from fruitvision.forecast.change import SMALLEST_REASON, ClassChange, added
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import whole_number
from fruitvision.forecast.words import quantile_of_use

# Reasons that are named for a change. Our choice: two fit in a line of a phone.
NAMED_REASONS = 2
# What brings no carton at P90, and did not before, has no line.
LEAST_CARTONS = 1.0

# Of the tables on this page.
LOOK = """<style>
.fv-sales { width: 100%; border-collapse: collapse; font-size: 1rem; margin: .2rem 0 .6rem; }
.fv-sales th, .fv-sales td { padding: .3rem .35rem; text-align: right; border: none;
  white-space: nowrap; vertical-align: bottom; }
.fv-sales thead th { white-space: normal; }
.fv-sales th:first-child, .fv-sales td:first-child { text-align: left; padding-left: .1rem; }
.fv-sales thead th { border-bottom: 2px solid #7a3b2e; font-weight: 600; }
table.fv-sales tr, table.fv-sales tbody tr > * { border: none !important; }
.fv-sales tbody th { font-weight: 400; }
table.fv-sales tr.line > * { border-top: 1px solid #d8ccba !important; }
table.fv-sales tr.sum > * { font-weight: 650; border-top: 1px solid #3f3528 !important; }
.fv-sales td.safe { font-weight: 650; }
.fv-sales tr.why td { text-align: left; font-size: .9rem; padding-top: 0; white-space: normal; }
@media (max-width: 640px) { .fv-sales { font-size: .92rem; }
  .fv-sales th, .fv-sales td { padding: .3rem .18rem; } }
</style>"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of the table: what may come in, and the mean of it with what it changed by.

    `cartons` is None where nothing comes in any more, `change` where a forecast can't be drawn
    again.
    """

    name: str
    cartons: Estimate | None
    change: ClassChange | None
    is_sum: bool

    @property
    def counts(self) -> bool:
        """Whether a carton comes in at P90, or did before."""
        brings = self.cartons is not None and self.cartons.p90 >= LEAST_CARTONS
        moved = self.change is not None and abs(self.change.change) >= SMALLEST_REASON
        return brings or moved


def promise_table(
    first_head: str, lines: Sequence[Line], quantiles: UseQuantiles, *, compared: bool, firm: bool
) -> None:
    """Safe to promise, P50, P90 and mean of each line; with `compared` also its change and why.

    `firm` : whether anything may be promised of it.
    """
    head = [
        first_head,
        say("sales.safe_short", quantile=number(100 * quantiles.promise)),
        say("forecast.p50"),
        say("forecast.p90"),
        say("sales.mean"),
        *([say("sales.change")] * compared),
    ]
    cells = "".join(f'<th scope="col">{escape(one)}</th>' for one in head)
    body = "".join(
        _line(line, quantiles if firm else None, len(head), compared=compared) for line in lines
    )
    table = f'<table class="fv-sales"><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table>'
    st.html(LOOK)
    st.markdown(table, unsafe_allow_html=True)


def week_lines(crop: CropForecast, changes: Sequence[ClassChange]) -> list[Line]:
    """A line a week, all classes together, then all weeks.

    `changes` are those of the variety. A week that brought cartons in the earlier forecast and no
    longer does has a line too, so that the changes add up.
    """
    estimates = {row.week: row.cartons for row in crop.weeks if row.size_class == ALL}
    by_week: dict[date, list[ClassChange]] = {}
    for one in changes:
        if one.week is not None:
            by_week.setdefault(one.week, []).append(one)
    lines = [
        _with_change(week_name(week), estimates.get(week), by_week.get(week, ()), is_sum=False)
        for week in sorted({*estimates, *by_week})
    ]
    whole = _with_change(say("sales.variety_all"), crop.cartons, changes, is_sum=True)
    return [*(line for line in lines if line.counts), whole]


def class_lines(crop: CropForecast, changes: Sequence[ClassChange], week: date) -> list[Line]:
    """A line a class of one week, large fruit first, then the whole week."""
    estimates = {row.size_class: row.cartons for row in crop.weeks if row.week == week}
    of_week = [one for one in changes if one.week == week]
    order = [item.size_class for item in reversed(crop.classes)]
    order += [one.size_class for one in of_week if one.size_class not in (*order, ALL)]
    lines = [
        _with_change(
            class_words(name),
            estimates.get(name),
            [one for one in of_week if one.size_class == name],
            is_sum=False,
        )
        for name in order
    ]
    whole = _with_change(say("sales.week_all"), estimates.get(ALL), of_week, is_sum=True)
    return [*(line for line in lines if line.counts), whole]


def _with_change(
    name: str, cartons: Estimate | None, changes: Sequence[ClassChange], *, is_sum: bool
) -> Line:
    change = added(changes) if changes else None
    return Line(name=name, cartons=cartons, change=change, is_sum=is_sum)


# ---------------------------------------------------------------- HTML


def _line(line: Line, quantiles: UseQuantiles | None, columns: int, *, compared: bool) -> str:
    safe, others = "0", ["0", "0"]
    if line.cartons is not None:
        safe = _safe(line.cartons, quantiles)
        others = [number(one) for one in (line.cartons.p50, line.cartons.p90)]
    others.append("–" if line.change is None else number(line.change.cartons))
    others += [_change_words(line.change)] * compared
    cells = f'<th scope="row">{escape(line.name)}</th><td class="safe">{escape(safe)}</td>'
    cells += "".join(f"<td>{escape(one)}</td>" for one in others)
    kind = "sum" if line.is_sum else "line"
    why = why_words(line.change) if compared and line.change is not None else ""
    below = f'<tr class="why"><td colspan="{columns}">{escape(why)}</td></tr>' if why else ""
    return f'<tr class="{kind}">{cells}</tr>{below}'


def _safe(cartons: Estimate, quantiles: UseQuantiles | None) -> str:
    """Whole cartons, never one too many."""
    if quantiles is None:
        return "–"
    return number(whole_number(quantile_of_use(cartons, "promise", quantiles), "promise"))


def _change_words(change: ClassChange | None) -> str:
    return "–" if change is None else signed(change.change)


def why_words(change: ClassChange) -> str:
    """`size −150, count −60`: the largest steps; one alone without its number, empty for none."""
    reasons = change.reasons(NAMED_REASONS)
    if len(reasons) == 1:
        return cause_words(reasons[0].cause)
    return ", ".join(
        say("sales.step", cause=cause_words(step.cause), cartons=signed(step.cartons))
        for step in reasons
    )
