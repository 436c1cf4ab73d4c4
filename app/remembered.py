"""The language and the units that a visitor chose, from one visit to the next.

Of a person with an account the farm keeps them; where nobody signs in, the browser does, in
cookies. A page's own address comes before both: it may be a bookmark.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import streamlit as st

from app.wording import LANGUAGE_IN_ADDRESS, LANGUAGES, take_language
from fruitvision.accounts.choices import ChoiceBook, Choices
from fruitvision.unit_system import UnitSystem

LANGUAGE_COOKIE, UNITS_COOKIE = "fruitvision_language", "fruitvision_units"
UNITS = "units"
# Beside it in the address of the page, so that a bookmark or another start keeps the choice.
UNITS_IN_ADDRESS = "units"
# Our choice: a year, from one season to the next.
KEPT_S = 366 * 86_400
_RECALLED = "recalled"
_TO_KEEP = "cookies to keep"
_KEEP = "<script>{lines}</script>"


def recall(folder: Path, name: str | None) -> None:
    """Take up what the visitor chose in an earlier visit; once a visit, and not over the address.

    Parameters
    ----------
    folder : Path
        The farm's.
    name : str or None
        The person's where people sign in.
    """
    if st.session_state.get(_RECALLED):
        return
    st.session_state[_RECALLED] = True
    known = _of_browser() if name is None else ChoiceBook(folder).of(name)
    if known.language in LANGUAGES and LANGUAGE_IN_ADDRESS not in st.query_params:
        take_language(known.language)
    if known.units in set(UnitSystem) and UNITS_IN_ADDRESS not in st.query_params:
        st.session_state[UNITS] = known.units


def _of_browser() -> Choices:
    cookies = st.context.cookies
    return Choices(language=cookies.get(LANGUAGE_COOKIE, ""), units=cookies.get(UNITS_COOKIE, ""))


def remember(
    folder: Path, name: str | None, *, language: str | None = None, units: str | None = None
) -> None:
    """Keep a choice for the next visit; empty for none of one's own, None for no change."""
    given = {"language": language, "units": units}
    changes = {key: value for key, value in given.items() if value is not None}
    if name is not None:
        book = ChoiceBook(folder)
        book.keep(name, replace(book.of(name), **changes))
    # The form to sign in speaks before it is known who comes.
    names = {"language": LANGUAGE_COOKIE, "units": UNITS_COOKIE}
    waiting = st.session_state.setdefault(_TO_KEEP, {})
    waiting.update({names[key]: value for key, value in changes.items()})


def keep_cookies() -> None:
    """Hand the browser what it shall keep; to be called in every run, at the same place."""
    lines = [
        f"document.cookie = {json.dumps(_cookie(name, value))};"
        for name, value in st.session_state.get(_TO_KEEP, {}).items()
    ]
    if lines:
        with st.container(key="cookies"):
            st.html(_KEEP.format(lines=" ".join(lines)), unsafe_allow_javascript=True)


def _cookie(name: str, value: str) -> str:
    return f"{name}={value}; path=/; max-age={KEPT_S if value else 0}; samesite=strict"
