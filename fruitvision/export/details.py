"""What stands behind a forecast as plain tables, the same for CSV files and workbook sheets.

weeks
    Cartons of each week and size class; `week` is the ISO week, `monday` its first day.
grades
    Cartons of each grade and size class, where the farm gives grades.
picks
    What each pass through a block brings in.
bridge
    Why the expected cartons differ from an earlier forecast: before, one row a cause, now.
uses
    The number that each use works with, and the chance that less comes in.
inputs
    What each block is forecast from: counts, hidden fruit, sizes, growth, weights, losses, picks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from fruitvision.domain import BlockInputs, CropForecast, Estimate, Forecast, PickPlan
from fruitvision.export.words import pick_week
from fruitvision.forecast.uses import use_numbers

Value = str | float | date | None
PERCENTILES = ("p10", "p50", "p90")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its name in CSV, its head in a workbook, and the decimals of its numbers."""

    name: str
    head: str
    decimals: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DetailTable:
    """A table of a forecast. `name` ends the CSV file's name, `sheet` is the workbook's."""

    name: str
    sheet: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Value, ...], ...]


def detail_tables(forecast: Forecast) -> tuple[DetailTable, ...]:
    """All tables of a forecast, in the order of the sheets; those without rows keep their head."""
    return (
        DetailTable(name="weeks", sheet="Weeks", columns=_WEEKS, rows=tuple(_weeks(forecast))),
        DetailTable(name="grades", sheet="Grades", columns=_GRADES, rows=tuple(_grades(forecast))),
        DetailTable(name="picks", sheet="Picks", columns=_PICKS, rows=tuple(_picks(forecast))),
        DetailTable(name="bridge", sheet="Bridge", columns=_BRIDGE, rows=tuple(_bridge(forecast))),
        DetailTable(name="uses", sheet="Uses", columns=_USES, rows=tuple(_uses(forecast))),
        DetailTable(name="inputs", sheet="Inputs", columns=_INPUTS, rows=tuple(_inputs(forecast))),
    )


def _text(name: str, head: str) -> Column:
    return Column(name=name, head=head)


def _number(name: str, head: str, decimals: int) -> Column:
    return Column(name=name, head=head, decimals=decimals)


def _range(name: str, head: str, decimals: int) -> tuple[Column, ...]:
    """Three columns: P10, P50, P90."""
    return tuple(
        Column(name=f"{name}_{percentile}", head=head.format(percentile.upper()), decimals=decimals)
        for percentile in PERCENTILES
    )


def _three(estimate: Estimate | None) -> tuple[float | None, ...]:
    if estimate is None:
        return (None, None, None)
    return (estimate.p10, estimate.p50, estimate.p90)


# ---------------------------------------------------------------- weeks and picks

_WEEKS = (
    _text("level", "Level"),
    _text("name", "Name"),
    _text("week", "Week"),
    _text("monday", "Monday"),
    _text("size_class", "Size class"),
    *_range("cartons", "{} (cartons)", 1),
)


def _weeks(forecast: Forecast) -> Iterator[tuple[Value, ...]]:
    for level, name, crop in _crops(forecast):
        for row in crop.weeks:
            week = pick_week(row.week)
            yield (level, name, week, row.week, row.size_class, *_three(row.cartons))


def _crops(forecast: Forecast) -> Iterator[tuple[str, str, CropForecast]]:
    """Level, name and crop: varieties, the farm, its blocks."""
    for crop in forecast.varieties:
        yield ("variety", crop.name, crop)
    yield ("farm", forecast.farm, forecast.total)
    for crop in forecast.blocks:
        yield ("block", crop.name, crop)


_GRADES = (
    _text("level", "Level"),
    _text("name", "Name"),
    _text("grade", "Grade"),
    _text("size_class", "Size class"),
    *_range("cartons", "{} (cartons)", 1),
)


def _grades(forecast: Forecast) -> Iterator[tuple[Value, ...]]:
    for level, name, crop in _crops(forecast):
        for row in crop.grades:
            yield (level, name, row.grade, row.size_class, *_three(row.cartons))


_PICKS = (
    _text("block", "Block"),
    _text("variety", "Variety"),
    _number("pass", "Pass", 0),
    _text("pick_date", "Pick date"),
    *_range("fruit", "Picked {} (fruit)", 0),
    *_range("diameter_mm", "Mean diameter {} (mm)", 1),
    *_range("bins", "Picked {} (bins)", 1),
    *_range("cartons", "Packed {} (cartons)", 1),
)


def _picks(forecast: Forecast) -> Iterator[tuple[Value, ...]]:
    for crop in forecast.blocks:
        for number, one in enumerate(crop.picks, start=1):
            estimates = (one.fruit, one.diameter_mm, one.bins, one.cartons)
            numbers = (value for estimate in estimates for value in _three(estimate))
            yield (crop.name, crop.variety, number, one.pick_date, *numbers)


# ---------------------------------------------------------------- bridge and uses

