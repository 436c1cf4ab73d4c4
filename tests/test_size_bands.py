"""Sizes at the walk and at the pick: known shares without errors, and ranges with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import norm

from fruitvision.domain import BlockInputs, GrowthRate, SizeClass, SizeTable
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.inputs import what_if
from fruitvision.forecast.season import Season
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.size_bands import SizeBand, size_bands
from fruitvision.settings import Settings
from tests.forecast_records import EXACT, block_estimate, block_inputs, exact_sizes
from tests.records import PICK

SETTINGS = Settings(draws=400)
EXACT_GROWTH = GrowthRate(mm3_per_day=4000, mm3_per_day_error=0, source="calipers")


def exact_block(name: str = "Gala North", *, mean_mm: float = 68.0) -> BlockInputs:
    estimate = block_estimate(name, with_sizes=exact_sizes(mean_mm=mean_mm), error=0.0)
    return block_inputs(estimate, growth=EXACT_GROWTH, settings=EXACT)


def mean_mm(bands: Sequence[SizeBand], when: str) -> float:
    middles = [(band.low_mm + band.high_mm) / 2 for band in bands]
    shares = [getattr(band, when).p50 for band in bands]
    return float(np.average(middles, weights=shares))


def width(bands: Sequence[SizeBand]) -> float:
    return sum(band.at_pick.p90 - band.at_pick.p10 for band in bands)


def test_without_errors_the_shares_are_those_of_the_normal_distribution() -> None:
    bands = size_bands([exact_block()], EXACT, step_mm=2.5)
    assert sum(band.at_walk.p50 for band in bands) == pytest.approx(1, abs=0.005)
    for band in bands:
        share = norm.cdf((band.high_mm - 68) / 5) - norm.cdf((band.low_mm - 68) / 5)
        assert band.at_walk.p50 == pytest.approx(share, abs=0.004)
        for one in (band.at_walk, band.at_pick):
            assert one.p10 == pytest.approx(one.p50, abs=1e-9)
            assert one.p90 == pytest.approx(one.p50, abs=1e-9)
    assert all(left.high_mm == right.low_mm for left, right in pairwise(bands))


def test_at_the_pick_all_fruit_have_grown_by_the_same_mm() -> None:
    inputs = exact_block()
    bands = size_bands([inputs], EXACT, step_mm=1.0)
    sizes_now = inputs.estimate.sizes
    assert sizes_now is not None
    season = Season(inputs, sizes_now, EXACT, draw_shared(EXACT))
    grown = season.expected_mm(PICK) - 68.0
    assert grown > 4
    assert mean_mm(bands, "at_pick") - mean_mm(bands, "at_walk") == pytest.approx(grown, abs=0.05)


def test_shares_are_those_of_the_forecasts_classes() -> None:
    table = SizeTable(
        name="steps",
        unit="mm",
        carton_kg=18,
        classes=tuple(
            SizeClass(name=f"{low}", low=low, high=low + 5.0) for low in range(50, 100, 5)
        ),
    )
    inputs = block_inputs(shares=(0.5, 0.5), date_error_days=3, left_share=0.1)
    drawn = draw_block(inputs, table, SETTINGS, draw_shared(SETTINGS))
    assert drawn.class_fruit is not None
    shares = drawn.class_fruit / drawn.fruit[:, np.newaxis]
    bands = {band.low_mm: band for band in size_bands([inputs], SETTINGS, step_mm=5.0)}
    for column, size_class in enumerate(table.classes, start=1):
        if size_class.low in bands:
            found = bands[size_class.low].at_pick
            expected = np.quantile(shares[:, column], (0.1, 0.5, 0.9))
            assert [found.p10, found.p50, found.p90] == pytest.approx(expected.tolist(), abs=1e-3)


def test_the_range_grows_with_the_days_to_the_pick() -> None:
    near, far = (
        size_bands([what_if(block_inputs(), SETTINGS, days=days)], SETTINGS, step_mm=2.5)
        for days in (0, 40)
    )
    assert width(far) > 1.1 * width(near)


def test_blocks_are_weighted_by_their_fruit() -> None:
    small, large = exact_block(mean_mm=60.0), exact_block("Mill", mean_mm=80.0)
    estimate = replace(large.estimate, fruit_per_tree_mean=3 * large.estimate.fruit_per_tree_mean)
    bands = size_bands([small, replace(large, estimate=estimate)], EXACT, step_mm=1.0)
    assert mean_mm(bands, "at_walk") == pytest.approx(0.25 * 60 + 0.75 * 80, abs=0.1)


def test_a_block_without_sizes_leaves_no_curve_of_the_rest() -> None:
    bare = block_inputs(block_estimate("Mill"))
    assert size_bands([block_inputs(), bare], SETTINGS, step_mm=2.5) == ()
    assert size_bands([], SETTINGS, step_mm=2.5) == ()


def test_each_pass_counts_at_its_own_day() -> None:
    # Half is picked on the day, half a week later and larger: the mean lies between.
    once, later = exact_block(), what_if(exact_block(), EXACT, days=7)
    twice = block_inputs(once.estimate, growth=EXACT_GROWTH, settings=EXACT, shares=(0.5, 0.5))
    means = [
        mean_mm(size_bands([one], EXACT, step_mm=1.0), "at_pick") for one in (once, twice, later)
    ]
    assert means[0] + 0.2 < means[1] < means[2] - 0.2
    assert twice.plan.picks[1].pick_date == PICK + timedelta(days=7)
