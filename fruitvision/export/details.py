"""What stands behind a forecast as plain tables, the same for CSV files and workbook sheets.

weeks
    Cartons of each week and size class, large fruit first; `week` is the ISO week, `monday` its
    first day.
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

Names and heads of columns carry the unit that their numbers are in: metric ones or a user's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from math import exp

from fruitvision.domain import BlockInputs, CropForecast, Estimate, Forecast, PickPlan
from fruitvision.export.words import large_first, pick_week
from fruitvision.forecast.uses import use_numbers
from fruitvision.unit_system import METRIC, Unit, Units, per_power

Value = str | float | date | None
PERCENTILES = ("p10", "p50", "p90")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its name in CSV, its head in a workbook, and the decimals of its numbers.

    `unit` turns the metric numbers of its rows into those that are written.
    """

    name: str
    head: str
    decimals: int = 0
    unit: Unit | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DetailTable:
    """A table of a forecast. `name` ends the CSV file's name, `sheet` is the workbook's."""

    name: str
    sheet: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Value, ...], ...]


def detail_tables(forecast: Forecast, units: Units = METRIC) -> tuple[DetailTable, ...]:
    """All tables of a forecast, in the order of the sheets; those without rows keep their head."""
    metric = (
        DetailTable(name="weeks", sheet="Weeks", columns=_WEEKS, rows=tuple(_weeks(forecast))),
        DetailTable(name="grades", sheet="Grades", columns=_GRADES, rows=tuple(_grades(forecast))),
        DetailTable(
            name="picks", sheet="Picks", columns=_picks_columns(units), rows=tuple(_picks(forecast))
        ),
        DetailTable(name="bridge", sheet="Bridge", columns=_BRIDGE, rows=tuple(_bridge(forecast))),
        DetailTable(name="uses", sheet="Uses", columns=_USES, rows=tuple(_uses(forecast))),
        DetailTable(
            name="inputs",
            sheet="Inputs",
            columns=_inputs_columns(units),
            rows=tuple(_inputs(forecast, units)),
        ),
    )
    return tuple(_in_units(table) for table in metric)


def _in_units(table: DetailTable) -> DetailTable:
    """The table with every number in the unit of its column."""
    rows = (
        tuple(map(_in_unit, row, (column.unit for column in table.columns))) for row in table.rows
    )
    return replace(table, rows=tuple(rows))


def _in_unit(value: Value, unit: Unit | None) -> Value:
    return unit.shown(value) if unit is not None and isinstance(value, int | float) else value


def _text(name: str, head: str) -> Column:
    return Column(name=name, head=head)


def _number(name: str, head: str, decimals: int, unit: Unit | None = None) -> Column:
    return Column(
        name=name,
        head=head,
        decimals=decimals if unit is None else unit.decimals(decimals),
        unit=unit,
    )


def _range(name: str, head: str, decimals: int, unit: Unit | None = None) -> tuple[Column, ...]:
    """Three columns: P10, P50, P90."""
    return tuple(
        _number(f"{name}_{percentile}", head.format(percentile.upper()), decimals, unit)
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
        for monday, rows in groupby(crop.weeks, key=lambda row: row.week):
            for row in large_first(rows):
                week = pick_week(monday)
                yield (level, name, week, monday, row.size_class, *_three(row.cartons))


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
        for grade, rows in groupby(crop.grades, key=lambda row: row.grade):
            for row in large_first(rows):
                yield (level, name, grade, row.size_class, *_three(row.cartons))


def _picks_columns(units: Units) -> tuple[Column, ...]:
    size = units.diameter
    return (
        _text("block", "Block"),
        _text("variety", "Variety"),
        _number("pass", "Pass", 0),
        _text("pick_date", "Pick date"),
        *_range("fruit", "Picked {} (fruit)", 0),
        *_range(f"diameter_{size.name}", f"Mean diameter {{}} ({size.symbol})", 1, size),
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


def _inputs_columns(units: Units) -> tuple[Column, ...]:
    size, cube, fruit = units.diameter, units.cube, units.fruit
    rule = f"{fruit.symbol} per {size.symbol}^power"
    return (
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
        _number(f"diameter_{size.name}", f"Mean diameter ({size.symbol})", 2, size),
        _number(
            f"diameter_error_{size.name}",
            f"Mean diameter, standard error ({size.symbol})",
            2,
            size,
        ),
        _number(f"diameter_sd_{size.name}", f"Spread of diameter ({size.symbol})", 2, size),
        _number(f"growth_{cube.name}_per_day", f"Growth of D³ ({cube.symbol} per day)", 0, cube),
        _number(
            f"growth_error_{cube.name}_per_day",
            f"Growth, standard error ({cube.symbol} per day)",
            0,
            cube,
        ),
        _text("growth_source", "Growth from"),
        _number("weight_factor", f"Weight rule, factor ({rule})", 9),
        _number("weight_power", "Weight rule, power", 3),
        _number("weight_scatter", "Weight at one diameter, spread (share)", 3),
        _text("weight_source", "Weight from"),
        _number("drop_share", "Dropped (share)", 3),
        _number("cull_share", "Culled (share)", 3),
        _text("cull_share_by_class", "Culled by class (share)"),
        _number("left_share", "Left on the tree (share)", 3),
        _text("passes", "Passes (day, share)"),
        _number("learned_fruit_factor", "Learned of past seasons: factor on the fruit", 3),
        _number("learned_fruit_factor_error", "Learned factor, relative standard error", 3),
        _number(
            f"learned_diameter_{size.name}",
            f"Learned: added to the diameter at the pick ({size.symbol})",
            2,
            size,
        ),
        _number("learned_cull_share", "Learned: added to the culled share", 3),
        _text("learned_accepted_by", "Learned, accepted by"),
    )


def _inputs(forecast: Forecast, units: Units) -> Iterator[tuple[Value, ...]]:
    for inputs in forecast.inputs:
        yield (
            *_counted(inputs), *_sized(inputs), *_to_the_pick(inputs, units), *_learned(inputs)
        )  # fmt: skip


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


def _to_the_pick(inputs: BlockInputs, units: Units) -> tuple[Value, ...]:
    growth, weight, losses = inputs.growth, inputs.weight, inputs.losses
    return (
        growth.mm3_per_day,
        growth.mm3_per_day_error,
        growth.source,
        per_power(units.fruit, units.diameter, weight.factor, weight.power),
        weight.power,
        weight.scatter,
        weight.source,
        losses.drop_share,
        losses.cull_share,
        "; ".join(f"{one.size_class} {one.cull_share:.3g}" for one in losses.culls_by_class),
        inputs.plan.left_share,
        passes_words(inputs.plan),
    )


def _learned(inputs: BlockInputs) -> tuple[Value, ...]:
    learned = inputs.learned
    if learned is None:
        return (None, None, None, None, "")
    return (
        exp(learned.count.value),
        learned.count.error,
        learned.size_mm.value,
        learned.cull.value,
        learned.who,
    )


def passes_words(plan: PickPlan) -> str:
    """`2026-09-03 40 %; 2026-09-10 60 %`."""
    return "; ".join(f"{pick.pick_date} {100 * pick.share:.3g} %" for pick in plan.picks)
