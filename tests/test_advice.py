"""What to do next: the range now, and what each kind of work would bring for its minutes."""

from dataclasses import replace
from datetime import date

import pytest

from fruitvision.advice import Work, advise, next_action
from fruitvision.domain import (
    Block,
    BlockEstimate,
    Doubt,
    Estimate,
    HiddenFruitFactor,
    Protocol,
    SizeDistribution,
)
from fruitvision.sample_errors import errors_of, with_walk
from fruitvision.settings import Settings
from fruitvision.survey import sample_size

DAY = date(2026, 8, 12)


def estimate(
    *,
    sampling: float = 6.0,
    calibration: float = 0.0,
    trees: int = 10,
    counted: int = 10,
    population: int = 1000,
    shared: float = 0.0,
) -> BlockEstimate:
    """100 fruit per tree; errors in fruit per tree, so in percent."""
    return BlockEstimate(
        block=Block(block_id="Mill", variety="Gala", positions=population),
        walked_on=DAY,
        trees=trees,
        visible_per_tree=70.0,
        factor=HiddenFruitFactor(
            factor=1.4, factor_error=0.1, trees=counted, protocol=Protocol.TWO_FACES
        ),
        fruit_per_tree_mean=100.0,
        fruit_per_tree_error=(sampling**2 + calibration**2) ** 0.5,
        degrees_of_freedom=9,
        sampling_error=sampling,
        fruit_per_tree=Estimate(90, 100, 110),
        fruit_total=Estimate(90e3, 100e3, 110e3),
        sizes=SizeDistribution(
            measured_on=DAY,
            quantiles_mm=(65.0, 70.0, 75.0),
            mean_mm=70.0,
            sd_mm=5.0,
            mean_error_mm=0.0,
            shared_error=shared,
            spread_error=0.1,
            fruit=100,
            trees=trees,
        ),
        doubts=(),
    )


def test_the_range_now_is_student_t_times_the_error() -> None:
    # 10 trees, 9 degrees of freedom: t at 90 % is 1.3830 (printed tables); 6 % error.
    assert advise(estimate()).half_range == pytest.approx(1.3830 * 0.06, abs=1e-5)


def test_size_counts_three_times_since_mass_goes_with_its_cube() -> None:
    # Only a shared error of 2 %: normal quantile 1.2816 times 3 times 2 %.
    half = advise(estimate(sampling=0.0, shared=0.02)).half_range
    assert half == pytest.approx(1.2816 * 0.06, abs=1e-5)


def test_ten_trees_of_cv_30_percent_need_about_17_more() -> None:
    # Acceptance scenario 29: goal ±10 % of a 90 % range, before the finite block; fewer of 60.
    assert sample_size(0.30, half_width=0.10) - 10 == 17
    assert sample_size(0.30, half_width=0.10, population=60) < 27


def test_more_trees_are_asked_for_until_the_range_is_as_wanted() -> None:
    # CV 30 %, 10 of 1000 trees: error 0.3·√(1/10 − 1/1000) = 9.44 %. P10–P90 of ±7 %: the first n
    # with t(0.9, n−1)·0.3·√(1/n − 1/1000) ≤ 0.07 is 31: 6.95 %; at 30 it is 7.07 %.
    found = advise(estimate(sampling=9.44, counted=10), wanted=0.07)
    trees = next(step for step in found.steps if "photograph" in step.words)
    assert trees.more == 21
    assert trees.half_range == pytest.approx(0.0695, abs=2e-4)
    assert not found.enough


def test_in_a_small_block_fewer_trees_are_enough() -> None:
    large = advise(estimate(sampling=9.44), wanted=0.07).steps[0].more
    small_error = 30 * (1 / 10 - 1 / 60) ** 0.5
    small = advise(estimate(sampling=small_error, population=60), wanted=0.07).steps[0].more
    assert small < large


def test_hand_counts_win_where_the_factor_is_the_weak_part() -> None:
    weak_factor = estimate(sampling=1.0, calibration=12.0, trees=40, counted=4)
    assert "by hand" in advise(weak_factor).steps[0].words
    few_trees = estimate(sampling=12.0, calibration=1.0, trees=10, counted=5)
    assert "photograph" in advise(few_trees).steps[0].words


