"""How often the ranges come true over many simulated seasons: the table of `bench coverage`.

Nothing of a finished season is kept but sums.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path

from fruitvision.domain import SizeTable
from fruitvision.errors import SimulationError
from fruitvision.settings import Settings
from fruitvision.simulate.coverage import CLASS_SHARE, UNITS, Key, Tallies, Tally, season_tallies
from fruitvision.simulate.season.dial import check_seed
from fruitvision.simulate.season.seasons import USUAL_TABLE
from fruitvision.simulate.worlds import World
from fruitvision.size_table import load_size_table
from fruitvision.whole_file import write_whole

# Share of seasons in which a truth should lie from P10 to P90.
NOMINAL = 0.80
# A class is a main class of a block if it holds this part of the picked fruit over all seasons.
# Our choice: by all seasons, since to choose by one season's forecast or truth would choose the
# high ones.
MAIN_SHARE = 0.10
# Draws of each forecast. Our choice: P10 is then known to 2 % of the range.
DRAWS = 1000
# Seasons that one process makes at a time. Our choice: two seconds' work.
SEASONS_AT_ONCE = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageRow:
    """A line of the table.

    `nominal`, `coverage` : share of the truths from P10 to P90, wanted and found. `bias` : of P50,
    in `unit`; `width` : of P10–P90, in the same. `number` : of forecasts.
    """

    world: str
    quantity: str
    nominal: float
    coverage: float
    bias: float
    width: float
    unit: str
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    world: World
    table: SizeTable
    settings: Settings


def run_coverage(
    world: World,
    seasons: int,
    seed: int,
    *,
    workers: int = 1,
    settings: Settings | None = None,
    table: SizeTable | None = None,
    on_progress: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[CoverageRow, ...]:
    """The table of one world: seasons `seed`, `seed + 1` and so on; the same for any `workers`.

    Raises
    ------
    SimulationError
        If `seasons`, `seed` or `workers` is out of range.
    """
    for name, value in (("seasons", seasons), ("workers", workers)):
        if value < 1:
            raise SimulationError(f"The number of {name} is {value}.", fix="Give 1 or more.")
    check_seed(seed)
    check_seed(seed + seasons)
    task = _Task(
        world=world,
        table=table or load_size_table(USUAL_TABLE),
        settings=settings or Settings(draws=DRAWS),
    )
    total: Tallies = {}
    done = 0
    for part, found in _parts(task, range(seed, seed + seasons), workers):
        _add_to(total, found)
        done += len(part)
        on_progress(done, seasons)
    return tuple(_rows(world.name, total))


def _parts(task: _Task, seeds: range, workers: int) -> Iterator[tuple[range, Tallies]]:
    parts = [
        seeds[first : first + SEASONS_AT_ONCE] for first in range(0, len(seeds), SEASONS_AT_ONCE)
    ]
    if workers == 1 or len(parts) == 1:
        for part in parts:
            yield part, _some_seasons(task, part)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from zip(parts, pool.map(_some_seasons, [task] * len(parts), parts), strict=True)


def _some_seasons(task: _Task, seeds: range) -> Tallies:
    total: Tallies = {}
    for seed in seeds:
        _add_to(total, season_tallies(task.world, seed, task.table, task.settings))
    return total


def _add_to(total: Tallies, more: Tallies) -> None:
    for key, tally in more.items():
        total[key] = total.get(key, Tally()) + tally


def _rows(world: str, total: Tallies) -> Iterator[CoverageRow]:
    """A row for each quantity over all blocks, and for each class over the blocks that it is a
    main class of."""
    for what, unit in UNITS.items():
        of_what = {key: tally for key, tally in total.items() if key.what == what}
        for name in sorted({key.size_class for key in of_what}, key=_by_number):
            tally = _sum(
                tally
                for key, tally in of_what.items()
                if key.size_class == name and (not name or _is_main(key, total))
            )
            if tally.number:
                yield _row(world, f"{what} {name}".strip(), unit, tally)


def _is_main(key: Key, total: Tallies) -> bool:
    shares = total[Key(key.block_id, CLASS_SHARE, key.size_class)]
    return shares.truth / shares.number >= MAIN_SHARE


def _by_number(name: str) -> tuple[float, str]:
    """Classes named by count: the smallest count, of the largest fruit, last."""
    return (-float(name) if name.isdigit() else 0.0, name)


def _sum(tallies: Iterable[Tally]) -> Tally:
    whole = Tally()
    for tally in tallies:
        whole = whole + tally
    return whole


def _row(world: str, quantity: str, unit: str, tally: Tally) -> CoverageRow:
    mean = tally.truth / tally.number
    per = {"%": 100.0 / mean if mean else 0.0, "points": 100.0}.get(unit, 1.0)
    return CoverageRow(
        world=world,
        quantity=quantity,
        nominal=NOMINAL,
        coverage=tally.inside / tally.number,
        bias=per * tally.error / tally.number,
        width=per * tally.width / tally.number,
        unit=unit,
        number=tally.number,
    )


# ---------------------------------------------------------------- in words


def heading_line() -> str:
    """Heads of the columns of `coverage_lines`."""
    return (
        f"{'world':<16}{'quantity':<26}{'nominal':>8}{'coverage':>10}{'bias of P50':>16}"
        f"{'P10-P90':>10}{'n':>8}"
    )


def coverage_lines(rows: Iterable[CoverageRow]) -> list[str]:
    """A plain line for each row; bias and width P10-P90 in the same unit."""
    lines = []
    for row in rows:
        digits = 1 if row.unit == "%" else 2
        bias = f"{row.bias:+.{digits}f} {row.unit}"
        lines.append(
            f"{row.world:<16}{row.quantity:<26}{row.nominal:>8.0%}{row.coverage:>10.1%}"
            f"{bias:>16}{row.width:>10.{digits}f}{row.number:>8,}"
        )
    return lines


def write_coverage_json(
    rows: Sequence[CoverageRow], path: Path, *, seasons: int, seed: int
) -> None:
    """The rows as JSON, unrounded, with what they are made of.

    Raises
    ------
    SimulationError
        If the file can't be written.
    """
    document = {
        "seasons": seasons,
        "first_seed": seed,
        "draws": DRAWS,
        "rows": [asdict(row) for row in rows],
    }
    try:
        write_whole(path, (json.dumps(document, indent=1) + "\n").encode())
    except OSError as err:
        raise SimulationError(
            f"Can't write {path}: {err.strerror}.", fix="Choose another file."
        ) from err
