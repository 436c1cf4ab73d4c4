"""Hidden fruit of one block: hand counts against photos, and its trees one by one."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import charts, show
from app.show_chart import show_chart
from app.wording import measure, number, say
from fruitvision.domain import BlockEstimate, HiddenFruitFactor, TreeId
from fruitvision.hidden_factor import (
    OLD_FACTOR_DAYS,
    TWO_SIDED,
    factor_age_days,
    factor_range,
)
from fruitvision.pipeline.lines import TreeLine
from fruitvision.unit_system import Unit


def hidden_fruit(now: BlockEstimate, trees: Sequence[TreeLine]) -> None:
    """One dot a hand-counted tree: a bad one is seen at a glance."""
    if now.factor is None:
        return
    st.subheader(say("blocks.hand"))
    st.write(say("blocks.hand_chart"))
    show_chart(charts.hand_against_visible(trees, now.factor))
    for text in _factor_words(now.factor, now):
        st.write(show.plain(text))


def _factor_words(factor: HiddenFruitFactor, now: BlockEstimate) -> list[str]:
    """What a factor rests on, for whoever must trust it."""
    span = factor_range(factor)
    found = [
        say(
            "blocks.hand_factor",
            n=factor.trees,
            factor=number(factor.factor, 2),
            low=number(span.p10, 2),
            high=number(span.p90, 2),
        )
    ]
    if factor.factor < 1 and factor.protocol in TWO_SIDED:
        found.append(say("blocks.hand_below_one"))
    if factor.pooled_blocks:
        found.append(say("blocks.hand_pooled", names=", ".join(factor.pooled_blocks)))
    age = factor_age_days(factor, now.walked_on)
    if age is not None and age > OLD_FACTOR_DAYS:
        found.append(say("blocks.hand_old", n=age))
    if factor.suspects:
        found.append(_suspect_words(factor.suspects, factor.factor_without_suspects))
    if factor.model in ("line", "vigour"):
        found.append(say(f"blocks.hand_{factor.model}"))
    return found


def _suspect_words(suspects: Sequence[TreeId], without: float | None) -> str:
    trees = "; ".join(
        say("blocks.tree_name", row=tree.row, tree=tree.position) for tree in suspects
    )
    if without is None:
        return say("blocks.hand_suspects_all", trees=trees)
    return say("blocks.hand_suspects", trees=trees, factor=number(without, 2))


def trees_table(lines: Sequence[TreeLine], unit: Unit) -> None:
    """One line a photographed tree or panel; what each face shows is not added here."""
    st.subheader(say("blocks.trees"))
    both = any(len(line.face_counts) > 1 for line in lines)
    seen = say("blocks.trees_both" if both else "blocks.trees_seen")
    if both:
        st.caption(say("blocks.trees_both_why"))
    show.table(
        [
            {
                say("blocks.trees_row"): number(line.tree.row),
                say("blocks.trees_tree"): _tree_words(line),
                seen: " + ".join(number(n) for n in line.face_counts or (line.visible_count,)),
                say("blocks.trees_hand"): "–"
                if line.hand_count is None
                else number(line.hand_count),
                say("blocks.trees_mean"): measure(line.mean_mm, unit),
            }
            for line in lines
        ]
    )


def _tree_words(line: TreeLine) -> str:
    tree = number(line.tree.position)
    return say("blocks.trees_panel", tree=tree, trees=line.trees) if line.trees > 1 else tree
