"""How often the ranges come true: many simulated seasons, each walked, forecast and harvested.

Photos are not rendered: the walk is `fruitvision.simulate.season.walk`. From there on the chain is
the real one. Nothing of a finished season is kept but sums.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np

from fruitvision.block import Background, estimate_block
from fruitvision.domain import (
    Block,
    BlockInputs,
    CropForecast,
    Estimate,
    SizeTable,
    TreeId,
    TreeKind,
    VisitedPlace,
)
from fruitvision.errors import SimulationError
from fruitvision.forecast.draw import CropDraws, add_draws, draw_block
from fruitvision.forecast.inputs import default_inputs
from fruitvision.forecast.like_growth import choose_growth
from fruitvision.forecast.own_growth import own_growth
from fruitvision.forecast.season import draw_sizes
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.forecast.summary import Heading, estimate_of, summarise
from fruitvision.settings import Settings
from fruitvision.simulate.season.dial import check_seed
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.harvest import cartons_by_class
from fruitvision.simulate.season.register import KINDS
from fruitvision.simulate.season.seasons import USUAL_TABLE
from fruitvision.simulate.season.walk import Walk, office_block, tree_id, walk
from fruitvision.simulate.worlds import VISITS, World, farm_stream
from fruitvision.size_table import load_size_table

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
FARM = "farm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Sums over forecasts of one quantity: how many, how many held the truth, and by how much
    P50 and the width P10–P90 differ from it."""

    number: int = 0
    inside: int = 0
    error: float = 0.0
    width: float = 0.0
    truth: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            number=self.number + other.number,
            inside=self.inside + other.inside,
            error=self.error + other.error,
            width=self.width + other.width,
            truth=self.truth + other.truth,
        )


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """Of which block a number is, and what it is; of a class, with the class's name."""

    block_id: str
    what: str
    size_class: str = ""


Tallies = dict[Key, Tally]


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


# What is measured, in the order of the table, and the unit of its bias: "%" of the mean truth, or
# the difference itself.
FRUIT_TODAY = "block count, fruit today"
FRUIT_PICKED = "fruit picked"
MM_TODAY = "mean size today"
MM_AT_PICK = "mean size at pick"
CLASS_SHARE = "share of class"
CLASS_CARTONS = "cartons of class"
CARTONS = "cartons per block"
TONNES = "tonnes per block"
FARM_CARTONS = "farm total, cartons"
UNITS = {
    FRUIT_TODAY: "%",
    MM_TODAY: "mm",
    FRUIT_PICKED: "%",
    MM_AT_PICK: "mm",
    CLASS_SHARE: "points",
    CLASS_CARTONS: "%",
    CARTONS: "%",
    TONNES: "%",
    FARM_CARTONS: "%",
}


# ---------------------------------------------------------------- one season


def forecast_block(
    block: Block,
    seen: Walk,
    table: SizeTable,
    settings: Settings,
    shared: SharedErrors,
    visited: Sequence[VisitedPlace] = (),
) -> tuple[BlockInputs, CropDraws]:
    """The real chain from the walk on: block, growth by calipers, one simulation."""
    background = Background(visited=tuple(visited))
    estimate = estimate_block(
        block, seen.trees, seen.hand_counts, seen.readings, settings, background
    )
    growth = choose_growth(own_growth(seen.readings, ()), None, None, settings)
    inputs = default_inputs(estimate, growth, settings)
    return inputs, draw_block(inputs, table, settings, shared)


def visited_places(season: SeasonBlock, seed: int) -> tuple[VisitedPlace, ...]:
    """What the walk found at its places: photographed trees, and as many of the others as come up
    when every place has the same chance."""
    plan, register = season.plan, season.register
    found = [
        VisitedPlace(tree=tree_id(season, tree), visited_on=plan.walked_on, found=TreeKind.BEARING)
        for tree in season.photographed
    ]
    chance = len(season.photographed) / len(season.places)
    others = np.flatnonzero(~register.bears)
    met = others[farm_stream(seed, VISITS, plan.letter).random(len(others)) < chance]
    found += [
        VisitedPlace(
            tree=TreeId(plan.block_id, *register.places[place].tolist()),
            visited_on=plan.walked_on,
            found=KINDS[register.kind[place]],
        )
        for place in met
    ]
    return tuple(found)


