"""A block whose last pass is marked finished: promised and measured no more."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import Forecast, Pick, PickPlan
from fruitvision.forecast.firm import firm_part
from fruitvision.forecast.uses import is_picked, use_numbers
from fruitvision.pipeline.pick_plans import farm_plans
from fruitvision.pipeline.picked import mark_pass, picked_blocks, picked_since
from fruitvision.pipeline.standing import NextWork, Todo, Urgency, standings
from fruitvision.pipeline.thinning import thinning_of_farm
from fruitvision.pipeline.worth import worth_if_known
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.thinning import Verdict
from tests.test_sales_command import command, make
from tests.walked_farm import add_good_block

SETTINGS = Settings(draws=400)


@pytest.fixture(scope="module", autouse=True)
def _before_the_pick() -> Iterator[None]:
    """The commands run on a day on which all still hangs by plan."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FRUITVISION_TODAY", "2026-08-20")
        yield


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two blocks of two varieties with a forecast that is frozen; nobody may change it."""
    folder = tmp_path_factory.mktemp("picked") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        add_good_block(store, "Kestrel Top")
        add_good_block(store, "Owl Bottom", variety="Fuji")
    make(folder)
    assert command("freeze", folder, "--by", "Ines")[0] == 0
    return folder


@pytest.fixture
def folder(farm: Path, tmp_path: Path) -> Path:
    """A copy of it, of which Kestrel Top is picked."""
    shutil.copytree(farm, tmp_path / "farm")
    with open_farm(tmp_path / "farm") as store:
        mark(store, finished=True)
    return tmp_path / "farm"


def mark(store: FarmStore, *, finished: bool) -> None:
    mark_pass(("Kestrel Top", 1), store.forecasts()[-1], store, finished=finished, who="Ines")


def latest(folder: Path) -> Forecast:
    with open_farm(folder) as store:
        return store.forecasts()[-1]


def promised(forecast: Forecast) -> dict[str, float]:
    return {one.name: one.value for one in use_numbers(forecast) if one.use == "promise"}


def test_a_picked_block_is_promised_and_measured_no_more(folder: Path) -> None:
    before = promised(latest(folder))
    status, text = command("forecast", folder)
    assert status == 0
    assert "Kestrel Top is picked: its last pass was marked finished." in text
    assert "set it anew" not in text
    made = latest(folder)
    assert [one.name for one in made.blocks if is_picked(one)] == ["Kestrel Top"]
    now = promised(made)
    assert (before["Kestrel Top"] > 0, now["Kestrel Top"]) == (True, 0)
    assert now["Owl Bottom"] == before["Owl Bottom"]
    assert now["Larkhill"] <= before["Owl Bottom"]
    assert firm_part(made).left_out == ("Kestrel Top",)
    with open_farm(folder) as store:
        worth = worth_if_known(store, SETTINGS)
    assert worth is not None
    kestrel, owl = sorted(worth.blocks, key=lambda one: one.block_id)
    assert (kestrel.picked, kestrel.measures, owl.picked) == (True, (), False)
    status, text = command("freeze", folder, "--by", "Ines")
    assert (status, "Kestrel Top is picked" in text) == (0, True)


def test_a_pass_taken_back_is_promised_again(folder: Path) -> None:
    before = promised(latest(folder))
    command("forecast", folder)
    with open_farm(folder) as store:
        mark(store, finished=False)
    command("forecast", folder)
    assert promised(latest(folder)) == before


def test_a_block_with_a_date_in_the_next_season_is_picked_no_longer(folder: Path) -> None:
    with open_farm(folder) as store:
        assert picked_blocks(store, farm_plans(store)) == {"Kestrel Top"}
        (block,) = (one for one in store.blocks() if one.block_id == "Kestrel Top")
        store.save_blocks([replace(block, pick_date=date(2027, 9, 1))])
        assert picked_blocks(store, farm_plans(store)) == set()


def test_a_picked_block_needs_nobody_and_is_not_thinned(folder: Path) -> None:
    with open_farm(folder) as store:
        blocks = [replace(one, target_fruit_per_tree=5.0) for one in store.blocks()]
        store.save_blocks(blocks)
        stands = standings(store, SETTINGS, on=date(2026, 8, 20))
        checks = thinning_of_farm(stands, SETTINGS, on=date(2026, 8, 20), plans={})
    owl, kestrel = stands
    assert (kestrel.block.block_id, kestrel.urgency) == ("Kestrel Top", Urgency.PICKED)
    assert kestrel.work == NextWork(todo=Todo.PICKED)
    assert owl.urgency is Urgency.ACT
    assert [one.verdict is Verdict.PICKED for one in checks] == [True, False]
    assert (checks[0].take_off, checks[0].hours, checks[0].more) == (None, None, None)


def test_only_the_last_pass_ends_a_block(folder: Path) -> None:
    with open_farm(folder) as store:
        days = date(2026, 9, 3), date(2026, 9, 10)
        plan = PickPlan(picks=tuple(Pick(pick_date=day, share=0.5) for day in days))
        store.save_pick_plan("Kestrel Top", plan)
        assert picked_blocks(store, farm_plans(store)) == set()
        assert picked_since(store, store.forecasts()[-1]) == ()


@pytest.mark.parametrize("asked", [("sheet", "--out"), ("export", "--out")])
def test_a_version_from_before_the_last_pass_says_so(
    folder: Path, tmp_path: Path, asked: tuple[str, str]
) -> None:
    words = "as the last pass was marked finished: Kestrel Top."
    name, option = asked
    assert words in command(name, folder, option, str(tmp_path / "out"))[1]
    with open_farm(folder) as store:
        mark(store, finished=False)
    assert words not in command(name, folder, option, str(tmp_path / "out"))[1]


def test_the_sheet_of_a_picked_variety_promises_nothing_and_says_why(
    folder: Path, tmp_path: Path
) -> None:
    command("forecast", folder)
    command("freeze", folder, "--by", "Ines")
    assert command("sheet", folder, "--out", str(tmp_path / "out"), "--buyer")[0] in (0, 1)
    written = "".join(
        path.read_text(encoding="utf-8") for path in (tmp_path / "out").glob("*Gala*.csv")
    )
    assert "All of it is picked, so nothing more is promised" in written
