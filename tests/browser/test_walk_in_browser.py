"""A walk on a phone, from the choice of the block to the advice: each test is the next step.

The photos are those of the samples, of 12 August 2026; the app takes that day for today.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from fruitvision.domain import Block, KeptWalk, TreeKind
from fruitvision.pipeline.walking import current_walk
from fruitvision.store import open_farm
from tests.browser.photo_files import SAMPLES, small_photo
from tests.browser.serving import Served, served
from tests.browser.visitor import ASK_MS, PHONE, WORK_MS, Visitor, visitor

DAY = date(2026, 8, 12)
BLOCK = "Low Orchard"
# Both faces of two trees, half as large: measured in a moment.
PHOTOS = ("gala_r1_t12_A", "gala_r1_t12_B", "gala_r2_t04_A", "gala_r2_t04_B")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    farm = tmp_path_factory.mktemp("walk") / "farm"
    with open_farm(farm) as store:
        for name in ("High Orchard", BLOCK):
            store.save_blocks([Block(block_id=name, variety="Gala", positions=20)])
    with served(farm, day=DAY) as running:
        yield running


@pytest.fixture(scope="module")
def ana(browser: Browser, app: Served) -> Iterator[Visitor]:
    with visitor(browser, app, PHONE) as somebody:
        yield somebody


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("photos")
    return [small_photo(SAMPLES / "photos" / f"{name}.jpg", folder, 2) for name in PHOTOS]


def walk_of(app: Served) -> KeptWalk:
    with open_farm(app.farm, create=False) as store:
        walk = current_walk(store, BLOCK, DAY)
    assert walk is not None
    return walk


def in_view(one: Visitor) -> tuple[int, int]:
    """Row and tree in huge type."""
    one.page.locator(".fv-next .huge").first.wait_for()
    one.settle()
    huge = one.page.locator(".fv-next .huge").all_inner_texts()
    row, tree = (int(number) for number in re.findall(r"\d+", " ".join(huge)))
    return row, tree


def take(one: Visitor, face: str, photo: Path) -> None:
    """A photo of a face, by the large button, until it is measured and checked."""
    box = one.page.locator(f".st-key-face-{face} [data-testid=stFileUploaderDropzoneInput]")
    box.set_input_files(str(photo))
    one.settle()
    one.page.wait_for_function(
        "many => document.querySelectorAll('.fv-sign.good').length >= many",
        arg=1 if face == "a" else 2,
        timeout=WORK_MS,
        polling=ASK_MS,
    )
    one.settle()


class TestWalk:
    def test_the_block_is_chosen_and_the_walk_begins(self, ana: Visitor, app: Served) -> None:
        ana.open("walk")
        ana.page.locator(".st-key-walk-which-block [data-testid=stSelectbox] button").first.click()
        ana.page.get_by_role("option", name=BLOCK, exact=True).click()
        ana.settle()
        ana.fill("walk.rows", "20")
        ana.fill("walk.trees", "3")
        ana.fill("walk.counts", "1")
        ana.press("walk.start", block=BLOCK)
        seen = in_view(ana)
        first = walk_of(app).plan.places[0].tree
        assert seen == (first.row, first.position)
        assert len(walk_of(app).plan.places) == 3

    def test_both_photos_are_checked_with_a_reload_in_the_middle(
        self, ana: Visitor, app: Served, photos: list[Path]
    ) -> None:
        before = in_view(ana)
        take(ana, "a", photos[0])
        ana.page.reload()
        ana.settle()
        assert in_view(ana) == before
        take(ana, "b", photos[1])
        assert ana.say("walk.look_ok_top") in ana.words() or ana.say("walk.look_ok") in ana.words()
        with open_farm(app.farm, create=False) as store:
            taken = store.tree_photos(BLOCK)
            measured = store.measured_photos(BLOCK)
        assert {(photo.tree.row, photo.tree.position) for photo in taken} == {before}
        assert sorted(photo.face for photo in taken) == ["A", "B"]
        assert all(photo.fruit_count > 10 for photo in measured)
        for photo in measured:
            assert ana.say("walk.fruit_seen", n=photo.fruit_count) in ana.words()

    def test_the_next_tree_is_counted_before_its_photos_tell_theirs(
        self, ana: Visitor, app: Served, photos: list[Path]
    ) -> None:
        ana.press("walk.next")
        ana.reads(ana.say("walk.count_this"))
        tree = walk_of(app).plan.places[1].tree
        assert in_view(ana) == (tree.row, tree.position)
        assert ana.say("walk.count_this") in ana.words()
        take(ana, "a", photos[2])
        take(ana, "b", photos[3])
        with open_farm(app.farm, create=False) as store:
            fruit = {one.photo.photo_id: one.fruit_count for one in store.measured_photos(BLOCK)}
            taken = [photo for photo in store.tree_photos(BLOCK) if photo.tree == tree]
        a, b = (fruit[one.photo_id] for one in sorted(taken, key=lambda one: one.face))
        told = ana.say("walk.fruit_seen", n=a)
        assert ana.say("walk.hidden") in ana.words()
        assert told not in ana.words()
        ana.fill("walk.count_box", "112")
        ana.press("walk.count_save")
        ana.reads(ana.say("walk.count_kept", count="112", sides=f"{a} + {b}"))
        assert told in ana.words()
        with open_farm(app.farm, create=False) as store:
            (count,) = store.hand_counts(BLOCK)
            (change,) = store.changes()
        assert (count.tree, count.fruit_count, count.counted_on) == (tree, 112, DAY)
        assert change.who == "Ana"

    def test_two_tabs_on_one_tree_lose_no_count(
        self, ana: Visitor, browser: Browser, app: Served
    ) -> None:
        with visitor(browser, app, PHONE, who="Ben") as ben:
            tree = walk_of(app).plan.places[1].tree
            where = f"&block={BLOCK}&row={tree.row}&tree={tree.position}"
            ben.open("walk", more=where)
            assert in_view(ben) == in_view(ana)
            for one, count in ((ana, "114"), (ben, "119")):
                one.unfold("walk.count_correct")
                one.fill("walk.count_box", count)
            ana.press("walk.count_save")
            ana.reads(re.compile("You counted 114"))
            ben.press("walk.count_save")
            ben.page.locator("[data-testid=stTable]").wait_for()
            assert "114" in ben.page.locator("[data-testid=stTable]").inner_text()
            assert "119" in ben.page.locator("[data-testid=stTable]").inner_text()
            ben.press("work.keep_theirs")
            ben.reads(re.compile("You counted 114"))
            assert not ben.traffic.errors
        with open_farm(app.farm, create=False) as store:
            assert [one.fruit_count for one in store.hand_counts(BLOCK)] == [114]

    def test_fruit_are_calipered(self, ana: Visitor, app: Served) -> None:
        ana.page.reload()
        ana.settle()
        ana.unfold("walk.calipers_head")
        for number, diameter in ((1, "67.4"), (2, "70.9")):
            ana.fill("walk.calipers_box", diameter, number=number, unit="mm")
            ana.press("walk.calipers_save")
            ana.reads(re.compile(diameter))
        with open_farm(app.farm, create=False) as store:
            read = [one.diameter_mm for one in store.caliper_readings(BLOCK)]
        assert read == [67.4, 70.9]

    def test_asked_before_the_end_the_page_says_what_is_left(self, ana: Visitor) -> None:
        ana.press("walk.next")
        ana.reads(ana.say("walk.found_head"))
        ana.page.get_by_text(ana.say("walk.ask")).click()
        # Two trees and one count tell nothing yet.
        ana.reads(ana.say("walk.too_early"))
        assert ana.say("walk.too_early_what", "one", n=1) in ana.words()

    def test_a_gap_ends_the_walk_and_all_is_saved(self, ana: Visitor, app: Served) -> None:
        ana.unfold("walk.found_head")
        ana.press("walk.found_missing")
        ana.reads(ana.say("walk.is_missing"))
        ana.press("walk.next")
        ana.reads(ana.say("walk.done_head"))
        words = ana.words()
        assert ana.say("walk.done_head") in words
        saved = [
            ana.say("walk.saved_trees", n=3),
            ana.say("walk.saved_photos", n=4),
            ana.say("walk.saved_counts", "one", n=1),
        ]
        assert f"All saved: {', '.join(saved)}" in words
        # One of three places is no tree, and the block's own number of places says nothing of it.
        assert ana.say("walk.todo_register") in words
        with open_farm(app.farm, create=False) as store:
            (gap,) = [one for one in store.visited_places(BLOCK) if one.found is TreeKind.MISSING]
        assert gap.tree == walk_of(app).plan.places[2].tree

    def test_nothing_went_wrong_on_the_way(self, ana: Visitor) -> None:
        assert not ana.traffic.outside
        assert not ana.traffic.broken
        assert not ana.traffic.errors
        assert "Traceback" not in ana.served.log.read_text()
