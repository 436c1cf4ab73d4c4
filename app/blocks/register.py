"""The register of one block: its parts, what the walk found, pollinizers; and its plan drawn."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session, show
from app.blocks import words
from app.charts_map import LEGEND_LOOK, Shown, block_map, legend
from app.show_chart import show_chart
from app.wording import number, percent, say, sentence
from fruitvision.domain import Block, Pollinizers, RegisterCheck, StratumEstimate
from fruitvision.field_map import field_map
from fruitvision.pipeline import BlockWalks
from fruitvision.register import trees_by_spacing
from fruitvision.store import FarmStore
from fruitvision.unit_system import Units


def plan_of_rows(block: Block, walks: BlockWalks | None, store: FarmStore) -> None:
    """Rows and places as they stand in the register, and what was seen in the sampled trees."""
    record = walks.record if walks else None
    found = field_map(
        record.register if record else store.register(block.block_id),
        walks.trees if walks else (),
        record.hand_counts if record else (),
        record.visited if record else store.visited_places(block.block_id),
    )
    if not found.from_register and not found.trees:
        return
    st.subheader(say("blocks.map"))
    st.caption(say("blocks.map_schematic" if found.from_register else "blocks.map_no_register"))
    shown = Shown.LOAD
    if found.trees:
        chosen = st.radio(
            say("blocks.map_what"),
            list(Shown),
            format_func=lambda one: say(f"blocks.map_{one.value}"),
            horizontal=True,
            key="blocks map",
        )
        shown = chosen or Shown.LOAD
    unit = session.units().diameter
    show_chart(block_map(found, shown, unit))
    st.html(LEGEND_LOOK + legend(found, shown, unit))


def register(walks: BlockWalks, units: Units) -> None:
    """Parts of the block, what the walk found against the register, pollinizers."""
    ground = _ground_words(walks.estimate.block, units)
    sentences = [
        *([ground] if ground else []),
        *(_check_words(walks.check) if walks.check.visited else []),
        *(sentence(note) for note in walks.register_notes),
        *(_pollinizer_words(one) for one in walks.pollinizers),
    ]
    if walks.estimate.strata or sentences:
        st.subheader(say("blocks.register"))
        if walks.estimate.strata:
            _strata(walks.estimate.strata)
        for text in sentences:
            st.write(show.plain(text))


def _ground_words(block: Block, units: Units) -> str:
    """Area, spacing, and the trees that they hold, as far as they are known; else nothing."""
    area, distance = units.area, units.distance
    known = []
    if block.area_ha is not None:
        known.append(f"{number(area.shown(block.area_ha), 2)} {area.symbol}")
    if block.row_spacing_m is not None and block.tree_spacing_m is not None:
        row, tree = (
            number(distance.shown(one), 2) for one in (block.row_spacing_m, block.tree_spacing_m)
        )
        known.append(say("blocks.register_spacing", row=row, tree=tree, unit=distance.symbol))
    what, trees = "; ".join(known), trees_by_spacing(block)
    if trees is not None:
        return say("blocks.register_room", trees=trees, what=what)
    return say("blocks.register_ground", what=what) if known else ""


def _check_words(check: RegisterCheck) -> list[str]:
    found = say(
        "blocks.register_found",
        missing=check.missing_found,
        visited=check.visited,
        percent=percent(check.missing_found / check.visited, 1),
        registered=percent(check.missing_share, 1),
    )
    if not check.differs:
        return [found, say("blocks.register_chance")]
    return [
        found,
        say(
            "blocks.register_differs",
            counted=number(check.bearing_trees),
            registered=number(check.register_trees),
        ),
    ]


def _pollinizer_words(found: Pollinizers) -> str:
    variety = found.variety or say("blocks.register_no_variety")
    return say("blocks.register_pollinizers", n=found.trees, variety=variety)


def _strata(parts: Sequence[StratumEstimate]) -> None:
    """One line a part of the block that bears alike."""
    show.table(
        [
            {
                say("blocks.register_part"): part.name or say("blocks.part_rest"),
                say("blocks.register_full"): number(part.bearing_trees),
                say("blocks.register_photographed"): number(part.sampled),
                say("blocks.register_load"): words.range_words(part.fruit_per_tree),
            }
            for part in parts
        ]
    )
