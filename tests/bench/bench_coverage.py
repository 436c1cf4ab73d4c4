"""How often the ranges come true: many simulated seasons, each walked, forecast and harvested.

Run by hand: python -m tests.bench.bench_coverage [seasons]

The season is that of `fruitvision.simulate.season`, whose growth, mass and culls follow other rules
than the forecast. The photos are not rendered: a walk sees a share of the fruit of each tree, and
measures diameters with a marker that hangs at a wrong depth, fruit at various depths, and an
outline error. All these are our choice and larger than what the rendered photos show.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from fruitvision.block import estimate_block
from fruitvision.domain import (
    Block,
    CaliperReading,
    HandCount,
    Protocol,
    SizeTable,
    TreeId,
    TreeSample,
)
from fruitvision.forecast.draw import draw_block, draw_shared, summarise
from fruitvision.forecast.growth import growth_from_calipers
from fruitvision.settings import Settings
from fruitvision.simulate.score import Scored, TrueCrop, score_block
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.plan import PLANS
from fruitvision.size_table import load_size_table

DISTANCE_MM = 2300.0


def rehearse(seed: int, table: SizeTable, settings: Settings) -> Iterator[Scored]:
    """One season: every block walked, forecast, and held against its truth."""
    # The second block of the samples is walked as thoroughly as the first here.
    plans = (PLANS[0], replace(PLANS[1], photographed=20, hand_counted=8, calipered=8))
    shared = draw_shared(settings)
    for season in draw_season(seed, plans):
        rng = np.random.default_rng([seed, ord(season.plan.letter)])
        trees, counts, readings = walk(season, rng)
        block = Block(
            block_id=season.plan.block_id,
            variety=season.plan.variety,
            positions=len(season.places),
            pick_date=season.plan.pick_date,
        )
        estimate = estimate_block(block, trees, counts, readings, settings)
        growth = growth_from_calipers(readings, settings)
        crop = summarise(
            draw_block(estimate, growth, table, settings, shared),
            name=block.block_id,
            variety=block.variety,
            pick_date=block.pick_date,
            table=table,
            settings=settings,
            doubts=(),
        )
        picked = season.fate != 2
        truth = TrueCrop(
            diameter_mm=season.pick_mm[picked],
            mass_g=season.mass_g[picked],
            packed=season.fate[picked] == 0,
        )
        yield from score_block(crop, truth, table)


def walk(
    season: SeasonBlock, rng: np.random.Generator
) -> tuple[list[TreeSample], list[HandCount], list[CaliperReading]]:
    """What a scout brings home from one block."""
    plan = season.plan
    marker_mm = rng.normal(0, 50)
    trees, counts, readings = [], [], []
    for index in season.photographed:
        fruit = season.fruit_of(index)
        tree = TreeId(plan.block_id, *map(int, season.places[index]))
        seen = rng.binomial(len(fruit), np.clip(rng.normal(0.62, 0.06), 0.3, 0.9))
        sized = rng.choice(fruit, max(1, seen // 2), replace=False)
        depth_mm = marker_mm + rng.normal(0, 40) + rng.normal(0, 100, len(sized))
        noise_mm = rng.normal(0, 1.5, len(sized))
        read_mm = season.diameter_mm[sized] * (1 + depth_mm / DISTANCE_MM) + noise_mm
        trees.append(
            TreeSample(
                tree=tree,
                walked_on=plan.walked_on,
                protocol=Protocol.TWO_FACES,
                visible_count=int(seen),
                diameters_mm=tuple(read_mm.tolist()),
                diameter_errors_mm=(3.8,) * len(sized),
            )
        )
        if index in season.hand_counted:
            counts.append(HandCount(tree=tree, fruit_count=len(fruit), counted_on=plan.walked_on))
        if index in season.calipered:
            readings += _calipers(season, tree, fruit, rng)
    return trees, counts, readings


def _calipers(
    season: SeasonBlock, tree: TreeId, fruit: np.ndarray, rng: np.random.Generator
) -> list[CaliperReading]:
    days = (season.plan.earlier_calipers_on, season.plan.walked_on)
    tagged = rng.choice(fruit, min(10, len(fruit)), replace=False)
    return [
        CaliperReading(
            tree=tree,
            measured_on=day,
            diameter_mm=float(diameters[one] + rng.normal(0, 0.5)),
            fruit=str(one),
        )
        for day, diameters in zip(days, (season.earlier_mm, season.diameter_mm), strict=True)
        for one in tagged
    ]


def coverage(seasons: Sequence[int], settings: Settings) -> dict[str, tuple[float, float, int]]:
    """By kind of number: share inside P10–P90, mean relative error of P50, how many."""
    table = load_size_table("classes_5mm")
    inside: dict[str, list[bool]] = defaultdict(list)
    error: dict[str, list[float]] = defaultdict(list)
    for seed in seasons:
        for scored in rehearse(seed, table, settings):
            kind = "cartons by class" if scored.what.startswith("cartons ") else scored.what
            inside[kind].append(scored.inside)
            error[kind].append(scored.forecast.p50 / scored.truth - 1)
    return {
        kind: (float(np.mean(inside[kind])), float(np.mean(error[kind])), len(inside[kind]))
        for kind in inside
    }


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for kind, (share, bias, number) in coverage(range(count), Settings(draws=1000)).items():
        sys.stdout.write(f"{kind:<18} inside {share:6.1%}  bias {bias:+6.1%}  n {number}\n")
