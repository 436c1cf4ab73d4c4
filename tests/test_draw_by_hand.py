"""Draws, passes, grades and steps of the diameter, with numbers worked out by hand."""

from __future__ import annotations

import weakref
from dataclasses import replace
from datetime import date, timedelta
from math import erf

import numpy as np
import pytest

from fruitvision.domain import (
    BlockInputs,
    ClassCull,
    ClassGrade,
    HiddenFruitFactor,
    Learned,
    LearnedNumber,
    Losses,
    Pick,
    PickPlan,
    Protocol,
    SizeClass,
    SizeTable,
    Stage,
    WeighedFruit,
)
from fruitvision.errors import ForecastError
from fruitvision.forecast.crop_draws import (
    CropDraws,
    PassDraws,
    RunningTotal,
    add_draws,
    cartons_by_week,
)
from fruitvision.forecast.culls import cull_errors, cull_shares
from fruitvision.forecast.draw import (
    FAR_AHEAD_DAYS,
    FEWEST_TREES,
    days_late,
    draw_block,
    fruit_today,
    hanging_fruit,
    picked_parts,
)
from fruitvision.forecast.grades import NOT_GRADED, AddedGrades, grade_shares, graded
from fruitvision.forecast.growth import (
    Weather,
    default_growth,
    growing_mm,
    growth_shift_mm,
    is_own,
    mm_per_day,
    refuse_two_seasons,
    what_if_growth,
)
from fruitvision.forecast.packout import (
    DrawnSizes,
    Sorted,
    cartons_per_class,
    fruit_nodes,
    sort_into_classes,
)
from fruitvision.forecast.shared import (
    LARGEST_SHARE,
    SharedErrors,
    draw_shared,
    drawn_share,
    named_normal,
    named_rng,
)
from fruitvision.forecast.size_bands import size_bands
from fruitvision.forecast.weight import (
    FEWEST_WEIGHED,
    default_weight,
    fit_power,
    mass_of,
    weight_rule,
)
from fruitvision.settings import Settings
from tests.forecast_records import (
    EXACT,
    GROWTH,
    TABLE,
    block_estimate,
    block_inputs,
    exact_sizes,
    sizes,
)
from tests.records import PICK, WALK

SETTINGS = Settings(draws=400)


def shared_of(**errors: float) -> SharedErrors:
    """One draw in which each error has this number of standard deviations, others none."""
    names = ("scale", "growth", "season", "mass", "drop", "culls", "dates", "left")
    return SharedErrors(*(np.array([errors.get(name, 0.0)]) for name in names))


# ---------------------------------------------------------------- number


def test_fruit_today_are_trees_by_fruit_with_the_errors_of_both() -> None:
    # Streams named after purpose and block: register and count of "Gala North".
    estimate = replace(
        block_estimate(with_sizes=sizes()), bearing_trees=900.0, bearing_trees_error=45.0
    )
    found = fruit_today(block_inputs(estimate, settings=SETTINGS), SETTINGS)
    trees = 900 + 45 * named_normal(SETTINGS, "register", "Gala North")
    rng = named_rng(SETTINGS, "count", "Gala North")
    normal = rng.standard_normal(400)
    student = normal * np.sqrt(15 / rng.chisquare(15, 400))
    assert found == pytest.approx(trees * (75 + 6 * student))


def test_a_block_without_a_register_has_its_positions_and_never_fewer_than_no_trees() -> None:
    estimate = replace(block_estimate(with_sizes=sizes(), error=0.0), bearing_trees_error=2000.0)
    found = fruit_today(block_inputs(estimate, settings=SETTINGS), SETTINGS)
    drawn = 1000 + 2000 * named_normal(SETTINGS, "register", "Gala North")
    assert found == pytest.approx(75 * np.maximum(drawn, 0))
    assert found.min() == 0


