"""Every word that the app says, in the visitor's language, from the files in `texts`.

A text is found by its page and name: `say("walk.next_tree", row=3)` is `next_tree` of
`texts/<language>/walk.toml`. Numbers and dates that are handed in are written as the language
writes them. A text whose wording depends on a number is a table of `one` and `many`, chosen by `n`.
"""

from __future__ import annotations

import re
import threading
import tomllib
from collections.abc import Sequence
from datetime import date, datetime
from functools import cache, lru_cache
from pathlib import Path

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from app.sentences import Language, Sentences
from fruitvision.domain import Estimate
from fruitvision.unit_system import Unit

TEXTS = Path(__file__).with_name("texts")
# Name of each language in itself.
LANGUAGES = {"en": "English", "es": "Español", "fr": "Français"}
# Of a visitor whose browser speaks none of them.
ELSE = "en"
# Thousands are parted by a narrow space in Spanish and French (SI brochure, 5.4.4), which no reader
# can take for a decimal sign; English readers expect commas.
THOUSANDS = {"en": ",", "es": "\u202f", "fr": "\u202f"}
DECIMAL = {"en": ".", "es": ",", "fr": ","}
# Signs that Spanish and French part from what stands before them, without a break of the line.
_PARTED = re.compile(" (?=[:;?!%»])")
# Sentences of the library kept translated. Our choice: a page shows some hundred.
SENTENCES_KEPT = 4096
_LANGUAGE = "language"
_USUAL = "usual language"
# Beside it in the address of the page, so that a bookmark or another start keeps the choice.
LANGUAGE_IN_ADDRESS = "lang"


class _Run(threading.local):
    """What holds for one run of the script, which has a thread of its own."""

    language = ""


# A page asks for its language some thousand times, and state and address answer slowly.
_run = _Run()


def language() -> str:
    """The language of this visitor: chosen, else of the address, the farm's, the browser's."""
    return _run.language or _language_now()


def _language_now() -> str:
    for code in (chosen_language(), st.session_state.get(_USUAL)):
        if code in LANGUAGES:
            return str(code)
    browser = (st.context.locale or "").split("-")[0].lower()
    return browser if browser in LANGUAGES else ELSE


def chosen_language() -> str:
    """The language that this visitor chose, now or by the address; empty if none was."""
    chosen = st.session_state.get(_LANGUAGE) or st.query_params.get(LANGUAGE_IN_ADDRESS)
    return str(chosen) if chosen in LANGUAGES else ""


def set_language(chosen: str) -> None:
    """From now on this visitor reads this language."""
    take_language(chosen)
    st.query_params[LANGUAGE_IN_ADDRESS] = chosen


def take_language(known: str) -> None:
    """This visitor chose this language in an earlier visit; the address follows with the page."""
    st.session_state[_LANGUAGE] = known
    _run.language = ""


def set_usual_language(code: str) -> None:
    """The farm's language, for a visitor who chose none; to be called first in every run."""
    st.session_state[_USUAL] = code
    _run.language = "" if get_script_run_ctx() is None else _language_now()


def forget_language() -> None:
    """From now on the farm's language stands, until another choice."""
    st.session_state.pop(_LANGUAGE, None)
    st.query_params.pop(LANGUAGE_IN_ADDRESS, None)
    _run.language = ""


@cache
def texts(language_code: str, page: str) -> dict[str, str | dict[str, str]]:
    """The texts of a page in a language, by name."""
    found: dict[str, str | dict[str, str]] = tomllib.loads(
        (TEXTS / language_code / f"{page}.toml").read_text(encoding="utf-8")
    )
    if language_code == "en":
        return found
    return {
        name: _kept_together(text)
        if isinstance(text, str)
        else {form: _kept_together(one) for form, one in text.items()}
        for name, text in found.items()
    }


def _kept_together(text: str) -> str:
    return _PARTED.sub("\u00a0", text)


def say(key: str, **values: object) -> str:
    """A text in the visitor's language, its places filled.

    Parameters
    ----------
    key : str
        Page and name, such as `walk.next_tree`.
    values : object
        What stands in the places. Whole numbers and dates are written as the language does;
        `n` also chooses between `one` and `many`.

    Raises
    ------
    KeyError
        If there is no such text, or a place stays empty.
    """
    page, name = key.split(".", 1)
    code = language()
    text = texts(code, page)[name]
    if isinstance(text, dict):
        text = text["one" if _is_one(code, values["n"]) else "many"]
    return text.format(**{place: _written(value) for place, value in values.items()})


