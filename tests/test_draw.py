"""The simulation: what is shared stays shared, and ranges come true."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import norm

from fruitvision.advice import next_action
from fruitvision.sizes import QUANTILES
from fruitvision.domain import (
    BlockEstimate,
    Doubt,
    Estimate,
    GrowthRate,
    HiddenFruitFactor,
    Protocol,
    SizeClass,
    SizeDistribution,
    SizeTable,
)
from fruitvision.errors import ForecastError
from fruitvision.forecast.draw import (
    add_draws,
    draw_block,
    draw_shared,
    forecast_doubts,
    summarise,
)
from fruitvision.settings import Settings
from tests.records import PICK, WALK, block

SETTINGS = Settings(draws=2000)
TABLE = SizeTable(
    name="two classes",
    unit="mm",
    carton_kg=18.0,
    classes=(
        SizeClass(name="60-75", low=60, high=75),
        SizeClass(name="75-90", low=75, high=90),
    ),
)
GROWTH = GrowthRate(mm3_per_day=4000, mm3_per_day_error=200, source="test")


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


def block_estimate(
    name: str = "Gala North",
    *,
    with_sizes: SizeDistribution | None = None,
    counted: int = 10,
    error: float = 6.0,
    pick_date: date | None = PICK,
) -> BlockEstimate:
    factor = HiddenFruitFactor(
        factor=1.5, factor_error=0.08, trees=counted, protocol=Protocol.TWO_FACES
    )
    return BlockEstimate(
        block=replace(block(pick_date=pick_date), block_id=name),
        walked_on=WALK,
        trees=12,
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


def _draw(estimate: BlockEstimate, settings: Settings = SETTINGS):  # type: ignore[no-untyped-def]
    return draw_block(estimate, GROWTH, TABLE, settings, draw_shared(settings))


def test_all_errors_at_nothing_give_the_arithmetic_of_the_chain() -> None:
    # 1,000 trees × 75 fruit × 0.96 = 72,000; mean mass 3.8e-4·E[D³] of the grown fruit.
    exact = Settings(
        draws=100,
        drop_share_error=0,
        cull_share_error=0,
        mass_factor_error=0,
        projection_error_mm_per_day=0,
        mass_scatter=0,
    )
    still = replace(sizes(shared_error=0), mean_error_mm=0, spread_error=0)
    growth = replace(GROWTH, mm3_per_day_error=0)
    crop = draw_block(
        block_estimate(with_sizes=still, error=0), growth, TABLE, exact, draw_shared(exact)
    )
    today = np.array(still.quantiles_mm)
    shift = np.mean(np.cbrt(today**3 + 4000 * 22)) - today.mean()
    at_pick = today + shift
    assert crop.fruit == pytest.approx(np.full(100, 72_000))
    assert crop.tonnes[0] == pytest.approx(72_000 * 3.8e-4 * np.mean(at_pick**3) / 1e6)
    in_table = np.mean((at_pick >= 60) & (at_pick < 90))
    assert crop.class_fruit[0, 1:3].sum() / 72_000 == pytest.approx(in_table, abs=0.01)
    kg = crop.cartons[0].sum() * 18
    assert kg == pytest.approx(crop.tonnes[0] * 1000 * 0.8, rel=0.01)


def test_same_in_same_out_and_one_block_does_not_move_another() -> None:
    first = _draw(block_estimate(with_sizes=sizes()))
    again = _draw(block_estimate(with_sizes=sizes()))
    assert np.array_equal(first.fruit, again.fruit)
    other = _draw(block_estimate("Gala South", with_sizes=sizes()))
    assert not np.array_equal(first.fruit, other.fruit)


def test_shared_errors_do_not_average_out_over_the_farm() -> None:
    crops = [_draw(block_estimate(f"Block {i}", with_sizes=sizes())) for i in range(12)]
    total = add_draws(crops)
    independent = np.sqrt(sum(np.var(crop.cartons.sum(axis=1)) for crop in crops))
    assert total.cartons.sum(axis=1).std() > 2 * independent
    assert total.fruit == pytest.approx(sum(crop.fruit for crop in crops))
    assert total.fruit.mean() == pytest.approx(sum(crop.fruit.mean() for crop in crops))


def test_summary_is_ordered_and_its_shares_add_up() -> None:
    crop = _draw(block_estimate(with_sizes=sizes()))
    result = summarise(
        crop, name="x", variety="Gala", pick_date=PICK, table=TABLE, settings=SETTINGS, doubts=()
    )
    names = [row.size_class for row in result.classes]
    assert names == ["undersize", "60-75", "75-90", "oversize"]
    assert crop.class_fruit.sum(axis=1) == pytest.approx(crop.fruit)
    assert result.classes[0].cartons.p90 == 0
    assert result.bins is not None
    assert result.tonnes is not None
    assert result.bins.p50 == pytest.approx(result.tonnes.p50 * 1000 / 381)


def test_without_hand_counts_there_are_no_cartons_and_without_sizes_no_millimetres() -> None:
    visible_only = _draw(block_estimate(with_sizes=sizes(), counted=0))
    assert visible_only.cartons is None
    assert visible_only.diameter_mm is not None
    count_only = _draw(block_estimate())
    assert count_only.diameter_mm is None
    total = add_draws([count_only, _draw(block_estimate("B", with_sizes=sizes()))])
    assert total.cartons is None
    assert total.fruit.mean() > 100_000


def test_a_later_pick_gives_larger_fruit_and_a_wider_range() -> None:
    near = _draw(block_estimate(with_sizes=sizes()))
    far = _draw(block_estimate(with_sizes=sizes(), pick_date=PICK + timedelta(days=20)))
    assert far.diameter_mm.mean() > near.diameter_mm.mean() + 3
    assert far.diameter_mm.std() > near.diameter_mm.std()


def test_a_pick_before_the_photos_or_no_pick_date_is_refused() -> None:
    with pytest.raises(ForecastError, match="before the photos"):
        _draw(block_estimate(pick_date=WALK - timedelta(days=1)))
    with pytest.raises(ForecastError, match="no pick date"):
        _draw(block_estimate(pick_date=None))


def test_far_ahead_is_said() -> None:
    late = block_estimate(pick_date=WALK + timedelta(days=61))
    assert Doubt.FAR_AHEAD in forecast_doubts(late, GROWTH)
    assert Doubt.FAR_AHEAD not in forecast_doubts(block_estimate(), GROWTH)


def test_simulated_ranges_hold_the_truth_as_often_as_they_claim() -> None:
    # 300 seasons: the true block differs from the estimate by the stated errors; a P10-P90 range
    # must hold the true number of fruit in about 80 % (standard error 2.3 points).
    rng = np.random.default_rng(9)
    inside = 0
    for season in range(300):
        estimate = block_estimate(f"Block {season}")
        true_mean = 75 + 6 * rng.standard_t(15)
        true_drop = 0.04 + 0.02 * rng.standard_normal()
        truth = 1000 * true_mean * (1 - true_drop)
        low, high = np.quantile(_draw(estimate, Settings(draws=500)).fruit, (0.1, 0.9))
        inside += low <= truth <= high
    assert 0.73 <= inside / 300 <= 0.87


def test_advice_names_what_is_missing_first() -> None:
    no_counts = block_estimate("Fuji Slope", with_sizes=sizes(), counted=0)
    assert "Fuji Slope: count every fruit" in next_action(
        [block_estimate(with_sizes=sizes()), no_counts]
    )
    assert "marker" in next_action([block_estimate()])


def test_advice_is_quiet_when_the_count_is_good_enough() -> None:
    assert "Nothing to do" in next_action([block_estimate(with_sizes=sizes(), error=2.0)])


def test_advice_names_the_gain() -> None:
    # Errors 8 %: sampling 4.8 %, calibration 6.4 %. Ten more trees: 4.8·√(12/22) = 3.55 →
    # √(3.55² + 6.4²) = 7.32 %, 0.034 points a minute; five counts: 6.4·√(10/15) = 5.23 → 7.1 %,
    # 0.015 points a minute. So trees: ±10.2 → ±9.4 %.
    words = next_action([block_estimate(with_sizes=sizes())])
    assert "photograph 10 more trees" in words
    assert "±10 % to about ±9 %" in words