def pooled(name: str, *, error: float, common: float | None, factor: float = 1.5) -> BlockInputs:
    of_walk = HiddenFruitFactor(
        factor=factor,
        factor_error=0.12,
        trees=4,
        protocol=Protocol.TWO_FACES,
        pooled_blocks=("Fuji",),
        common_error=common,
    )
    estimate = block_estimate(name, with_sizes=exact_sizes(), error=error)
    return block_inputs(replace(estimate, factor=of_walk), settings=EXACT)


def test_the_part_of_a_pooled_factor_is_drawn_from_the_groups_stream() -> None:
    # 75 · 0.06 / 1.5 = 3 fruit of 6 are common: half of the standard deviation.
    found = fruit_today(pooled("Gala North", error=6.0, common=0.06), EXACT)
    rng = named_rng(EXACT, "count", "Gala North")
    own = rng.standard_normal(200)
    group = named_normal(EXACT, "hidden fruit", "Fuji", "Gala North")
    normal = 0.5 * group + 0.75**0.5 * own
    student = normal * np.sqrt(15 / rng.chisquare(15, 200))
    assert found == pytest.approx(1000 * (75 + 6 * student))
    # Without a common part of its own, all of the factor's error is common: 6 of 6.
    whole = fruit_today(pooled("Gala North", error=6.0, common=None), EXACT)
    rng = named_rng(EXACT, "count", "Gala North")
    rng.standard_normal(200)
    scale = np.sqrt(15 / rng.chisquare(15, 200))
    assert whole == pytest.approx(1000 * (75 + 6 * group * scale))


def test_hanging_fruit_are_those_that_did_not_drop() -> None:
    inputs = block_inputs(block_estimate(with_sizes=exact_sizes(), error=0.0), settings=EXACT)
    losses = replace(inputs.losses, drop_share=0.10, drop_share_error=0.03)
    one = replace(EXACT, draws=100)
    for normal, share in ((0.0, 0.10), (1.0, 0.13), (-2.0, 0.04), (-9.0, 0.0), (99.0, 0.95)):
        shared = replace(draw_shared(one), drop=np.full(100, normal))
        found = hanging_fruit(replace(inputs, losses=losses), one, shared)
        assert found == pytest.approx(75_000 * (1 - share))
    assert LARGEST_SHARE == 0.95
    assert drawn_share(0.97, 0.0, np.zeros(1)) == 0.97


# ---------------------------------------------------------------- passes


def plan(*shares: float, left: float = 0.0, left_error: float = 0.0) -> PickPlan:
    return PickPlan(
        picks=tuple(
            Pick(pick_date=PICK + timedelta(days=7 * n), share=share)
            for n, share in enumerate(shares)
        ),
        left_share=left,
        left_share_error=left_error,
    )


@pytest.mark.parametrize(
    ("normal", "last"),
    [(0.0, 1.0), (1.0, 0.7 / 0.8), (-1.0, 0.9 / 0.8), (-5.0, 1 / 0.8), (20.0, 0.0)],
)
def test_what_stays_on_the_tree_moves_the_last_pass_only(normal: float, last: float) -> None:
    inputs = replace(block_inputs(), plan=plan(0.5, 0.3, 0.2, left=0.2, left_error=0.1))
    parts = picked_parts(inputs, shared_of(left=normal))
    assert [float(part[0]) for part in parts] == pytest.approx([1.0, 1.0, last])


@pytest.mark.parametrize(("left", "error"), [(0.2, 0.0), (1.0, 0.1)])
def test_known_or_all_left_moves_no_pass(left: float, error: float) -> None:
    inputs = replace(block_inputs(), plan=plan(0.5, 0.5, left=left, left_error=error))
    parts = picked_parts(inputs, shared_of(left=1.0))
    assert [float(part[0]) for part in parts] == [1.0, 1.0]


def test_a_late_season_is_late_by_whole_days() -> None:
    for normal, days in ((0.0, 0), (0.4, 1), (0.3, 1), (-1.2, -4), (1.0, 3)):
        found = days_late(3.0, shared_of(dates=normal))
        assert found.dtype.kind == "i"
        assert found.tolist() == [days]


