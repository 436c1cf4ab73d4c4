"""Growth curves against certified fits, and what can't be fitted."""

import numpy as np
import pytest

from fruitvision.errors import ForecastError
from fruitvision.forecast.curves import (
    FittedCurve,
    expolinear,
    fit_expolinear,
    fit_four_parameter_logistic,
    fit_logistic,
    logistic,
)

# NIST Statistical Reference Datasets, nonlinear regression, Rat42 and Rat43 (Ratkowsky 1983): data,
# certified parameters, their standard deviations and the residual one. US government data.
RAT42_X = (9, 14, 21, 28, 42, 57, 63, 70, 79)
RAT42_Y = (8.930, 10.800, 18.590, 22.330, 39.350, 56.110, 61.730, 64.620, 67.080)
RAT42 = FittedCurve(
    parameters=(72.462237576, 2.6180768402, 0.067359200066),
    errors=(1.7340283401, 0.088295217536, 0.0034465663377),
    residual_sd=1.1587725499,
)
RAT43_X = tuple(range(1, 16))
RAT43_Y = (
    *(16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53),
    *(590.03, 651.92, 724.93, 699.56, 689.96, 637.56, 717.41),
)
RAT43 = FittedCurve(
    parameters=(699.64151270, 5.2771253025, 0.75962938329, 1.2792483859),
    errors=(16.302297817, 2.0828735829, 0.19566123451, 0.68761936385),
    residual_sd=28.262414662,
)


@pytest.mark.parametrize(
    ("fit", "x", "y", "certified"),
    [
        (fit_logistic, RAT42_X, RAT42_Y, RAT42),
        (fit_four_parameter_logistic, RAT43_X, RAT43_Y, RAT43),
    ],
    ids=["Rat42", "Rat43"],
)
def test_certified_fits_are_met_to_eight_digits(fit, x, y, certified: FittedCurve) -> None:  # type: ignore[no-untyped-def]
    found = fit(x, y)
    assert found.parameters == pytest.approx(certified.parameters, rel=1e-8)
    assert found.errors == pytest.approx(certified.errors, rel=1e-7)
    assert found.residual_sd == pytest.approx(certified.residual_sd, rel=1e-8)


def test_expolinear_growth_gives_its_own_parameters_back() -> None:
    days = np.arange(0, 120, 10.0)
    truth = np.array([1.5, 0.08, 30.0])
    found = fit_expolinear(days.tolist(), expolinear(days, truth).tolist())
    assert found.parameters == pytest.approx(truth, rel=1e-6)
    assert found.residual_sd < 1e-6
    # Far in the linear part it gains b1 a day; far before day b3 it grows by b2 a day.
    late = expolinear(np.array([200.0, 201.0]), truth)
    assert late[1] - late[0] == pytest.approx(1.5, rel=1e-5)
    early = expolinear(np.array([-100.0, -99.0]), truth)
    assert np.log(early[1] / early[0]) == pytest.approx(0.08, rel=1e-3)


def test_the_mean_curve_of_the_open_fuji_data_is_followed() -> None:
    # Date means of 24 Fuji fruit, Cadriano 2022 (Zenodo 10.5281/zenodo.10687503), from 17 June.
    days = [0, 6, 13, 20, 28, 33, 45, 55, 68, 82, 91, 103, 117]
    means_mm = [45.08, 49.12, 52.64, 56.26, 60.26, 62.39, 67.07, 69.84, 74.16, 79.21, 80.96]
    cubes = [mm**3 for mm in [*means_mm, 83.57, 85.53]]
    found = fit_expolinear(days, cubes)
    followed = np.cbrt(expolinear(np.array(days, float), np.array(found.parameters)))
    assert followed == pytest.approx(np.cbrt(cubes), abs=1.1)


def test_too_few_points_or_points_of_one_day_are_refused() -> None:
    with pytest.raises(ForecastError, match="too few for a growth curve"):
        fit_logistic([1, 2, 3], [1, 2, 3])
    with pytest.raises(ForecastError, match="too few for a growth curve"):
        fit_expolinear([5, 5, 5, 5, 5], [1, 2, 3, 4, 5])


def test_points_that_make_no_curve_are_refused() -> None:
    with pytest.raises(ForecastError, match="No growth curve fits"):
        fit_logistic([1, 2, 3, 4, 5], [0.0, 0.0, 0.0, 0.0, 0.0])


def test_logistic_is_half_of_its_top_in_the_middle() -> None:
    assert logistic(np.array([40.0]), np.array([80.0, 4.0, 0.1]))[0] == pytest.approx(40.0)
