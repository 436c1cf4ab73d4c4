"""Mass from diameter: own rules from weighed fruit, the general rule, and what is refused."""

from collections.abc import Sequence
from datetime import date

import numpy as np
import pytest
from scipy.stats import linregress

from fruitvision.domain import Doubt, WeighedFruit
from fruitvision.errors import FieldDataError
from fruitvision.forecast.weight import default_weight, fit_power, mass_of, weight_rule
from fruitvision.settings import Settings

SETTINGS = Settings()


def weighed(
    diameters: Sequence[float], masses: Sequence[float], variety: str = "Gala"
) -> list[WeighedFruit]:
    return [
        WeighedFruit(
            variety=variety, weighed_on=date(2026, 8, 30), diameter_mm=float(d), mass_g=float(m)
        )
        for d, m in zip(diameters, masses, strict=True)
    ]


def drawn(
    number: int, *, scatter: float, seed: int = 3, spread_mm: float = 6.0
) -> list[WeighedFruit]:
    rng = np.random.default_rng(seed)
    diameters = rng.normal(74, spread_mm, number)
    return weighed(diameters, 3.8e-4 * diameters**3 * (1 + scatter * rng.standard_normal(number)))


def test_scenario_37_sixty_pairs_give_the_power_they_were_made_with() -> None:
    # W = 3.8e-4·D³ ± 5 %; standard error of the power 0.05/(0.081·√60) = 0.08.
    for seed in range(5):
        rule = weight_rule(drawn(60, scatter=0.05, seed=seed), SETTINGS)
        assert rule.power == pytest.approx(3.0, abs=0.2)
        assert mass_of(74.0, rule) == pytest.approx(3.8e-4 * 74**3, rel=0.02)
        assert rule.scatter == pytest.approx(0.05, abs=0.012)
        assert rule.doubts == ()
        assert rule.source == "60 weighed fruit of Gala"
    powers = [weight_rule(drawn(60, scatter=0.05, seed=s), SETTINGS).power for s in range(200)]
    assert np.mean(powers) == pytest.approx(3.0, abs=0.02)
    assert np.mean(np.abs(np.array(powers) - 3) < 0.15) > 0.9


def test_the_fit_is_that_of_other_libraries() -> None:
    rng = np.random.default_rng(8)
    for _ in range(20):
        diameters = rng.uniform(55, 90, 25)
        masses = 4e-4 * diameters**2.9 * rng.lognormal(0, 0.1, 25)
        fit = fit_power(diameters.tolist(), masses.tolist())
        peer = linregress(np.log(diameters), np.log(masses))
        assert fit.power == pytest.approx(peer.slope, rel=1e-8)
        assert fit.log_factor == pytest.approx(peer.intercept, rel=1e-8)
        assert fit.power_error == pytest.approx(peer.stderr, rel=1e-8)
        assert (fit.power, fit.log_factor) == pytest.approx(
            np.polyfit(np.log(diameters), np.log(masses), 1), rel=1e-8
        )


def test_the_mean_mass_is_free_of_the_bias_of_logs() -> None:
    # A lognormal scatter of 30 % pulls the curve of the logs 4.3 % below the mean.
    rng = np.random.default_rng(1)
    diameters = rng.uniform(60, 90, 40_000)
    spread = np.sqrt(np.log1p(0.3**2))
    masses = 3.8e-4 * diameters**3 * rng.lognormal(-(spread**2) / 2, spread, len(diameters))
    rule = weight_rule(weighed(diameters, masses), SETTINGS)
    assert np.mean(mass_of(diameters, rule)) == pytest.approx(masses.mean(), rel=0.003)
    assert rule.scatter == pytest.approx(0.3, abs=0.01)


def test_the_error_of_the_mean_is_that_of_repeated_weighings() -> None:
    at = [mass_of(74.0, weight_rule(drawn(40, scatter=0.10, seed=s), SETTINGS)) for s in range(300)]
    claimed = weight_rule(drawn(40, scatter=0.10), SETTINGS).factor_error
    seen = float(np.std(at) / np.mean(at))
    assert 0.8 * seen < claimed < 1.8 * seen


def test_scenario_37_four_pairs_leave_the_general_rule_and_say_so() -> None:
    rule = weight_rule(drawn(4, scatter=0.05), SETTINGS)
    general = default_weight(SETTINGS)
    assert (rule.factor, rule.power, rule.scatter) == (3.8e-4, 3.0, general.scatter)
    assert rule.doubts == (Doubt.FEW_WEIGHED, Doubt.DEFAULT_WEIGHT)
    assert "only 4 fruit" in rule.source
    assert rule.fruit == 4
    assert weight_rule([], SETTINGS) == general


def test_fruit_of_one_size_tell_the_factor_and_keep_the_power() -> None:
    rule = weight_rule(drawn(40, scatter=0.05, spread_mm=0.3), SETTINGS)
    assert rule.power == 3.0
    assert mass_of(74.0, rule) == pytest.approx(3.8e-4 * 74**3, rel=0.03)
    same = weight_rule(weighed([74.0] * 12, [154.0, 158.0] * 6), SETTINGS)
    assert same.power == 3.0
    assert mass_of(74.0, same) == pytest.approx(156.0)


def test_weights_that_go_down_with_diameter_are_refused() -> None:
    diameters = np.linspace(60, 85, 20)
    with pytest.raises(FieldDataError, match=r"weights of Gala go down with the diameter"):
        weight_rule(weighed(diameters, 300 - 2 * diameters), SETTINGS)


@pytest.mark.parametrize(("diameter", "mass"), [(0.0, 150.0), (70.0, -3.0), (70.0, float("nan"))])
def test_impossible_fruit_are_refused(diameter: float, mass: float) -> None:
    with pytest.raises(FieldDataError, match="A weighed fruit of Gala has"):
        weight_rule(weighed([diameter], [mass]), SETTINGS)


def test_varieties_are_not_mixed() -> None:
    mixed = [*weighed([70.0], [130.0]), *weighed([75.0], [160.0], "Fuji")]
    with pytest.raises(FieldDataError, match="Fuji, Gala are mixed"):
        weight_rule(mixed, SETTINGS)
    with pytest.raises(ValueError, match="3 or more"):
        fit_power([70.0, 75.0], [130.0, 160.0])
