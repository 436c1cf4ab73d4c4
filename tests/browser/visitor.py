"""Somebody who visits the app: goes from page to page, and sees what must never be seen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Locator,
    Page,
    Request,
    Response,
    TimeoutError,
    WebSocket,
)

from app.wording import texts
from tests.browser.serving import Served

PAGES = ("blocks", "walk", "photos", "forecast", "sales", "score", "papers", "setup", "help")
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "has_touch": True,
    "is_mobile": True,
    "device_scale_factor": 2,
}
# Our choice: several times what a busy machine of two cores takes for a page.
WAIT_MS = 60_000
# The process that measures steps back behind all others.
WORK_MS = 180_000
# Our choice: after this a press has been lost, and not only its answer is late.
LOST_MS = 20_000
# How often a page is asked whether it is done. Playwright's own way, once a frame, has the page
# draw frames all the time, by the processor that the app works with.
ASK_MS = 50
# Addresses that nothing is asked from: pictures that the page holds itself.
_OF_THE_PAGE = ("data", "blob", "about")
# Opened at a page's own address, Streamlit looks below that address too for where the app begins.
_SEARCHED = re.compile(r"/(?!_stcore)[a-z]+/_stcore/(health|host-config)$")
# Answered, nothing being drawn, nothing of an earlier run left.
_SETTLED = """() => {
    const app = document.querySelector('[data-testid=stApp]');
    return app && app.dataset.testScriptState === 'notRunning'
        && app.dataset.testConnectionState === 'CONNECTED'
        && !document.querySelector('[data-stale=true], [data-testid=stSkeleton]');
}"""

_THERE = "path => location.pathname === path"


def settled(page: Page) -> None:
    """Wait until the app has answered: a click on what is drawn anew meanwhile is lost."""
    # A click is on its way to the app for a moment before anything shows.
    page.wait_for_timeout(150)
    page.wait_for_function(_SETTLED, timeout=WAIT_MS, polling=ASK_MS)


def follow(page: Page, link: Locator, path: str) -> None:
    """Press a link and wait for its page; pressed once more if nothing comes of it.

    In about one of some thousand presses, with several browsers on two cores, the link is drawn
    anew between the finger's coming down and its going up; a person presses again, too.
    """
    link.click()
    try:
        page.wait_for_function(_THERE, arg=path, timeout=LOST_MS, polling=ASK_MS)
    except TimeoutError:
        link.click()
        page.wait_for_function(_THERE, arg=path, timeout=WAIT_MS, polling=ASK_MS)


@dataclass
class Traffic:
    """What the browser asked for, and what went wrong there."""

    host: str
    asked: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def watch(self, context: BrowserContext) -> None:
        context.on("request", self._request)
        context.on("requestfailed", self._failed)
        context.on("response", self._response)
        context.on("console", self._console)
        context.on("weberror", lambda error: self.errors.append(str(error.error)))
        context.on("page", lambda page: page.on("websocket", self._socket))

    def _request(self, request: Request) -> None:
        self._address(request.url)

    def _socket(self, socket: WebSocket) -> None:
        self._address(socket.url)

    def _address(self, url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme in _OF_THE_PAGE:
            return
        self.asked.append(url)
        if parts.netloc != self.host:
            self.outside.append(url)

    def _failed(self, request: Request) -> None:
        # A page that is left breaks off what it was still asking for.
        if request.failure != "net::ERR_ABORTED":
            self.broken.append(f"{request.url}: {request.failure}")

    def _response(self, response: Response) -> None:
        if response.status >= 400 and not _SEARCHED.search(response.url):
            self.broken.append(f"{response.url}: {response.status}")

    def _console(self, message: ConsoleMessage) -> None:
        if message.type == "error" and not _SEARCHED.search(message.location["url"]):
            self.errors.append(f"{message.text} ({message.location})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """One tab of one person's browser."""

    page: Page
    served: Served
    traffic: Traffic
    language: str
    who: str

    def say(self, key: str, form: str = "many", **values: object) -> str:
        """A text of the app as it stands on the page."""
        file, name = key.split(".", 1)
        text = texts(self.language, file)[name]
        if isinstance(text, dict):
            text = text[form]
        return shown(text).format(**values)

    def open(self, name: str, *, more: str = "") -> None:
        """A page by its address, as by a bookmark."""
        path = "" if name == "blocks" else name
        self.page.goto(
            f"{self.served.address}/{path}?lang={self.language}&who={self.who}{more}",
            wait_until="domcontentloaded",
        )
        self.settle()

    def go(self, name: str) -> None:
        """A page by its link on top."""
        follow(self.page, self.link(name), "/" if name == "blocks" else f"/{name}")
        self.settle()

    def link(self, name: str) -> Locator:
        return self.page.locator(".st-key-pages").get_by_role(
            "link", name=self.say(f"common.page_{name}"), exact=True
        )

    def settle(self) -> None:
        """Until the app has answered; a trace back or a message of a crash fails the test."""
        settled(self.page)
        self.no_trace()

    def no_trace(self) -> None:
        found = self.page.locator("[data-testid=stException]")
        assert not found.count(), self.served.log.read_text(encoding="utf-8")[-2000:]
        words = self.words()
        assert "Traceback (most recent call last)" not in words, words

    def words(self) -> str:
        """All words that are on the page."""
        return self.page.locator("body").inner_text()

    def button(self, key: str, **values: object) -> Locator:
        return self.page.get_by_role("button", name=self.say(key, **values), exact=True)

    def press(self, key: str, **values: object) -> None:
        self.button(key, **values).first.click()
        self.settle()

    def unfold(self, key: str) -> None:
        """What lies under a heading that opens."""
        head = self.page.locator("details > summary", has_text=self.say(key)).first
        if head.locator("..").get_attribute("open") is None:
            head.click()
        self.settle()

    def tab(self, key: str) -> None:
        self.page.get_by_role("tab", name=self.say(key), exact=True).click()
        self.settle()

    def fill(self, key: str, value: str, **values: object) -> None:
        """Type into the box of a label, and leave it."""
        box = self.page.get_by_label(self.say(key, **values), exact=True).first
        box.fill(value)
        box.press("Tab")
        self.settle()

    def fill_date(self, key: str, day: date) -> None:
        """Type a day, part by part, as `2026-09-03` stands in the box."""
        box = self.page.get_by_role("group", name=self.say(key), exact=True).first
        for part, number in zip(
            box.get_by_role("spinbutton").all(), (day.year, day.month, day.day), strict=True
        ):
            part.click()
            part.press_sequentially(str(number))
        self.page.keyboard.press("Tab")
        self.settle()

    def box_of_files(self, key: str, **values: object) -> Locator:
        return self.page.get_by_test_id("stFileUploader").filter(has_text=self.say(key, **values))

    def choose(self, key: str, *files: Path, **values: object) -> None:
        """Give files to the box of a label by its button, and wait until they are over."""
        button = self.box_of_files(key, **values).locator("button").first
        with self.page.expect_file_chooser() as asked:
            button.click()
        asked.value.set_files([str(path) for path in files])
        self.settle()

    def downloaded(self, key: str) -> bytes:
        """What the button of a label gives."""
        with self.page.expect_download() as waited:
            self.page.get_by_role("button", name=self.say(key)).first.click()
        return Path(waited.value.path()).read_bytes()

    def reads(self, text: str | re.Pattern[str], *, wait_ms: int = WAIT_MS) -> None:
        """Wait until a text is seen."""
        self.page.get_by_text(text).first.wait_for(timeout=wait_ms)
        self.settle()


@contextmanager
def visitor(
    browser: Browser,
    served: Served,
    device: dict[str, Any],
    *,
    language: str = "en",
    who: str = "Ana",
) -> Iterator[Visitor]:
    """A person with a browser of their own, of a size and a language."""
    # What moves on a page while it waits is drawn by the processor that the app works with.
    context = browser.new_context(
        **device,
        locale={"en": "en-US", "es": "es-MX", "fr": "fr-FR"}[language],
        reduced_motion="reduce",
    )
    context.set_default_timeout(WAIT_MS)
    traffic = Traffic(host=served.host)
    traffic.watch(context)
    try:
        yield Visitor(
            page=context.new_page(), served=served, traffic=traffic, language=language, who=who
        )
    finally:
        context.close()


def shown(text: str) -> str:
    """A text without the signs of markdown, as a browser shows it."""
    return re.sub(r"\*\*", "", text)
