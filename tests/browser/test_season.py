"""A season in the browser from an empty farm: each test is the next step of one story."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from openpyxl import load_workbook
from playwright.sync_api import Browser

from fruitvision.domain import Forecast
from fruitvision.pipeline import estimate_blocks
from fruitvision.pipeline.additions import farm_settings
from fruitvision.report.forecast import matters
from fruitvision.store import open_farm
from tests import walked_farm
from tests.browser import review_steps
from tests.browser.photo_files import small_walk
from tests.browser.serving import Served, served
from tests.browser.visitor import DESKTOP, WAIT_MS, WORK_MS, Visitor, visitor

BLOCK = "Low Orchard"
WALK_DAY = date(2026, 8, 12)
TREES = 3


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("season") / "farm") as running:
        yield running


@pytest.fixture(scope="module")
def ana(browser: Browser, app: Served) -> Iterator[Visitor]:
    with visitor(browser, app, DESKTOP) as somebody:
        yield somebody


def latest_forecast(app: Served) -> Forecast:
    with open_farm(app.farm, create=False) as store:
        return store.forecasts()[-1]


def table_after(ana: Visitor, text: str) -> list[dict[str, str]]:
    """Rows of the first table below a heading, by the heads of its columns."""
    table = ana.page.locator(
        f"xpath=//*[self::h2 or self::h3][contains(., '{text}')]/following::table[1]"
    )
    table.wait_for(timeout=WAIT_MS)
    head, *rows = [
        [cell.strip() for cell in row.locator("th, td").all_inner_texts()]
        for row in table.locator("tr").all()
    ]
    return [dict(zip(head, row, strict=True)) for row in rows]


class TestSeason:
    def test_an_empty_farm_says_where_to_begin(self, ana: Visitor) -> None:
        ana.open("blocks")
        ana.reads(ana.say("setup.begin"))
        for name in ("walk", "photos", "forecast", "sales", "setup"):
            ana.go(name)

    def test_a_block_is_typed_in_with_its_target(self, ana: Visitor, app: Served) -> None:
        ana.go("setup")
        ana.fill("setup.block_name", BLOCK)
        ana.fill("setup.variety", "Gala")
        ana.fill("setup.positions", "300")
        ana.fill("setup.missing", "12")
        ana.fill_date("setup.pick_date_of_new", date(2026, 9, 3))
        ana.press("setup.save_block")
        ana.reads(ana.say("setup.block_saved", block=BLOCK))
        ana.unfold("setup.dates_and_targets")
        ana.fill("setup.target_fruit", "96")
        ana.fill("setup.if_known", "75", what=ana.say("setup.target_diameter"), unit="mm")
        ana.press("setup.save_targets")
        ana.reads(re.compile("96 .*75.* mm"))
        with open_farm(app.farm, create=False) as store:
            (block,) = store.blocks()
        assert (block.block_id, block.variety, block.bearing_trees) == (BLOCK, "Gala", 288)
        assert (block.target_fruit_per_tree, block.target_diameter_mm) == (96, 75)
        assert block.pick_date == date(2026, 9, 3)

    def test_loaded_again_and_gone_back_the_pages_are_the_same(self, ana: Visitor) -> None:
        ana.page.reload()
        ana.reads(BLOCK)
        ana.go("help")
        ana.page.go_back()
        ana.settle()
        assert ana.page.url.split("?")[0].endswith("/setup")
        ana.reads(BLOCK)

    def test_photos_are_measured_in_the_background(
        self, ana: Visitor, app: Served, tmp_path: Path
    ) -> None:
        walk = small_walk(tmp_path, BLOCK, TREES)
        ana.go("photos")
        ana.tab("forms.tab_a_walk")
        ana.choose("forms.walk_list", walk.walk_list)
        ana.choose("forms.photos_of_walk", *walk.photos)
        ana.press("forms.measure_walk")
        ana.page.locator(".st-key-work").get_by_role("progressbar").wait_for()
        # The page is left and loaded again: the work goes on.
        ana.go("blocks")
        ana.page.reload()
        ana.reads(ana.say("work.finished", n=2 * TREES), wait_ms=WORK_MS)
        with open_farm(app.farm, create=False) as store:
            photos = store.tree_photos(BLOCK)
            found = store.measured_photos(BLOCK)
        assert {photo.walked_on for photo in photos} == {WALK_DAY}
        assert len(found) == len(photos) == 2 * TREES
        assert all(photo.fruit_count > 10 for photo in found)
        ana.page.get_by_text(ana.say("work.details")).click()
        ana.settle()
        for photo in found:
            row = ana.page.locator("tr", has_text=photo.photo.name).inner_text().split()
            assert row[1] == str(photo.fruit_count)
        ana.press("work.close")

    def test_an_outline_is_put_right_and_undone(self, ana: Visitor, app: Served) -> None:
        review_steps.open_photo(ana.page, app.address)
        before = review_steps.counted(ana.page)
        review_steps.take_out(ana.page)
        ana.no_trace()
        assert review_steps.counted(ana.page) == before - 1
        with open_farm(app.farm, create=False) as store:
            (edit,) = [
                edit
                for photo in store.tree_photos(BLOCK)
                for edit in store.photo_edits(photo.photo_id)
            ]
        assert edit.made_by == "Ana"
        ana.page.reload()
        ana.settle()
        assert review_steps.counted(ana.page) == before - 1
        review_steps.undo_last(ana.page)
        ana.no_trace()
        assert review_steps.counted(ana.page) == before

    def test_trees_are_counted_by_hand(self, ana: Visitor, app: Served) -> None:
        with open_farm(app.farm, create=False) as store:
            trees = sorted({photo.tree for photo in store.tree_photos(BLOCK)})
        ana.go("photos")
        ana.tab("forms.tab_hand_work")
        for tree, fruit in zip(trees, (80, 91, 75), strict=True):
            ana.fill("forms.row_of_tree", str(tree.row))
            ana.fill("forms.place_in_row", str(tree.position))
            ana.fill("forms.fruit_on_tree", str(fruit))
            ana.fill_date("forms.counted_on", WALK_DAY)
            ana.press("forms.save_hand_count")
            said = ana.say(
                "forms.hand_counted", block=BLOCK, row=tree.row, tree=tree.position, n=fruit
            )
            ana.reads(said)
        with open_farm(app.farm, create=False) as store:
            counts = {count.tree: count.fruit_count for count in store.hand_counts(BLOCK)}
        assert counts == dict(zip(trees, (80, 91, 75), strict=True))

    def test_the_block_page_has_what_was_put_in(self, ana: Visitor, app: Served) -> None:
        # So far three trees; nine more come in by another program while the app runs.
        with open_farm(app.farm, create=False) as store:
            walked = walked_farm.add_walk(
                store, BLOCK, day=WALK_DAY, trees=walked_farm.trees_of(BLOCK, 9)
            )
            walked_farm.add_hand_counts(store, walked, number=5, day=WALK_DAY)
            (found,), refused = estimate_blocks(store, farm_settings(store))
        assert not refused
        load = found.estimate.fruit_per_tree
        ana.go("blocks")
        row = ana.page.locator(".fv-blocks tr.one", has_text=BLOCK).inner_text()
        assert f"{load.p50:,.0f}" in row.split()
        assert ana.say("blocks.target", target="96") in row
        ana.go("setup")
        (line,) = table_after(ana, ana.say("setup.blocks"))
        assert line[ana.say("setup.block")] == BLOCK
        assert line[ana.say("setup.bearing_trees")] == "288"

    def test_a_forecast_is_made_and_shown_as_the_library_has_it(
        self, ana: Visitor, app: Served
    ) -> None:
        ana.go("forecast")
        ana.press("forecast.make")
        ana.reads(ana.say("forecast.made"))
        forecast = latest_forecast(app)
        (gala,) = forecast.varieties
        assert gala.cartons is not None
        cell = ana.page.locator(".fv-number", has_text=ana.say("forecast.cartons")).first
        assert cell.locator(".mid").inner_text() == f"{gala.cartons.p50:,.0f}"
        rows = table_after(ana, ana.say("forecast.packout", variety="Gala"))
        shown = {
            row[ana.say("forecast.class")].casefold(): row[ana.say("forecast.cartons")]
            for row in rows
        }
        kept = {one.size_class: one.cartons for one in gala.classes if matters(one)} | {
            "all": gala.cartons
        }
        assert shown == {
            name: f"{one.p50:,.0f} ({one.p10:,.0f}–{one.p90:,.0f})" for name, one in kept.items()
        }

    def test_the_files_for_sales_say_the_same(self, ana: Visitor, app: Served) -> None:
        forecast = latest_forecast(app)
        (gala,) = forecast.varieties
        kept = {one.size_class: one.cartons for one in gala.classes}
        sheet = load_workbook(io.BytesIO(ana.downloaded("forecast.file_xlsx")))["Pack-out"]
        head, *rows = sheet.iter_rows(values_only=True)
        lines = [dict(zip(head, row, strict=True)) for row in rows]
        assert {str(line["Size class"]): line["P50 (cartons)"] for line in lines} == pytest.approx(
            {name: one.p50 for name, one in kept.items()} | {"all": gala.cartons.p50}
        )
        table = ana.downloaded("forecast.file_csv").decode("utf-8-sig")
        lines = [row for row in csv.DictReader(io.StringIO(table)) if row["level"] == "variety"]
        assert {row["size_class"]: float(row["cartons_p10"]) for row in lines} == pytest.approx(
            {name: one.p10 for name, one in kept.items()} | {"all": gala.cartons.p10}, abs=0.05
        )
        assert {row["forecast_id"] for row in lines} == {forecast.forecast_id}

    def test_it_is_frozen_and_sales_works_with_it(self, ana: Visitor, app: Served) -> None:
        ana.go("sales")
        assert "NOT FROZEN" in ana.words()
        ana.go("forecast")
        assert ana.page.get_by_label(ana.say("forecast.freeze_who")).input_value() == "Ana"
        ana.fill("forecast.freeze_note", "<b>Monday</b> =1+1")
        ana.press("forecast.freeze_button")
        ana.reads(ana.say("forecast.freeze_done"))
        with open_farm(app.farm, create=False) as store:
            (frozen,) = store.frozen_forecasts()
        assert frozen.frozen_by == "Ana"
        assert frozen.forecast_id == latest_forecast(app).forecast_id
        ana.go("sales")
        words = ana.words()
        assert "NOT FROZEN" not in words
        assert "<b>Monday</b> =1+1" in words

    def test_nothing_went_wrong_on_the_way(self, ana: Visitor) -> None:
        assert not ana.traffic.outside
        assert not ana.traffic.broken
        assert not ana.traffic.errors
        assert "Traceback" not in ana.served.log.read_text()