def _is_one(code: str, number: object) -> bool:
    """English and Spanish: 1. French: 0 and 1 (Unicode CLDR, plural rules)."""
    return number == 1 or (code == "fr" and number == 0)


def _written(value: object) -> str:
    if isinstance(value, bool):
        raise TypeError("A text has no place for yes or no.")
    if isinstance(value, int):
        return number(value)
    if isinstance(value, float):
        return number(value, 1)
    if isinstance(value, datetime):
        return moment(value)
    if isinstance(value, date):
        return day(value)
    return str(value)


def sentence(text: str) -> str:
    """A sentence that the library made, in the visitor's language; as it is where none is known."""
    code = language()
    return text if code == "en" else _sentence(code, text)


@lru_cache(maxsize=SENTENCES_KEPT)
def _sentence(code: str, text: str) -> str:
    return _sentences(code).translate(text)


@cache
def _sentences(code: str) -> Sentences:
    return Sentences(
        texts(code, "library"),
        Language(number=lambda one: _in_form(code, one), day=lambda one: _day(code, one)),
    )


def _in_form(code: str, number_text: str) -> str:
    """A number in the English form, `1,234.5`, in that of a language."""
    return number_text.replace(",", "\0").replace(".", DECIMAL[code]).replace("\0", THOUSANDS[code])


# ---------------------------------------------------------------- numbers and dates


def number(value: float, digits: int = 0) -> str:
    """`1,234.5`, `1 234,5`: a number with so many decimals."""
    return _in_form(language(), f"{value:,.{digits}f}")


def signed(value: float, digits: int = 0) -> str:
    """A change with its sign; no sign for what rounds to nothing."""
    if round(value, digits) == 0:
        return number(0, digits)
    return f"{'+' if value > 0 else '−'}{number(abs(value), digits)}"


def percent(share: float, digits: int = 0) -> str:
    """A share of 1 in percent, with the space that Spanish and French put before the sign."""
    sign = "%" if language() == "en" else "\u00a0%"
    return f"{number(100 * share, digits)}{sign}"


def ranged(estimate: Estimate | None, digits: int = 0, unit: Unit | None = None) -> str:
    """`71 (68–74) mm`: P50, and P10 to P90 in brackets, in a user's unit where it has one."""
    if estimate is None:
        return say("common.not_known")
    low, mid, high = estimate.p10, estimate.p50, estimate.p90
    if unit is not None:
        low, mid, high = (unit.shown(one) for one in (low, mid, high))
        digits = unit.decimals(digits)
    text = f"{number(mid, digits)} ({number(low, digits)}–{number(high, digits)})"
    return f"{text} {symbol(unit)}" if unit else text


def measure(value: float | None, unit: Unit, digits: int = 0) -> str:
    """A metric number in a user's unit; a dash where there is none."""
    if value is None:
        return "–"
    return f"{number(unit.shown(value), unit.decimals(digits))} {symbol(unit)}"


def symbol(unit: Unit) -> str:
    """A unit as it stands beside a number; a name in words is translated: `short tons`."""
    return sentence(unit.symbol) if " " in unit.symbol else unit.symbol


def day(value: date | None) -> str:
    """`14 Aug 2026`: the month in letters, so that no reader can take it for the day."""
    if value is None:
        return say("common.not_set")
    return _day(language(), value)


def _day(code: str, value: date) -> str:
    months = str(texts(code, "common")["months"]).split()
    return f"{value.day} {months[value.month - 1]} {value.year}"


def day_span(found: Sequence[date]) -> str:
    """`19–26 Dec 2026`: the first to the last of several days."""
    if not found:
        return say("common.not_set")
    first, last = min(found), max(found)
    told = day(last)
    if first == last:
        return told
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}–{told}"
    of_first = day(first)
    if first.year == last.year:
        of_first = of_first.removesuffix(f" {first.year}")
    return f"{of_first} – {told}"


def week(monday: date) -> str:
    """`week 38 (14 Sep 2026)`: the ISO week and its Monday."""
    return say("common.week", number=str(monday.isocalendar().week), monday=day(monday))


def moment(value: datetime) -> str:
    """Day and time of day on this computer's clock."""
    local = value.astimezone()
    return f"{day(local.date())}, {local:%H:%M}"
