"""Sizes to classes, against normal tables and published arithmetic."""

import numpy as np
import pytest
from scipy.stats import norm

from fruitvision.domain import SizeClass, SizeTable
from fruitvision.forecast.packout import (
    bins_per_acre,
    cartons_per_class,
    mass_from_diameter,
    sort_into_classes,
)

NORMAL = norm.ppf((np.arange(1999) + 0.5) / 1999)
MM = SizeTable(
    name="mm",
    unit="mm",
    carton_kg=18.0,
    classes=tuple(SizeClass(name=f"{a}-{a + 5}", low=a, high=a + 5) for a in (65, 70, 75, 80)),
)
GRAMS = SizeTable(
    name="g",
    unit="g",
    carton_kg=19.05,
    classes=(
        SizeClass(name="small", low=100, high=150, fruit_per_carton=150),
        SizeClass(name="large", low=150, high=220, fruit_per_carton=100),
    ),
)


def _sorted(table: SizeTable, *, mean: float = 75, sd: float = 5, scatter: float = 0.12):  # type: ignore[no-untyped-def]
    return sort_into_classes(
        (mean + sd * NORMAL)[np.newaxis],
        factor_g_per_mm3=np.array([3.8e-4]),
        mass_scatter=scatter,
        table=table,
    )


@pytest.mark.parametrize(
    ("trees", "fruit", "per_bin", "bins"), [(1000, 30, 2000, 15.0), (600, 40, 2500, 9.6)]
)
def test_bins_per_acre_of_the_printed_examples(
    trees: float, fruit: float, per_bin: float, bins: float
) -> None:
    # Ontario ministry of agriculture, "How to estimate bin requirements for apple harvest".
    result = bins_per_acre(trees_per_acre=trees, fruit_per_tree=fruit, fruit_per_bin=per_bin)
    assert result == pytest.approx(bins)


def test_mass_of_the_middle_of_the_count_table() -> None:
    # Count 100 of a 42 lb box: 79.4 mm and 190.5 g (Washington pack-size sheet 2010; Ontario).
    assert mass_from_diameter(79.4, factor_g_per_mm3=3.8e-4) == pytest.approx(190.5, rel=0.01)


def test_shares_by_diameter_are_those_of_normal_tables() -> None:
    # The quantiles are smoothed by 1 %: spread sqrt(5² + 0.75²).
    expected = np.diff(norm.cdf([65, 70, 75, 80, 85], 75, np.hypot(5, 0.75)))
    result = _sorted(MM)
    assert result.shares[0, 1:-1] == pytest.approx(expected, abs=0.003)
    assert result.shares.sum() == pytest.approx(1)


def test_mass_scatter_widens_the_classes_by_mass_only() -> None:
    narrow, wide = _sorted(GRAMS, scatter=0.0), _sorted(GRAMS, scatter=0.2)
    assert wide.shares[0, -1] > narrow.shares[0, -1]
    assert _sorted(MM, scatter=0.2).shares == pytest.approx(_sorted(MM, scatter=0.0).shares)


def test_mean_mass_is_not_that_of_the_mean_diameter() -> None:
    # E[D³] = μ³ + 3μσ²: 1.0133 × μ³ for N(75, 5).
    result = _sorted(GRAMS)
    assert result.mass_g.sum() == pytest.approx(3.8e-4 * 75**3 * 1.013333, rel=1e-3)


def test_class_mass_agrees_with_simulated_fruit() -> None:
    rng = np.random.default_rng(2)
    diameters = rng.normal(75, 5, 400_000)
    spread = np.sqrt(np.log1p(0.12**2))
    mass = 3.8e-4 * diameters**3 * np.exp(rng.normal(-(spread**2) / 2, spread, len(diameters)))
    result = _sorted(GRAMS)
    for index, (low, high) in enumerate([(0, 100), (100, 150), (150, 220), (220, 1e9)]):
        inside = (mass >= low) & (mass < high)
        assert result.shares[0, index] == pytest.approx(inside.mean(), abs=0.003)
        assert result.mass_g[0, index] == pytest.approx((mass * inside).mean(), abs=0.6)


def test_cartons_by_number_and_by_mass() -> None:
    packed = np.array([100_000.0])
    by_number = _sorted(GRAMS)
    cartons = cartons_per_class(by_number, packed_fruit=packed, table=GRAMS)
    assert cartons[0, 1] == pytest.approx(100_000 * by_number.shares[0, 2] / 100)
    by_mass = _sorted(MM)
    cartons = cartons_per_class(by_mass, packed_fruit=packed, table=MM)
    assert cartons[0, 2] == pytest.approx(100_000 * by_mass.mass_g[0, 3] / 18_000)
