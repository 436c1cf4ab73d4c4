"""Many seasons without pictures: one line per season and block."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from fruitvision.domain import SizeTable
from fruitvision.errors import SimulationError
from fruitvision.simulate.season.dial import check_seed
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.fates import CULLED, DROPPED, LEFT_ON_TREE
from fruitvision.simulate.season.harvest import harvest
from fruitvision.simulate.season.plan import BlockPlan, check_farm
from fruitvision.simulate.season.walk import Walk, WalkErrors, walk
from fruitvision.size_table import load_size_table

# Seasons that one process makes at a time. Our choice: a second's work, so that rows flow.
SEASONS_AT_ONCE = 8
# Cartons are counted by this shipped table unless another is given. Our choice.
USUAL_TABLE = "box_counts_42lb"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonRow:
    """One block in one season: its truth, and what a walk saw of it. NaN: there is no such fruit.

    `fruit_set` hung before June drop and `fruit` after it; `fruit` = `dropped` + `left` + the sum
    of `picked`, one number a pick. `culled_share` is of the picked fruit. `seen_per_tree`,
    `hand_per_seen`, `photo_mm` and `caliper_mm` are what the walk had.
    """

    season: int
    seed: int
    block_id: str
    variety: str
    trees: int
    fruit_set: int
    june_drop_share: float
    fruit: int
    fruit_per_tree: float
    fruit_per_tree_cv: float
    walk_mm: float
    dropped: int
    left: int
    picked: tuple[int, ...]
    pick_mm: float
    tonnes: float
    culled_share: float
    cartons: float
    class_names: tuple[str, ...]
    class_cartons: tuple[float, ...]
    seen_per_tree: float
    hand_per_seen: float
    photo_mm: float
    caliper_mm: float


def run_seasons(
    plans: Sequence[BlockPlan],
    seasons: int,
    seed: int,
    *,
    workers: int = 1,
    errors: WalkErrors | None = None,
    table: SizeTable | None = None,
) -> Iterator[SeasonRow]:
    """Draw, walk and harvest `seasons` seasons of the farm, one row per season and block.

    Season 0 is `draw_season(seed, plans)`, season 1 that of `seed + 1`, and so on. Rows come in
    order and are the same whatever `workers` is; the fruit of a finished season are not kept.

    Raises
    ------
    SimulationError
        If `seasons`, `seed` or `workers` is out of range, or blocks share a letter or name.
    """
    check_farm(plans)
    check_seed(seed)
    for name, value in (("seasons", seasons), ("workers", workers)):
        if value < 1:
            raise SimulationError(f"The number of {name} is {value}.", fix="Give 1 or more.")
    check_seed(seed + seasons)
    task = _Task(
        plans=tuple(plans),
        seed=seed,
        errors=errors or WalkErrors(),
        table=table or load_size_table(USUAL_TABLE),
    )
    return _rows(task, seasons, workers)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    plans: tuple[BlockPlan, ...]
    seed: int
    errors: WalkErrors
    table: SizeTable


def _rows(task: _Task, seasons: int, workers: int) -> Iterator[SeasonRow]:
    parts = [
        range(first, min(first + SEASONS_AT_ONCE, seasons))
        for first in range(0, seasons, SEASONS_AT_ONCE)
    ]
    if workers == 1 or len(parts) == 1:
        for part in parts:
            yield from _some_seasons(task, part)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for rows in pool.map(_some_seasons, [task] * len(parts), parts):
            yield from rows


def _some_seasons(task: _Task, seasons: range) -> list[SeasonRow]:
    return [
        _row(block, season, task)
        for season in seasons
        for block in draw_season(task.seed + season, task.plans)
    ]


def _row(block: SeasonBlock, season: int, task: _Task) -> SeasonRow:
    counts, fates = block.fruit_counts(), block.fate_counts().sum(axis=0)
    results = harvest(block, task.table)
    harvested = sum(result.fruit for result in results)
    cartons = np.sum([result.cartons for result in results], axis=0)
    fruit, fruit_set = int(counts.sum()), int(block.set_count.sum())
    seed = task.seed + season
    seen = walk(block, seed, task.errors)
    return SeasonRow(
        season=season,
        seed=seed,
        block_id=block.plan.block_id,
        variety=block.plan.variety,
        trees=len(counts),
        fruit_set=fruit_set,
        june_drop_share=_share(fruit_set - fruit, fruit_set),
        fruit=fruit,
        fruit_per_tree=fruit / len(counts),
        fruit_per_tree_cv=_cv(counts),
        walk_mm=_mean(block.diameter_mm),
        dropped=int(fates[DROPPED]),
        left=int(fates[LEFT_ON_TREE]),
        picked=tuple(result.fruit for result in results),
        pick_mm=_mean(block.pick_mm[block.pick > 0]),
        tonnes=sum(result.tonnes for result in results),
        culled_share=_share(int(fates[CULLED]), harvested),
        cartons=float(cartons.sum()),
        class_names=tuple(size_class.name for size_class in task.table.classes),
        class_cartons=tuple(cartons.tolist()),
        seen_per_tree=_mean([tree.visible_count for tree in seen.trees]),
        hand_per_seen=_hand_per_seen(seen),
        photo_mm=_mean([mm for tree in seen.trees for mm in tree.diameters_mm]),
        caliper_mm=_mean(
            [r.diameter_mm for r in seen.readings if r.measured_on == block.plan.walked_on]
        ),
    )


def _hand_per_seen(seen: Walk) -> float:
    """Fruit counted by hand over fruit seen, on the hand-counted trees."""
    counted = {count.tree: count.fruit_count for count in seen.hand_counts}
    visible = sum(tree.visible_count for tree in seen.trees if tree.tree in counted)
    return _share(sum(counted.values()), visible)


def _share(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


def _mean(values: Sequence[float] | np.ndarray) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


def _cv(counts: np.ndarray) -> float:
    return _share(float(counts.std(ddof=1)) if len(counts) > 1 else 0.0, float(counts.mean()))


# ---------------------------------------------------------------- in words and as a table

# Number, its words, digits after the point.
_LINES = (
    ("fruit_per_tree", "fruit per tree after June drop", 1),
    ("fruit_per_tree_cv", "  spread among trees (CV)", 3),
    ("june_drop_share", "June drop, share of the set", 3),
    ("walk_mm", "mean mm at the walk", 1),
    ("pick_mm", "mean mm at the pick", 1),
    ("dropped", "fruit dropped before the pick", 0),
    ("left", "fruit left on the trees", 0),
    ("culled_share", "culled, share of the picked", 3),
    ("tonnes", "tonnes picked", 1),
    ("cartons", "cartons packed", 0),
    ("seen_per_tree", "seen: fruit per tree, both faces", 1),
    ("hand_per_seen", "seen: hand count over seen", 3),
    ("photo_mm", "seen: mean mm in photos", 1),
    ("caliper_mm", "seen: mean mm by calipers", 1),
)


def season_lines(rows: Iterable[SeasonRow]) -> list[str]:
    """A plain table per block: mean and P10-P90 over the seasons."""
    blocks: dict[str, list[SeasonRow]] = {}
    for row in rows:
        blocks.setdefault(row.block_id, []).append(row)
    lines: list[str] = []
    for of_block in blocks.values():
        lines += ["", *_block_lines(of_block)]
    return lines[1:]


def _block_lines(rows: Sequence[SeasonRow]) -> list[str]:
    first = rows[0]
    lines = [
        f"{first.block_id}, {first.variety}: {len(rows):,} seasons, {first.trees:,} bearing trees",
        f"  {'':<34}{'mean':>10}{'P10':>10}{'P90':>10}",
    ]
    for name, words, digits in _LINES:
        lines.append(_line(words, [getattr(row, name) for row in rows], digits))
    for index in range(len(first.picked)):
        lines.append(_line(f"picked in pick {index + 1}", [r.picked[index] for r in rows], 0))
    for index, name in enumerate(first.class_names):
        cartons = [row.class_cartons[index] for row in rows]
        if max(cartons) >= 0.5:
            lines.append(_line(f"cartons of class {name}", cartons, 0))
    return lines


def _line(words: str, values: Sequence[float], digits: int) -> str:
    known = np.array([value for value in values if not np.isnan(value)], dtype=np.float64)
    if not len(known):
        return f"  {words:<34}{'none':>10}"
    numbers = (known.mean(), *np.quantile(known, (0.1, 0.9)))
    return f"  {words:<34}" + "".join(f"{number:>10,.{digits}f}" for number in numbers)


def write_season_rows(rows: Iterable[SeasonRow], path: Path) -> Path:
    """Write the rows as CSV, one line per season and block; what is not there is left empty."""
    kept = list(rows)
    picks = max((len(row.picked) for row in kept), default=0)
    classes = kept[0].class_names if kept else ()
    names = [field.name for field in fields(SeasonRow)]
    plain = [name for name in names if name not in ("picked", "class_names", "class_cartons")]
    header = [
        *plain,
        *(f"picked_{number}" for number in range(1, picks + 1)),
        *(f"cartons_{name}" for name in classes),
    ]
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header)
        for row in kept:
            picked = [*row.picked, *[""] * (picks - len(row.picked))]
            numbers = [*(getattr(row, name) for name in plain), *picked, *row.class_cartons]
            writer.writerow([_cell(number) for number in numbers])
    return path


def _cell(value: object) -> object:
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.6g}"
    return value
