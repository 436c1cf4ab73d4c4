"""The picture that photos are put right in, by mouse, finger and key: what is drawn is kept."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from hashlib import sha256
from math import atan2, degrees, hypot

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from fruitvision.domain import (
    AddedFruit,
    Correction,
    GroundLine,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline.photos import made_with
from fruitvision.review import PARTLY_SEEN
from fruitvision.settings import Settings
from fruitvision.store import open_farm
from tests import records
from tests.browser import review_steps as steps
from tests.browser.serving import Served, served
from tests.browser.visitor import DESKTOP, PHONE, WAIT_MS

WIDTH, HEIGHT = 900, 1200
# Fruit at x = 100, 200, ... 700 and y = 200; the fourth stands alone, at (400, 600).
LONE = (400.0, 600.0)
# A tree for each test, so that nothing has to be undone and the page need not be loaded again.
TREES = 10


@dataclass(frozen=True, slots=True)
class View:
    """Where the photo lies on the screen, and how large."""

    left: float
    top: float
    scale: float

    def place(self, at: steps.Place) -> steps.Place:
        """Px of the photo, of a place on the screen."""
        return (at[0] - self.left) / self.scale, (at[1] - self.top) / self.scale


def view(page: Page) -> View:
    x, y, scale = page.locator(".sheet svg > g").evaluate(
        "node => { const m = node.getScreenCTM(); return [m.e, m.f, m.a]; }"
    )
    return View(left=x, top=y, scale=scale)


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("review")
    origin = made_with(choose_detector(), Settings())
    with open_farm(folder / "farm") as store:
        store.save_blocks([records.block()])
        for tree in range(1, TREES + 1):
            grey = np.full((HEIGHT, WIDTH, 3), 100 + tree, np.uint8)
            content = cv2.imencode(".jpg", grey)[1].tobytes()
            photo_id = sha256(content).hexdigest()
            file = folder / f"{tree}.jpg"
            file.write_bytes(content)
            store.keep_photo(file, photo_id)
            fruit = [
                replace(records.fruit(n, photo_id=photo_id), angle_deg=0.0) for n in range(1, 8)
            ]
            fruit[3] = replace(fruit[3], centre_x_px=LONE[0], centre_y_px=LONE[1])
            measured = records.measured(photo_id, fruit)
            photo = replace(measured.photo, width_px=WIDTH, height_px=HEIGHT)
            store.save_measured_photo(replace(measured, photo=photo, made_with=origin))
            store.save_tree_photos([records.tree_photo(tree, "A", photo_id)])
    with served(folder / "farm") as running:
        yield running


@dataclass
class Desk:
    """Somebody's page, and the tree that it shows."""

    page: Page
    app: Served
    tree: int = 0

    def edits(self) -> list[PhotoEdit]:
        with open_farm(self.app.farm, create=False) as store:
            (photo_id,) = (
                one.photo_id for one in store.tree_photos() if one.tree.position == self.tree
            )
            return [one for one in store.photo_edits(photo_id) if one.stands]

    def kept(self) -> list[Correction]:
        return [one.correction for one in self.edits()]

    def go_on(self) -> Page:
        """The page with a tree in which nothing is put right yet."""
        self.tree += 1
        if self.tree > 1:
            picture = self.page.locator(".sheet svg image")
            before = picture.get_attribute("href")
            self.page.get_by_role("button", name=f"Row 1, tree {self.tree}", exact=True).click()
            new = self.page.locator(f'.sheet svg image:not([href="{before}"])')
            new.wait_for(timeout=WAIT_MS)
            expect(picture).to_have_count(1, timeout=WAIT_MS)
            steps.settled(self.page)
        return self.page


@pytest.fixture(scope="module")
def laptop(browser: Browser, app: Served) -> Iterator[Desk]:
    context = browser.new_context(**DESKTOP, reduced_motion="reduce")
    errors: list[str] = []
    context.on("weberror", lambda error: errors.append(str(error.error)))
    page = context.new_page()
    steps.open_photo(page, app.address)
    yield Desk(page, app)
    context.close()
    assert not errors


@pytest.fixture
def page(laptop: Desk) -> Page:
    return laptop.go_on()