@pytest.mark.parametrize("trees", [FEWEST_TREES - 1, FEWEST_TREES])
def test_fruit_of_a_first_look_are_unsure(trees: int) -> None:
    estimate = block_estimate(with_sizes=sizes(), trees=trees)
    crop = draw_block(
        block_inputs(estimate, settings=SETTINGS), TABLE, SETTINGS, draw_shared(SETTINGS)
    )
    assert crop.unsure_fruit == pytest.approx(crop.fruit * (trees < 8))


@pytest.mark.parametrize("ahead", [FAR_AHEAD_DAYS, FAR_AHEAD_DAYS + 1])
def test_fruit_of_a_last_pass_more_than_sixty_days_ahead_are_far(ahead: int) -> None:
    inputs = block_inputs(settings=SETTINGS)
    days = (20, ahead)
    picks = tuple(Pick(pick_date=WALK + timedelta(days=day), share=0.5) for day in days)
    crop = draw_block(
        replace(inputs, plan=PickPlan(picks=picks)), TABLE, SETTINGS, draw_shared(SETTINGS)
    )
    assert crop.far_fruit == pytest.approx(crop.fruit * (ahead > 60))


def crop(fruit: float, mm: float | None, **more: object) -> CropDraws:
    one = PassDraws(
        pick_date=PICK,
        days_late=np.zeros(1, dtype=np.int64),
        fruit=np.array([fruit]),
        diameter_mm=None if mm is None else np.array([mm]),
        tonnes=None if mm is None else np.array([fruit / 10]),
        cartons=None if mm is None else np.array([[fruit, 2 * fruit]]),
    )
    made = CropDraws(
        fruit=one.fruit,
        diameter_mm=one.diameter_mm,
        tonnes=one.tonnes,
        cartons=one.cartons,
        class_fruit=None,
        passes=(one,),
        unsure_fruit=np.array([fruit / 2]),
        far_fruit=np.array([fruit / 4]),
    )
    return replace(made, **more)  # type: ignore[arg-type]


def test_crops_are_added_and_their_diameters_weighted_by_fruit() -> None:
    both = add_draws([crop(100.0, 60.0), crop(300.0, 80.0)])
    assert both.fruit.tolist() == [400.0]
    assert both.diameter_mm is not None
    assert both.tonnes is not None
    assert both.cartons is not None
    assert both.diameter_mm.tolist() == [75.0]
    assert both.tonnes.tolist() == [40.0]
    assert both.cartons.tolist() == [[400.0, 800.0]]
    assert (both.unsure_fruit.tolist(), both.far_fruit.tolist()) == ([200.0], [100.0])
    assert both.class_fruit is None
    assert both.passes == ()
    assert [cartons.tolist() for cartons in both.weeks.values()] == [[[400.0, 800.0]]]
    # Without any fruit the passes count alike.
    nothing = add_draws([crop(0.0, 60.0), crop(0.0, 80.0)]).diameter_mm
    assert nothing is not None
    assert nothing.tolist() == [70.0]


def test_a_crop_without_sizes_leaves_no_total_of_what_it_lacks() -> None:
    both = add_draws([crop(100.0, 60.0, grades={"extra": np.ones((1, 2))}), crop(300.0, None)])
    assert both.fruit.tolist() == [400.0]
    assert (both.diameter_mm, both.tonnes, both.cartons) == (None, None, None)
    assert dict(both.grades) == {}


