"""Growth in D³ against open caliper data."""

from datetime import timedelta

import numpy as np
import pytest
from scipy.stats import norm

from fruitvision.domain import Doubt
from fruitvision.errors import ForecastError
from fruitvision.forecast.growth import (
    default_growth,
    grow_to,
    growth_from_calipers,
    growth_from_walks,
)
from fruitvision.settings import Settings
from tests.records import WALK, caliper
from tests.test_draw import sizes

SETTINGS = Settings()
NORMAL = norm.ppf((np.arange(2400) + 0.5) / 2400)


def test_growth_of_the_open_fuji_data() -> None:
    # 24 Fuji fruit, Cadriano 2022, Zenodo 10.5281/zenodo.10687503: mean 62.39 mm (sd 3.47) on
    # 20 July, 69.84 (3.74) on 11 August; the mean gain of D³, carried on for 62 days, predicts
    # 85.25 mm for 12 October; measured: 85.53. The fruit are taken as normal with these figures.
    july, august = 62.39 + 3.47 * NORMAL, 69.84 + 3.74 * NORMAL
    rate = (np.mean(august**3) - np.mean(july**3)) / 22
    october = grow_to(august, mm3_per_day=float(rate), days=62)
    assert october.mean() == pytest.approx(85.25, abs=0.05)
    assert october.std() == pytest.approx(3.74, abs=0.01)
    assert abs(october.mean() - 85.53) < 0.4


def test_no_days_no_growth() -> None:
    assert grow_to(np.array([70.0, 75.0]), mm3_per_day=4000, days=0) == pytest.approx([70, 75])
    with pytest.raises(ValueError, match="days must be 0 or more"):
        grow_to(np.array([70.0]), mm3_per_day=4000, days=-1)


def _tagged(gain_mm3: float, *, days: int = 21, trees: int = 5) -> list:  # type: ignore[type-arg]
    readings = []
    for position in range(trees):
        for tag in range(4):
            before = 60.0 + position + tag
            after = (before**3 + gain_mm3 * (1 + 0.02 * position)) ** (1 / 3)
            start = WALK - timedelta(days=days)
            readings.append(caliper(position, before, on=start, tag=str(tag)))
            readings.append(caliper(position, after, tag=str(tag)))
    return readings


def test_tagged_fruit_give_the_blocks_own_rate() -> None:
    rate = growth_from_calipers(_tagged(84_000), SETTINGS)
    # Gains of the trees: 84,000 × (1, 1.02, 1.04, 1.06, 1.08); mean 1.04, sd of the means 0.0316.
    assert rate.mm3_per_day == pytest.approx(84_000 * 1.04 / 21)
    assert rate.mm3_per_day_error == pytest.approx(84_000 * 0.031623 / 5**0.5 / 21, rel=1e-3)
    assert rate.doubts == ()


def test_untagged_fruit_are_compared_by_their_means() -> None:
    readings = [
        caliper(i, d, on=day)
        for i in range(4)
        for day, d in ((WALK - timedelta(days=20), 60.0 + i), (WALK, 66.0 + i))
    ]
    rate = growth_from_calipers(readings, SETTINGS)
    gain = np.mean([(66.0 + i) ** 3 - (60.0 + i) ** 3 for i in range(4)])
    assert rate.mm3_per_day == pytest.approx(gain / 20)


@pytest.mark.parametrize("readings", [[], _tagged(9000, days=3), _tagged(84_000, trees=2)])
def test_too_little_to_go_by_gives_the_default_with_its_doubt(readings: list) -> None:  # type: ignore[type-arg]
    rate = growth_from_calipers(readings, SETTINGS)
    assert rate == default_growth(SETTINGS)
    assert rate.doubts == (Doubt.DEFAULT_GROWTH,)


def test_shrinking_fruit_are_refused() -> None:
    with pytest.raises(ForecastError, match="shrink"):
        growth_from_calipers(_tagged(-60_000), SETTINGS)


def test_two_sure_walks_give_a_rate_and_two_unsure_ones_do_not() -> None:
    earlier = sizes(mean_mm=60, on=WALK - timedelta(days=21), shared_error=0.002)
    later = sizes(mean_mm=66, shared_error=0.002)
    own = growth_from_walks(earlier, later, SETTINGS)
    gain = (66**3 + 3 * 66 * 25) - (60**3 + 3 * 60 * 25)
    assert own.mm3_per_day == pytest.approx(gain / 21)
    assert own.doubts == ()
    first = sizes(mean_mm=60, on=WALK - timedelta(days=21))
    unsure = growth_from_walks(first, sizes(mean_mm=66), SETTINGS)
    assert unsure.doubts == (Doubt.DEFAULT_GROWTH,)
