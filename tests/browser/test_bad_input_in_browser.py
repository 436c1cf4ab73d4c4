"""What goes wrong in a browser: each time a sentence, nothing lost, and never a trace back."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from openpyxl import load_workbook
from playwright.sync_api import Browser, Locator, expect

from fruitvision.domain import Block
from fruitvision.store import open_farm
from tests import walked_farm
from tests.browser.photo_files import huge, small_walk, specks, write_table
from tests.browser.serving import Served, served
from tests.browser.visitor import DESKTOP, WAIT_MS, WORK_MS, Visitor, visitor

BLOCK = "Mill"
# A name that a careless page would run, and one that a careless spreadsheet would.
SCRIPT = "<img src=x onerror=alert(1)>"
FORMULA = "=1+1"
PICK = date(2026, 9, 3)
MANY = 200
# Of the block.
PLACES = 400


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    farm = tmp_path_factory.mktemp("bad") / "farm"
    with open_farm(farm) as store:
        store.save_blocks(
            [Block(block_id=BLOCK, variety="Braeburn", positions=PLACES, pick_date=PICK)]
        )
    with served(farm) as running:
        yield running


@pytest.fixture(scope="module")
def ana(browser: Browser, app: Served) -> Iterator[Visitor]:
    with visitor(browser, app, DESKTOP) as somebody:
        yield somebody


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    return small_walk(tmp_path, BLOCK, 1, first=4, shrink=4).photos[0]


def photo_box(ana: Visitor) -> None:
    ana.open("photos")
    ana.tab("forms.tab_one_tree")


def says_not_taken(ana: Visitor, box: Locator) -> None:
    """A box says below itself, in the page's words, that it did not take a file."""
    expect(box.get_by_test_id("stFileChipIconError")).to_be_visible(timeout=WAIT_MS)
    below = box.evaluate("box => getComputedStyle(box, '::after').content")
    assert ana.say("common.files_not_taken") in below


class TestPhotos:
    def test_a_file_of_another_kind_is_turned_away_at_the_box(
        self, ana: Visitor, tmp_path: Path
    ) -> None:
        (tmp_path / "notes.docx").write_bytes(b"PK no photo")
        photo_box(ana)
        ana.choose("forms.photo_of_face", tmp_path / "notes.docx", face="A")
        box = ana.box_of_files("forms.photo_of_face", face="A")
        says_not_taken(ana, box)
        expect(ana.button("forms.measure_tree")).to_be_disabled()

    def test_text_with_the_name_of_a_photo_is_left_out_and_the_photo_beside_it_measured(
        self, ana: Visitor, app: Served, tmp_path: Path, photo: Path
    ) -> None:
        (tmp_path / "renamed.jpg").write_text("these are no pixels")
        photo_box(ana)
        ana.choose("forms.photo_of_face", tmp_path / "renamed.jpg", photo, face="A")
        ana.press("forms.measure_tree")
        ana.reads("renamed.jpg is no JPEG, PNG, HEIC or TIFF picture.")
        ana.reads(photo.name)
        with open_farm(app.farm, create=False) as store:
            (placed,) = store.tree_photos(BLOCK)
            (measured,) = store.measured_photos(BLOCK)
        assert measured.photo.photo_id == placed.photo_id

    def test_the_same_photo_again_is_kept_once(
        self, ana: Visitor, app: Served, photo: Path
    ) -> None:
        photo_box(ana)
        ana.choose("forms.photo_of_face", photo, face="A")
        ana.press("forms.measure_tree")
        ana.reads(ana.say("work.known", form="one", n=1))
        with open_farm(app.farm, create=False) as store:
            assert len(store.tree_photos(BLOCK)) == 1

    def test_60_megabytes_that_are_no_photo_are_said(
        self, ana: Visitor, app: Served, tmp_path: Path
    ) -> None:
        photo_box(ana)
        ana.choose("forms.photo_of_face", huge(tmp_path / "huge.jpg", 60), face="B")
        ana.press("forms.measure_tree")
        ana.reads("huge.jpg is no JPEG, PNG, HEIC or TIFF picture.")
        with open_farm(app.farm, create=False) as store:
            assert len(store.tree_photos(BLOCK)) == 1

    def test_an_upload_whose_connection_is_lost_is_said_and_goes_through_again(
        self, ana: Visitor, tmp_path: Path
    ) -> None:
        other = small_walk(tmp_path, BLOCK, 1, first=5, shrink=4).photos[0]
        photo_box(ana)
        box = ana.box_of_files("forms.photo_of_face", face="B")
        ana.page.route("**/_stcore/upload_file/**", lambda route: route.abort("connectionfailed"))
        ana.choose("forms.photo_of_face", other, face="B")
        says_not_taken(ana, box)
        expect(ana.button("forms.measure_tree")).to_be_disabled()
        ana.page.unroute("**/_stcore/upload_file/**")
        box.get_by_role("button", name=other.name).click()
        ana.choose("forms.photo_of_face", other, face="B")
        expect(ana.button("forms.measure_tree")).to_be_enabled(timeout=WAIT_MS)
        # What was broken on purpose is no fault of the page.
        ana.traffic.broken.clear()
        ana.traffic.errors.clear()

    def test_200_photos_at_once_are_all_taken_in_and_the_work_can_be_stopped(
        self, ana: Visitor, app: Served, tmp_path: Path
    ) -> None:
        photos = specks(tmp_path / "specks", MANY)
        rows = [
            {"photo": path.name, "block": BLOCK, "row": "9", "position": str(place), "face": "A"}
            for place, path in enumerate(photos, start=1)
        ]
        ana.open("photos")
        ana.tab("forms.tab_a_walk")
        ana.fill_date("forms.day_of_walk", date(2026, 8, 12))
        ana.choose("forms.walk_list", write_table(tmp_path / "walk.csv", rows))
        ana.choose("forms.photos_of_walk", *photos)
        expect(ana.button("forms.measure_walk")).to_be_enabled(timeout=WORK_MS)
        ana.press("forms.measure_walk")
        ana.press("work.stop")
        ana.reads(re.compile(rf"^Stopped: \d+ of {MANY} photos are measured\."))
        with open_farm(app.farm, create=False) as store:
            assert len([one for one in store.tree_photos(BLOCK) if one.tree.row == 9]) == MANY
        ana.press("work.close")