def test_a_total_holds_no_crop_that_was_added_and_changes_none() -> None:
    total, known = RunningTotal(), []
    for fruit in (100.0, 300.0, 500.0):
        added = crop(fruit, 70.0, grades={"extra": np.full((1, 2), fruit)})
        total.add(added)
        assert added.cartons is not None
        assert added.cartons.tolist() == [[fruit, 2 * fruit]]
        assert added.grades["extra"].tolist() == [[fruit, fruit]]
        known += [weakref.ref(added.fruit), weakref.ref(added.cartons)]
        known += [weakref.ref(added.grades["extra"]), weakref.ref(added.unsure_fruit)]
        del added
    assert [one() for one in known] == [None] * 12
    assert total.crop().fruit.tolist() == [900.0]
    assert total.crop().grades["extra"].tolist() == [[900.0, 900.0]]


def test_a_total_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="one crop or more"):
        add_draws([])


def test_cartons_that_are_unknown_in_one_pass_have_no_week_in_the_total() -> None:
    known, unknown = crop(100.0, 60.0), crop(300.0, None)
    for crops in ([known, unknown], [unknown, known]):
        assert add_draws(crops).weeks == {}
    assert list(cartons_by_week(known)) == list(add_draws([known]).weeks)
    assert cartons_by_week(unknown) == {}


# ---------------------------------------------------------------- grades and culls


def add_grades(
    crops: list[tuple[np.ndarray | None, dict[str, np.ndarray]]],
) -> dict[str, np.ndarray]:
    total = AddedGrades()
    for cartons, grades in crops:
        total.add(cartons, grades)
    return total.total()


def grade(size_class: str, name: str, share: float) -> ClassGrade:
    return ClassGrade(size_class=size_class, grade=name, share=share)


def test_grades_of_a_class_are_brought_to_one_and_the_rest_is_not_graded() -> None:
    found = grade_shares([grade("60-75", "extra", 0.6), grade("60-75", "first", 0.2)], TABLE)
    assert list(found) == ["extra", "first", NOT_GRADED]
    assert found["extra"].tolist() == pytest.approx([0.75, 0.0])
    assert found["first"].tolist() == pytest.approx([0.25, 0.0])
    assert found[NOT_GRADED].tolist() == [0.0, 1.0]
    whole = grade_shares([grade("60-75", "extra", 1.0), grade("75-90", "extra", 0.5)], TABLE)
    assert {name: share.tolist() for name, share in whole.items()} == {"extra": [1.0, 1.0]}
    assert grade_shares([], TABLE) == {}
    # The same grade of a class in two rows is one.
    twice = [grade("60-75", "extra", 0.2), grade("60-75", "extra", 0.1)]
    twice.append(grade("60-75", "first", 0.3))
    assert grade_shares(twice, TABLE)["extra"].tolist() == pytest.approx([0.5, 0.0])


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([grade("60-75", "extra", -0.1), grade("60-75", "first", 0.5)], "a share below 0"),
        ([grade("60-75", "extra", 0.0)], "or none above it"),
        ([grade("60-70", "extra", 1.0)], "class '60-70' that the size table lacks"),
    ],
)
def test_grades_that_cannot_be_are_refused(rows: list[ClassGrade], words: str) -> None:
    with pytest.raises(ForecastError, match=words) as refusal:
        grade_shares(rows, TABLE)
    assert refusal.value.fix


def test_cartons_without_grades_are_not_graded_and_stand_last() -> None:
    cartons = np.array([[10.0, 20.0]])
    parts = graded(cartons, [grade("60-75", "extra", 1.0)], TABLE)
    assert {name: part.tolist() for name, part in parts.items()} == {
        "extra": [[10.0, 0.0]],
        NOT_GRADED: [[0.0, 20.0]],
    }
    assert graded(None, [grade("60-75", "extra", 1.0)], TABLE) == {}
    total = add_grades([(cartons, {}), (cartons, parts), (None, {}), (cartons, {"first": cartons})])
    assert list(total) == ["extra", "first", NOT_GRADED]
    assert total[NOT_GRADED].tolist() == [[10.0, 40.0]]
    assert total["extra"].tolist() == [[10.0, 0.0]]
    assert add_grades([(cartons, {}), (None, {})]) == {}
    twice = add_grades([(cartons, parts), (cartons, parts)])
    assert twice["extra"].tolist() == [[20.0, 0.0]]


