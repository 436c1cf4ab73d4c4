"""What changed on the farm since a forecast was made: its numbers are of what was known then.

The inputs that a forecast keeps are held against those that a new one of the same day and size
table would have. What moves no number of it (targets, a note) is no change.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fruitvision.domain import Block, BlockInputs, CropForecast, Forecast, PickPlan, SizeTable
from fruitvision.errors import FruitVisionError
from fruitvision.forecast.drawn_with import drawn_with
from fruitvision.forecast.other_cause import changed_settings
from fruitvision.pipeline.block_inputs import block_inputs, read_office
from fruitvision.pipeline.blocks import BlockWalks
from fruitvision.pipeline.learning import choices_now, learned_inputs
from fruitvision.settings import Settings, all_settings_to_text
from fruitvision.store import Store

# Settings of how finely a forecast is drawn: another one makes no number older.
NO_KNOWLEDGE = frozenset({"draws"})


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockSince:
    """What changed of a block since a forecast.

    `pick_then`, `pick_now` : the first pick; None where there is none. `causes` : names of what
    else it is forecast from, see `_parts`; `unknown` stands alone where the block can't be
    forecast any longer.
    """

    block_id: str
    pick_then: date | None
    pick_now: date | None
    causes: tuple[str, ...] = ()

    @property
    def pick_moved(self) -> bool:
        """Whether the first pick is on another day."""
        return self.pick_then != self.pick_now


@dataclass(frozen=True, slots=True, kw_only=True)
class SinceForecast:
    """What changed since a forecast: its blocks, those that are gone, settings by their names."""

    blocks: tuple[BlockSince, ...] = ()
    went: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()

    @property
    def anything(self) -> bool:
        """Whether the forecast's numbers are no longer what a new one would say."""
        return bool(self.blocks or self.went or self.settings)

    def of(self, block_id: str) -> BlockSince | None:
        """What changed of a block; None if nothing did."""
        return next((one for one in self.blocks if one.block_id == block_id), None)


def since_forecast(
    forecast: Forecast, store: Store, settings: Settings, *, walks: Sequence[BlockWalks]
) -> SinceForecast:
    """What changed since a forecast of record. Nothing is said of a what-if, which is no plan.

    Of a forecast that did not keep its inputs (earlier versions) only pick dates are compared.

    Parameters
    ----------
    walks : sequence of BlockWalks
        What `estimate_blocks` gives now.
    """
    if forecast.what_if:
        return SinceForecast()
    known = {block.block_id: block for block in store.blocks()}
    plans, made_with = store.pick_plans(), drawn_with(forecast)
    old = {one.estimate.block.block_id: one for one in forecast.inputs}
    new = (
        None
        if made_with is None
        else _inputs_now(forecast, made_with.table, store, settings, walks)
    )
    found = []
    for crop in forecast.blocks:
        if crop.name not in known:
            continue
        one = BlockSince(
            block_id=crop.name,
            pick_then=_first_pick(crop),
            pick_now=_first_pick_now(known[crop.name], plans.get(crop.name)),
            causes=() if new is None else _causes(old.get(crop.name), new.get(crop.name)),
        )
        if one.pick_moved or one.causes:
            found.append(one)
    return SinceForecast(
        blocks=tuple(found),
        went=tuple(crop.name for crop in forecast.blocks if crop.name not in known),
        settings=tuple(
            name
            for name in changed_settings(forecast.settings_text, all_settings_to_text(settings))
            if name not in NO_KNOWLEDGE
        ),
    )


def _first_pick(crop: CropForecast) -> date | None:
    return min((one.pick_date for one in crop.picks), default=crop.pick_date)


def _first_pick_now(block: Block, plan: PickPlan | None) -> date | None:
    return plan.picks[0].pick_date if plan else block.pick_date


def _inputs_now(
    forecast: Forecast,
    table: SizeTable,
    store: Store,
    settings: Settings,
    walks: Sequence[BlockWalks],
) -> dict[str, BlockInputs]:
    """What each block would be forecast from now; a block that can't be is not in it."""
    office, learned = read_office(store), choices_now(store)
    found = {}
    for walk in walks:
        try:
            inputs = block_inputs(walk, office, table, settings)
            inputs = learned_inputs(inputs, learned, table, settings, made_on=forecast.made_on)
        except FruitVisionError:
            continue
        found[walk.estimate.block.block_id] = inputs
    return found


def _causes(old: BlockInputs | None, new: BlockInputs | None) -> tuple[str, ...]:
    if old is None:
        return ()
    if new is None:
        return ("unknown",)
    before, after = _parts(old), _parts(new)
    changed = [name for name in before if before[name] != after[name]]
    moved = old.plan.picks[0].pick_date != new.plan.picks[0].pick_date
    # Another day brings another plan, and may fall under what was learned of another stage.
    return tuple(name for name in changed if not (moved and name in ("pick_plan", "learned")))


def _parts(inputs: BlockInputs) -> Mapping[str, object]:
    """What a block is forecast from, by what a person would have changed."""
    one = inputs.estimate
    seen = one.walked_on, one.trees, one.trees_per_place, one.visible_per_tree
    return {
        "register": (one.block.variety, one.block.bearing_trees, one.bearing_trees),
        "photos": seen,
        "hand_counts": one.factor,
        "sizes": one.sizes,
        "growth": inputs.growth,
        "weights": inputs.weight,
        "losses": inputs.losses,
        "pick_plan": inputs.plan,
        "learned": inputs.learned,
        "grades": inputs.grades,
    }