class TestWords:
    def test_html_and_formulas_in_names_are_letters_everywhere(
        self, ana: Visitor, app: Served
    ) -> None:
        opened: list[str] = []
        ana.page.on("dialog", lambda dialog: (opened.append(dialog.message), dialog.dismiss()))
        for name in (SCRIPT, FORMULA):
            ana.open("setup")
            ana.unfold("setup.add_block")
            ana.fill("setup.block_name", name)
            ana.fill("setup.variety", name)
            ana.fill("setup.positions", "300")
            ana.fill_date("setup.pick_date_of_new", PICK)
            ana.press("setup.save_block")
            ana.reads(ana.say("setup.block_saved", block=name))
            with open_farm(app.farm, create=False) as store:
                walked = walked_farm.add_walk(store, name)
                walked_farm.add_hand_counts(store, walked)
        ana.go("forecast")
        ana.press("forecast.make")
        ana.reads(ana.say("forecast.made"))
        for name in ("blocks", "forecast", "sales", "walk", "setup"):
            ana.go(name)
            if name in ("blocks", "forecast", "setup"):
                assert SCRIPT in ana.words()
                assert FORMULA in ana.words()
            assert not ana.page.locator("img[src=x]").count()
        assert not opened

    def test_a_formula_stays_text_in_the_files(self, ana: Visitor) -> None:
        ana.go("forecast")
        book = load_workbook(io.BytesIO(ana.downloaded("forecast.file_xlsx")))
        kinds = {
            cell.data_type
            for sheet in book
            for row in sheet.iter_rows()
            for cell in row
            if cell.value == FORMULA
        }
        assert kinds == {"s"}
        table = ana.downloaded("forecast.file_csv").decode("utf-8-sig")
        names = {row["name"] for row in csv.DictReader(io.StringIO(table))}
        assert FORMULA not in names
        assert f"'{FORMULA}" in names

    def test_a_count_below_nothing_is_not_taken(self, ana: Visitor, app: Served) -> None:
        ana.open("photos")
        ana.tab("forms.tab_hand_work")
        with open_farm(app.farm, create=False) as store:
            before = [store.hand_counts(block.block_id) for block in store.blocks()]
        ana.fill("forms.fruit_on_tree", "-5")
        ana.press("forms.save_hand_count")
        ana.reads("A number is too small: fruit -5.")
        with open_farm(app.farm, create=False) as store:
            assert [store.hand_counts(block.block_id) for block in store.blocks()] == before

    def test_a_register_with_its_columns_in_another_order_is_read(
        self, ana: Visitor, app: Served, tmp_path: Path
    ) -> None:
        rows = [
            {"position": str(place), "kind": "bearing", "row": "1", "block": BLOCK}
            for place in range(1, PLACES + 1)
        ]
        ana.open("papers")
        ana.page.locator("input[type=file]").first.set_input_files(
            str(write_table(tmp_path / "register.csv", rows))
        )
        ana.settle()
        ana.press("papers.take_in", n=PLACES)
        ana.reads(f"register.csv: {PLACES}")
        with open_farm(app.farm, create=False) as store:
            assert len(store.register(BLOCK)) == PLACES

    def test_two_people_at_one_form_are_asked_which_value_stays(
        self, ana: Visitor, app: Served, browser: Browser
    ) -> None:
        with visitor(browser, app, DESKTOP, who="Ben") as ben:
            for person in (ana, ben):
                person.open("setup")
                person.unfold("setup.name_and_usual")
            ana.fill("setup.farm_name", "Larkhill South")
            ana.press("setup.save_name")
            ben.fill("setup.farm_name", "Larkhill North")
            ben.press("setup.save_name")
            ben.button("work.keep_theirs").wait_for(timeout=WAIT_MS)
            (asked,) = ben.page.locator("[class*='st-key-conflict']").all_inner_texts()
            for words in ("Ana", "Larkhill South", "Larkhill North"):
                assert words in asked
            ben.press("work.keep_theirs")
            ben.reads(ben.say("work.kept_theirs"))
            with open_farm(app.farm, create=False) as store:
                assert store.farm().name == "Larkhill South"
            assert not ben.traffic.errors

    def test_a_lost_connection_comes_back_with_what_was_typed(self, ana: Visitor) -> None:
        ana.open("photos")
        ana.tab("forms.tab_hand_work")
        ana.fill("forms.fruit_on_tree", "83")
        ana.page.context.set_offline(True)
        ana.page.wait_for_timeout(500)
        ana.page.context.set_offline(False)
        ana.settle()
        box = ana.page.get_by_label(ana.say("forms.fruit_on_tree"), exact=True)
        assert box.input_value() == "83"
        ana.traffic.errors.clear()

    def test_nothing_went_wrong_beside_it(self, ana: Visitor) -> None:
        assert not ana.traffic.outside
        assert not ana.traffic.broken
        assert not ana.traffic.errors
        assert "Traceback" not in ana.served.log.read_text()