def test_a_class_has_its_own_error_of_culls_or_that_of_all() -> None:
    losses = Losses(
        drop_share=0.0,
        drop_share_error=0.0,
        cull_share=0.2,
        cull_share_error=0.05,
        culls_by_class=(
            ClassCull(size_class="75-90", cull_share=1.0, cull_share_error=0.0),
            ClassCull(size_class="60-75", cull_share=0.0),
        ),
    )
    assert cull_shares(losses, TABLE).tolist() == [0.0, 1.0]
    assert cull_errors(losses, TABLE).tolist() == [0.05, 0.0]


# ---------------------------------------------------------------- growth


def test_a_rate_in_mm_a_day_and_the_default_rate() -> None:
    assert mm_per_day(GROWTH, diameter_mm=50.0) == pytest.approx(4000 / 7500)
    usual = default_growth(Settings(growth_mm3_per_day=4000, growth_error=0.2))
    assert (usual.mm3_per_day, usual.mm3_per_day_error) == (4000, 800)
    assert not is_own(usual)
    assert is_own(GROWTH)


def test_weather_moves_rate_and_error_alike_and_normal_moves_nothing() -> None:
    settings = Settings(growth_dry_factor=0.8, growth_wet_factor=1.1)
    dry = what_if_growth(GROWTH, Weather.DRY, settings)
    assert (dry.mm3_per_day, dry.mm3_per_day_error) == pytest.approx((3200, 160))
    assert dry.source == "calipers, 21 days; what if dry: times 0.8"
    wet = what_if_growth(GROWTH, Weather.WET, settings)
    assert (wet.mm3_per_day, wet.mm3_per_day_error) == pytest.approx((4400, 220))
    assert what_if_growth(GROWTH, Weather.NORMAL, settings) is GROWTH


def test_fruit_that_shrink_to_nothing_are_nothing_and_no_spread_is_the_plain_cube() -> None:
    assert float(growth_shift_mm(50.0, 0.0, 60**3 - 50**3)) == pytest.approx(10.0)
    assert 50 + float(growth_shift_mm(50.0, 0.0, -(50.0**3))) == pytest.approx(0, abs=1e-4)
    assert 50 + float(growth_shift_mm(50.0, 0.0, -1e9)) == pytest.approx(0, abs=1e-4)
    # 60 mm with a spread of 6: 60³ + 3·36·60 = 222,480; of 70 mm it is 350,560.
    assert float(growth_shift_mm(60.0, 6.0, 350_560 - 222_480)) == pytest.approx(10.0)


def test_the_fruit_that_a_rate_is_of_have_grown_since_it_was_measured() -> None:
    now = exact_sizes(mean_mm=70.0)
    since = 10 * 4000.0
    own = replace(GROWTH, measured_mm=72.0, measured_on=WALK - timedelta(days=10))
    grown = 72 + float(growth_shift_mm(72.0, 5.0, since))
    assert growing_mm(own, now, sd_mm=5.0) == pytest.approx(grown)
    assert growing_mm(GROWTH, now, sd_mm=5.0) == 70.0
    assert growing_mm(replace(own, measured_on=None), now, sd_mm=5.0) == 70.0


@pytest.mark.parametrize(("apart", "refused"), [(200, False), (201, True)])
def test_days_of_one_season_lie_within_two_hundred(apart: int, refused: bool) -> None:
    days = [date(2026, 10, 1), date(2026, 10, 1) - timedelta(days=apart)]
    if refused:
        with pytest.raises(ForecastError, match=r"Dates mix two seasons: 2026-03-14 and"):
            refuse_two_seasons(days, "Dates")
    else:
        assert refuse_two_seasons(days, "Dates") is None
    assert refuse_two_seasons([], "Dates") is None


