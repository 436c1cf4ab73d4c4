"""The passes that a farm keeps by now, beside those that a forecast was made with; passes moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from fruitvision.domain import Block, Forecast, Pick, PickPlan
from fruitvision.errors import ForecastError
from fruitvision.forecast.drawn_with import drawn_again_with
from fruitvision.forecast.picks import check_plan
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.block_inputs import whole_plan
from fruitvision.pipeline.entries import now_utc
from fruitvision.store import Store
from fruitvision.store.things import kept_block, kept_pick_plan


def kept_plans(store: Store, forecast: Forecast) -> Mapping[str, PickPlan]:
    """The passes of the forecast's blocks as the farm keeps them now.

    A block without a plan of its own has one pass on its pick date; one that is not on the farm any
    more, or has no date, keeps those of the forecast.
    """
    kept = store.pick_plans()
    blocks = {block.block_id: block for block in store.blocks()}
    return {
        name: kept.get(name) or _one_pass(blocks.get(name)) or one.plan
        for one in forecast.inputs
        for name in (one.estimate.block.block_id,)
    }


def farm_plans(store: Store) -> Mapping[str, PickPlan]:
    """The passes of all blocks as the farm keeps them now; none of a block without a date."""
    plans = store.pick_plans()
    found = {
        name: plans.get(name) or _one_pass(block)
        for block in store.blocks()
        for name in (block.block_id,)
    }
    return {name: plan for name, plan in found.items() if plan is not None}


def _one_pass(block: Block | None) -> PickPlan | None:
    if block is None or block.pick_date is None:
        return None
    return PickPlan(picks=(Pick(pick_date=block.pick_date),), doubling_g=0.0)


def moved_since(plans: Mapping[str, PickPlan], forecast: Forecast) -> Mapping[str, PickPlan]:
    """Of these plans, those that differ from the forecast's, ready to be drawn.

    What they leave open of days and odds is that of the forecast's settings. A plan that can't be
    of this forecast (before its walk, of another season, out of order) is left out.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    settings = drawn_again_with(forecast).settings
    found = {}
    for one in forecast.inputs:
        estimate = one.estimate
        name = estimate.block.block_id
        if name not in plans:
            continue
        plan = whole_plan(estimate, plans[name], settings, None)
        try:
            check_plan(plan, walked_on=estimate.walked_on, block_id=name)
        except ForecastError:
            continue
        if plan != one.plan:
            found[name] = plan
    return found


def moved_blocks(store: Store, forecast: Forecast) -> tuple[str, ...]:
    """Blocks that are to be picked otherwise than a forecast says: their passes were moved since,
    or it was made for other days on purpose."""
    try:
        return tuple(moved_since(kept_plans(store, forecast), forecast))
    except ForecastError:  # An earlier version's, which kept nothing to compare with.
        return ()


def moved_words(moved: Sequence[str]) -> str:
    """That these blocks are to be picked otherwise, for who sends the numbers; empty for none."""
    if not moved:
        return ""
    return (
        f"The farm's passes are not those of this forecast: {', '.join(moved)}. Make and freeze a "
        "new forecast before you send it."
    )


def check_moved(plans: Mapping[str, PickPlan], forecast: Forecast) -> None:
    """Refuse plans that can't be meant.

    Raises
    ------
    ForecastError
        If passes are out of order, before the walk, or their shares do not add up to 1.
    """
    settings = drawn_again_with(forecast).settings
    for one in forecast.inputs:
        name = one.estimate.block.block_id
        if name in plans:
            plan = whole_plan(one.estimate, plans[name], settings, None)
            check_plan(plan, walked_on=one.estimate.walked_on, block_id=name)


def keep_plans(
    new: Mapping[str, PickPlan],
    seen: Mapping[str, PickPlan],
    store: Store,
    forecast: Forecast,
    *,
    who: str,
) -> None:
    """Keep moved passes as the blocks' pick plans; a block with a pick date only has that moved.

    Forecasts stay as they are: sales works on the old dates until a new one is made and frozen.

    Parameters
    ----------
    new, seen : mapping of str to PickPlan
        Of each block, as it shall be, and as the person saw it (see `kept_plans`).

    Raises
    ------
    ForecastError
        If a plan can't be meant.
    ConflictError
        If somebody else changed the same passes meanwhile.
    """
    check_moved(new, forecast)
    planned = store.pick_plans()
    for name, plan in new.items():
        before = store.present(kept_block(name))
        if name in planned or len(plan.picks) > 1 or before is None:
            store.save_seen(
                kept_pick_plan(name),
                seen[name] if name in planned else None,
                plan,
                who=who,
                at=now_utc(),
            )
        else:
            saw = replace(before, pick_date=seen[name].picks[0].pick_date)
            save_block(replace(saw, pick_date=plan.picks[0].pick_date), saw, store, who=who)
