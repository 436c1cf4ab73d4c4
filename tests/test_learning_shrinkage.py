"""What of past errors lasts: hand-worked numbers, a published example, another library, chance."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm
from statsmodels.stats.meta_analysis import combine_effects

from fruitvision.domain import LearnedNumber, Stage
from fruitvision.learning.prediction import predict
from fruitvision.learning.shrinkage import (
    COUNT_SPREADS,
    Observation,
    Spreads,
    Target,
    learn,
)

LAST = Stage.LAST
BLOCKS = (("Gala North", "Gala"), ("Gala South", "Gala"), ("Fuji Slope", "Fuji"))


def seen(
    block: str, season: int, value: float, *, variety: str = "Gala", stage: Stage = LAST
) -> Observation:
    return Observation(
        block_id=block,
        variety=variety,
        season=season,
        stage=stage,
        value=value,
        result_error=0.02,
        forecast_error=0.07,
    )


def of(block: str, observations: Sequence[Observation], variety: str = "Gala") -> LearnedNumber:
    (found,) = learn(observations, [Target(block, variety, LAST)], COUNT_SPREADS)
    return found


# ---------------------------------------------------------------- arithmetic


def test_one_normal_datum_by_hand() -> None:
    # Spread 3, error 4, seen 10: mean 10·9/25, variance 9·16/25.
    found = predict(
        np.array([10.0]), np.ones((1, 1)), effect_sd=np.array([3.0]), noise_sd=np.array([4.0])
    )
    assert found.mean[0] == pytest.approx(3.6)
    assert found.covariance[0, 0] == pytest.approx(5.76)
    assert found.log_likelihood == pytest.approx(norm(0, 5).logpdf(10.0))


def test_the_published_example_of_sires_and_herds() -> None:
    # Robinson, "That BLUP is a good thing", Statistical Science 6(1), 1991, section 1: yields of
    # daughters of four sires in three herds (fixed), ratio of variances 0.1; printed there:
    # herds 105.64, 104.28, 105.46, sires 0.40, 0.52, 0.76, -1.67.
    herds = np.array([0, 0, 1, 1, 1, 2, 2, 2, 2])
    sires = np.array([0, 3, 1, 3, 3, 2, 2, 3, 3])
    yields = np.array([110, 100, 110, 100, 100, 110, 110, 100, 100], dtype=float)
    design = np.hstack([np.eye(3)[herds], np.eye(4)[sires]])
    found = predict(
        yields,
        design,
        effect_sd=np.array([1e5] * 3 + [0.1**0.5] * 4),
        noise_sd=np.ones(9),
    )
    assert found.mean[:3] == pytest.approx([105.64, 104.28, 105.46], abs=0.006)
    assert found.mean[3:] == pytest.approx([0.40, 0.52, 0.76, -1.67], abs=0.006)


def test_the_likelihood_is_that_of_the_whole_normal_distribution() -> None:
    rng = np.random.default_rng(5)
    design, y = rng.normal(size=(7, 4)), rng.normal(size=7)
    effect_sd, noise_sd = np.array([0.5, 1.0, 2.0, 0.1]), rng.uniform(0.5, 2, 7)
    whole = design @ np.diag(effect_sd**2) @ design.T + np.diag(noise_sd**2)
    found = predict(y, design, effect_sd=effect_sd, noise_sd=noise_sd)
    assert found.log_likelihood == pytest.approx(multivariate_normal(cov=whole).logpdf(y))
    # The textbook form: G Z' V⁻¹ y.
    expected = np.diag(effect_sd**2) @ design.T @ np.linalg.solve(whole, y)
    assert found.mean == pytest.approx(expected)


def test_a_mean_over_studies_is_that_of_a_library_for_them() -> None:
    # With a farm's mean that nothing is known of, and seasons that differ by what DerSimonian and
    # Laird find, the farm's effect is the random-effects mean of statsmodels.
    effects = np.array([0.061, 0.18, -0.02, 0.11, 0.20, 0.05])
    errors = np.array([0.03, 0.05, 0.04, 0.03, 0.06, 0.02])
    other = combine_effects(effects, errors**2, method_re="dl")
    assert other.tau2 > 0
    design = np.hstack([np.ones((6, 1)), np.eye(6)])
    found = predict(
        effects,
        design,
        effect_sd=np.array([1e4] + [other.tau2**0.5] * 6),
        noise_sd=errors,
    )
    assert found.mean[0] == pytest.approx(other.mean_effect_re, rel=1e-6)
    assert found.covariance[0, 0] ** 0.5 == pytest.approx(other.sd_eff_w_re, rel=1e-6)


# ---------------------------------------------------------------- what a grower expects


def test_one_year_of_a_block_moves_it_by_much_less_and_three_by_most_of_it() -> None:
    # Scenario 49: +20 % in one block, the others as forecast.
    error = float(np.log(1.2))

    def years(number: int) -> list[Observation]:
        return [
            seen(block, 2020 + year, error if block == "Gala North" else 0.0, variety=variety)
            for year in range(number)
            for block, variety in BLOCKS
        ]

    one, two, three = (of("Gala North", years(number)).value for number in (1, 2, 3))
    assert 0.1 * error < one < 0.45 * error
    assert one < two < three
    assert 0.6 * error < three < error
    # Its sister learns little of it, the other variety less.
    assert of("Gala South", years(3)).value < 0.35 * error
    assert of("Fuji Slope", years(3), "Fuji").value < of("Gala South", years(3)).value


def test_a_year_in_which_all_blocks_erred_alike_is_not_chased() -> None:
    quiet = [
        seen(block, 2020 + year, 0.0, variety=variety)
        for year in range(3)
        for block, variety in BLOCKS
    ]
    odd = [seen(block, 2023, 0.18, variety=variety) for block, variety in BLOCKS]
    assert abs(of("Gala North", quiet).value) < 1e-9
    assert 0.0 < of("Gala North", quiet + odd).value < 0.25 * 0.18
    # The same error again and again is no odd year.
    always = [seen(one.block_id, one.season, 0.18, variety=one.variety) for one in quiet + odd]
    assert of("Gala North", always).value > 0.7 * 0.18


def test_more_years_make_the_correction_surer() -> None:
    def years(number: int) -> list[Observation]:
        return [seen("Gala North", 2020 + year, 0.05) for year in range(number)]

    errors = [of("Gala North", years(number)).error for number in (0, 1, 3, 6)]
    assert errors == sorted(errors, reverse=True)
    assert of("Gala North", []).value == 0.0


def test_several_looks_at_one_season_are_not_several_seasons() -> None:
    once = [seen("Gala North", 2024, 0.1)]
    looks = [seen("Gala North", 2024, 0.1, stage=stage) for stage in Stage]
    alone, often = of("Gala North", once), of("Gala North", looks)
    assert often.value == pytest.approx(alone.value, rel=0.2)
    assert often.error > 0.85 * alone.error


def test_a_stage_that_errs_more_is_corrected_more() -> None:
    found = [
        seen(
            block,
            2020 + year,
            0.12 if stage is Stage.OUTLOOK else 0.04,
            variety=variety,
            stage=stage,
        )
        for year in range(4)
        for block, variety in BLOCKS
        for stage in (Stage.OUTLOOK, LAST)
    ]
    early, late = learn(
        found,
        [Target("Gala North", "Gala", stage) for stage in (Stage.OUTLOOK, LAST)],
        COUNT_SPREADS,
    )
    assert early.value > late.value > 0


def test_blocks_share_what_the_farm_is_not_sure_of() -> None:
    targets = [Target(block, variety, LAST) for block, variety in BLOCKS]
    found = learn([seen("Gala North", 2024, 0.1)], targets, COUNT_SPREADS)
    for one in found:
        assert 0 < one.common_error < one.error
    (alone,) = learn([seen("Gala North", 2024, 0.1)], targets[:1], COUNT_SPREADS)
    assert alone.common_error == alone.error


def test_ranges_of_corrections_come_true_where_the_spreads_are_right() -> None:
    # 300 farms drawn from the model itself, factors and all: the truth is inside ± 1.28 errors in
    # 80 ± 2.3 % of them.
    rng = np.random.default_rng(11)
    spreads = COUNT_SPREADS
    inside = 0
    for _ in range(300):
        lasting, passing = np.exp(0.5 * rng.standard_normal(2))
        farm = lasting * spreads.farm * rng.standard_normal()
        of_variety = lasting * spreads.variety * rng.standard_normal()
        stage = lasting * spreads.stage * rng.standard_normal()
        blocks = lasting * spreads.block * rng.standard_normal(2)
        data = []
        for year in range(3):
            season = passing * spreads.season * rng.standard_normal()
            for number, effect in enumerate(blocks):
                own = passing * spreads.block_season * rng.standard_normal()
                noise = np.hypot(0.02, 0.07) * rng.standard_normal()
                value = farm + of_variety + stage + effect + season + own + noise
                data.append(seen(f"block {number}", 2020 + year, float(value)))
        found = of("block 0", data)
        truth = farm + of_variety + stage + blocks[0]
        inside += abs(found.value - truth) <= 1.2816 * found.error
    assert 0.73 <= inside / 300 <= 0.87


def test_spreads_of_nothing_learn_nothing() -> None:
    none = Spreads(farm=0, variety=0, block=0, stage=0, season=0.1, block_season=0.1)
    (found,) = learn([seen("Gala North", 2024, 0.5)], [Target("Gala North", "Gala", LAST)], none)
    assert abs(found.value) < 1e-9
    assert learn([], [], COUNT_SPREADS) == ()
