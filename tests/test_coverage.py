"""Ranges come true on simulated seasons that follow other rules than the forecast."""

from fruitvision.settings import Settings
from tests.bench.bench_coverage import coverage


def test_ranges_hold_the_truth_and_forecasts_are_not_biased() -> None:
    # 24 seasons of two blocks: 48 numbers a kind; an 80 % range gives 80 ± 6 %. `bench_coverage`
    # has the figures of many seasons.
    for kind, (inside, bias, number) in coverage(range(24), Settings(draws=400)).items():
        assert number >= 48, kind
        assert 0.62 <= inside <= 0.98, f"{kind}: {inside:.0%} inside"
        assert abs(bias) < 0.06, f"{kind}: {bias:+.1%}"
