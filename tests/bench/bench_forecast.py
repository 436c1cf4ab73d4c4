"""Time and memory of a large farm's forecast: 60 blocks, 3 passes each, all classes and weeks.

Run by hand: python -m tests.bench.bench_forecast [blocks] [draws] [table]

Drawn, added up to varieties and farm, and summarised; then a bridge to the same farm walked again.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from fruitvision.domain import BlockInputs, Forecast, MadeWith, SizeTable
from fruitvision.forecast.bridge import bridge
from fruitvision.forecast.crop_draws import add_draws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.drawn_with import DrawnWith
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import Heading, pick_forecasts, summarise
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from tests.forecast_records import block_estimate, block_inputs, sizes

VARIETIES = ("Gala", "Fuji", "Braeburn")
# ru_maxrss counts KiB on Linux.
KIB_PER_MB = 1e6 / 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Wall and processor time, s, of the forecast and of the bridge, and peak memory, MB."""

    wall_s: float
    processor_s: float
    bridge_wall_s: float
    peak_mb: float


def farm(blocks: int) -> list[BlockInputs]:
    """Blocks of three varieties with three colour picks and unsure dates."""
    inputs = []
    for number in range(blocks):
        found = sizes(mean_mm=66.0 + number % 7)
        estimate = block_estimate(f"Block {number}", with_sizes=found)
        named = replace(estimate.block, variety=VARIETIES[number % len(VARIETIES)])
        one = block_inputs(
            replace(estimate, block=named), shares=(0.35, 0.33, 0.32), date_error_days=3.0
        )
        inputs.append(one)
    return inputs


def forecast_farm(inputs: Sequence[BlockInputs], table: SizeTable, settings: Settings) -> Forecast:
    """Blocks, varieties and farm."""
    shared = draw_shared(settings)
    draws = [draw_block(one, table, settings, shared) for one in inputs]
    blocks = []
    for one, crop in zip(inputs, draws, strict=True):
        block = one.estimate.block
        heading = Heading(name=block.block_id, variety=block.variety, pick_date=block.pick_date)
        whole = summarise(crop, heading, table, settings)
        blocks.append(replace(whole, picks=pick_forecasts(crop, settings)))
    varieties = []
    for variety in VARIETIES:
        of_variety = [
            crop
            for one, crop in zip(inputs, draws, strict=True)
            if one.estimate.block.variety == variety
        ]
        heading = Heading(name=variety, variety=variety, pick_date=None)
        varieties.append(summarise(add_draws(of_variety), heading, table, settings))
    heading = Heading(name="farm", variety="", pick_date=None)
    return Forecast(
        forecast_id="bench",
        farm="bench",
        made_on=inputs[0].estimate.walked_on,
        size_table=table.name,
        blocks=tuple(blocks),
        varieties=tuple(varieties),
        total=summarise(add_draws(draws), heading, table, settings),
        next_action="",
        made_with=MadeWith(version="0", detector="", settings_sha256=settings.sha256),
        inputs=tuple(inputs),
    )


def walked_again(inputs: BlockInputs) -> BlockInputs:
    """A walk nine days on: other counts, sizes and growth."""
    later = sizes(mean_mm=70.0, on=inputs.estimate.walked_on + timedelta(days=9))
    estimate = replace(
        inputs.estimate, walked_on=later.measured_on, sizes=later, fruit_per_tree_mean=78.0
    )
    return replace(inputs, estimate=estimate, growth=replace(inputs.growth, mm3_per_day=4300.0))


def measure(blocks: int, draws: int, table_name: str) -> Measured:
    """One forecast and one bridge, timed."""
    inputs, table, settings = farm(blocks), load_size_table(table_name), Settings(draws=draws)
    wall, processor = time.perf_counter(), time.process_time()
    forecast = forecast_farm(inputs, table, settings)
    wall_s, processor_s = time.perf_counter() - wall, time.process_time() - processor
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / KIB_PER_MB
    wall = time.perf_counter()
    with_ = DrawnWith(table=table, settings=settings)
    bridge(forecast, [walked_again(one) for one in inputs], with_)
    return Measured(
        wall_s=wall_s,
        processor_s=processor_s,
        bridge_wall_s=time.perf_counter() - wall,
        peak_mb=peak_mb,
    )


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    draws = int(sys.argv[2]) if len(sys.argv) > 2 else 2000
    name = sys.argv[3] if len(sys.argv) > 3 else "box_counts_42lb"
    found = measure(number, draws, name)
    sys.stdout.write(
        f"{number} blocks, {draws} draws, {name}: forecast {found.wall_s:.1f} s wall, "
        f"{found.processor_s:.1f} s processor, peak {found.peak_mb:.0f} MB; "
        f"bridge {found.bridge_wall_s:.1f} s\n"
    )
