"""What learning from the packing house does to invented farms, season after season.

`python -m tests.bench.bench_learning --farms 40 --seasons 5`: farms of three blocks whose crop is
known. In each season a forecast is drawn as it is and as it would be with what was learned of the
seasons before; both are held against what came in. Printed, by the number of seasons learned from:
the factor that was learned, error of the number of fruit and of the size (root mean square), and
how often P10 to P90 held the truth, without and with.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np

from fruitvision.domain import Block, Forecast, Stage
from fruitvision.learning.corrections import proposals
from fruitvision.learning.layers import Comparison
from fruitvision.learning.score import is_inside
from fruitvision.learning.stages import stage_of
from fruitvision.settings import Settings
from fruitvision.simulate.worlds import World, world_of
from fruitvision.size_table import load_size_table
from tests.packed_season import forecast_of, simulated_year

TABLE = load_size_table("box_counts_42lb")


@dataclass(frozen=True, slots=True)
class Line:
    """One block in one season, without and with what was learned."""

    seasons: int
    learned: float
    error: tuple[float, float]
    mm: tuple[float, float]
    inside: tuple[bool, bool]


def farm(
    world: World, first_seed: int, seasons: int, settings: Settings, more: float
) -> list[Line]:
    blocks = [Block(block_id=p.block_id, variety=p.variety, positions=300) for p in world.plans]
    base = {block.block_id: settings.cull_share for block in blocks}
    history: list[Comparison] = []
    lines: list[Line] = []
    for year in range(seasons):
        found = simulated_year(
            world, first_seed + year, TABLE, settings, year=2020 + year, more=more
        )
        known = {one.block_id: one for one in proposals(history, blocks, cull_base=base)}
        for made, one in found:
            if one.block_id in known:
                learned = known[one.block_id].of(_stage(made))
                lines.append(_line(year, made, one, learned))
        history += [one for _, one in found]
    return lines


def _stage(made: Forecast) -> Stage:
    return stage_of((made.inputs[0].plan.picks[0].pick_date - made.made_on).days)


def _line(year: int, made: Forecast, one: Comparison, learned: object) -> Line:
    settings = replace(Settings(), draws=300, seed=made.seed)
    inputs = replace(made.inputs[0], learned=learned)
    corrected = forecast_of([inputs], TABLE, settings, made_on=made.made_on).blocks[0]
    with_it = replace(one, fruit=corrected.fruit, cartons=corrected.cartons)
    assert one.actual_fruit
    assert one.size_mm
    errors = tuple(log(crop.fruit.p50 / one.actual_fruit) for crop in (one, with_it))
    return Line(
        seasons=year,
        learned=inputs.learned.count.value,
        error=errors,
        mm=(one.size_mm.value, one.size_mm.value - inputs.learned.size_mm.value),
        inside=(bool(is_inside(one)), bool(is_inside(with_it))),
    )


def say(text: str) -> None:
    sys.stdout.write(f"{text}\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--farms", type=int, default=40)
    parser.add_argument("--seasons", type=int, default=5)
    parser.add_argument("--seed", type=int, default=20_000)
    parser.add_argument("--world", default="sizes-vary")
    parser.add_argument("--more", type=float, default=1.1, help="comes in, times the true crop")
    given = parser.parse_args()
    world, settings = world_of(given.world), Settings(draws=300)
    lines = [
        line
        for number in range(given.farms)
        for line in farm(world, given.seed + 100 * number, given.seasons, settings, given.more)
    ]
    say(f"{given.world}, {given.farms} farms, {given.more:g} times the crop comes in")
    say("seasons  learned factor  count error, rms       mm error, rms      cartons inside, of")
    for year in range(1, given.seasons):
        of_year = [line for line in lines if line.seasons == year]
        factor = exp(float(np.mean([line.learned for line in of_year])))
        count, mm, inside = (
            np.array([getattr(line, name) for line in of_year], dtype=float)
            for name in ("error", "mm", "inside")
        )
        rms = [np.sqrt(np.mean(np.square(one), axis=0)) for one in (count, mm)]
        say(
            f"{year:>7}  {factor:>14.3f}  {100 * rms[0][0]:>7.1f} % -> {100 * rms[0][1]:.1f} %  "
            f"{rms[1][0]:>7.2f} -> {rms[1][1]:.2f} mm  {100 * inside[:, 0].mean():>5.0f} % -> "
            f"{100 * inside[:, 1].mean():.0f} %, {len(of_year)}"
        )


if __name__ == "__main__":
    main()
