"""Every page on a phone and a laptop, in every language: nothing from outside, all within reach."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import pypdf
import pytest
from openpyxl import load_workbook
from PIL import Image
from playwright.sync_api import Browser

from fruitvision.pipeline.sales import freeze
from fruitvision.pipeline.walking import WalkSize, start_walk
from fruitvision.store import open_farm
from tests.browser.axe import Finding, grave_findings
from tests.browser.serving import Served, served
from tests.browser.visitor import DESKTOP, PAGES, PHONE, Traffic, Visitor, visitor
from tests.conftest import Demo

DOCS = Path(__file__).parents[2] / "docs"
# What the pages take for today: between the demo's walk and its pick, so that they are the same on
# every day.
TODAY = date(2026, 8, 20)
FORMS = ("PDF", "XLSX", "CSV", "JSON")
# What the forecast is frozen with: a buyer's file tells neither it nor any block.
BLOCKS = ("Gala North", "Fuji Slope")
NOTE = f"after {BLOCKS[0]}"
# Our choice: a README that opens at once on a slow line.
MOST_PICTURE_BYTES = 300_000
# Our choice: row and tree are read without a thumb's move, whatever is measured in the background.
MOST_ABOVE_TREE_PX = 250

# Device, language, whether axe-core looks at it too. Words of other languages can be too long for a
# window, and a phone's is the narrower one; what axe-core looks at is not of a language.
VISITS = {
    "laptop, English": (DESKTOP, "en", True),
    "phone, English": (PHONE, "en", True),
    "phone, Spanish": (PHONE, "es", False),
    "phone, French": (PHONE, "fr", False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A page, by its link on top or, with what its address says more, by its address."""

    page: str
    address: str = ""


PLACES = {name: Place(page=name) for name in PAGES} | {
    "one block": Place(page="blocks", address="&block=Gala North"),
    "one stop of a walk": Place(page="walk", address="&block=Gala North"),
}
# How far the page goes beyond the window, and what of it does.
_BEYOND = """() => {
    const room = document.documentElement.clientWidth;
    const scrolled = node => {
        for (let up = node.parentElement; up; up = up.parentElement)
            if (/auto|scroll|hidden|clip/.test(getComputedStyle(up).overflowX)
                && up.clientWidth < up.scrollWidth && up.getBoundingClientRect().right <= room + 1)
                return true;
        return false;
    };
    const main = document.querySelector('[data-testid=stMain]');
    const out = Math.max(document.documentElement.scrollWidth - room,
                         main.scrollWidth - main.clientWidth);
    if (out <= 0) return [];
    return [`${out} px`, ...[...document.querySelectorAll('body *')]
        .filter(node => node.getBoundingClientRect().right > room + 1 && !scrolled(node))
        .slice(0, 5).map(node => node.outerHTML.slice(0, 160))];
}"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a visit of all pages met."""

    traffic: Traffic
    findings: dict[str, list[Finding]]
    beyond: dict[str, list[str]]
    language: str
    spoken: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture in README.md: a page of a size, and what must be seen on it."""

    page: str
    device: dict[str, Any]
    width_px: int
    height_px: int
    address: str = ""
    shows: tuple[str, ...]


PICTURES = {
    "forecast.png": Picture(
        page="forecast",
        device={},
        width_px=1040,
        height_px=2050,
        shows=(".fv-number", ".fv-caution", "[data-testid=stVegaLiteChart]"),
    ),
    "blocks.png": Picture(
        page="blocks", device={}, width_px=1040, height_px=560, shows=(".fv-blocks .fv-range",)
    ),
    "photos.png": Picture(
        page="photos",
        device={},
        width_px=1040,
        height_px=1350,
        address="&block=Gala North&tree=1.12",
        shows=(".fv-number", ".sheet svg image", ".sheet .fruit.sized"),
    ),
    "walk.png": Picture(
        page="walk",
        device=PHONE | {"device_scale_factor": 1},
        width_px=390,
        height_px=844,
        address="&block=Gala North",
        shows=(".fv-next .huge", "[data-testid=stFileUploader]"),
    ),
}


@pytest.fixture(scope="module")
def larkhill(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's farm in the middle of its season: a walk begun, a forecast frozen."""
    farm = tmp_path_factory.mktemp("pages") / "larkhill"
    shutil.copytree(demo.farm, farm)
    with open_farm(farm, create=False) as store:
        freeze(store, by="Ana", at=datetime.combine(TODAY, time(9), tzinfo=UTC), note=NOTE)
        size = WalkSize(trees=6, hand_counts=2)
        start_walk(store, "Gala North", size, on=TODAY, who="Ben")
    return farm


