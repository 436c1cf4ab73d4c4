"""What people call columns, units, values and months, in three languages: `words.toml`."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from pathlib import Path

_WORDS = Path(__file__).with_name("words.toml")
# Texts whose plain words stay in memory. Our choice: the names and headers of a large table.
WORDS_KEPT = 10_000
_SIGNS = re.compile(r"[\W_]+")
_IN_BRACKETS = re.compile(r"[(\[]\s*([^)\]]*?)\s*[)\]]")


@lru_cache(maxsize=WORDS_KEPT)
def plain(text: str) -> str:
    """Small letters and digits with one space between words; no accents, no other signs."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    bare = "".join(sign for sign in apart if not unicodedata.combining(sign))
    return _SIGNS.sub(" ", bare).strip()


@cache
def _words() -> Mapping[str, Mapping[str, Sequence[str]]]:
    found: dict[str, dict[str, list[str]]] = tomllib.loads(_WORDS.read_text(encoding="utf-8"))
    return found


@cache
def columns_called(kind: str) -> Mapping[str, str]:
    """Column or measure of a kind of table by what people call it; its own words come first."""
    found: dict[str, str] = {}
    for section in (kind, "any"):
        for column, words in _words().get(section, {}).items():
            for word in (plain(column), *words):
                found.setdefault(word, column)
    return found


@cache
def values_called(what: str) -> Mapping[str, str]:
    """Value of a column that knows few words, by what people write for it; empty if it has none."""
    values = _words().get(f"values.{what}", {})
    return {plain(word): value for value, words in values.items() for word in (value, *words)}


@cache
def units_called() -> Mapping[str, str]:
    """Sign of a unit by its names."""
    return {word: sign for sign, words in _words()["units"].items() for word in words}


@cache
def months_called() -> Mapping[str, int]:
    """Number of a month by its names."""
    return {word: int(number) for number, words in _words()["months"].items() for word in words}


def unit_apart(label: str) -> tuple[str, str]:
    """A header in plain words without its unit, and the sign of the unit; empty if it has none.

    `Diameter (mm)`, `diameter_mm` and `Diam. [pulgadas]` have one.
    """
    units = units_called()
    for found in _IN_BRACKETS.finditer(label):
        if found[1].strip() == '"' or plain(found[1]) in units:
            return plain(_IN_BRACKETS.sub(" ", label)), units.get(plain(found[1]), "in")
    words = plain(label).split()
    if len(words) > 1 and words[-1] in units:
        return " ".join(words[:-1]), units[words[-1]]
    return plain(_IN_BRACKETS.sub(" ", label)) or plain(label), ""