_BRIDGE = (
    _text("earlier_forecast", "Earlier forecast"),
    _text("step", "Step"),
    _number("expected_cartons", "Expected (cartons)", 1),
)


def _bridge(forecast: Forecast) -> Iterator[tuple[Value, ...]]:
    bridge = forecast.bridge
    if bridge is None:
        return
    yield (bridge.earlier_id, "before", bridge.earlier_cartons)
    for step in bridge.steps:
        yield (bridge.earlier_id, step.cause, step.cartons)
    yield (bridge.earlier_id, "now", bridge.cartons)


_USES = (
    _text("level", "Level"),
    _text("name", "Name"),
    _text("use", "Use"),
    _number("quantile", "Chance that less comes in", 2),
    _number("value", "Number", 1),
    _text("unit", "Unit"),
)


def _uses(forecast: Forecast) -> Iterator[tuple[Value, ...]]:
    for one in use_numbers(forecast):
        yield (one.level, one.name, one.use, one.quantile, one.value, one.unit)


# ---------------------------------------------------------------- inputs

_INPUTS = (
    _text("block", "Block"),
    _text("walked_on", "Walk"),
    _number("trees", "Photographed (trees)", 0),
    _number("bearing_trees", "Bearing (full trees)", 1),
    _number("bearing_trees_error", "Bearing, standard error (full trees)", 1),
    _number("visible_per_tree", "Visible (fruit per tree)", 2),
    _number("hidden_fruit_factor", "Hidden-fruit factor", 3),
    _number("hidden_fruit_factor_error", "Hidden-fruit factor, standard error", 3),
    _number("hand_counts", "Counted by hand (trees)", 0),
    _text("like_blocks", "Hand counts also of"),
    _number("fruit_per_tree", "Fruit per tree", 2),
    _number("fruit_per_tree_error", "Fruit per tree, standard error", 2),
    _number("diameter_mm", "Mean diameter (mm)", 2),
    _number("diameter_error_mm", "Mean diameter, standard error (mm)", 2),
    _number("diameter_sd_mm", "Spread of diameter (mm)", 2),
    _number("growth_mm3_per_day", "Growth of D³ (mm³ per day)", 0),
    _number("growth_error_mm3_per_day", "Growth, standard error (mm³ per day)", 0),
    _text("growth_source", "Growth from"),
    _number("weight_factor", "Weight rule, factor (g per mm^power)", 9),
    _number("weight_power", "Weight rule, power", 3),
    _number("weight_scatter", "Weight at one diameter, spread (share)", 3),
    _text("weight_source", "Weight from"),
    _number("drop_share", "Dropped (share)", 3),
    _number("cull_share", "Culled (share)", 3),
    _text("cull_share_by_class", "Culled by class (share)"),
    _number("left_share", "Left on the tree (share)", 3),
    _text("passes", "Passes (day, share)"),
)


def _inputs(forecast: Forecast) -> Iterator[tuple[Value, ...]]:
    for inputs in forecast.inputs:
        yield (*_counted(inputs), *_sized(inputs), *_to_the_pick(inputs))


def _counted(inputs: BlockInputs) -> tuple[Value, ...]:
    estimate, factor = inputs.estimate, inputs.estimate.factor
    trees = estimate.bearing_trees
    return (
        estimate.block.block_id,
        estimate.walked_on,
        estimate.trees_seen,
        estimate.block.bearing_trees if trees is None else trees,
        estimate.bearing_trees_error,
        estimate.visible_per_tree,
        factor.factor if factor else None,
        factor.factor_error if factor else None,
        factor.trees if factor else 0,
        ", ".join(factor.pooled_blocks) if factor else "",
        estimate.fruit_per_tree_mean,
        estimate.fruit_per_tree_error,
    )


def _sized(inputs: BlockInputs) -> tuple[Value, ...]:
    sizes = inputs.estimate.sizes
    if sizes is None:
        return (None, None, None)
    shared_mm = sizes.shared_error * sizes.mean_mm
    error = (sizes.mean_error_mm**2 + shared_mm**2) ** 0.5
    return (sizes.mean_mm, error, sizes.sd_mm)


def _to_the_pick(inputs: BlockInputs) -> tuple[Value, ...]:
    growth, weight, losses = inputs.growth, inputs.weight, inputs.losses
    return (
        growth.mm3_per_day,
        growth.mm3_per_day_error,
        growth.source,
        weight.factor,
        weight.power,
        weight.scatter,
        weight.source,
        losses.drop_share,
        losses.cull_share,
        "; ".join(f"{one.size_class} {one.cull_share:.3g}" for one in losses.culls_by_class),
        inputs.plan.left_share,
        passes_words(inputs.plan),
    )


def passes_words(plan: PickPlan) -> str:
    """`2026-09-03 40 %; 2026-09-10 60 %`."""
    return "; ".join(f"{pick.pick_date} {100 * pick.share:.3g} %" for pick in plan.picks)
