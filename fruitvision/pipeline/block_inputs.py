"""What each block is forecast from: its estimate, and what the farm keeps of picks, weights,
culls and grades."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Protocol, TypeVar

from fruitvision.domain import (
    BlockEstimate,
    BlockInputs,
    ClassCull,
    ClassGrade,
    Losses,
    PickPlan,
    SizeTable,
    VarietyCull,
    VarietyGrade,
    WeighedFruit,
    WeightRule,
)
from fruitvision.errors import ForecastError, did_you_mean
from fruitvision.forecast.inputs import default_losses
from fruitvision.forecast.picks import moved, strip_pick
from fruitvision.forecast.weight import FEWEST_WEIGHED, weight_rule
from fruitvision.pipeline.blocks import BlockWalks
from fruitvision.pipeline.measured_walks import of_season
from fruitvision.pipeline.photos import Refused
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table, shipped_size_tables
from fruitvision.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class OfficeRecord:
    """What the office knows of all blocks and varieties."""

    plans: Mapping[str, PickPlan]
    weighed: tuple[WeighedFruit, ...]
    culls: tuple[VarietyCull, ...]
    grades: tuple[VarietyGrade, ...]


def read_office(store: Store) -> OfficeRecord:
    """Pick plans, weighed fruit, culls and grades of a farm."""
    return OfficeRecord(
        plans=store.pick_plans(),
        weighed=store.weighed_fruit(),
        culls=store.culls(),
        grades=store.grades(),
    )


def block_inputs(
    walk: BlockWalks,
    office: OfficeRecord,
    table: SizeTable,
    settings: Settings,
    *,
    first_pick: date | None = None,
) -> BlockInputs:
    """All that a block is forecast from.

    A block without a plan of its own is picked once on its pick date. Culls and grades are those
    of the classes that the size table has.

    Parameters
    ----------
    first_pick : date, optional
        Another day for the first pass; the others move with it.

    Raises
    ------
    ForecastError
        If the block has neither plan nor pick date.
    FieldDataError
        If the weighed fruit of its variety make no sense.
    """
    estimate = walk.estimate
    plan = whole_plan(estimate, office.plans.get(estimate.block.block_id), settings, first_pick)
    block = replace(estimate.block, pick_date=plan.picks[0].pick_date)
    return BlockInputs(
        estimate=replace(estimate, block=block),
        growth=walk.growth,
        weight=_weight(block.variety, office.weighed, estimate.walked_on, settings),
        losses=_losses(block.variety, office.culls, table, settings),
        plan=plan,
        grades=tuple(
            ClassGrade(size_class=row.size_class, grade=row.grade, share=row.share)
            for row in _of_classes(block.variety, office.grades, table)
        ),
    )


# ---------------------------------------------------------------- picks and weights


def whole_plan(
    estimate: BlockEstimate, plan: PickPlan | None, settings: Settings, first_pick: date | None
) -> PickPlan:
    """The passes; what the plan does not say of days and odds is that of the settings.

    Raises
    ------
    ForecastError
        If there is neither plan nor pick date.
    """
    first = first_pick or estimate.block.pick_date
    if plan is None:
        if first is None:
            raise ForecastError("There is no pick date.", fix="Enter the day of the pick.")
        return strip_pick(first, settings)
    if first_pick is not None:
        plan = moved(plan, days=(first_pick - plan.picks[0].pick_date).days)
    error_days = settings.pick_date_error_days
    picks = (
        replace(pick, date_error_days=pick.date_error_days or error_days) for pick in plan.picks
    )
    return replace(plan, picks=tuple(picks), doubling_g=plan.doubling_g or settings.pick_doubling_g)


def _weight(
    variety: str, weighed: Sequence[WeighedFruit], walked_on: date, settings: Settings
) -> WeightRule:
    """The variety's rule by the fruit weighed this season, by all its fruit where these are few."""
    of_variety = [fruit for fruit in weighed if fruit.variety == variety]
    now = [fruit for fruit in of_variety if of_season(fruit.weighed_on, walked_on)]
    return weight_rule(now if len(now) >= FEWEST_WEIGHED else of_variety, settings)


# ---------------------------------------------------------------- culls and grades


class _OfAClass(Protocol):
    @property
    def variety(self) -> str: ...
    @property
    def size_class(self) -> str: ...


ClassRow = TypeVar("ClassRow", bound=_OfAClass)


def _losses(
    variety: str, culls: Sequence[VarietyCull], table: SizeTable, settings: Settings
) -> Losses:
    """The settings' losses, with the variety's own culls for the classes that it has them for."""
    own = _of_classes(variety, culls, table)
    return replace(
        default_losses(settings),
        culls_by_class=tuple(
            ClassCull(
                size_class=row.size_class,
                cull_share=row.cull_share,
                cull_share_error=row.cull_share_error,
            )
            for row in own
        ),
    )


def _of_classes(variety: str, rows: Sequence[ClassRow], table: SizeTable) -> list[ClassRow]:
    """Rows of a variety, or those for all where it has none, of the table's classes in order."""
    own = [row for row in rows if row.variety == variety]
    mine = own or [row for row in rows if not row.variety]
    order = {one.name: number for number, one in enumerate(table.classes)}
    known = (row for row in mine if row.size_class in order)
    return sorted(known, key=lambda row: order[row.size_class])


def unknown_classes(office: OfficeRecord, table: SizeTable) -> tuple[Refused, ...]:
    """Classes of culls and grades that neither this size table nor a shipped one has.

    A farm may keep the culls of several size tables; a name that is in none of them is a slip.
    """
    names = [one.name for one in table.classes]
    shipped = {one.name for name in shipped_size_tables() for one in load_size_table(name).classes}
    return tuple(
        Refused(
            name=f"{what}, class {size_class}",
            what=f"The size table {table.name} has no class '{size_class}'.",
            fix=did_you_mean(size_class, names),
        )
        for what, rows in (("culls", office.culls), ("grades", office.grades))
        for size_class in dict.fromkeys(row.size_class for row in rows)
        if size_class not in shipped.union(names)
    )