def season_tallies(world: World, seed: int, table: SizeTable, settings: Settings) -> Tallies:
    """One season of a world: every block walked, forecast, and held against its truth."""
    # Each season has draws of its own, so that their noise does not repeat.
    settings = replace(settings, seed=seed)
    shared = draw_shared(settings)
    errors = world.walk_errors(settings)
    found: Tallies = {}
    crops: list[CropDraws] = []
    cartons = 0.0
    for season in draw_season(seed, world.season_plans(seed, settings)):
        listed = replace(office_block(season), missing=world.listed_missing(season.plan, seed))
        inputs, draws = forecast_block(
            listed,
            walk(season, seed, errors),
            table,
            settings,
            shared,
            visited_places(season, seed),
        )
        crops.append(draws)
        crop = summarise(draws, _heading(listed.block_id), table, settings)
        by_class = cartons_by_class(season, table, season.pick > 0)
        cartons += float(by_class.sum())
        pairs = _block_pairs(season, inputs, crop, _today_mm(inputs, settings, shared))
        pairs |= _class_pairs(season, crop, table, by_class.tolist())
        pairs[Key(listed.block_id, CARTONS)] = (crop.cartons, float(by_class.sum()))
        found |= _tallies(pairs)
    total = summarise(add_draws(crops), _heading(FARM), table, settings)
    return found | _tallies({Key(FARM, FARM_CARTONS): (total.cartons, cartons)})


def _heading(name: str) -> Heading:
    return Heading(name=name, variety="", pick_date=None)


def _today_mm(inputs: BlockInputs, settings: Settings, shared: SharedErrors) -> Estimate | None:
    sizes = inputs.estimate.sizes
    if sizes is None:
        return None
    return estimate_of(draw_sizes(sizes, inputs, settings, shared)[0])


Pairs = dict[Key, tuple[Estimate | None, float]]


def _block_pairs(
    season: SeasonBlock, inputs: BlockInputs, crop: CropForecast, today_mm: Estimate | None
) -> Pairs:
    picked = season.pick > 0
    pairs = {
        FRUIT_TODAY: (inputs.estimate.fruit_total, float(len(season.tree))),
        MM_TODAY: (today_mm, float(season.diameter_mm.mean())),
        FRUIT_PICKED: (crop.fruit, float(picked.sum())),
        MM_AT_PICK: (crop.diameter_mm, float(season.pick_mm[picked].mean())),
        TONNES: (crop.tonnes, float(season.mass_g[picked].sum()) / 1e6),
    }
    return {Key(season.plan.block_id, what): pair for what, pair in pairs.items()}


def _class_pairs(
    season: SeasonBlock, crop: CropForecast, table: SizeTable, cartons: Sequence[float]
) -> Pairs:
    """Share of the picked fruit, and cartons, of every class that has a row of its own."""
    picked = season.pick > 0
    sizes = season.mass_g if table.unit == "g" else season.pick_mm
    edges = [table.classes[0].low, *(one.high for one in table.classes)]
    number, _ = np.histogram(sizes[picked], edges)
    names = [one.name for one in table.classes]
    pairs: Pairs = {}
    for row in crop.classes:
        if row.size_class in names:
            index, block_id = names.index(row.size_class), season.plan.block_id
            share = float(number[index]) / float(picked.sum())
            pairs[Key(block_id, CLASS_SHARE, row.size_class)] = (row.share, share)
            pairs[Key(block_id, CLASS_CARTONS, row.size_class)] = (row.cartons, cartons[index])
    return pairs


def _tallies(pairs: Pairs) -> Tallies:
    """What the forecast does not say is not held against it; `n` tells how often it spoke."""
    return {
        key: Tally(
            number=1,
            inside=int(said.p10 <= truth <= said.p90),
            error=said.p50 - truth,
            width=said.p90 - said.p10,
            truth=truth,
        )
        for key, (said, truth) in pairs.items()
        if said is not None
    }


# ---------------------------------------------------------------- many seasons


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


def coverage_lines(rows: Iterable[CoverageRow]) -> list[str]:
    """A plain table."""
    lines = [
        f"{'world':<16}{'quantity':<26}{'nominal':>8}{'coverage':>10}{'bias of P50':>16}"
        f"{'P10-P90':>10}{'n':>8}"
    ]
    for row in rows:
        digits = 2 if row.unit == "mm" else 1
        lines.append(
            f"{row.world:<16}{row.quantity:<26}{row.nominal:>8.0%}{row.coverage:>10.1%}"
            f"{f'{row.bias:+.2f} {row.unit}':>16}{row.width:>10.{digits}f}{row.number:>8,}"
        )
    return lines