def test_a_stroke_from_side_to_side_is_a_fruit_with_this_diameter(page: Page, laptop: Desk) -> None:
    steps.press(page, "A fruit is missing")
    first, last = steps.on_screen(page, (0.5, 0.7)), steps.on_screen(page, (0.56, 0.72))
    seen = view(page)
    steps.stroke(page, first, last)
    # It comes near, so that the edge can be seen.
    assert view(page).scale > 1.5 * seen.scale
    steps.press(page, "partly hidden")
    steps.settled(page)
    assert view(page) == seen
    (added,) = laptop.kept()
    assert isinstance(added, AddedFruit)
    (x, y), (x2, y2) = seen.place(first), seen.place(last)
    outline = added.outline
    assert (outline.centre_x_px, outline.centre_y_px) == pytest.approx(
        ((x + x2) / 2, (y + y2) / 2), abs=1.0
    )
    assert outline.width_px == pytest.approx(hypot(x2 - x, y2 - y), abs=1.0)
    assert outline.angle_deg == pytest.approx(degrees(atan2(y2 - y, x2 - x)), abs=2.0)
    assert added.visible_share == PARTLY_SEEN
    assert steps.counted(page) == 8


def test_a_tap_is_a_fruit_of_the_usual_size_and_keys_move_it(page: Page, laptop: Desk) -> None:
    steps.press(page, "A fruit is missing")
    at = steps.on_screen(page, (0.5, 0.75))
    x, y = view(page).place(at)
    page.mouse.click(*at)
    for key in ("ArrowRight", "ArrowRight", "Shift+ArrowDown"):
        page.keyboard.press(key)
    steps.press(page, "Longer")
    steps.press(page, "all of it is seen")
    steps.settled(page)
    (added,) = laptop.kept()
    assert isinstance(added, AddedFruit)
    outline = added.outline
    assert (outline.centre_x_px, outline.centre_y_px) == pytest.approx((x + 2, y + 10), abs=1.0)
    # 50 px are usual here, and two more.
    assert (outline.width_px, outline.height_px) == pytest.approx((52.0, 50.0))


def test_handles_stretch_and_turn_an_outline_and_the_other_side_stays(
    page: Page, laptop: Desk
) -> None:
    steps.tap_fruit(page)
    steps.press(page, "Wrong outline")
    scale = view(page).scale
    right, below = (page.locator(".sheet .handle").nth(number) for number in (0, 1))
    at = middle(right)
    steps.stroke(page, at, (at[0] + 30, at[1]))
    at = middle(below)
    steps.stroke(page, at, (at[0], at[1] + 20))
    steps.press(page, "all of it is seen")
    steps.settled(page)
    (shaped,) = laptop.kept()
    assert isinstance(shaped, ReshapedFruit)
    assert (shaped.x_px, shaped.y_px) == LONE
    outline = shaped.outline
    long, short = 50 + 30 / scale, 46 + 20 / scale
    assert (outline.width_px, outline.height_px) == pytest.approx((long, short), abs=1.0)
    assert outline.centre_x_px - long / 2 == pytest.approx(LONE[0] - 25, abs=1.0)
    assert outline.centre_y_px - short / 2 == pytest.approx(LONE[1] - 23, abs=1.0)
    # Its right end is pulled down by half of what the fruit is wide: 26.6°.
    steps.tap_fruit(page)
    steps.press(page, "Wrong outline")
    at = middle(right)
    steps.stroke(page, at, (at[0], at[1] + outline.width_px / 2 * view(page).scale))
    steps.press(page, "all of it is seen")
    steps.settled(page)
    turned = laptop.kept()[-1]
    assert isinstance(turned, ReshapedFruit)
    assert turned.outline.angle_deg == pytest.approx(degrees(atan2(1, 2)), abs=1.5)


def test_the_ground_is_moved_by_its_middle_and_tilted_by_its_ends(page: Page, laptop: Desk) -> None:
    steps.draw_ground(page, up_px=60.0)
    scale = view(page).scale
    (line,) = laptop.kept()
    assert isinstance(line, GroundLine)
    level = 0.88 * HEIGHT - 60 / scale
    assert (line.left_y_px, line.right_y_px) == pytest.approx((level, level), abs=1.5)
    steps.press(page, "Ground")
    at = middle(page.locator(".sheet .handle").first)
    steps.stroke(page, at, (at[0], at[1] - 88))
    steps.press(page, "Keep the ground line")
    steps.settled(page)
    tilted = laptop.kept()[-1]
    assert isinstance(tilted, GroundLine)
    # The handles stand at 6 and 94 % of the width, and the right one stays where it was.
    assert tilted.y_at(0.94 * WIDTH, WIDTH) == pytest.approx(level, abs=2.0)
    assert tilted.y_at(0.06 * WIDTH, WIDTH) == pytest.approx(level - 88 / scale, abs=2.0)