# ---------------------------------------------------------------- masses and classes


def test_scatter_has_the_spread_that_it_is_given_and_a_mean_of_one() -> None:
    nodes = fruit_nodes([60.0, 70.0], mean_mm=65.0, scatter=0.2)
    assert nodes.deviations_mm.tolist() == [-5.0, 5.0]
    assert nodes.level_shares.sum() == pytest.approx(1.0)
    mean = float(nodes.level_shares @ nodes.scatter)
    assert mean == pytest.approx(1.0)
    # Lognormal: its coefficient of variation is the scatter.
    assert float(nodes.level_shares @ (nodes.scatter - 1) ** 2) ** 0.5 == pytest.approx(
        0.2, rel=1e-4
    )
    assert len(fruit_nodes([60.0], mean_mm=60.0, scatter=0.0).scatter) == 1
    assert nodes.weights.shape == (2, 7)
    assert nodes.weights.sum() == pytest.approx(1.0)


def test_nodes_stand_for_slabs_midway_between_neighbours() -> None:
    nodes = fruit_nodes([60.0, 64.0, 72.0], mean_mm=64.0, scatter=0.0)
    # Midway at -2 and 4 about the mean; the ends as far out as the next limit is in.
    assert nodes.limits_mm == pytest.approx([-6.0, -2.0, 4.0, 12.0], abs=0.0011)
    assert nodes.grid_mm[0] == nodes.limits_mm[0]
    assert nodes.grid_mm[-1] == nodes.limits_mm[-1]
    alone = fruit_nodes([60.0], mean_mm=60.0, scatter=0.0)
    assert alone.limits_mm == pytest.approx([-0.001, 0.001])
    masses = nodes.masses_g(mean_mm=64.0, factor=2.0, power=2.0)
    assert masses[:, 0] == pytest.approx(2 * np.array([60.0, 64.0, 72.0]) ** 2)


def test_three_fruit_are_sorted_as_their_slabs_lie() -> None:
    # Slabs 58 to 62, 62 to 68 and 68 to 76 mm, a third of the fruit each, evenly in each.
    nodes = fruit_nodes([60.0, 64.0, 72.0], mean_mm=64.0, scatter=0.0)
    drawn = DrawnSizes(
        mean_mm=np.array([64.0]), stretch=np.ones(1), factor=np.array([4e-4]), power=3.0
    )
    table = SizeTable(
        name="hand",
        unit="mm",
        carton_kg=10.0,
        classes=(SizeClass(name="a", low=61, high=65), SizeClass(name="b", low=65, high=72)),
    )
    found = sort_into_classes(nodes, nodes.weights, drawn, table)
    # Below 61: 3/4 of the first; 61 to 65: 1/4 and 3/6; 65 to 72: 3/6 and 4/8.
    assert found.shares[0] == pytest.approx([0.75 / 3, 0.75 / 3, 1.0 / 3, 0.5 / 3], abs=2e-3)
    grams = 4e-4 * np.array([60.0, 64.0, 72.0]) ** 3
    assert found.total_g[0] == pytest.approx(grams.mean(), rel=1e-6)
    assert found.mass_g is not None
    assert found.mass_g[0] == pytest.approx(
        [
            0.75 * grams[0] / 3,
            (0.25 * grams[0] + 0.5 * grams[1]) / 3,
            (0.5 * grams[1] + 0.5 * grams[2]) / 3,
            0.5 * grams[2] / 3,
        ],
        abs=0.2,
    )


def test_cartons_by_hand() -> None:
    by_number = SizeClass(name="a", low=60, high=70, fruit_per_carton=50)
    by_mass = SizeClass(name="b", low=70, high=80)
    table = SizeTable(name="both", unit="mm", carton_kg=18.0, classes=(by_number, by_mass))
    fruit = Sorted(
        shares=np.array([[0.1, 0.5, 0.3, 0.1]]),
        mass_g=np.array([[9.0, 80.0, 54.0, 30.0]]),
        total_g=np.array([173.0]),
    )
    packed = np.array([[1000.0, 2000.0]])
    found = cartons_per_class(fruit, packed_fruit=packed, table=table)
    # 1000 · 0.5 / 50; 2000 · 54 g are 108 kg, six cartons.
    assert found.tolist() == [[10.0, 6.0]]