@pytest.fixture(scope="module")
def app(larkhill: Path) -> Iterator[Served]:
    with served(larkhill, day=TODAY) as running:
        yield running


@pytest.fixture(scope="module", params=VISITS)
def seen(request: pytest.FixtureRequest, app: Served, browser: Browser) -> Seen:
    """All pages, by the links on top, with all that opens opened."""
    device, language, with_axe = VISITS[request.param]
    findings: dict[str, list[Finding]] = {}
    beyond: dict[str, list[str]] = {}
    with visitor(browser, app, device, language=language) as ana:
        for name, place in PLACES.items():
            if place.address:
                ana.open(place.page, more=place.address)
            elif name == PAGES[0]:
                ana.open(name)
            else:
                ana.go(name)
            beyond[name] = ana.page.evaluate(_BEYOND)
            open_all(ana)
            beyond[name] += ana.page.evaluate(_BEYOND)
            findings[name] = grave_findings(ana.page) if with_axe else []
            tabs = ana.page.get_by_role("tab").all() if device is DESKTOP else []
            for tab in tabs[1:]:
                tab.click()
                ana.settle()
                findings[name] += grave_findings(ana.page)
        return Seen(
            traffic=ana.traffic,
            findings=findings,
            beyond=beyond,
            language=language,
            spoken=ana.page.evaluate("() => document.documentElement.lang"),
        )


def open_all(ana: Visitor) -> None:
    ana.page.evaluate(
        "() => document.querySelectorAll('details:not([open]) > summary').forEach(s => s.click())"
    )
    ana.settle()


def test_nothing_is_asked_from_anywhere_but_the_app(seen: Seen) -> None:
    assert len(seen.traffic.asked) > 20
    assert any(url.startswith("ws:") for url in seen.traffic.asked)
    assert not seen.traffic.outside


def test_nothing_that_a_page_needs_is_missing(seen: Seen) -> None:
    assert not seen.traffic.broken
    assert not seen.traffic.errors


def test_no_page_is_wider_than_its_window(seen: Seen) -> None:
    assert not {name: out for name, out in seen.beyond.items() if out}


def test_a_screen_reader_is_told_the_language(seen: Seen) -> None:
    assert seen.spoken == seen.language


@pytest.mark.parametrize("seen", [name for name, one in VISITS.items() if one[2]], indirect=True)
def test_axe_finds_nothing_grave(seen: Seen) -> None:
    found = [f"{name}: {one}" for name, all_of in seen.findings.items() for one in all_of]
    assert not found, "\n".join(found)


def test_a_phone_shows_the_next_tree_at_once(app: Served, browser: Browser) -> None:
    with visitor(browser, app, PHONE) as ana:
        ana.open("walk", more="&block=Gala North")
        box = ana.page.locator(".fv-next .huge").bounding_box()
        assert box is not None
        assert box["y"] < MOST_ABOVE_TREE_PX


# ---------------------------------------------------------------- keyboard


def test_the_keyboard_reaches_every_page_and_the_main_button(app: Served, browser: Browser) -> None:
    with visitor(browser, app, DESKTOP) as ana:
        ana.open("forecast")
        reached: list[str] = []
        unseen: list[str] = []
        for _ in range(25):
            ana.page.keyboard.press("Tab")
            name, is_seen = ana.page.evaluate(_FOCUSED)
            reached.append(name)
            unseen += [] if is_seen else [name]
        wanted = [ana.say(f"common.page_{name}") for name in PAGES]
        assert [name for name in reached if name in wanted] == wanted
        assert ana.say("forecast.make") in reached
        assert not unseen
        ana.link("help").focus()
        ana.page.keyboard.press("Enter")
        ana.page.wait_for_function("() => location.pathname === '/help'")
        ana.settle()


