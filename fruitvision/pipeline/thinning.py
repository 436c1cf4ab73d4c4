"""The thinning check of every block, and which comes first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from fruitvision.domain import PickPlan
from fruitvision.pipeline.standing import BlockStanding, Todo
from fruitvision.settings import Settings
from fruitvision.target import Standing
from fruitvision.thinning import RankedThinning, ThinningCheck, check_thinning, ranked
from fruitvision.worth import FarmWorth


def thinning_of(
    standing: BlockStanding, settings: Settings, *, on: date | None = None, plan: PickPlan | None
) -> ThinningCheck | None:
    """A block's load against its target; None where no walk tells it.

    Parameters
    ----------
    on : date
        The day on which somebody would thin; the day of the walk if left out.
    plan : PickPlan or None
        The block's passes, if it has a plan.
    """
    if standing.walks is None:
        return None
    crop, block, size = standing.crop, standing.block, standing.size
    diameter = crop.diameter_mm if crop else None
    return check_thinning(
        standing.walks.estimate,
        settings,
        on=on,
        last_pick=plan.picks[-1].pick_date if plan else block.pick_date,
        pick_mm=diameter.p50 if diameter else None,
        picked=standing.work.todo is Todo.PICKED,
        size_in_time=size is not None and size.standing in (Standing.ON_TARGET, Standing.ABOVE),
    )


def thinning_of_farm(
    stands: Iterable[BlockStanding],
    settings: Settings,
    *,
    on: date | None = None,
    plans: Mapping[str, PickPlan],
) -> tuple[ThinningCheck, ...]:
    """Every block that was walked, by name."""
    found = (
        thinning_of(one, settings, on=on, plan=plans.get(one.block.block_id)) for one in stands
    )
    checks = [one for one in found if one is not None]
    return tuple(sorted(checks, key=lambda one: one.block_id))


def ranked_by_worth(
    checks: Sequence[ThinningCheck], worth: FarmWorth | None
) -> tuple[RankedThinning, ...]:
    """Blocks that bear too much, by surplus fruit times what a fruit is worth where prices tell
    it; else by surplus fruit."""
    in_money = worth is not None and worth.in_money
    per_fruit = {one.block_id: one.per_fruit for one in worth.blocks} if in_money and worth else {}
    return ranked(checks, per_fruit)
