"""The notice that the server is gone speaks the visitor's language."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import streamlit
from playwright.sync_api import Browser

from app import built_in
from app.wording import LANGUAGES, texts

# As Streamlit draws it, and around it a page whose connection is in a state.
_PAGE = """<div data-testid="stApp" data-test-connection-state="{state}">{styles}</div>
<div data-testid="stDialog"><div><section role="dialog">
<button aria-label="Close">x</button><h2 slot="title">Connection error</h2>
<div><div>Streamlit server is not responding.</div></div></section></div></div>"""
_SHOWN = """([path, part]) => {
  const one = getComputedStyle(document.querySelector(path), part);
  return [one.content, one.fontSize];
}"""


@pytest.mark.parametrize("code", sorted(LANGUAGES))
def test_the_notice_that_the_server_is_gone_is_in_words_of_the_app(
    browser: Browser, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    styles: list[str] = []
    monkeypatch.setattr(built_in, "say", lambda name: texts(code, "common")[name.split(".")[1]])
    monkeypatch.setattr(built_in, "language", lambda: code)
    monkeypatch.setattr("app.built_in.st.html", lambda html, **_: styles.append(html))
    built_in.built_in_words()
    page = browser.new_page()
    try:
        page.set_content(_PAGE.format(state="PINGING_SERVER", styles="".join(styles)))
        words = texts(code, "common")
        assert shown(page, "h2", "::after")[0] == f'"{words["gone"]}"'
        assert shown(page, "h2 + div", "::after")[0] == f'"{words["gone_why"]}"'
        assert shown(page, "h2", "")[1] == shown(page, "h2 + div > div", "")[1] == "0px"
        # A box of another kind, while all is well, keeps its own.
        page.set_content(_PAGE.format(state="CONNECTED", styles="".join(styles)))
        assert shown(page, "h2", "::after")[0] == "none"
        assert shown(page, "h2", "")[1] != "0px"
    finally:
        page.close()


def shown(page: Any, path: str, part: str) -> list[str]:
    found: list[str] = page.evaluate(_SHOWN, [path, part])
    return found


def test_streamlit_draws_it_as_the_rules_expect() -> None:
    """An update that names its parts otherwise is seen here."""
    scripts = Path(streamlit.__file__).parent / "static" / "static" / "js"
    (main,) = [
        text
        for path in scripts.glob("index.*.js")
        if "Connection error" in (text := path.read_text(encoding="utf-8"))
    ]
    for part in ("data-test-connection-state", "`stDialog`", "PINGING_SERVER"):
        assert part in main, part
