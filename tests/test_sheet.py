"""The sales sheet as a record: made once from what sales works with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from math import floor
from pathlib import Path
from shutil import copytree

import pytest

from fruitvision.domain import Doubt, Forecast, Stage, UseQuantiles
from fruitvision.errors import ForecastError, StoreError
from fruitvision.forecast.firm import firm_part
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import blocks_of, to_promise
from fruitvision.forecast.words import use_quantiles
from fruitvision.learning.score import Coverage
from fruitvision.pipeline.sales import sold_from
from fruitvision.pipeline.sheet import NO_EARLIER, sales_sheets, sold_as, track_records
from fruitvision.records import from_json, to_json
from fruitvision.sheet import SalesSheet, TrackRecord, for_buyer
from fruitvision.sheet.stage import pick_window, stage_words
from fruitvision.store import FarmStore, open_farm
from tests.farm_records import crop, forecast
from tests.forecast_records import block_inputs
from tests.sheet_records import BLOCKS, MONDAY, SETTINGS, WEEK, frozen_twice, make

QUANTILES = use_quantiles(SETTINGS)
TOLERANCE = 1e-6
RECORD = TrackRecord(inside=3, of=4, stage="31 to 60 days before the pick")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sold") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        frozen_twice(store)
    return folder


@pytest.fixture(scope="module")
def store(folder: Path) -> Iterator[FarmStore]:
    with open_farm(folder, create=False) as store:
        yield store


@pytest.fixture(scope="module")
def versions(store: FarmStore) -> tuple[Forecast, ...]:
    return store.forecasts()


@pytest.fixture(scope="module")
def gala(store: FarmStore) -> SalesSheet:
    return sales_sheets(sold_as(store), QUANTILES).sheets[0]


# ---------------------------------------------------------------- numbers


def test_every_cell_is_that_of_the_forecast(
    gala: SalesSheet, versions: tuple[Forecast, ...]
) -> None:
    variety = next(one for one in versions[-1].varieties if one.variety == "Gala")
    for row in variety.weeks:
        assert gala.line(row.week, row.size_class).cartons == row.cartons
    for item in variety.classes:
        if item.size_class in gala.classes:
            assert gala.line(None, item.size_class).cartons == item.cartons
        else:
            assert item.cartons.p90 == 0
    assert gala.whole.cartons == variety.cartons


def test_no_range_is_upside_down_and_safe_is_the_farms_quantile(gala: SalesSheet) -> None:
    assert len(gala.lines) == (len(gala.weeks) + 1) * (len(gala.classes) + 1) > 40
    for line in gala.lines:
        assert 0 <= line.cartons.p10 <= line.cartons.p50 <= line.cartons.p90
        # The farm promises at P10.
        assert line.safe_cartons == floor(line.cartons.p10 + 1e-9)


def test_means_and_changes_add_up_to_the_week_and_to_the_variety(gala: SalesSheet) -> None:
    for value in ("mean_cartons", "change_cartons"):
        for week in (*gala.weeks, None):
            of_classes = sum(getattr(gala.line(week, name), value) for name in gala.classes)
            assert of_classes == pytest.approx(getattr(gala.line(week), value), abs=TOLERANCE)
        for name in (*gala.classes, ALL):
            of_weeks = sum(getattr(gala.line(week, name), value) for week in gala.weeks)
            assert of_weeks == pytest.approx(getattr(gala.line(None, name), value), abs=TOLERANCE)
    assert gala.whole.change_cartons == pytest.approx(
        sum(step.cartons for step in gala.whole.steps), abs=1.0
    )


def test_more_fruit_counted_is_the_main_reason_of_the_change(gala: SalesSheet) -> None:
    assert gala.whole.change_cartons is not None
    assert gala.whole.mean_cartons is not None
    # Hand counts of 1.7 times what is seen instead of 1.5: 13 % more.
    earlier = gala.whole.mean_cartons - gala.whole.change_cartons
    assert gala.whole.change_cartons / earlier == pytest.approx(1.7 / 1.5 - 1, abs=0.01)
    assert gala.whole.steps[0].cause == "hidden fruit"
    sizes = [abs(step.cartons) for step in gala.whole.steps]
    assert sizes == sorted(sizes, reverse=True)


def test_classes_are_large_fruit_first_and_weeks_ascend(gala: SalesSheet) -> None:
    counts = [int(name) for name in gala.classes]
    assert counts == sorted(counts)
    assert gala.weeks == tuple(sorted(gala.weeks))
    assert {week.weekday() for week in gala.weeks} == {0}
    order = [(line.week or date.max, line.size_class == ALL) for line in gala.lines]
    assert order == sorted(order)


# ---------------------------------------------------------------- what else it says


def test_it_says_version_author_stage_and_the_version_before(
    gala: SalesSheet, versions: tuple[Forecast, ...]
) -> None:
    first, second = versions
    assert (gala.version.number, gala.version.forecast_id) == (2, second.forecast_id)
    assert (gala.version.frozen_by, gala.version.frozen_at) == ("Ines", MONDAY + WEEK)
    assert gala.earlier is not None
    assert (gala.earlier.number, gala.earlier.forecast_id) == (1, first.forecast_id)
    # 24 August to 3 September.
    assert gala.stage == "10 days before the pick"
    assert gala.pick is not None
    assert (gala.pick.first, gala.pick.last) == (date(2026, 9, 3), date(2026, 9, 15))
    assert (gala.pick.error_days, gala.pick.days_ahead) == (2.0, 10)
    assert gala.carton_kg == pytest.approx(19.05)
    assert not gala.first_look
    assert gala.track_record is None


def test_a_variety_without_cartons_is_left_out_by_name(store: FarmStore) -> None:
    made = sales_sheets(sold_as(store), QUANTILES, track_records={"Fuji": RECORD})
    assert [one.variety for one in made.sheets] == ["Gala", "Fuji"]
    assert made.sheets[1].track_record == RECORD
    (left,) = made.left_out
    assert left.name == "Braeburn"
    assert left.what == "Cartons of Braeburn are not known, so that there is no sales sheet of it."


def test_an_older_version_gives_the_sheet_that_it_gave(folder: Path, tmp_path: Path) -> None:
    copytree(folder, tmp_path / "farm")
    with open_farm(tmp_path / "farm", create=False) as farm:
        first, second = farm.forecasts()
        old = sales_sheets(sold_as(farm, first.forecast_id), QUANTILES).sheets
        assert [one.version.number for one in old] == [1, 1]
        assert old[0].earlier is None
        assert old[0].no_change == NO_EARLIER
        assert {line.change_cartons for line in old[0].lines} == {None}
        assert None not in {line.mean_cartons for line in old[0].lines}
        make(farm, (MONDAY + 2 * WEEK).date())
        assert sales_sheets(sold_as(farm, first.forecast_id), QUANTILES).sheets == old
        third = farm.forecasts()[-1]
        (now, *_) = sales_sheets(sold_as(farm, third.forecast_id), QUANTILES).sheets
        assert (now.version.frozen_at, now.version.frozen_by) == (None, "")
        assert now.earlier is not None
        assert now.earlier.forecast_id == second.forecast_id


def test_an_unknown_version_and_a_farm_without_forecast_are_refused(
    store: FarmStore, tmp_path: Path
) -> None:
    with pytest.raises(StoreError, match="No forecast has the version 'nothing'"):
        sold_as(store, "nothing")
    with (
        open_farm(tmp_path / "empty") as empty,
        pytest.raises(StoreError, match="no forecast of record"),
    ):
        sold_as(empty)


def test_a_what_if_is_not_sold_from(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as farm:
        farm.save_forecast(replace(forecast("2026-08-17-dry"), what_if="dry season", number=1))
        with pytest.raises(ForecastError, match=r"is a what-if \(dry season\)"):
            sold_as(farm, "2026-08-17-dry")


def first_looks(made: Forecast, *names: str) -> Forecast:
    """The forecast as if these blocks had been photographed on too few trees."""
    blocks = tuple(
        replace(one, doubts=(Doubt.FEW_TREES,)) if one.name in names else one for one in made.blocks
    )
    return replace(made, blocks=blocks)


def test_a_first_look_beside_firm_blocks_is_left_out_by_name(store: FarmStore) -> None:
    sold = sold_from(store)
    assert sold is not None
    unsure = first_looks(sold.forecast, BLOCKS[1])
    gala = sales_sheets(replace(sold, forecast=unsure), QUANTILES).sheets[0]
    assert (gala.first_look, gala.left_out, gala.left_out_blocks) == (False, 1, (BLOCKS[1],))
    # As the page for sales has it.
    firm = next(one for one in firm_part(unsure).forecast.varieties if one.variety == "Gala")
    assert gala.whole.cartons == firm.cartons
    for row in firm.weeks:
        assert gala.line(row.week, row.size_class).cartons == row.cartons
    whole = next(one for one in unsure.varieties if one.variety == "Gala")
    promise = to_promise(whole, blocks_of(whole, unsure), QUANTILES)
    assert promise is not None
    assert gala.whole.safe_cartons == floor(promise)
    assert gala.pick is not None
    # The other block is picked on the 9th: in between.
    assert (gala.pick.first, gala.pick.last) == (date(2026, 9, 3), date(2026, 9, 15))
    for week in gala.weeks:
        means = [gala.line(week, name).mean_cartons or 0.0 for name in gala.classes]
        assert sum(means) == pytest.approx(gala.line(week).mean_cartons, abs=TOLERANCE)
    assert gala.whole.mean_cartons == pytest.approx(gala.whole.cartons.p50, rel=0.05)
    assert for_buyer(gala, BLOCKS).left_out == 1
    assert for_buyer(gala, BLOCKS).left_out_blocks == ()


def test_nothing_is_safe_of_a_variety_that_is_a_first_look(store: FarmStore) -> None:
    sold = sold_from(store)
    assert sold is not None
    unsure = first_looks(sold.forecast, *BLOCKS)
    gala = sales_sheets(replace(sold, forecast=unsure), QUANTILES).sheets[0]
    assert (gala.first_look, gala.left_out) == (True, 0)
    assert {line.safe_cartons for line in gala.lines} == {None}
    whole = next(one for one in unsure.varieties if one.variety == "Gala")
    assert gala.whole.cartons == whole.cartons


def test_without_history_there_is_no_track_record(store: FarmStore) -> None:
    assert track_records(store, store.forecasts()[-1]) == {}


def test_a_track_record_is_that_of_the_same_stage(
    store: FarmStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Stage] = []

    def known(_: object, stage: Stage) -> Coverage | None:
        asked.append(stage)
        return Coverage(inside=7, of=9, low=0.5, high=0.9) if stage is Stage.LAST else None

    monkeypatch.setattr("fruitvision.pipeline.sheet.coverage_of", known)
    found = track_records(store, store.forecasts()[-1])
    # Made on 24 August: the Gala and the Braeburn are picked in 10 days, the Fuji in 37.
    record = TrackRecord(inside=7, of=9, stage="14 days or less before the pick")
    assert found == {"Gala": record, "Braeburn": record}
    assert set(asked) >= {Stage.LAST, Stage.QUOTE}


def test_another_quantile_moves_what_is_safe_only(store: FarmStore) -> None:
    sold = sold_from(store)
    assert sold is not None
    bold = UseQuantiles(promise=0.25, labour=0.5, bins=0.85)
    usual, other = (
        sales_sheets(
            replace(sold, forecast=replace(sold.forecast, quantiles=one)), QUANTILES
        ).sheets[0]
        for one in (QUANTILES, bold)
    )
    assert other.promise_quantile == 0.25
    assert usual.whole.safe_cartons is not None
    assert other.whole.safe_cartons is not None
    assert usual.whole.safe_cartons < other.whole.safe_cartons < other.whole.cartons.p50
    assert usual.whole.cartons == other.whole.cartons


def test_a_forecast_that_can_not_be_drawn_again_has_no_means_and_says_why(store: FarmStore) -> None:
    sold = sold_from(store)
    assert sold is not None
    old = replace(sold.forecast, table=None, inputs=())
    gala = sales_sheets(replace(sold, forecast=old), QUANTILES).sheets[0]
    assert {line.mean_cartons for line in gala.lines} == {None}
    assert "did not keep what it was drawn from" in gala.no_change
    assert gala.whole.cartons.p50 > 0


# ---------------------------------------------------------------- stage


@pytest.mark.parametrize(
    ("made_on", "words"),
    [
        (date(2026, 7, 24), "41 days before the pick"),
        (date(2026, 9, 2), "1 day before the pick"),
        (date(2026, 9, 3), "in the pick, 7 days before its last day"),
        (date(2026, 9, 10), "on the last day of the pick"),
        (date(2026, 9, 11), "after the pick"),
    ],
)
def test_the_stage_is_told_in_days(made_on: date, words: str) -> None:
    inputs = block_inputs(shares=(0.4, 0.6))
    blocks = [crop("Hill", "Gala", pick_date=pick.pick_date) for pick in inputs.plan.picks]
    window = pick_window(blocks, [inputs], made_on)
    assert window is not None
    assert window.last - window.first == timedelta(days=7)
    assert stage_words(window, made_on) == words


def test_without_a_pick_date_the_stage_is_not_known() -> None:
    window = pick_window([crop("Hill", "Gala", pick_date=None)], [], MONDAY.date())
    assert window is None
    assert stage_words(window, MONDAY.date()) == "pick date not known"


# ---------------------------------------------------------------- the buyer's copy


def test_the_buyers_copy_names_no_block_and_keeps_every_range(gala: SalesSheet) -> None:
    named = replace(
        gala,
        rests_on=f"Rests on 12 trees of {BLOCKS[0]}.",
        size_table=f"sizes_{BLOCKS[2].lower()}",
        version=replace(gala.version, frozen_by="pond corner office"),
    )
    copy = for_buyer(named, BLOCKS)
    text = to_json(copy).casefold()
    assert not [name for name in BLOCKS if name.casefold() in text]
    assert (copy.version.frozen_by, copy.version.note, copy.size_table) == ("", "", "")
    assert copy.for_buyer
    assert {line.safe_cartons for line in copy.lines} == {None}
    assert [line.cartons for line in copy.lines] == [line.cartons for line in gala.lines]
    assert (copy.farm, copy.variety, copy.stage) == (gala.farm, gala.variety, gala.stage)
    assert for_buyer(gala, BLOCKS).version.frozen_by == "Ines"


def test_a_block_called_as_its_variety_takes_no_name_away(gala: SalesSheet) -> None:
    copy = for_buyer(gala, ["Gala", "42", "I"])
    assert (copy.variety, copy.version.frozen_by) == ("Gala", "Ines")
    assert copy.size_table == "box_counts_42lb"


def test_a_sheet_goes_through_json_unchanged(gala: SalesSheet) -> None:
    assert from_json(SalesSheet, to_json(gala)) == gala


@pytest.mark.parametrize(("inside", "of"), [(-1, 3), (4, 3), (0, 0)])
def test_a_track_record_that_makes_no_sense_is_refused(inside: int, of: int) -> None:
    with pytest.raises(ValueError, match="need 0 <= inside <= of"):
        TrackRecord(inside=inside, of=of, stage="")
