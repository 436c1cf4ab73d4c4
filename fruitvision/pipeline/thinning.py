"""The thinning check of every block, and which comes first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from fruitvision.domain import PickPlan
from fruitvision.pipeline.standing import BlockStanding
from fruitvision.settings import Settings
from fruitvision.target import Standing
from fruitvision.thinning import RankedThinning, ThinningCheck, Verdict, check_thinning, ranked
from fruitvision.thinning_effect import Lateness
from fruitvision.worth import FarmWorth

# Days before the last pass from which on nobody thins for size. Our choice: in three weeks a fruit
# gains a few millimetres at most, and what is taken off is lost to the pick.
NEAR_PICK_DAYS = 21


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
    crop, block = standing.crop, standing.block
    diameter = crop.diameter_mm if crop else None
    return check_thinning(
        standing.walks.estimate,
        settings,
        on=on,
        last_pick=plan.picks[-1].pick_date if plan else block.pick_date,
        pick_mm=diameter.p50 if diameter else None,
    )


def too_late_for_size(
    check: ThinningCheck, standing: BlockStanding, *, on: date, plan: PickPlan | None
) -> bool:
    """Whether a block that bears too much, or may, is no longer thinned for size on a day.

    It is so late after full bloom; the last pass is near; or bloom is not known, and its size is on
    time or ahead as it hangs.
    """
    if check.verdict not in (Verdict.TAKE_OFF, Verdict.COUNT_MORE):
        return False
    last = plan.picks[-1].pick_date if plan else standing.block.pick_date
    if last is not None and (last - on).days <= NEAR_PICK_DAYS:
        return True
    if check.lateness in (Lateness.NO_BLOOM, Lateness.OTHER_YEAR):
        size = standing.size
        return size is not None and size.standing in (Standing.ON_TARGET, Standing.ABOVE)
    return check.lateness is Lateness.TOO_LATE


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
