"""The letters that pages of a PDF are printed in: those of Windows-1252, which every reader has.

No font comes along, so that a page is small and the same everywhere. What it can't print is said.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

# Stands for a letter that the fonts lack.
LACKING = "?"


def printable(words: str) -> str:
    """Words in the letters that the fonts have, one space between them.

    A letter with another accent loses it, and what is left is written as `?`.
    """
    return "".join(_letter(one) for one in " ".join(words.split()))


def not_printed(names: Iterable[str]) -> tuple[str, ...]:
    """The names that lose letters on a page, each once; a lost accent is no loss."""
    return tuple(
        name
        for name in dict.fromkeys(names)
        if any(_letter(one) == LACKING != one for one in " ".join(name.split()))
    )


def _letter(letter: str) -> str:
    for form in (letter, unicodedata.normalize("NFKD", letter)[:1]):
        try:
            form.encode("cp1252")
        except UnicodeEncodeError:
            continue
        return form
    return "-" if letter == "\u2212" else LACKING