def test_sides_are_pulled_and_moved_by_keys(page: Page, laptop: Desk) -> None:
    scale = view(page).scale
    steps.press(page, "Sides of the tree")
    at = middle(page.locator(".sheet .handle").first)
    steps.stroke(page, at, (at[0] + 40, at[1]))
    right = page.locator(".sheet .handle").nth(1)
    right.focus()
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Shift+ArrowLeft")
    steps.press(page, "Keep the sides")
    steps.settled(page)
    (sides,) = laptop.kept()
    assert isinstance(sides, SideLimits)
    assert sides.left_x_px == pytest.approx(0.08 * WIDTH + 40 / scale, abs=1.5)
    assert sides.right_x_px == pytest.approx(0.92 * WIDTH - 30)
    # Left of it hangs one of seven.
    assert steps.counted(page) == 6


def test_all_is_done_by_keys_alone(page: Page, laptop: Desk) -> None:
    page.locator(".sheet svg").focus()
    for key in ("ArrowRight", "ArrowRight", "Delete"):
        page.keyboard.press(key)
    steps.settled(page)
    assert laptop.kept() == [RemovedFruit(x_px=200.0, y_px=200.0)]
    # It goes on from there; a fruit that is taken out comes last, and comes back by Enter.
    page.locator(".sheet svg").focus()
    page.keyboard.press("ArrowRight")
    assert page.locator(".sheet .sentence").inner_text().startswith("Middle (400, 600)")
    for key in ("ArrowLeft", "ArrowLeft", "ArrowLeft"):
        page.keyboard.press(key)
    assert (
        page.locator(".sheet .sentence").inner_text() == "Upper left (200, 200): taken out by hand."
    )
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    steps.settled(page)
    assert laptop.kept()[1:] == [RowOfFruit(x_px=200.0, y_px=200.0, on_this_row=True)]
    assert steps.counted(page) == 7


def test_escape_leaves_everything_as_it_was(page: Page, laptop: Desk) -> None:
    steps.tap_fruit(page)
    steps.press(page, "Wrong outline")
    seen = view(page)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Escape")
    assert view(page).scale < seen.scale
    page.keyboard.press("Escape")
    assert page.locator(".sheet .chosen").count() == 0
    assert page.locator(".sheet .sentence").inner_text().startswith("Tap a fruit")
    assert laptop.kept() == []


def test_two_people_put_one_fruit_right_and_the_later_one_counts(page: Page, laptop: Desk) -> None:
    other = laptop.page.context.new_page()
    steps.open_photo(
        other, laptop.app.address, who="Ben", more=f"&block={records.BLOCK_ID}&tree=1.{laptop.tree}"
    )
    steps.take_out(page)
    assert steps.counted(page) == 6
    # Ben still sees it, and outlines it anew.
    steps.reshape(other, by_px=20.0)
    assert steps.counted(other) == 7
    other.close()
    edits = laptop.edits()
    assert [one.made_by for one in edits] == ["Ana", "Ben"]
    assert [type(one.correction) for one in edits] == [RemovedFruit, ReshapedFruit]


def test_on_a_phone_two_fingers_come_near_and_one_taps_a_fruit(
    browser: Browser, app: Served
) -> None:
    context = browser.new_context(**PHONE, reduced_motion="reduce")
    phone = context.new_page()
    hand = Desk(phone, app, tree=TREES)
    steps.open_photo(phone, app.address, more=f"&block={records.BLOCK_ID}&tree=1.{TREES}")
    before = view(phone)
    box = phone.locator(".sheet svg").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    fingers = context.new_cdp_session(phone)

    def touch(kind: str, *apart: float) -> None:
        points = [{"x": x + one, "y": y, "id": number} for number, one in enumerate(apart)]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", -30)
    touch("touchStart", -30, 30)
    for apart in range(30, 91, 10):
        touch("touchMove", -apart, apart)
    touch("touchEnd")
    near = view(phone)
    assert near.scale == pytest.approx(3 * before.scale, rel=0.15)
    # What was between the fingers still is.
    assert near.place((x, y)) == pytest.approx(before.place((x, y)), abs=15)
    phone.get_by_label("Whole photo").tap()
    assert view(phone).scale == pytest.approx(before.scale)
    phone.locator(".sheet .stage").evaluate("node => node.scrollIntoView()")
    phone.touchscreen.tap(*steps.fruit_places(phone)[0])
    assert phone.locator(".sheet .sentence").inner_text().startswith("Middle (400, 600): 70 ± 3 mm")
    steps.press(phone, "Not a fruit")
    steps.settled(phone)
    assert hand.kept() == [RemovedFruit(x_px=LONE[0], y_px=LONE[1])]
    context.close()


def middle(node: Locator) -> steps.Place:
    box = node.bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
