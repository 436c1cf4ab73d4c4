"""Small records for tests of the forecast: a block's estimate, its inputs, a size table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
from scipy.stats import norm

from fruitvision.domain import (
    BlockEstimate,
    BlockInputs,
    Estimate,
    GrowthRate,
    HiddenFruitFactor,
    Pick,
    PickPlan,
    Protocol,
    SizeClass,
    SizeDistribution,
    SizeTable,
)
from fruitvision.forecast.inputs import default_inputs
from fruitvision.settings import Settings
from tests.records import PICK, WALK, block

QUANTILES = 199
TABLE = SizeTable(
    name="two classes",
    unit="mm",
    carton_kg=18.0,
    classes=(
        SizeClass(name="60-75", low=60, high=75),
        SizeClass(name="75-90", low=75, high=90),
    ),
)
GROWTH = GrowthRate(mm3_per_day=4000, mm3_per_day_error=200, source="calipers, 21 days")
# No error anywhere but in what a test adds.
EXACT = Settings(
    draws=200,
    drop_share_error=0,
    cull_share_error=0,
    mass_factor_error=0,
    projection_error_mm_per_day=0,
    mass_scatter=0,
)


def sizes(
    *, mean_mm: float = 68.0, on: date = WALK, shared_error: float = 0.03
) -> SizeDistribution:
    shape = norm.ppf((np.arange(QUANTILES) + 0.5) / QUANTILES)
    return SizeDistribution(
        measured_on=on,
        quantiles_mm=tuple(mean_mm + 5 * shape),
        mean_mm=mean_mm,
        sd_mm=5.0,
        mean_error_mm=0.5,
        shared_error=shared_error,
        spread_error=0.05,
        fruit=500,
        trees=12,
    )


def exact_sizes(*, mean_mm: float = 68.0) -> SizeDistribution:
    """Sizes without any error."""
    return replace(sizes(mean_mm=mean_mm, shared_error=0), mean_error_mm=0, spread_error=0)


def block_estimate(
    name: str = "Gala North",
    *,
    with_sizes: SizeDistribution | None = None,
    counted: int = 10,
    error: float = 6.0,
    pick_date: date | None = PICK,
    trees: int = 12,
) -> BlockEstimate:
    factor = HiddenFruitFactor(
        factor=1.5, factor_error=0.08, trees=counted, protocol=Protocol.TWO_FACES
    )
    return BlockEstimate(
        block=replace(block(pick_date=pick_date), block_id=name),
        walked_on=WALK,
        trees=trees,
        visible_per_tree=50,
        factor=factor if counted else None,
        fruit_per_tree_mean=75,
        fruit_per_tree_error=error,
        degrees_of_freedom=15,
        sampling_error=0.6 * error,
        fruit_per_tree=Estimate(67, 75, 83),
        fruit_total=Estimate(67_000, 75_000, 83_000),
        sizes=with_sizes,
        doubts=(),
    )


def block_inputs(
    estimate: BlockEstimate | None = None,
    *,
    growth: GrowthRate = GROWTH,
    settings: Settings | None = None,
    shares: Sequence[float] = (),
    date_error_days: float = 0.0,
    left_share: float = 0.0,
) -> BlockInputs:
    """Usual inputs; with `shares`, that many passes a week apart from the pick date on."""
    estimate = estimate or block_estimate(with_sizes=sizes())
    usual = default_inputs(estimate, growth, settings or Settings())
    picks = [
        Pick(
            pick_date=usual.plan.picks[0].pick_date + timedelta(days=7 * number),
            share=share,
            date_error_days=date_error_days,
        )
        for number, share in enumerate(shares or (1.0,))
    ]
    return replace(usual, plan=PickPlan(picks=tuple(picks), left_share=left_share))