def test_a_power_rule_by_hand() -> None:
    rule = default_weight(Settings(mass_factor_g_per_mm3=4e-4))
    assert mass_of(70.0, rule) == pytest.approx(4e-4 * 343_000)
    # ln W = 1 + 2 ln D for e⁰, e¹, e² with one fruit off by ± 0.1: residuals by hand.
    found = fit_power(np.exp([0.0, 1.0, 2.0]), np.exp([1.1, 2.9, 5.1]))
    # Slope (5.1 - 1.1)/2 = 2, mean 9.1/3, start 9.1/3 - 2.
    assert found.power == pytest.approx(2.0)
    assert found.log_factor == pytest.approx(9.1 / 3 - 2)
    residuals = np.array([1.1, 2.9, 5.1]) - (9.1 / 3 - 2) - np.array([0.0, 2.0, 4.0])
    sd = float(np.sum(residuals**2)) ** 0.5
    assert found.residual_sd == pytest.approx(sd)
    assert found.power_error == pytest.approx(sd / 2**0.5)
    assert found.smear == pytest.approx(float(np.mean(np.exp(residuals))))
    assert (found.centre, found.fruit) == (pytest.approx(1.0), 3)
    with pytest.raises(ValueError, match="3 or more fruit, got 2"):
        fit_power([60.0, 70.0], [80.0, 120.0])


def weighed(number: int, power: float, *, lowest: float = 55.0) -> list[WeighedFruit]:
    rng = np.random.default_rng(4)
    mm = np.linspace(lowest, 85.0, number)
    grams = 4e-4 * 70 ** (3 - power) * mm**power * np.exp(rng.normal(0, 0.03, number))
    return [
        WeighedFruit(variety="Gala", weighed_on=WALK, diameter_mm=float(d), mass_g=float(w))
        for d, w in zip(mm, grams, strict=True)
    ]


def test_ten_weighed_fruit_make_a_rule_of_their_own() -> None:
    few = weight_rule(weighed(FEWEST_WEIGHED - 1, 2.8), SETTINGS)
    assert few.source == "general rule, since only 9 fruit were weighed"
    assert (few.fruit, few.power) == (9, 3.0)
    fruit = weighed(FEWEST_WEIGHED, 2.8)
    own = weight_rule(fruit, SETTINGS)
    fit = fit_power([one.diameter_mm for one in fruit], [one.mass_g for one in fruit])
    assert (own.source, own.fruit, own.doubts) == ("10 weighed fruit of Gala", 10, ())
    assert own.power == fit.power
    assert own.factor == pytest.approx(np.exp(fit.log_factor) * fit.smear)
    # The mean of ten, and a power's error carried 5 % off the middle.
    assert own.factor_error == pytest.approx(
        np.hypot(fit.residual_sd / 10**0.5, 0.05 * fit.power_error)
    )
    # Of a lognormal: the root of exp(s²) - 1.
    assert own.scatter == pytest.approx((np.exp(fit.residual_sd**2) - 1) ** 0.5)


def test_fruit_of_nearly_one_size_keep_the_usual_power_with_its_largest_error() -> None:
    fruit = weighed(12, 3.0, lowest=84.0)
    own = weight_rule(fruit, SETTINGS)
    logs = np.log([one.mass_g for one in fruit]) - 3 * np.log([one.diameter_mm for one in fruit])
    sd = float(np.std(logs, ddof=1))
    assert own.power == 3.0
    assert own.factor == pytest.approx(float(np.mean(np.exp(logs))))
    assert own.factor_error == pytest.approx(np.hypot(sd / 12**0.5, 0.05 * 0.3))


