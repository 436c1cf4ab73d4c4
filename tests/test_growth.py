"""Growth in D³ against open caliper data, and which rate is trusted."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import linregress, norm

from fruitvision.domain import CaliperReading, Doubt, GrowthRate
from fruitvision.errors import ForecastError
from fruitvision.forecast.growth import (
    Weather,
    default_growth,
    grow_to,
    growth_shift_mm,
    mm_per_day,
    refuse_two_seasons,
    what_if_growth,
)
from fruitvision.forecast.like_growth import choose_growth, farm_growth, shrink, sister_growth
from fruitvision.forecast.own_growth import (
    DatedCube,
    caliper_cubes,
    caliper_growth,
    fit_rate,
    own_growth,
    photo_growth,
)
from fruitvision.settings import Settings
from tests.forecast_records import sizes
from tests.records import WALK, caliper

SETTINGS = Settings()
NORMAL = norm.ppf((np.arange(2400) + 0.5) / 2400)


def ago(days: int) -> date:
    return WALK - timedelta(days=days)


def rate(value: float, error: float, source: str = "test", *doubts: Doubt) -> GrowthRate:
    return GrowthRate(
        mm3_per_day=value, mm3_per_day_error=error, source=source, doubts=tuple(doubts)
    )


# ---------------------------------------------------------------- arithmetic


def test_growth_of_the_open_fuji_data() -> None:
    # 24 Fuji fruit, Cadriano 2022, Zenodo 10.5281/zenodo.10687503: mean 62.39 mm (sd 3.47) on
    # 20 July, 69.84 (3.74) on 11 August; measured on 12 October: 85.53. The mean gain of D³ carried
    # on for 62 days predicts 85.25 mm if each fruit gains it, 85.13 with an equal mm shift, which
    # is what is forecast. The fruit are taken as normal with these figures.
    july, august = 62.39 + 3.47 * NORMAL, 69.84 + 3.74 * NORMAL
    per_day = float(np.mean(august**3) - np.mean(july**3)) / 22
    assert np.cbrt(august**3 + 62 * per_day).mean() == pytest.approx(85.25, abs=0.05)
    october = grow_to(august, mm3_per_day=per_day, days=62)
    assert october.mean() == pytest.approx(85.13, abs=0.05)
    assert october.std() == pytest.approx(3.74, abs=0.01)
    assert abs(october.mean() - 85.53) < 0.4


def test_the_mean_cube_gains_what_the_rate_says() -> None:
    # Skewed fruit: mean cube today + 22 days of 4,000 mm³ is the mean cube at the end.
    today = 55.0 + 20.0 * np.linspace(0, 1, 101) ** 2
    later = grow_to(today, mm3_per_day=4000, days=22)
    assert np.mean(later**3) == pytest.approx(np.mean(today**3) + 88_000, rel=1e-12)
    assert np.ptp(later - today) == pytest.approx(0, abs=1e-9)
    # All fruit of one size: a plain cube root. 60³ + 21,600 = 237,600.
    assert growth_shift_mm(60.0, 0.0, 21_600.0) == pytest.approx(237_600 ** (1 / 3) - 60)
    # Not below nothing.
    assert growth_shift_mm(60.0, 5.0, -1e9) == pytest.approx(-60, abs=1e-3)


def test_no_days_no_growth() -> None:
    assert grow_to(np.array([70.0, 75.0]), mm3_per_day=4000, days=0) == pytest.approx([70, 75])
    with pytest.raises(ValueError, match="days must be 0 or more"):
        grow_to(np.array([70.0]), mm3_per_day=4000, days=-1)


def test_two_measurements_a_week_apart_give_their_millimetres_a_day() -> None:
    # +2.1 mm in 7 days: 0.30 mm a day. Between the two days that is exact in the middle.
    readings = [
        caliper(tree, mean + 0.1 * tree, on=day)
        for tree in range(-5, 6)
        for day, mean in ((ago(7), 68.9), (WALK, 71.0))
    ]
    own = caliper_growth(readings)
    assert own is not None
    assert mm_per_day(own, diameter_mm=69.95) == pytest.approx(0.30, abs=0.002)
    assert own.source == "calipers, 7 days"
    today = 71.0 + 0.1 * np.arange(-5, 6)
    five = grow_to(today, mm3_per_day=own.mm3_per_day, days=5)
    assert five.mean() - today.mean() == pytest.approx(1.5, abs=0.1)


@pytest.mark.parametrize(
    ("weather", "factor", "word"),
    [(Weather.DRY, 0.85, "dry"), (Weather.WET, 1.05, "wet"), (Weather.NORMAL, 1.0, "")],
)
def test_weather_changes_the_rate_and_says_so(weather: Weather, factor: float, word: str) -> None:
    changed = what_if_growth(rate(4000, 200, "calipers, 21 days"), weather, SETTINGS)
    assert changed.mm3_per_day == pytest.approx(4000 * factor)
    assert changed.mm3_per_day_error == pytest.approx(200 * factor)
    assert word in changed.source


def test_dates_of_two_seasons_are_refused() -> None:
    readings = [caliper(i, 60.0 + i, on=day) for i in range(4) for day in (ago(365), WALK)]
    with pytest.raises(ForecastError, match=r"mix two seasons: 2025-08-12 and 2026-08-12"):
        caliper_growth(readings)
    with pytest.raises(ForecastError, match="Photo walks mix two seasons"):
        photo_growth([sizes(on=ago(365)), sizes()])
    # From fruitlets in May to a late pick, but not from a pick in October to fruitlets in May.
    refuse_two_seasons([date(2026, 5, 5), date(2026, 11, 20)], "x")
    with pytest.raises(ForecastError, match="two seasons"):
        refuse_two_seasons([date(2025, 10, 20), date(2026, 5, 20)], "x")


# ---------------------------------------------------------------- a block's own rate


TAGS = np.arange(4.0)


def tagged(
    gain_mm3: float, *, days: int = 21, trees: int = 5, apart: float = 0.02
) -> list[CaliperReading]:
    readings = []
    for position in range(trees):
        for tag in range(4):
            before = 60.0 + position + tag
            after = (before**3 + gain_mm3 * (1 + apart * position)) ** (1 / 3)
            readings.append(caliper(position, before, on=ago(days), tag=str(tag)))
            readings.append(caliper(position, after, tag=str(tag)))
    return readings


def test_tagged_fruit_give_the_blocks_own_rate() -> None:
    found = caliper_growth(tagged(84_000, apart=0.1))
    # Gains of the trees: 84,000 × (1, 1.1, 1.2, 1.3, 1.4); mean 1.2.
    assert found is not None
    assert found.mm3_per_day == pytest.approx(84_000 * 1.2 / 21)
    # The error is that of the mm gained by tree, times 3D² over both days.
    before = 60.0 + np.arange(5.0)[:, None] + TAGS
    after = np.cbrt(before**3 + 84_000 * (1 + 0.1 * np.arange(5.0)[:, None]))
    error_mm = np.std((after - before).mean(axis=1), ddof=1) / 5**0.5
    cubed = 3 * np.mean([before**2, after**2])
    assert found.mm3_per_day_error == pytest.approx(cubed * error_mm / 21)
    assert found.doubts == ()


def test_large_fruit_that_gain_the_same_mm_are_no_doubt_about_growth() -> None:
    # Trees of 58 to 70 mm all gain 7 mm in 21 days: their D³ gains differ by 40 %, growth by none.
    readings = [
        caliper(position, size + add, on=day, tag=str(tag))
        for position in range(5)
        for tag, size in enumerate(58.0 + 2 * position + TAGS)
        for day, add in ((ago(21), 0.0), (WALK, 7.0))
    ]
    found = caliper_growth(readings)
    assert found is not None
    # What their readings alone leave: 0.5 mm each, of 20 fruit on two days, 21 days apart.
    before = 58.0 + 2 * np.arange(5.0)[:, None] + TAGS
    cubed = 3 * np.mean([before**2, (before + 7.0) ** 2])
    assert found.mm3_per_day_error == pytest.approx(cubed * 0.5 * 2**0.5 / 21 / 20**0.5)
    assert mm_per_day(found, diameter_mm=66.97) == pytest.approx(7 / 21, rel=0.005)


def test_a_rate_says_which_fruit_it_is_of() -> None:
    found = caliper_growth(tagged(84_000))
    assert found is not None
    after = [
        (before**3 + 84_000 * (1 + 0.02 * tree)) ** (1 / 3)
        for tree in range(5)
        for before in 60.0 + tree + TAGS
    ]
    assert found.measured_mm == pytest.approx(np.mean(after))
    assert found.measured_on == WALK
    # Drawn towards like blocks by the smaller part, it stays the rate of these fruit.
    drawn = choose_growth(found, rate(4500, 5 * found.mm3_per_day_error), None, SETTINGS)
    assert (drawn.measured_mm, drawn.measured_on) == (found.measured_mm, WALK)


def test_untagged_fruit_are_compared_by_their_means() -> None:
    readings = [
        caliper(i, d, on=day)
        for i in range(4)
        for day, d in ((ago(20), 60.0 + i), (WALK, 66.0 + i))
    ]
    found = caliper_growth(readings)
    gain = np.mean([(66.0 + i) ** 3 - (60.0 + i) ** 3 for i in range(4)])
    assert found is not None
    assert found.mm3_per_day == pytest.approx(gain / 20)


def test_readings_of_neighbouring_days_are_one_visit() -> None:
    early = [caliper(i, 60.0 + i, on=ago(21 - i % 2)) for i in range(4)]
    late = [caliper(i, 66.0 + i) for i in range(4)]
    found = caliper_growth(early + late)
    assert found is not None
    # Two trees 21 and two 20 days before: 20.5 days between the visits.
    gain = np.mean([(66.0 + i) ** 3 - (60.0 + i) ** 3 for i in range(4)])
    assert found.mm3_per_day == pytest.approx(gain / 20.5)
    assert found.source == "calipers, 20 days"


@pytest.mark.parametrize(
    "readings", [[], tagged(9000, days=3), tagged(84_000, trees=2)], ids=["none", "days", "trees"]
)
def test_too_little_to_go_by_gives_no_rate_of_its_own(readings: list[CaliperReading]) -> None:
    assert caliper_growth(readings) is None
    assert choose_growth(None, None, None, SETTINGS) == default_growth(SETTINGS)


def test_shrinking_fruit_are_refused_also_between_the_last_two_visits() -> None:
    with pytest.raises(ForecastError, match="shrink"):
        caliper_growth(tagged(-60_000))
    up_and_down = [
        caliper(i, mm + 0.1 * i, on=day)
        for i in range(6)
        for day, mm in ((ago(40), 55.0), (ago(14), 66.0), (WALK, 64.0))
    ]
    with pytest.raises(ForecastError, match=r"shrink \(calipers, 14 days\)"):
        caliper_growth(up_and_down)
    with pytest.raises(ForecastError, match="shrink"):
        photo_growth([sizes(mean_mm=72, on=ago(14), shared_error=0.001), sizes(mean_mm=66)])


def test_shrinking_within_noise_is_no_growth() -> None:
    walks = [sizes(mean_mm=68.2, on=ago(14)), sizes(mean_mm=68.0)]
    found = photo_growth(walks)
    assert found is not None
    assert found.mm3_per_day == 0
    assert found.mm3_per_day_error > 1000


def test_two_photo_walks_give_the_gain_of_the_mean_cube() -> None:
    earlier = sizes(mean_mm=60, on=ago(21), shared_error=0.002)
    found = photo_growth([sizes(mean_mm=66, shared_error=0.002), earlier])
    # Mean cube of N(μ, 5): μ³ + 3·μ·25. Error of each: 3μ²·hypot(0.5, 0.002μ).
    gain = (66**3 + 3 * 66 * 25) - (60**3 + 3 * 60 * 25)
    errors = [3 * m**2 * np.hypot(0.5, 0.002 * m) for m in (60, 66)]
    assert found is not None
    assert found.mm3_per_day == pytest.approx(gain / 21)
    assert found.mm3_per_day_error == pytest.approx(np.hypot(*errors) / 21)
    assert found.source == "two walks, 21 days"


def test_the_surer_of_calipers_and_photos_is_taken() -> None:
    walks = [sizes(mean_mm=60, on=ago(21)), sizes(mean_mm=66)]
    found = own_growth(tagged(84_000), walks)
    assert found is not None
    assert found.source == "calipers, 21 days"
    assert own_growth([], walks) == photo_growth(walks)
    assert own_growth([], []) is None


def _points(values: Sequence[float], errors: Sequence[float], days: Sequence[float]):  # type: ignore[no-untyped-def]
    return [
        DatedCube(day=d, mean_mm3=v, error_mm3=e)
        for d, v, e in zip(days, values, errors, strict=True)
    ]


def test_the_weighted_fit_is_that_of_other_libraries() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        days = np.cumsum(rng.integers(7, 20, 4)).astype(float)
        values = 2e5 + 4000 * days + rng.normal(0, 3000, 4)
        errors = rng.uniform(1500, 9000, 4)
        # polyfit takes weights of the residuals: 1/sd. Variances grow fourfold a step before the
        # last two visits.
        expected = np.polyfit(days, values, 1, w=1 / (errors * np.array([4, 2, 1, 1])))[0]
        assert fit_rate(_points(values, errors, days)).value == pytest.approx(expected, rel=1e-8)


def test_two_equal_visits_fit_as_plain_least_squares() -> None:
    found = fit_rate(_points([2e5, 3e5], [3000, 4000], [0, 20]))
    assert found.value == pytest.approx(linregress([0, 20], [2e5, 3e5]).slope)
    # Variance of a difference of two means over 20 days.
    assert found.error == pytest.approx(5000 / 20)


def test_the_last_two_visits_weigh_most() -> None:
    # 6,000 a day for 30 days, then 3,000 a day for 15.
    found = fit_rate(_points([1e5, 2.8e5, 3.25e5], [4000] * 3, [0, 30, 45])).value
    plain = linregress([0, 30, 45], [1e5, 2.8e5, 3.25e5]).slope
    assert 3000 < found < plain
    # A line that does not fit makes the rate less sure.
    crooked = fit_rate(_points([1e5, 2.8e5, 3.25e5], [4000] * 3, [0, 30, 45])).error
    straight = fit_rate(_points([1e5, 2.8e5, 3.7e5], [4000] * 3, [0, 30, 45])).error
    assert crooked > 2 * straight


# ---------------------------------------------------------------- like blocks, past years


def test_like_blocks_stand_in_with_their_spread() -> None:
    found = sister_growth({"South": rate(4000, 100), "East": rate(5000, 100)})
    assert found is not None
    assert found.mm3_per_day == pytest.approx(4500)
    # Spread among the two: 707, less their own error 100: 700; of the mean 707/√2.
    assert found.mm3_per_day_error == pytest.approx(np.hypot(700, 707.1 / 2**0.5), rel=0.01)
    assert found.doubts == (Doubt.SISTER_GROWTH,)
    assert found.source == "like blocks this year (South, East)"
    assert sister_growth({}) is None


def test_like_blocks_that_agree_are_not_believed_to_the_last_digit() -> None:
    found = sister_growth({str(i): rate(4500, 50) for i in range(5)})
    assert found is not None
    assert found.mm3_per_day_error > 0.1 * 4500


def test_an_own_rate_is_drawn_towards_like_blocks_by_variance() -> None:
    own, sisters = rate(5000, 300, "calipers, 14 days"), rate(4000, 600, "like blocks this year")
    found = choose_growth(own, sisters, None, SETTINGS)
    # Part of the like blocks: 300²/(300² + 600²) = 0.2.
    assert found.mm3_per_day == pytest.approx(4800)
    assert found.mm3_per_day_error == pytest.approx(300 * 600 / np.hypot(300, 600))
    assert found.source == "calipers, 14 days, 20 % from like blocks this year"
    assert found.doubts == ()


def test_the_order_of_trust() -> None:
    own, farm = rate(5000, 300, "own"), rate(4000, 700, "farm", Doubt.FARM_GROWTH)
    sisters = rate(4200, 500, "like", Doubt.SISTER_GROWTH)
    assert choose_growth(None, sisters, farm, SETTINGS) == sisters
    assert choose_growth(None, None, farm, SETTINGS) == farm
    assert choose_growth(own, None, farm, SETTINGS) == own
    unsure = rate(9000, 2000, "two walks")
    found = choose_growth(unsure, None, None, SETTINGS)
    default = default_growth(SETTINGS)
    assert default.mm3_per_day < found.mm3_per_day < 9000
    assert found.mm3_per_day_error < default.mm3_per_day_error
    assert found.doubts == (Doubt.DEFAULT_GROWTH,)
    assert "from default rate" in found.source


def test_a_source_that_brings_next_to_nothing_is_not_named() -> None:
    assert shrink(rate(5000, 50, "own"), rate(4000, 900, "other")).source == "own"


def _year(year: int, per_day: float, *, step: int = 14) -> list[DatedCube]:
    first = date(year, 6, 20).toordinal()
    return [
        DatedCube(day=float(first + d), mean_mm3=1e5 + per_day * d, error_mm3=2000)
        for d in range(0, 112, step)
    ]


@pytest.mark.parametrize("step", [14, 37], ids=["curve", "line"])
def test_past_years_give_a_rate_between_the_same_days(step: int) -> None:
    found = farm_growth(
        [_year(2024, 4000, step=step), _year(2025, 5000, step=step)],
        walk=date(2026, 8, 1),
        pick=date(2026, 9, 10),
    )
    assert found is not None
    assert found.mm3_per_day == pytest.approx(4500, rel=0.02)
    assert found.mm3_per_day_error >= 0.15 * 4500
    assert found.source == "the farm's curve of 2024, 2025"
    assert found.doubts == (Doubt.FARM_GROWTH,)


def test_a_past_year_is_not_stretched_beyond_its_measurements() -> None:
    assert farm_growth([_year(2025, 4000)], walk=date(2026, 11, 1), pick=date(2026, 12, 1)) is None
    assert farm_growth([], walk=WALK, pick=ago(-20)) is None


def test_caliper_visits_give_the_points_of_a_farms_curve() -> None:
    cubes = caliper_cubes(tagged(84_000))
    assert [round(point.day) for point in cubes] == [ago(21).toordinal(), WALK.toordinal()]
    assert cubes[0].mean_mm3 == pytest.approx(
        np.mean([(60.0 + p + t) ** 3 for p in range(5) for t in range(4)])
    )
