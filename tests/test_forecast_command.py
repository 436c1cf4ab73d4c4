"""`fruitvision block`, `forecast` and `export` on a farm of known trees."""

from __future__ import annotations

from pathlib import Path

import pytest

from fruitvision.console import DETAIL_FILES, FORECAST_FILES
from fruitvision.domain import Forecast
from fruitvision.export import detail_file, detail_tables, read_forecast_json
from fruitvision.store import open_farm
from tests.farm_records import forecast
from tests.test_bad_input import run
from tests.walked_farm import add_block, add_good_block, add_hand_counts, add_walk, trees_of


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        (tmp_path / "farm" / "s.toml").write_text("draws = 400\n")
    return tmp_path / "farm"


def kept(folder: Path) -> tuple[Forecast, ...]:
    with open_farm(folder, create=False) as store:
        return store.forecasts()


def command(name: str, folder: Path, *more: str) -> tuple[int, str]:
    return run(name, "--farm", str(folder), "--settings", str(folder / "s.toml"), *more)


def test_block_says_what_to_do_and_what_stands_out(folder: Path) -> None:
    status, text = command("block", folder)
    assert status == 0
    assert "  enough " in text
    assert "Nothing stands out from its like." in text


def test_a_what_if_is_printed_and_kept_only_if_asked(folder: Path) -> None:
    status, text = command("forecast", folder, "--season", "dry", "--pick-shift", "5")
    assert status == 0
    assert "What if: dry season up to the pick, picked 5 days later." in text
    assert kept(folder) == ()
    _, text = command("forecast", folder, "--pick-shift", "-2", "--keep")
    assert ", number 1, version" in text
    assert [one.what_if for one in kept(folder)] == ["picked 2 days earlier"]
    status, text = command("forecast", folder, "--season", "hot")
    assert status == 2
    assert "'dry', 'normal', 'wet'" in text


def test_a_what_if_that_moves_the_pick_before_the_photos_is_refused(folder: Path) -> None:
    status, text = command("forecast", folder, "--pick-shift", "-60")
    assert status == 2
    assert "The pick date 2026-07-05 is before the photos of 2026-08-12" in text


def test_a_new_forecast_says_why_it_changed(folder: Path) -> None:
    _, text = command("forecast", folder)
    assert "Why it changed" not in text
    with open_farm(folder, create=False) as store:
        add_hand_counts(store, trees_of("Hill"), factor=1.8)
    _, text = command("forecast", folder)
    assert f"Why it changed since {kept(folder)[0].forecast_id}, in expected cartons:" in text
    assert "  hidden fruit" in text
    assert ", number 2, version" in text


def test_export_writes_every_file_of_the_chosen_version(folder: Path, tmp_path: Path) -> None:
    command("forecast", folder)
    (made,) = kept(folder)
    status, text = run("export", "--farm", str(folder), "--out", str(tmp_path / "out"))
    assert status == 0
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {*FORECAST_FILES, *DETAIL_FILES}
    assert all(name in text for name in names)
    assert read_forecast_json(tmp_path / "out" / "forecast.json") == made


def test_export_takes_a_what_if_only_when_it_is_named(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run("forecast", "--farm", str(folder), "--pick-shift", "5", "--keep")[0] == 0
    status, text = run("export", "--farm", str(folder), "--out", str(out))
    assert status != 0
    assert "holds what-ifs only" in text
    command("forecast", folder)
    run("forecast", "--farm", str(folder), "--pick-shift", "5", "--keep")
    record, *_ = [one for one in kept(folder) if not one.what_if]
    asked, *_ = [one for one in kept(folder) if one.what_if]
    assert run("export", "--farm", str(folder), "--out", str(out))[0] == 0
    assert read_forecast_json(out / "forecast.json") == record
    named = ("--version", asked.forecast_id)
    status, text = run("export", "--farm", str(folder), "--out", str(out), *named)
    assert status == 0
    assert "a what-if" in text
    assert read_forecast_json(out / "forecast.json") == asked


def test_the_list_of_detail_files_is_that_of_the_tables() -> None:
    assert tuple(detail_file(table.name) for table in detail_tables(forecast())) == DETAIL_FILES


def test_a_block_that_is_left_out_is_named_once(folder: Path) -> None:
    with open_farm(folder, create=False) as store:
        block = add_block(store, "Mill")
        add_walk(store, "Mill", trees=trees_of("Mill", 12))
        store.save_blocks([type(block)(block_id="Mill", variety="Gala", positions=8)])
    status, text = command("block", folder)
    assert status == 1
    assert "Left out: Mill: 12 trees were photographed, but the register has 8" in text