# Words of what has the focus, and whether a frame shows it. A box to type in shows its caret.
_FOCUSED = """() => {
    const node = document.activeElement, style = getComputedStyle(node);
    const framed = style.outlineStyle !== 'none' || style.boxShadow !== 'none';
    return [(node.getAttribute('aria-label') || node.innerText || node.tagName).trim(),
            framed || !/^(A|BUTTON|SUMMARY)$/.test(node.tagName)];
}"""


# ---------------------------------------------------------------- sales sheets


def taken(ana: Visitor, row: str, form: str) -> tuple[str, bytes]:
    """A file of the page for sales: its name, and what is in it."""
    label = ana.say(f"sales.sheet_file_{row}", kind=form)
    with ana.page.expect_download() as waited:
        ana.page.get_by_role("button", name=label, exact=True).click()
    return waited.value.suggested_filename, Path(waited.value.path()).read_bytes()


def test_every_sheet_comes_one_after_the_other(app: Served, browser: Browser) -> None:
    """A button that ran the page again would take its own file away."""
    with visitor(browser, app, DESKTOP) as ana:
        ana.open("sales", more="&variety=Gala")
        own = {form: taken(ana, "own", form) for form in FORMS}
        buyers = {form: taken(ana, "buyer", form) for form in FORMS}
        ana.open("sales", more="&variety=Fuji")
        ana.reads("Fuji: sales sheet to send")
        name, content = taken(ana, "own", "CSV")
    assert name == "Fuji-sales-sheet-no1.csv"
    assert content.decode().splitlines()[1].startswith("Fuji,2026-W")
    for files, end in ((own, ""), (buyers, "-buyer")):
        assert {form: name for form, (name, _) in files.items()} == {
            form: f"Gala-sales-sheet-no1{end}.{form.lower()}" for form in FORMS
        }
    (page,) = pypdf.PdfReader(io.BytesIO(buyers["PDF"][1])).pages
    assert "FORECAST, NOT AN OFFER" in page.extract_text()
    assert load_workbook(io.BytesIO(own["XLSX"][1])).sheetnames[0] == "Sales sheet"
    assert json.loads(own["JSON"][1])["version"]["note"] == NOTE
    told = buyers["JSON"][1].decode() + buyers["CSV"][1].decode() + page.extract_text()
    assert [name for name in BLOCKS if name in told] == []


# ---------------------------------------------------------------- README


@pytest.mark.parametrize("name", PICTURES)
def test_the_pages_in_the_readme_show_what_they_showed(
    name: str, app: Served, browser: Browser, request: pytest.FixtureRequest
) -> None:
    """With `--write-screenshots` they are written anew."""
    picture = PICTURES[name]
    size = {"width": picture.width_px, "height": picture.height_px}
    with visitor(browser, app, picture.device | {"viewport": size}) as ana:
        ana.open(picture.page, more=picture.address)
        for shown in picture.shows:
            one = ana.page.locator(shown).first
            one.wait_for()
            box = one.bounding_box()
            assert box is not None
            assert box["y"] < picture.height_px
        if request.config.getoption("--write-screenshots"):
            ana.page.wait_for_timeout(1000)
            write_picture(ana.page.screenshot(), DOCS / name)
    with Image.open(DOCS / name) as kept:
        assert kept.size == (picture.width_px, picture.height_px)
    assert (DOCS / name).stat().st_size <= MOST_PICTURE_BYTES


def write_picture(png: bytes, path: Path) -> None:
    """With 256 colours, which makes a photo in it a third as large."""
    with Image.open(io.BytesIO(png)) as picture:
        picture.convert("RGB").quantize(256, dither=Image.Dither.NONE).save(path, optimize=True)
