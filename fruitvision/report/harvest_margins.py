"""Passes that may not pay, in lines."""

from __future__ import annotations

from fruitvision.domain import Estimate
from fruitvision.harvest.margins import Margins, PassMargin
from fruitvision.report.harvest_stock import day_words, few_words

# What the margins leave out.
MARGINS_CAUTION = (
    "Not in it: what culls bring, what is spent either way, and what fruit left hanging does to "
    "next year's crop."
)


def margin_lines(margins: Margins | None, currency: str) -> list[str]:
    """What a bin of each pass leaves, and which passes more likely cost than bring something."""
    if margins is None:
        return [
            "Whether a pass pays can't be told: it takes prices of cartons (prices.csv) and what "
            "picking and packing cost (settings pick_cost_per_bin, pack_cost_per_carton).",
        ]
    unit = f"{currency} a bin".strip()
    lines = [
        f"What a bin leaves after picking ({margins.pick_cost_per_bin:g} a bin) and packing "
        f"({margins.pack_cost_per_carton:g} a carton):",
        "",
        f"  {'pass':<34}{'day':<12}{'bins':>16}{unit:>26}{'chance of a loss':>18}",
        *map(_line, margins.passes),
    ]
    lines += [
        f"  ! {one.block_id}, pass {one.number}: more likely costs than brings something."
        for one in margins.marginal
    ]
    lines += [f"  ! {_lacking(one)}" for one in margins.passes if one.lacking and one.number == 1]
    if margins.unpriced:
        lines.append(f"Without prices or cartons by class: {', '.join(margins.unpriced)}.")
    return [*lines, MARGINS_CAUTION]


def _line(one: PassMargin) -> str:
    name = f"{one.block_id}, pass {one.number} of {one.passes}"
    look = " (first look)" if one.first_look else ""
    return (
        f"  {name:<34}{day_words(one.pick_date):<12}{few_words(one.bins):>16}"
        f"{_money(one.per_bin):>26}{f'{100 * one.chance_below:.0f} %':>18}{look}"
    )


def _lacking(one: PassMargin) -> str:
    return f"{one.variety}: no price of {', '.join(one.lacking)}, which count as worth nothing."


def _money(estimate: Estimate) -> str:
    low, mid, high = (f"{value:,.0f}" for value in (estimate.p10, estimate.p50, estimate.p90))
    return f"{mid} ({low} to {high})"
