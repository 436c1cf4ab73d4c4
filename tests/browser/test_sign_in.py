"""Who comes in where people sign in, and what each of them may see and do."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from http.client import HTTPConnection

import pytest
from playwright.sync_api import Browser, Page, expect

from app.gate.pages import pages_of
from app.wording import texts
from fruitvision.accounts import AccountBook, Role
from fruitvision.domain import Block
from fruitvision.store import open_farm
from tests.browser.axe import grave_findings
from tests.browser.serving import Served, served
from tests.browser.visitor import DESKTOP, PHONE, WAIT_MS, follow, settled

WORDS = "kettle moss lantern"
PEOPLE = {"Ines": Role.MANAGER, "Teo": Role.SCOUT, "Ana": Role.SALES, "Rae": Role.READER}


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    farm = tmp_path_factory.mktemp("people") / "farm"
    with open_farm(farm, name="Larkhill") as store:
        store.save_blocks([Block(block_id="Gala North", variety="Gala", positions=1200)])
    book = AccountBook(farm)
    for name, role in PEOPLE.items():
        book.add(name, role, WORDS, at=datetime.now(UTC))
    with served(farm) as running:
        yield running
    shutil.rmtree(farm)


@pytest.fixture(autouse=True)
def _everybody_leaves(browser: Browser) -> Iterator[None]:
    yield
    for context in browser.contexts:
        context.close()


def _sign_in(browser: Browser, app: Served, name: str, password: str = WORDS) -> Page:
    page = browser.new_context(**PHONE, locale="en-GB", reduced_motion="reduce").new_page()
    page.goto(app.address)
    page.get_by_label(str(texts("en", "gate")["name"])).fill(name)
    page.get_by_label(str(texts("en", "gate")["password"])).fill(password)
    page.get_by_role("button").click()
    return page


def _ready(page: Page) -> None:
    page.locator("h1").first.wait_for(timeout=WAIT_MS)
    settled(page)


def test_nobody_comes_in_without_a_password(browser: Browser, app: Served) -> None:
    page = browser.new_context(**DESKTOP, locale="es-ES").new_page()
    page.goto(f"{app.address}/sales?lang=es")
    assert page.url == f"{app.address}/sign-in?next=%2Fsales%3Flang%3Des"
    expect(page.get_by_role("heading")).to_have_text(str(texts("es", "gate")["title"]))
    assert grave_findings(page) == []
    asked = HTTPConnection("127.0.0.1", app.port, timeout=10)
    for path in ("/", "/media/a.jpg", "/_stcore/host-config", "/static/js/a.js", "/accounts.json"):
        asked.request("GET", path, headers={"X-Fruitvision-Role": "manager"})
        answer = asked.getresponse()
        assert (path, answer.status) == (path, 401)
        answer.read()
    wrong = _sign_in(browser, app, "Ines", "copper river gate")
    expect(wrong.get_by_role("alert")).to_have_text(str(texts("en", "gate")["wrong"]))
    wrong.goto(app.address)
    assert "/sign-in" in wrong.url


@pytest.mark.parametrize("name", PEOPLE)
def test_everybody_sees_the_pages_that_are_theirs(browser: Browser, app: Served, name: str) -> None:
    page = _sign_in(browser, app, name)
    _ready(page)
    theirs = pages_of(PEOPLE[name])
    titles = [str(texts("en", "common")[f"page_{one}"]) for one in theirs]
    expect(page.locator(".st-key-page-list a")).to_have_text(titles, timeout=WAIT_MS)
    # By their links, and the last one by its address too, which loads all of the app anew.
    for one in (*theirs, ""):
        if one:
            link = page.locator(".st-key-page-list a").nth(theirs.index(one))
            follow(page, link, "/" if one == theirs[0] else f"/{one}")
        else:
            page.goto(f"{app.address}/{theirs[-1]}")
        _ready(page)
        # A strip of links that came to rest later would move away under a thumb.
        here = page.locator(".st-key-page-list a[aria-current=page]")
        assert here.inner_text() == titles[theirs.index(one or theirs[-1])]
        expect(here).to_be_in_viewport()
        assert page.locator("[data-testid=stException]").count() == 0
        assert page.locator("h1").first.inner_text()
        # The built-in words for a page that is not there.
        assert page.get_by_text("Page not found").count() == 0


def test_the_open_page_stays_in_sight_whenever_the_strip_of_pages_gets_its_look(
    browser: Browser, app: Served
) -> None:
    page = _sign_in(browser, app, "Rae")
    _ready(page)
    page.goto(f"{app.address}/help")
    _ready(page)
    here = page.locator(".st-key-page-list a[aria-current=page]")
    expect(here).to_be_in_viewport()
    # As on a busy machine, where the look of the bar comes after the links.
    late = page.add_style_tag(
        content=".st-key-page-list { flex-wrap: wrap !important; overflow: visible !important; }"
    )
    expect(page.locator(".st-key-page-list")).to_have_js_property("scrollLeft", 0)
    late.evaluate("style => style.remove()")
    expect(here).to_be_in_viewport()
    # A phone is turned and turned back; the page stays about where its reader was, while its lines
    # break anew, and does not jump to the strip on top.
    main = page.get_by_test_id("stMain")
    main.evaluate("it => it.scrollTo(0, 300)")
    for across, high in ((844, 390), (320, 844)):
        page.set_viewport_size({"width": across, "height": high})
        # Two frames: one that is laid out anew, and the one after.
        page.evaluate(
            "() => new Promise(go => requestAnimationFrame(() => requestAnimationFrame(go)))"
        )
        assert main.evaluate("it => it.scrollTop") > 200
    main.evaluate("it => it.scrollTo(0, 0)")
    expect(here).to_be_in_viewport()


def test_a_reader_changes_nothing_and_is_told_so(browser: Browser, app: Served) -> None:
    page = _sign_in(browser, app, "Rae")
    _ready(page)
    page.goto(f"{app.address}/setup")
    _ready(page)
    words = texts("en", "setup")
    page.get_by_text(str(words["name_and_usual"]), exact=True).click()
    page.get_by_label(str(words["farm_name"])).fill("Another name")
    page.get_by_role("button", name=str(words["save_name"]), exact=True).click()
    expect(page.get_by_text("You may look at this farm and change nothing.")).to_be_visible(
        timeout=WAIT_MS
    )
    with open_farm(app.farm, create=False) as store:
        assert store.farm_name == "Larkhill"


def test_an_account_that_is_changed_is_signed_out_of_open_pages(
    browser: Browser, app: Served
) -> None:
    page = _sign_in(browser, app, "Teo")
    _ready(page)
    AccountBook(app.farm).set_password("Teo", "copper river gate", at=datetime.now(UTC))
    page.locator(".st-key-page-list a").last.click()
    # What the click asked for never comes: the first page stays.
    page.wait_for_timeout(2_000)
    assert page.locator("h1", has_text=str(texts("en", "help")["title"])).count() == 0
    page.goto(app.address)
    assert "/sign-in" in page.url


def test_signing_out_ends_the_session(browser: Browser, app: Served) -> None:
    page = _sign_in(browser, app, "Ana")
    _ready(page)
    kept = page.context.cookies()
    page.goto(f"{app.address}/sign-out")
    page.context.add_cookies(kept)
    page.goto(app.address)
    assert "/sign-in" in page.url
