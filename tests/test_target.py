"""What a block bears and how large its fruit are, against its targets."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from fruitvision.advice import Advice, Lack, advise
from fruitvision.domain import (
    Block,
    Doubt,
    Estimate,
    GrowthRate,
    JobKind,
    Pick,
    PickPlan,
    SizeDistribution,
    TreeId,
)
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.inputs import default_inputs
from fruitvision.forecast.shared import draw_shared
from fruitvision.pipeline import estimate_blocks
from fruitvision.pipeline.standing import (
    Todo,
    Urgency,
    next_work,
    stand,
    standings,
)
from fruitvision.report.blocks import load_words, size_words
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.target import (
    Standing,
    load_against,
    mean_pick_day,
    mean_range_mm,
    ratio_range,
    size_against,
    size_curve,
)
from fruitvision.trust import Grade, Why, trust_of
from fruitvision.unit_system import METRIC
from tests import records, walked_farm
from tests.forecast_records import EXACT, TABLE, block_estimate, exact_sizes, sizes
from tests.records import PICK, WALK

AUGUST, OCTOBER = date(2022, 8, 11), date(2022, 10, 12)
# 24 Fuji fruit, Cadriano 2022 (Zenodo 10.5281/zenodo.10687503): means of 62.39 mm on 20 July,
# 69.84 on 11 August; carried on for 62 days the gain of D³ gives 85.25 mm by single fruit.
JULY_MM, AUGUST_MM = 62.39, 69.84
PER_DAY = (AUGUST_MM**3 - JULY_MM**3) / 22


def exactly(mean_mm: float, *, sd_mm: float = 0.0, on: date = AUGUST) -> SizeDistribution:
    """Sizes without any error."""
    return replace(exact_sizes(mean_mm=mean_mm), sd_mm=sd_mm, measured_on=on)


def growing(mm3_per_day: float, error: float = 0.0, *doubts: Doubt) -> GrowthRate:
    return GrowthRate(
        mm3_per_day=mm3_per_day, mm3_per_day_error=error, source="test", doubts=doubts
    )


# ---------------------------------------------------------------- arithmetic


def test_the_needed_diameter_is_worked_out_by_hand() -> None:
    # 69.84³ = 340,653 and 62.39³ = 242,853 mm³, so the rate is 97,800 / 22 = 4,445.5 mm³ a day.
    assert pytest.approx(4445.5, abs=0.5) == PER_DAY
    # A target of 82 mm, 551,368 mm³, is 62 · 4,445.5 = 275,619 above what is needed on 11 August:
    # 275,749 mm³, 65.09 mm. From 340,653 it is 210,715 mm³ = 47.4 days off; 62 are left.
    found = size_against(
        exactly(AUGUST_MM), growing(PER_DAY), target_mm=82.0, pick_day=OCTOBER, settings=EXACT
    )
    assert found.needed_mm == pytest.approx(65.09, abs=0.01)
    assert found.behind_days is not None
    assert found.behind_days.p50 == pytest.approx(47.4 - 62, abs=0.05)
    assert found.standing is Standing.ABOVE


@pytest.mark.parametrize(
    ("sd_mm", "target_mm"),
    # By single fruit 85.25 mm with the fruit's own cubes; the mean's own cube gives 85.10; an equal
    # shift of fruit that spread by 3.74 mm 85.13 (tests/test_growth.py has the worked example).
    [(0.0, 85.10), (3.74, 85.13)],
)
def test_the_growth_example_is_on_time_for_what_it_reaches(sd_mm: float, target_mm: float) -> None:
    july = 62.39**3 + 3 * 62.39 * (3.47 if sd_mm else 0.0) ** 2
    august = AUGUST_MM**3 + 3 * AUGUST_MM * sd_mm**2
    found = size_against(
        exactly(AUGUST_MM, sd_mm=sd_mm),
        growing((august - july) / 22),
        target_mm=target_mm,
        pick_day=OCTOBER,
        settings=EXACT,
    )
    assert found.needed_mm == pytest.approx(AUGUST_MM, abs=0.08)
    assert found.expected_mm == pytest.approx(target_mm, abs=0.05)
    assert found.behind_days is not None
    assert found.behind_days.p50 == pytest.approx(0, abs=0.5)
    assert found.standing is Standing.ON_TARGET


def test_days_behind_are_those_of_the_rate() -> None:
    # 12 days of growth less than needed: a pick 12 days later would reach the target.
    needed = (75.0**3 - 22 * 4000) ** (1 / 3)
    now = (needed**3 - 12 * 4000) ** (1 / 3)
    found = size_against(
        exactly(now, on=WALK), growing(4000), target_mm=75.0, pick_day=PICK, settings=EXACT
    )
    assert found.needed_mm == pytest.approx(needed)
    assert found.behind_days is not None
    assert found.behind_days.p50 == pytest.approx(12)
    assert found.standing is Standing.BELOW
    later = size_against(
        exactly(now, on=WALK),
        growing(4000),
        target_mm=75.0,
        pick_day=PICK + timedelta(days=12),
        settings=EXACT,
    )
    assert later.expected_mm == pytest.approx(75.0)


def test_days_behind_do_not_change_while_fruit_grow_at_the_rate() -> None:
    a_week_on = (68.0**3 + 7 * 4000) ** (1 / 3)
    first, second = (
        size_against(sizes_now, growing(4000), target_mm=76.0, pick_day=PICK, settings=EXACT)
        for sizes_now in (
            exactly(68.0, on=WALK),
            exactly(a_week_on, on=WALK + timedelta(days=7)),
        )
    )
    assert first.behind_days is not None
    assert second.behind_days is not None
    assert second.behind_days.p50 == pytest.approx(first.behind_days.p50)


@pytest.mark.parametrize("measured_mm", [None, 70.5])
def test_a_block_that_the_forecast_brings_to_its_target_is_on_time(
    measured_mm: float | None,
) -> None:
    # Also where the rate is of calipered fruit that are larger than the block's.
    own = replace(growing(4000), measured_mm=measured_mm, measured_on=WALK)
    inputs = default_inputs(block_estimate(with_sizes=exact_sizes()), own, EXACT)
    drawn = draw_block(inputs, TABLE, EXACT, draw_shared(EXACT)).diameter_mm
    assert drawn is not None
    found = size_against(
        exact_sizes(), own, target_mm=float(drawn.mean()), pick_day=PICK, settings=EXACT
    )
    assert found.behind_days is not None
    assert found.behind_days.p50 == pytest.approx(0, abs=0.05)
    assert found.needed_mm == pytest.approx(68.0, abs=0.02)


def test_the_range_in_days_is_that_of_draws() -> None:
    settings = Settings()
    now, rate = sizes(mean_mm=66.0, shared_error=0.01), growing(4000, 300, Doubt.SISTER_GROWTH)
    found = size_against(now, rate, target_mm=76.0, pick_day=PICK, settings=settings)
    rng = np.random.default_rng(7)
    means = 66.0 + 0.5 * rng.standard_t(now.freedom, 200_000) + 0.66 * rng.standard_normal(200_000)
    rates = 4000 + 300 * rng.standard_normal(200_000)
    # The pick is moved by what a projection errs, 0.025 mm a day.
    wanted = 76.0 + settings.projection_error_mm_per_day * 22 * rng.standard_normal(200_000)
    missing = wanted**3 + 3 * 25 * wanted - means**3 - 3 * 25 * means
    drawn = np.quantile(missing / rates - 22, (0.1, 0.5, 0.9))
    assert found.behind_days is not None
    got = found.behind_days
    assert (got.p10, got.p50, got.p90) == pytest.approx(tuple(drawn), abs=0.5)


def test_a_ratio_of_normal_numbers_has_fiellers_range() -> None:
    # Fieller with no error below is the plain range; with one above of 0, the quantiles of 1/x.
    plain = ratio_range((100.0, 10.0), (5.0, 0.0), half_width=1.2816)
    assert plain is not None
    assert (plain.p10, plain.p50, plain.p90) == pytest.approx((17.4368, 20.0, 22.5632))
    inverse = ratio_range((100.0, 0.0), (5.0, 1.0), half_width=1.2816)
    assert inverse is not None
    assert (inverse.p10, inverse.p90) == pytest.approx((100 / 6.2816, 100 / 3.7184))
    assert ratio_range((100.0, 1.0), (5.0, 4.0), half_width=1.2816) is None
    assert ratio_range((100.0, 1.0), (0.0, 0.0), half_width=1.2816) is None


def test_what_can_not_be_told_is_not_told() -> None:
    # A rate that may be none gives no range of days.
    stalled = size_against(
        sizes(), growing(400, 350), target_mm=75.0, pick_day=PICK, settings=Settings()
    )
    assert stalled.behind_days is None
    assert stalled.standing is Standing.CANT_TELL
    # 3 % of scale error and a textbook rate: a fortnight either way.
    wide = size_against(
        sizes(), growing(4450, 1100), target_mm=75.0, pick_day=PICK, settings=Settings()
    )
    assert wide.behind_days is not None
    assert wide.behind_days.p10 < -7
    assert wide.behind_days.p90 > 7
    assert wide.standing is Standing.CANT_TELL
    with pytest.raises(ValueError, match="before the walk"):
        size_against(
            sizes(), growing(4000), target_mm=75, pick_day=date(2026, 8, 1), settings=EXACT
        )
    with pytest.raises(ValueError, match="target_mm must be above 0"):
        size_against(sizes(), growing(4000), target_mm=0, pick_day=PICK, settings=EXACT)


def test_the_mean_has_the_errors_of_trees_and_scale() -> None:
    # √(0.5² + (0.01 · 66)²) = 0.828 mm; nearly all degrees of freedom are the scale's.
    found = mean_range_mm(sizes(mean_mm=66.0, shared_error=0.01))
    assert found.p90 - found.p50 == pytest.approx(1.29 * 0.828, rel=0.02)


def test_the_curve_runs_from_the_needed_size_to_the_target() -> None:
    now = exactly(66.0, sd_mm=5.0, on=WALK)
    own = replace(growing(4000), measured_mm=68.0, measured_on=WALK)
    found = size_against(now, own, target_mm=75.0, pick_day=PICK, settings=EXACT)
    curve = size_curve(found, now, own)
    assert [curve[0].day, curve[-1].day] == [WALK, PICK]
    assert len(curve) == 23
    assert curve[0].needed_mm == pytest.approx(found.needed_mm)
    assert curve[-1].needed_mm == pytest.approx(75.0)
    assert curve[0].expected_mm == 66.0
    assert curve[-1].expected_mm == pytest.approx(found.expected_mm)
    # Diameters slow down as fruit grow.
    first, last = (b.needed_mm - a.needed_mm for a, b in (curve[:2], curve[-2:]))
    assert first > last > 0


# ---------------------------------------------------------------- load, pick day


@pytest.mark.parametrize(
    ("low", "high", "standing"),
    [
        (121, 140, Standing.ABOVE),
        (80, 99, Standing.BELOW),
        (90, 115, Standing.ON_TARGET),
        (75, 125, Standing.CANT_TELL),
        # It holds the target, but leans too far to one side.
        (99, 130, Standing.CANT_TELL),
    ],
)
def test_load_against_a_target_of_100(low: float, high: float, standing: Standing) -> None:
    now = replace(block_estimate(), fruit_per_tree=Estimate(low, (low + high) / 2, high))
    found = load_against(now, 100.0)
    assert found.standing is standing
    assert found.above == pytest.approx((low + high) / 2 - 100)


def test_visible_fruit_only_can_tell_too_many_and_nothing_else() -> None:
    visible = replace(block_estimate(), factor=None, fruit_per_tree=Estimate(90, 95, 99))
    assert load_against(visible, 100.0).standing is Standing.CANT_TELL
    assert load_against(visible, 95.0).standing is Standing.CANT_TELL
    assert load_against(visible, 80.0).standing is Standing.ABOVE
    assert load_against(visible, 80.0).visible_only
    with pytest.raises(ValueError, match="above 0"):
        load_against(visible, 0.0)


def test_the_middle_fruit_is_picked_between_the_passes() -> None:
    block = Block(block_id="Mill", variety="Gala", positions=10, pick_date=PICK)
    passes = ((PICK, 0.25), (PICK + timedelta(days=8), 0.75))
    plan = PickPlan(picks=tuple(Pick(pick_date=day, share=share) for day, share in passes))
    assert mean_pick_day(block) == PICK
    assert mean_pick_day(block, plan) == PICK + timedelta(days=6)
    assert mean_pick_day(replace(block, pick_date=None)) is None


# ---------------------------------------------------------------- trust, next work


OWN = growing(4000, 200)


def advice(half_range: float, lack: Lack | None = None) -> Advice:
    return Advice(block_id="Mill", half_range=half_range, wanted=0.10, steps=(), lack=lack)


def test_the_weakest_part_makes_the_grade_and_comes_first() -> None:
    good = replace(block_estimate(), doubts=())
    assert trust_of(good, OWN, advice(0.08)).grade is Grade.SOUND
    assert trust_of(good, OWN, advice(0.08)).reasons == ()
    middling = trust_of(good, OWN, advice(0.15))
    assert middling.grade is Grade.CARE
    assert [(one.why, one.number) for one in middling.reasons] == [(Why.WIDE_RANGE, 15)]
    assert trust_of(good, OWN, advice(0.26)).grade is Grade.FIRST_LOOK
    few = replace(good, trees=6, doubts=(Doubt.FEW_TREES, Doubt.FACE_MISSING))
    found = trust_of(few, growing(4450, 1100, Doubt.DEFAULT_GROWTH), advice(0.15))
    assert found.grade is Grade.FIRST_LOOK
    assert [one.why for one in found.reasons] == [
        Why.FEW_TREES, Why.WIDE_RANGE, Why.DEFAULT_GROWTH, Why.FACE_MISSING,
    ]  # fmt: skip
    assert found.reasons[0].number == 6


def test_reasons_name_blocks_trees_and_days() -> None:
    good = block_estimate()
    assert good.factor is not None
    factor = replace(
        good.factor,
        pooled_blocks=("Hill", "Mill"),
        counted_on=WALK - timedelta(days=40),
        suspects=(TreeId("Mill", 2, 7),),
    )
    doubts = (Doubt.POOLED_FACTOR, Doubt.OLD_FACTOR, Doubt.SUSPECT_PAIRS)
    found = trust_of(replace(good, factor=factor, doubts=doubts), OWN, advice(0.05))
    by_why = {one.why: one for one in found.reasons}
    assert found.grade is Grade.CARE
    assert by_why[Why.POOLED_FACTOR].names == ("Hill", "Mill")
    assert by_why[Why.OLD_FACTOR].number == 40
    assert by_why[Why.SUSPECT_PAIRS].names == ("Mill row 2 tree 7",)


def test_a_walk_grows_old() -> None:
    good = replace(block_estimate(), doubts=())
    assert trust_of(good, OWN, advice(0.05), on=WALK + timedelta(days=28)).grade is Grade.SOUND
    old = trust_of(good, OWN, advice(0.05), on=WALK + timedelta(days=29))
    assert [(one.why, one.number) for one in old.reasons] == [(Why.OLD_WALK, 29)]


def test_counts_that_are_old_are_made_again() -> None:
    weak = replace(
        block_estimate(with_sizes=exact_sizes(), trees=40, counted=5, error=12.0),
        sampling_error=1.0,
        doubts=(),
    )
    found = next_work(advise(weak), weak)
    assert found.todo is Todo.COUNT
    assert found.number >= 3
    old = replace(weak, doubts=(Doubt.OLD_FACTOR,))
    assert next_work(advise(old), old).todo is Todo.COUNT_AGAIN
    assert next_work(advice(0.3, Lack.REGISTER), weak).todo is Todo.REGISTER
    assert next_work(advice(0.3), weak).todo is Todo.LITTLE
    assert next_work(advice(0.05), weak).todo is Todo.NOTHING


def test_the_farm_in_the_order_of_what_needs_somebody(tmp_path: Path) -> None:
    settings = walked_farm.SETTINGS
    with open_farm(tmp_path) as store:
        walked_farm.add_good_block(store, "Good")
        walked_farm.add_good_block(store, "Heavy", variety="Fuji")
        walked_farm.add_block(store, "Bare", variety="Braeburn")
        walked_farm.add_block(store, "Uncounted", variety="Braeburn")
        walked_farm.add_walk(store, "Uncounted")
        heavy = next(block for block in store.blocks() if block.block_id == "Heavy")
        # It bears 60 fruit a tree: 40 seen, times 1.5.
        store.save_blocks([replace(heavy, target_fruit_per_tree=45.0, target_diameter_mm=76.0)])
        found = {one.block.block_id: one for one in standings(store, settings, on=WALK)}
        walks, _ = estimate_blocks(store, settings)
    assert list(found)[:2] == ["Uncounted", "Heavy"]
    assert list(found)[-1] in ("Good", "Bare")
    assert found["Uncounted"].work.todo is Todo.COUNT_FIRST
    assert found["Heavy"].urgency is Urgency.ACT
    heavy_load = found["Heavy"].load
    assert heavy_load is not None
    assert heavy_load.standing is Standing.ABOVE
    assert heavy_load.above == pytest.approx(15, abs=1.5)
    assert found["Heavy"].size is not None
    assert found["Good"].load is None
    assert found["Good"].size is None
    assert found["Bare"].urgency is Urgency.NOT_WALKED
    assert (found["Bare"].work.todo, found["Bare"].work.number) == (Todo.WALK, 10)
    assert found["Good"].crop is None
    assert {one.estimate.block.block_id for one in walks} == {"Good", "Heavy", "Uncounted"}


def test_the_report_says_where_a_block_stands() -> None:
    found = size_against(
        exactly(66.0, on=WALK), growing(4000), target_mm=76.0, pick_day=PICK, settings=EXACT
    )
    # 76³ − 66³ = 151,480 mm³ = 37.87 days, less 22; 76³ − 88,000 = 350,976 = 70.54³.
    assert size_words(found, METRIC.diameter) == (
        "16 days behind (16 to 16): 66.0 mm on 2026-08-12, 70.5 needed for 76.0 on 2026-09-03"
    )
    early = size_against(
        exactly(66.0, on=WALK), growing(4000), target_mm=66.3, pick_day=WALK, settings=EXACT
    )
    assert size_words(early, METRIC.diameter).startswith("1 day behind (1 to 1): 66.0 mm")
    unsure = replace(found, behind_days=Estimate(-4, 2, 7), standing=Standing.CANT_TELL)
    assert "can't tell yet, 2 days behind (4 ahead to 7 behind): " in size_words(
        unsure, METRIC.diameter
    )
    ahead = replace(found, behind_days=Estimate(-9, -3, -1), standing=Standing.ABOVE)
    assert size_words(ahead, METRIC.diameter).startswith("3 days ahead (1 to 9): ")
    stalled = replace(found, behind_days=None, standing=Standing.CANT_TELL)
    assert size_words(stalled, METRIC.diameter).startswith("can't tell yet: 66.0 mm")
    load = load_against(block_estimate(), 60.0)
    assert load_words(load) == "above: 75.0 (67.0–83.0) fruit per tree for 60"


def test_a_block_whose_photos_are_being_measured_waits_and_is_not_to_be_walked(
    tmp_path: Path,
) -> None:
    now = datetime(2026, 8, 14, tzinfo=UTC)
    placed = [records.tree_photo(n, "A", str(n) * 64) for n in (1, 2)]

    def work(store: FarmStore) -> tuple[Urgency, Todo, int]:
        (one,) = stand(store, Settings(), walks=())
        return one.urgency, one.work.todo, one.work.number

    with open_farm(tmp_path) as store:
        store.save_blocks([records.block()])
        assert work(store) == (Urgency.NOT_WALKED, Todo.WALK, 10)
        loading = store.ask_job(JobKind.LOAD, by="", at=now, folder="walk")
        assert work(store) == (Urgency.WAITING, Todo.LOADING, 0)
        store.cancel_job(loading.number)
        names = {one.photo_id: "a.jpg" for one in placed}
        measuring = store.ask_job(JobKind.MEASURE, by="", at=now, names=names, placed=placed)
        assert work(store) == (Urgency.WAITING, Todo.WAIT, 2)
        store.cancel_job(measuring.number)
        # Nothing goes on: the photos need a look.
        assert work(store) == (Urgency.ACT, Todo.LOOK, 0)
