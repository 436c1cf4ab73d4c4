"""Why a forecast differs from an earlier one: one cause after the other, in cartons.

Both forecasts are drawn with the same random numbers. Starting from the earlier inputs, one group
of them after the other is exchanged for the new one; what the expected cartons change by is that
group's step. The steps add up to the whole change, whatever the order; the order is that of the
work. `stages` does it for every variety, week and size class; `bridge` adds them all up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date

from fruitvision.domain import (
    BlockEstimate,
    BlockInputs,
    Bridge,
    BridgeStep,
    Forecast,
    SizeTable,
)
from fruitvision.forecast.crop_draws import cartons_by_week
from fruitvision.forecast.draw import draw_unchecked
from fruitvision.forecast.drawn_with import DrawnWith
from fruitvision.forecast.shared import draw_shared

# Draws of a bridge. Our choice: with the same random numbers on both sides 500 tell a step to about
# a hundredth of itself, and explaining a forecast takes no longer than making it.
MOST_DRAWS = 500

Exchange = Callable[[BlockInputs, BlockInputs], BlockInputs]


# Expected cartons by variety, Monday of the week, and size class.
Cell = tuple[str, date, str]
Cells = Mapping[Cell, float]


def bridge(
    earlier: Forecast,
    now: Sequence[BlockInputs],
    drawn_with: DrawnWith,
    *,
    earlier_with: DrawnWith | None = None,
) -> Bridge:
    """Steps in expected cartons from an earlier forecast to the one of these inputs.

    A block that can have no cartons (no hand counts, no sizes) counts as 0. New and gone blocks,
    size table and settings are the last step, `other`.

    Parameters
    ----------
    earlier : Forecast
        With the inputs that it was drawn from.
    now : sequence of BlockInputs
        The new forecast's inputs.
    drawn_with : DrawnWith
        The new forecast's size table and settings.
    earlier_with : DrawnWith, optional
        Those of the earlier forecast, if they were others.
    """
    totals = [
        sum(cells.values()) for cells in stages(earlier, now, drawn_with, earlier_with=earlier_with)
    ]
    return Bridge(
        earlier_id=earlier.forecast_id,
        earlier_cartons=totals[0],
        steps=steps_between(totals),
        cartons=totals[-1],
    )


def steps_between(stage_cartons: Sequence[float]) -> tuple[BridgeStep, ...]:
    """The step of each cause, from the expected cartons at every stage."""
    return tuple(
        BridgeStep(cause=cause, cartons=after - before)
        for cause, before, after in zip(CAUSES, stage_cartons[:-1], stage_cartons[1:], strict=True)
    )


def stages(
    earlier: Forecast,
    now: Sequence[BlockInputs],
    drawn_with: DrawnWith,
    *,
    earlier_with: DrawnWith | None = None,
) -> tuple[Cells, ...]:
    """Expected cartons of every cell: as they were, then after each of `CAUSES`.

    Parameters are those of `bridge`. A cell that is not there holds 0.
    """
    after = _Expected(drawn_with)
    before = after if earlier_with in (None, drawn_with) else _Expected(earlier_with)
    old = {one.estimate.block.block_id: one for one in earlier.inputs}
    new = {one.estimate.block.block_id: one for one in now}
    found: list[dict[Cell, float]] = [{} for _ in range(len(CAUSES) + 1)]
    for name, inputs in old.items():
        of_block = _stages(inputs, new.get(name, inputs), before)
        for cells, added in zip(found[:-1], of_block, strict=True):
            _add_to(cells, added)
    for inputs in new.values():
        _add_to(found[-1], after(inputs))
    return tuple(found)


def _stages(old: BlockInputs, new: BlockInputs, expected: _Expected) -> list[Cells]:
    """Expected cartons of a block: as it was, then after each exchange."""
    values, inputs = [expected(old)], old
    for exchange in EXCHANGES.values():
        inputs = exchange(inputs, new)
        values.append(expected(inputs))
    return values


def _add_to(cells: dict[Cell, float], added: Cells) -> None:
    for cell, cartons in added.items():
        cells[cell] = cells.get(cell, 0.0) + cartons


class _Expected:
    """Mean cartons of a block over the draws; the random numbers are the same at every call."""

    def __init__(self, drawn_with: DrawnWith) -> None:
        self._table = drawn_with.table
        draws = min(drawn_with.settings.draws, MOST_DRAWS)
        self._settings = replace(drawn_with.settings, draws=draws)
        self._shared = draw_shared(self._settings)
        self._last: dict[str, tuple[BlockInputs, Cells]] = {}

    def __call__(self, inputs: BlockInputs) -> Cells:
        inputs = _without_other_classes(inputs, self._table)
        name = inputs.estimate.block.block_id
        if name in self._last and self._last[name][0] == inputs:
            return self._last[name][1]
        cells = self._cells(inputs)
        self._last[name] = inputs, cells
        return cells

    def _cells(self, inputs: BlockInputs) -> Cells:
        variety = inputs.estimate.block.variety
        drawn = draw_unchecked(inputs, self._table, self._settings, self._shared)
        return {
            (variety, date.fromordinal(monday), size_class.name): float(mean)
            for monday, cartons in cartons_by_week(drawn).items()
            for size_class, mean in zip(self._table.classes, cartons.mean(axis=0), strict=True)
        }


def _without_other_classes(inputs: BlockInputs, table: SizeTable) -> BlockInputs:
    """Without culls of classes that this table lacks (another table is part of `other`), and
    without grades, which move no carton in or out."""
    names = {size_class.name for size_class in table.classes}
    culls = tuple(c for c in inputs.losses.culls_by_class if c.size_class in names)
    return replace(inputs, losses=replace(inputs.losses, culls_by_class=culls), grades=())


# ---------------------------------------------------------------- exchanges


def _register(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    """Trees of the block."""
    return _with_estimate(
        inputs,
        block=new.estimate.block,
        bearing_trees=new.estimate.bearing_trees,
        bearing_trees_error=new.estimate.bearing_trees_error,
    )


def _count(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    """Visible fruit per tree, with the hidden-fruit factor as it was."""
    kept, found = inputs.estimate, new.estimate
    per_tree = found.fruit_per_tree_mean / _factor(found) * _factor(kept)
    scale = per_tree / found.fruit_per_tree_mean if found.fruit_per_tree_mean > 0 else 1.0
    return _with_estimate(
        inputs,
        trees=found.trees,
        trees_per_place=found.trees_per_place,
        visible_per_tree=found.visible_per_tree,
        fruit_per_tree_mean=per_tree,
        fruit_per_tree_error=found.fruit_per_tree_error * scale,
        degrees_of_freedom=found.degrees_of_freedom,
        sampling_error=found.sampling_error * scale,
    )


def _factor(estimate: BlockEstimate) -> float:
    """The hidden-fruit factor; 1 where visible fruit are all that is known."""
    return 1.0 if estimate.factor is None else max(estimate.factor.factor, 1e-9)


def _hidden_fruit(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    """The hidden-fruit factor, and with it all of the number of fruit."""
    return replace(
        inputs,
        estimate=replace(
            new.estimate, sizes=inputs.estimate.sizes, walked_on=inputs.estimate.walked_on
        ),
    )


def _size(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    """Diameters, on their day, and what they weigh."""
    return replace(inputs, estimate=new.estimate, weight=new.weight)


def _growth(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    return replace(inputs, growth=new.growth)


def _drop(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    losses = replace(
        inputs.losses,
        drop_share=new.losses.drop_share,
        drop_share_error=new.losses.drop_share_error,
    )
    return replace(inputs, losses=losses)


def _culls(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    return replace(inputs, losses=new.losses)


def _pick_plan(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    return replace(inputs, plan=new.plan)


def _learned(inputs: BlockInputs, new: BlockInputs) -> BlockInputs:
    """What was learned of past seasons and accepted."""
    return replace(inputs, learned=new.learned)


def _with_estimate(inputs: BlockInputs, **changes: object) -> BlockInputs:
    return replace(inputs, estimate=replace(inputs.estimate, **changes))  # type: ignore[arg-type]


# What is exchanged, in the order of the work.
EXCHANGES: dict[str, Exchange] = {
    "register": _register,
    "count": _count,
    "hidden fruit": _hidden_fruit,
    "size": _size,
    "growth": _growth,
    "drop": _drop,
    "culls": _culls,
    "pick plan": _pick_plan,
    "learned": _learned,
}
# What moves a forecast: every exchange, and what no exchange holds.
CAUSES = (*EXCHANGES, "other")
