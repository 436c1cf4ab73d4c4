"""Names that are markup are shown letter by letter on every page: no tag, no picture, no link."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from fruitvision.domain import HandCount
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.farm_entries import rename_farm
from fruitvision.serve import FARM_VARIABLE
from fruitvision.store import open_farm
from tests import records
from tests.app.pages import MAIN, PAGES, fill, page, press

TAG = '<img src=x onerror="alert(1)">'
HOSTILE = f"{TAG}![p](https://e.example/p.png)[l](https://e.example)"
VARIETY = "<script>alert(2)</script>"
# Places that may run what is in them: tags that load or run, and addresses.
RUNS = {"script", "iframe", "object", "embed", "form", "base", "meta", "link"}


class Tags(HTMLParser):
    """What a browser would make of a piece of HTML."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag in RUNS or any(name.startswith("on") for name in given):
            self.wrong.append(f"<{tag} {given}>")
        addresses = [given.get(name) or "" for name in ("src", "href", "action")]
        if any(re.match(r"\s*(https?:)?//e\.example|\s*javascript:|x$", one) for one in addresses):
            self.wrong.append(f"<{tag} {given}>")


def wrong_in(app: AppTest) -> list[str]:
    """Markup of the hostile names that the page would act on."""
    found: list[str] = []
    for element in _elements(app):
        body = str(getattr(element.proto, "body", ""))
        is_html = element.type == "html" or getattr(element.proto, "allow_html", False)
        if is_html and not re.match(r"\s*<script>", body):
            tags = Tags()
            tags.feed(body)
            found += tags.wrong
        elif not is_html and re.search(r"(?<!\\)\]\(https://e\.example", body):
            found.append(body)
    return found


def _elements(app: AppTest) -> list[Any]:
    kinds = ("html", "markdown", "caption", "alert", "heading", "success", "error", "warning")
    return [one for kind in kinds for one in app.get(kind)]


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("hostile") / "farm"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(records, "BLOCK_ID", HOSTILE)
        patch.setenv(FARM_VARIABLE, str(folder))
        _fill(folder)
        yield folder


def _fill(folder: Path) -> None:
    with open_farm(folder) as store:
        fill(store)
        (block,) = store.blocks()
        rename_farm(HOSTILE, store.farm(), store, who=HOSTILE)
        save_hand_count(
            HandCount(tree=records.tree_id(9), fruit_count=40, counted_on=date(2026, 8, 12)),
            None,
            store,
            who=HOSTILE,
        )
        assert block.block_id == HOSTILE


@pytest.mark.parametrize("name", PAGES)
def test_a_name_that_is_markup_is_shown_as_its_letters(hostile: Path, name: str) -> None:
    app = page(name)
    assert not app.exception
    if name == "forecast":
        app = press(app, "Make forecast")
        assert not app.exception
    assert _elements(app)
    assert wrong_in(app) == []


def test_the_page_of_a_block_with_such_a_name_too(hostile: Path) -> None:
    app = AppTest.from_file(str(MAIN), default_timeout=30)
    app.query_params["block"] = HOSTILE
    app.run()
    assert not app.exception
    assert wrong_in(app) == []


@pytest.mark.parametrize(
    "piece", [TAG, VARIETY, "<a href='https://e.example'>x</a>", "<b onclick='x'>b</b>"]
)
def test_the_check_sees_markup(piece: str) -> None:
    tags = Tags()
    tags.feed(f"<p>{piece}</p>")
    assert tags.wrong
