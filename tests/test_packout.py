"""Sizes to classes, against normal tables and published arithmetic."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from fruitvision.domain import ClassCull, Losses, SizeClass, SizeTable
from fruitvision.errors import ForecastError
from fruitvision.forecast.culls import cull_errors, cull_shares
from fruitvision.forecast.packout import (
    DrawnSizes,
    Sorted,
    bins_per_acre,
    boxes_per_acre,
    cartons_per_class,
    fruit_nodes,
    sort_into_classes,
)
from fruitvision.forecast.weight import default_weight, mass_of
from fruitvision.settings import Settings
from fruitvision.size_table import at_net_weight, load_size_table

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
        SizeClass(name="small", low=100, high=150),
        SizeClass(name="large", low=150, high=220, fruit_per_carton=100),
    ),
)
LOSSES = Losses(drop_share=0.04, drop_share_error=0.02, cull_share=0.2, cull_share_error=0.04)


def sorted_fruit(
    table: SizeTable,
    *,
    mean: float = 75.0,
    sd: float = 5.0,
    scatter: float = 0.12,
    power: float = 3.0,
    factor: float = 3.8e-4,
) -> Sorted:
    nodes = fruit_nodes(tuple(mean + sd * NORMAL), mean_mm=mean, scatter=scatter)
    sizes = DrawnSizes(np.array([mean]), np.ones(1), np.array([factor]), power)
    return sort_into_classes(nodes, nodes.weights, sizes, table)


@pytest.mark.parametrize(
    ("trees", "fruit", "per_bin", "bins"), [(1000, 30, 2000, 15.0), (600, 40, 2500, 9.6)]
)
def test_bins_per_acre_of_the_printed_examples(
    trees: float, fruit: float, per_bin: float, bins: float
) -> None:
    # Ontario ministry of agriculture, "How to estimate bin requirements for apple harvest".
    result = bins_per_acre(trees_per_acre=trees, fruit_per_tree=fruit, fruit_per_bin=per_bin)
    assert result == pytest.approx(bins)


def test_boxes_per_acre_of_the_printed_example() -> None:
    # Trade press on young 'Honeycrisp', after T. Robinson: 1,200 trees, 100 fruit, count 80.
    assert boxes_per_acre(trees_per_acre=1200, fruit_per_tree=100, count=80) == 1500


def test_mass_of_the_middle_of_the_count_table() -> None:
    # Count 100 of a 42 lb box: 79.4 mm and 190.5 g (Washington pack-size sheet 2010; Ontario).
    assert mass_of(79.4, default_weight(Settings())) == pytest.approx(190.5, rel=0.01)


def test_shares_by_diameter_are_those_of_normal_tables() -> None:
    result = sorted_fruit(MM)
    expected = np.diff(norm.cdf([65, 70, 75, 80, 85], 75, 5))
    assert result.shares[0, 1:-1] == pytest.approx(expected, abs=0.001)
    assert result.shares.sum() == pytest.approx(1)


def test_mass_scatter_widens_the_classes_by_mass_only() -> None:
    narrow, wide = sorted_fruit(GRAMS, scatter=0.0), sorted_fruit(GRAMS, scatter=0.2)
    assert wide.shares[0, -1] > narrow.shares[0, -1]
    assert sorted_fruit(MM, scatter=0.2).shares == pytest.approx(
        sorted_fruit(MM, scatter=0.0).shares
    )


def test_mean_mass_is_not_that_of_the_mean_diameter() -> None:
    # E[D³] = μ³ + 3μσ²: 1.0133 × μ³ for N(75, 5).
    assert sorted_fruit(MM).total_g[0] == pytest.approx(3.8e-4 * 75**3 * 1.013333, rel=1e-3)


@pytest.mark.parametrize(("power", "factor"), [(3.0, 3.8e-4), (2.7, 1.39e-3), (3.3, 1.04e-4)])
def test_classes_by_mass_agree_with_simulated_fruit(power: float, factor: float) -> None:
    rng = np.random.default_rng(2)
    diameters = rng.normal(75, 5, 1_000_000)
    spread = np.sqrt(np.log1p(0.12**2))
    mass = factor * diameters**power * np.exp(rng.normal(-(spread**2) / 2, spread, len(diameters)))
    result = sorted_fruit(GRAMS, power=power, factor=factor)
    assert result.mass_g is not None
    for index, (low, high) in enumerate([(0, 100), (100, 150), (150, 220), (220, 1e9)]):
        inside = (mass >= low) & (mass < high)
        assert result.shares[0, index] == pytest.approx(inside.mean(), abs=0.003)
        assert result.mass_g[0, index] == pytest.approx((mass * inside).mean(), abs=0.4)
    assert result.mass_g.sum() == pytest.approx(result.total_g[0])


def test_a_draw_moves_and_stretches_the_shape() -> None:
    nodes = fruit_nodes(tuple(75 + 5 * NORMAL), mean_mm=75, scatter=0.12)
    sizes = DrawnSizes(np.array([75.0, 79.0]), np.array([1.0, 1.2]), np.full(2, 3.8e-4), 3.0)
    result = sort_into_classes(nodes, nodes.weights, sizes, MM)
    for row, (mean, sd) in enumerate([(75, 5), (79, 6)]):
        expected = np.diff(norm.cdf([65, 70, 75, 80, 85], mean, sd))
        assert result.shares[row, 1:-1] == pytest.approx(expected, abs=0.001)
    assert result.total_g[1] == pytest.approx(3.8e-4 * (79**3 + 3 * 79 * 36), rel=1e-3)


def test_fruit_all_alike_fall_in_one_class() -> None:
    result = sorted_fruit(MM, sd=0.0, mean=72.0)
    assert result.shares[0] == pytest.approx([0, 0, 1, 0, 0, 0], abs=1e-9)


def test_a_part_of_the_crop_is_sorted_as_that_part() -> None:
    nodes = fruit_nodes(tuple(75 + 5 * NORMAL), mean_mm=75, scatter=0.12)
    sizes = DrawnSizes(np.array([75.0]), np.ones(1), np.array([3.8e-4]), 3.0)
    upper = nodes.weights * (nodes.deviations_mm > 0)[:, np.newaxis]
    result = sort_into_classes(nodes, upper, sizes, MM)
    assert result.shares.sum() == pytest.approx(0.5, abs=0.001)
    assert result.shares[0, 1] == pytest.approx(0, abs=1e-3)


def test_a_lighter_carton_moves_the_shares_and_not_the_fruit() -> None:
    heavy = load_size_table("box_counts_42lb")
    light = at_net_weight(heavy, 18.0)
    of_heavy, of_light = sorted_fruit(heavy), sorted_fruit(light)
    assert of_heavy.shares.sum() == pytest.approx(of_light.shares.sum())
    assert of_heavy.total_g == pytest.approx(of_light.total_g)
    names = [size_class.name for size_class in heavy.classes]
    of_88 = names.index("88") + 1
    assert of_light.shares[0, of_88] > of_heavy.shares[0, of_88] + 0.02


def test_cartons_by_number_and_by_mass() -> None:
    packed = np.full((1, 2), 100_000.0)
    by_both = sorted_fruit(GRAMS)
    cartons = cartons_per_class(by_both, packed_fruit=packed, table=GRAMS)
    assert by_both.mass_g is not None
    assert cartons[0, 0] == pytest.approx(100_000 * by_both.mass_g[0, 1] / 19_050)
    assert cartons[0, 1] == pytest.approx(100_000 * by_both.shares[0, 2] / 100)
    only_counts = replace(
        GRAMS, classes=tuple(replace(c, fruit_per_carton=100) for c in GRAMS.classes)
    )
    by_number = sorted_fruit(only_counts)
    assert by_number.mass_g is None
    cartons = cartons_per_class(by_number, packed_fruit=packed, table=only_counts)
    assert cartons[0] == pytest.approx(100_000 * by_number.shares[0, 1:3] / 100)


def test_culls_of_a_class_replace_the_share_of_all() -> None:
    losses = replace(LOSSES, culls_by_class=(ClassCull(size_class="large", cull_share=0.35),))
    assert cull_shares(losses, GRAMS).tolist() == [0.2, 0.35]
    assert cull_errors(losses, GRAMS).tolist() == [0.04, 0.04]
    own = ClassCull(size_class="large", cull_share=0.35, cull_share_error=0.01)
    assert cull_errors(replace(LOSSES, culls_by_class=(own,)), GRAMS).tolist() == [0.04, 0.01]


def test_culls_that_cannot_be_are_refused() -> None:
    unknown = replace(LOSSES, culls_by_class=(ClassCull(size_class="larg", cull_share=0.1),))
    with pytest.raises(ForecastError, match="class 'larg' that the size table lacks") as refusal:
        cull_shares(unknown, GRAMS)
    assert "Did you mean 'large'" in refusal.value.fix
    over = replace(LOSSES, culls_by_class=(ClassCull(size_class="small", cull_share=1.2),))
    with pytest.raises(ForecastError, match=r"cull share of class small is 1\.2"):
        cull_shares(over, GRAMS)
    with pytest.raises(ForecastError, match=r"is -0\.1"):
        cull_shares(replace(LOSSES, cull_share=-0.1), GRAMS)