# ---------------------------------------------------------------- steps of the diameter


def test_steps_hold_what_a_normal_distribution_has_in_them() -> None:
    inputs = block_inputs(
        block_estimate(with_sizes=exact_sizes(mean_mm=70.0), error=0.0, pick_date=WALK),
        settings=EXACT,
    )
    bands = size_bands([inputs], EXACT, step_mm=5.0)
    assert [(band.low_mm, band.high_mm) for band in bands] == [
        (low, low + 5.0) for low in (55.0, 60.0, 65.0, 70.0, 75.0, 80.0)
    ]

    def normal(low: float, high: float) -> float:
        return (erf((high - 70) / 5 / 2**0.5) - erf((low - 70) / 5 / 2**0.5)) / 2

    for band in bands:
        expected = normal(band.low_mm, band.high_mm)
        assert band.at_walk.p50 == pytest.approx(expected, abs=0.004)
        assert band.at_pick.p50 == pytest.approx(expected, abs=0.004)
    assert size_bands([], EXACT, step_mm=5.0) == ()


# ---------------------------------------------------------------- what was learned


@pytest.mark.parametrize(
    ("log", "factor"), [(0.2, 1.2214), (-0.2, 0.8187), (5.0, 2.0138), (-5.0, 0.4966)]
)
def test_what_was_learned_of_the_number_multiplies_it_up_to_double_and_half(
    log: float, factor: float
) -> None:
    inputs = block_inputs(block_estimate(with_sizes=exact_sizes(), error=0.0), settings=EXACT)
    learned = replace(inputs, learned=Learned(stage=Stage.PLAN, count=LearnedNumber(value=log)))
    shared = draw_shared(EXACT)
    plain = hanging_fruit(inputs, EXACT, shared)
    assert hanging_fruit(learned, EXACT, shared) == pytest.approx(factor * plain, rel=1e-4)
    # Where visible fruit are all that is known, it is about other fruit.
    unknown = replace(learned, estimate=replace(inputs.estimate, factor=None))
    assert hanging_fruit(unknown, EXACT, shared) == pytest.approx(plain)


def test_what_was_learned_of_size_and_culls_is_added() -> None:
    inputs = block_inputs(block_estimate(with_sizes=exact_sizes(), error=0.0), settings=EXACT)
    learned = replace(
        inputs,
        learned=Learned(
            stage=Stage.PLAN,
            size_mm=LearnedNumber(value=-1.5),
            cull=LearnedNumber(value=0.1),
            cull_base=0.2,
        ),
    )
    plain, moved = (draw_block(one, TABLE, EXACT, draw_shared(EXACT)) for one in (inputs, learned))
    assert plain.diameter_mm is not None
    assert moved.diameter_mm is not None
    assert moved.diameter_mm - plain.diameter_mm == pytest.approx(-1.5)
    # Trays by number: 20 % culls become 30 %, so that 7 of 8 packed fruit are left.
    trays = replace(TABLE, classes=tuple(replace(c, fruit_per_carton=50) for c in TABLE.classes))
    only = replace(learned, learned=replace(learned.learned, size_mm=LearnedNumber()))  # type: ignore[type-var]
    before, after = (
        draw_block(one, trays, EXACT, draw_shared(EXACT)).cartons for one in (inputs, only)
    )
    assert before is not None
    assert after is not None
    assert after == pytest.approx(before * 0.7 / 0.8)


def test_grades_of_a_farm_are_those_of_its_blocks() -> None:
    cartons = np.array([[100.0, 200.0]])
    extra = crop(100.0, 60.0, grades={"extra": cartons})
    both = add_draws([extra, crop(300.0, 80.0)])
    assert {name: part.tolist() for name, part in both.grades.items()} == {
        "extra": [[100.0, 200.0]],
        NOT_GRADED: [[300.0, 600.0]],
    }
