"""How often the ranges come true: many simulated seasons, each walked, forecast and harvested.

Run by hand: python -m tests.bench.bench_coverage [seasons]

The season is that of `fruitvision.simulate.season`, whose growth, mass and culls follow other rules
than the forecast. The photos are not rendered: the walk is `fruitvision.simulate.season.walk`
with its usual errors.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from fruitvision.block import estimate_block
from fruitvision.domain import Block, CropForecast, SizeTable
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.inputs import default_inputs
from fruitvision.forecast.like_growth import choose_growth
from fruitvision.forecast.own_growth import own_growth
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import Heading, summarise
from fruitvision.settings import Settings
from fruitvision.simulate.score import Scored, TrueCrop, score_block
from fruitvision.simulate.season.draw import draw_season
from fruitvision.simulate.season.fates import PACKED
from fruitvision.simulate.season.plan import PLANS
from fruitvision.simulate.season.walk import Walk, office_block, walk
from fruitvision.size_table import load_size_table


def rehearse(seed: int, table: SizeTable, settings: Settings) -> Iterator[Scored]:
    """One season: every block walked, forecast, and held against its truth."""
    # The second block of the samples is walked as thoroughly as the first here.
    plans = (PLANS[0], replace(PLANS[1], photographed=20, hand_counted=8, calipered=8))
    for season in draw_season(seed, plans):
        crop = forecast_crop(office_block(season), walk(season, seed), table, settings)
        picked = season.pick > 0
        truth = TrueCrop(
            diameter_mm=season.pick_mm[picked],
            mass_g=season.mass_g[picked],
            packed=season.fate[picked] == PACKED,
        )
        yield from score_block(crop, truth, table)


def forecast_crop(block: Block, seen: Walk, table: SizeTable, settings: Settings) -> CropForecast:
    """The real chain from the walk on: block, growth by calipers, one simulation."""
    estimate = estimate_block(block, seen.trees, seen.hand_counts, seen.readings, settings)
    growth = choose_growth(own_growth(seen.readings, ()), None, None, settings)
    inputs = default_inputs(estimate, growth, settings)
    draws = draw_block(inputs, table, settings, draw_shared(settings))
    heading = Heading(name=block.block_id, variety=block.variety, pick_date=block.pick_date)
    return summarise(draws, heading, table, settings)


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
