"""Every page on a phone and a laptop, in every language: nothing from outside, all within reach."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from fruitvision.pipeline.sales import freeze
from fruitvision.pipeline.walking import WalkSize, start_walk
from fruitvision.store import open_farm
from tests.browser.axe import Finding, grave_findings
from tests.browser.serving import Served, served
from tests.browser.visitor import DESKTOP, PAGES, PHONE, Traffic, Visitor, visitor
from tests.conftest import Demo

# Device, language, whether axe-core looks at it too.
VISITS = {
    "laptop, English": (DESKTOP, "en", True),
    "laptop, Spanish": (DESKTOP, "es", True),
    "phone, English": (PHONE, "en", True),
    "phone, Spanish": (PHONE, "es", True),
    "phone, French": (PHONE, "fr", False),
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


@pytest.fixture(scope="module")
def larkhill(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's farm in the middle of its season: a walk begun, a forecast frozen."""
    farm = tmp_path_factory.mktemp("pages") / "larkhill"
    shutil.copytree(demo.farm, farm)
    with open_farm(farm, create=False) as store:
        freeze(store, by="Ana", at=datetime(2026, 8, 20, 9, 0, tzinfo=UTC), note="Monday")
        size = WalkSize(trees=6, hand_counts=2)
        start_walk(store, "Gala North", size, on=date(2026, 8, 21), who="Ben", row_lengths=())
    return farm


@pytest.fixture(scope="module")
def app(larkhill: Path) -> Iterator[Served]:
    with served(larkhill) as running:
        yield running


@pytest.fixture(scope="module", params=VISITS)
def seen(request: pytest.FixtureRequest, app: Served, browser: Browser) -> Seen:
    """All pages, by the links on top, with all that opens opened."""
    device, language, with_axe = VISITS[request.param]
    findings: dict[str, list[Finding]] = {}
    beyond: dict[str, list[str]] = {}
    with visitor(browser, app, device, language=language) as ana:
        ana.open("blocks")
        for name in PAGES:
            ana.go(name)
            beyond[name] = ana.page.evaluate(_BEYOND)
            open_all(ana)
            beyond[name] += ana.page.evaluate(_BEYOND)
            findings[name] = grave_findings(ana.page) if with_axe else []
        return Seen(traffic=ana.traffic, findings=findings, beyond=beyond)


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


def test_axe_finds_nothing_grave(seen: Seen) -> None:
    found = [f"{name}: {one}" for name, all_of in seen.findings.items() for one in all_of]
    assert not found, "\n".join(found)
