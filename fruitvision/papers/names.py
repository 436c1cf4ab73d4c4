"""Names in other papers: which of a farm's names each may mean, the likeliest first.

No library for text distances: a farm has a few hundred names, for which `difflib` is fast, and what
counts in names like `GALA N-4` are abbreviations and numbers, which none of them knows of.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher

from fruitvision.papers.words import plain

# Names that are proposed, and how alike they must be, 0 to 1. Our choice: a half is about the
# likeness of any two names of blocks.
MOST_PROPOSED, LEAST_LIKE = 3, 0.5

_PIECES = re.compile(r"[a-z]+|[0-9]+")
# How alike a word and its beginning are: `N` and `North`. Our choice, next to equal.
_ABBREVIATED = 0.9


def same_name(written: str, known: Iterable[str]) -> str | None:
    """The known name that differs in capitals, spaces and signs only; None if there is not one."""
    found = [name for name in known if plain(name) == plain(written)]
    exact = [name for name in found if name == written]
    return (exact or found)[0] if exact or len(found) == 1 else None


def proposed_names(written: str, known: Sequence[str]) -> tuple[str, ...]:
    """Known names that may be meant, the likeliest first; none if none is near."""
    found = sorted(((likeness(written, name), name) for name in known), key=_likeliest)
    return tuple(name for like, name in found if like >= LEAST_LIKE)[:MOST_PROPOSED]


def _likeliest(one: tuple[float, str]) -> tuple[float, str]:
    return -one[0], one[1]


def likeness(one: str, other: str) -> float:
    """0 to 1: the mean of how alike the letters are and how alike the words are.

    A number is like itself only; a word is like its beginning; words that the other name lacks
    count against it. So `GALA N-4` is nearer to `Gala North 4` than to `Gala North 1`.
    """
    if _initials(one) == _run_together(other) or _run_together(one) == _initials(other):
        return _ABBREVIATED
    letters = SequenceMatcher(None, plain(one), plain(other), autojunk=False).ratio()
    left, right = _PIECES.findall(plain(one)), _PIECES.findall(plain(other))
    if not left or not right:
        return letters
    fewer, more = sorted((left, right), key=len)
    open_words, total = list(more), 0.0
    for word in fewer:
        best = max(open_words, key=lambda piece: _words_alike(word, piece))
        total += _words_alike(word, best)
        open_words.remove(best)
    return (letters + total / len(more)) / 2


def _initials(name: str) -> str:
    """First letters of the words, and the numbers: `gn4`."""
    pieces = _PIECES.findall(plain(name))
    return "".join(piece if piece.isdigit() else piece[0] for piece in pieces)


def _run_together(name: str) -> str:
    return "".join(_PIECES.findall(plain(name)))


def _words_alike(one: str, other: str) -> float:
    if one == other:
        return 1.0
    if one.isdigit() or other.isdigit():
        return 0.0
    if one.startswith(other) or other.startswith(one):
        return _ABBREVIATED
    return SequenceMatcher(None, one, other, autojunk=False).ratio()