def test_calipers_win_where_the_scale_is_the_weak_part() -> None:
    found = advise(estimate(sampling=1.0, trees=40, counted=40, shared=0.05))
    assert "caliper 10 fruit" in found.steps[0].words
    # 5 trees: tree means 3 %, fruit 7.14 %/√10 each; √((0.0009 + 0.00051)/5) = 1.68 %; with 5 %
    # before: 1.59 % after, three times that and t or z 1.28 → about 6.1 % with the count's 1 %.
    assert found.steps[0].half_range == pytest.approx(0.0625, abs=0.002)


def test_steps_are_ranked_by_gain_per_minute() -> None:
    gains = [step.gain_per_minute for step in advise(estimate(calibration=8, trees=30)).steps]
    assert len(gains) >= 2
    assert gains == sorted(gains, reverse=True)


def test_enough_is_said_when_it_is_enough() -> None:
    found = advise(estimate(sampling=3.0))
    assert found.enough
    assert found.words == "Mill: enough, the crop is known to ±4 %."
    assert "Nothing to do" in next_action([estimate(sampling=3.0)])


def test_unchecked_millimetres_are_asked_for_when_all_else_is_enough() -> None:
    unchecked = replace(estimate(sampling=3.0), doubts=(Doubt.NO_CALIPERS,))
    assert "unchecked" in next_action([unchecked])


def test_what_is_missing_comes_before_what_would_narrow() -> None:
    no_counts = replace(estimate(sampling=20.0), factor=None)
    assert not advise(no_counts).enough
    assert "count every fruit" in next_action([estimate(sampling=30.0), no_counts])
    no_sizes = replace(estimate(), sizes=None)
    assert "marker" in advise(no_sizes).words


def test_no_more_trees_are_asked_for_than_stand_there() -> None:
    found = advise(estimate(sampling=9.0, trees=10, population=12), wanted=0.01)
    assert all(step.more <= 2 for step in found.steps if "photograph" in step.words)


def test_a_wanted_range_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        advise(estimate(), wanted=0.0)


def test_more_photographed_trees_do_not_narrow_sizes_that_calipers_gave() -> None:
    # Only the calipers' own error: 2 % of the size, 6 % of the mass.
    known = estimate(sampling=0.0, trees=20, counted=20)
    assert known.sizes is not None
    by_hand = replace(known.sizes, mean_error_mm=1.4, degrees_of_freedom=7)
    calipered = replace(known, sizes=by_hand)
    # t(7) at 90 % is 1.4149 (printed tables).
    assert advise(calipered).half_range == pytest.approx(1.4149 * 0.06, abs=1e-5)
    assert not any("photograph" in step.words for step in advise(calipered, wanted=0.05).steps)
    by_photos = replace(known, sizes=replace(by_hand, doubts=(Doubt.NO_CALIPERS,)))
    assert any("photograph" in step.words for step in advise(by_photos, wanted=0.05).steps)


def test_minutes_of_the_farm_are_told_and_change_which_work_is_best() -> None:
    weak = estimate(sampling=9.0, calibration=6.0, counted=6, trees=12)
    usual, quick = advise(weak), advise(weak, settings=Settings(hand_count_min=1.0))
    assert usual.steps[0].work is Work.PHOTOGRAPH
    assert quick.steps[0].work is Work.COUNT
    assert quick.steps[0].minutes == quick.steps[0].more


def test_a_walk_of_photos_and_counts_shrinks_both_parts_of_the_two_phase_error() -> None:
    errors = errors_of(estimate(sampling=6.0, calibration=8.0, trees=6, counted=4))
    # 1/m - 1/n goes from 1/4 - 1/6 = 0.0833 to 1/8 - 1/14 = 0.0536.
    found = with_walk(errors, trees=8, counts=4)
    assert found.calibration == pytest.approx(errors.calibration * (0.0535714 / 0.0833333) ** 0.5)
    assert found.sampling < errors.sampling
    assert (found.trees, found.counted) == (14, 8)
    # Photos alone leave the factor as it is, and never make it worse.
    assert with_walk(errors, trees=8, counts=0).calibration == errors.calibration
    assert found.half_range_of_load() < errors.half_range_of_load()
