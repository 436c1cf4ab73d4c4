"""Sentences that the library made, in another language: found by their template.

The library speaks English, and its sentences come finished: `There is no farm in /home/ana.` The
texts of a language map the template to its translation:

    "There is no farm in {folder}." = "No hay ninguna finca en {folder}."
    "The block has no {what}." = "El cuartel no tiene {what:words}."

What stood in a place is put in unchanged, except that numbers and dates are written as the language
does; a place `{what:words}` holds words of the library, which are translated too. Pure functions,
no page is known here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

# Where one sentence ends and the next begins.
_NEXT = re.compile(r"(?<=[.!?]) (?=[A-Z'\"(])")
# In a whole sentence.
_ENDS = re.compile(r"[.!?](?: |$)|:$")
# Where one sentence, or one part of a sentence ends.
_PARTS = re.compile(f"{_NEXT.pattern}|; ")
_PLACE = re.compile(r"\{(\w+)(?::(\w+))?\}")
# What a place holds. In a sentence: no end of another one, at first. In a part of a sentence: no
# other part. In words, `{n}` is a number.
_WITHIN = r"((?:(?!\. [A-Z]).)*?)"
_ANYTHING = r"(.*?)"
_PART = r"((?:(?![;:] ).)*?)"
_NAME = r"((?:(?![;:,] ).)*?)"
_SHORT = r"((?:(?![;:] |\. [A-Z]).)*?)"
_COUNT = r"(\d[\d,.]*)"
_ONE_WORD = r"(\S*?)"
# Places of words that hold less or more than a part of a sentence.
_WORD_PLACES = {"block": _NAME, "low": _ONE_WORD, "unit": _ONE_WORD, "listed": _ANYTHING}
_IS_COUNT = re.compile(r"n\d?")
# Before these stands a number.
_BEFORE_NUMBER = re.compile(r" ?(?:%|mm\b|px\b|g\b|kg\b|days\b)")
# Templates with fewer letters of their own, such as `{field} is {text}.`, are tried last.
FEW_LETTERS = 12
# What parts a list of words, outside of brackets: `load, size and growth`.
_LISTS = tuple(re.compile(rf"({joint})(?![^(]*\))") for joint in ("; ", ", | and in | and | or "))
_COLON = re.compile(": ")
# `a.jpg and b.jpg`
_TWO_FILES = re.compile(r"(?<=\.\w{3}) and (?=\S+\.\w{3,4})|(?<=\.\w{4}) and (?=\S+\.\w{3,4})")
_UNIT = r"(?: ?(?:mm³|in³|mm|cm|in|ft|g|oz|kg|lb|px|m|t|ha|ac|MB|%))?"
_ONE_NUMBER = r"[+\-−±]?(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?"
# `1,234.5`, `± 2.5 %`, `61 to 75`, `71 (68–74) mm`.
_NUMBERS = re.compile(
    rf"(?:± ?)?{_ONE_NUMBER}{_UNIT}(?:(?: to | ± |–|-| \(|, )?{_ONE_NUMBER}{_UNIT}\)?{_UNIT})*"
)
_DATE = re.compile(r"(\d{4})-(\d\d)-(\d\d)")


@dataclass(frozen=True, slots=True)
class _Template:
    """One template, ready to be held against a text.

    `letters` : how many of its own it has. `quoted` : places that hold what somebody typed, or the
    name before a colon.
    """

    letters: int
    longest: str
    pattern: re.Pattern[str]
    loose: re.Pattern[str]
    places: tuple[str, ...]
    quoted: frozenset[str]
    translation: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Language:
    """How a language writes a number in the English form, and a day."""

    number: Callable[[str], str]
    day: Callable[[date], str]


class Sentences:
    """All templates of a language.

    Parameters
    ----------
    texts : mapping
        Template to translation; under `words` the words that stand in places `{what:words}`.
    """

    def __init__(self, texts: Mapping[str, str | Mapping[str, str]], language: Language) -> None:
        self._language = language
        words = texts.get("words", {})
        self._words: dict[str, str] = {} if isinstance(words, str) else dict(words)
        pairs = {key: value for key, value in texts.items() if isinstance(value, str)}
        pairs |= dict(_without_name(key, value) for key, value in pairs.items())
        self._exact = {key: value for key, value in pairs.items() if not _PLACE.search(key)}
        whole = {key: value for key, value in pairs.items() if _ENDS.search(key)}
        parts = {key: value for key, value in pairs.items() if key not in whole}
        long, short = _ready(whole, _within), _ready(whole, _short_place)
        self._sentences = [one for one in long if one.letters >= FEW_LETTERS]
        self._short = [one for one in short if one.letters < FEW_LETTERS]
        both = (*_templates(self._words, _word_place), *_templates(parts, lambda *_: _PART))
        self._parts = sorted(both, key=lambda one: -one.letters)

    def translate(self, text: str) -> str:
        """The text in the language; a sentence without a template stays as it is."""
        bare = text.strip()
        return text.replace(bare, self._translated(bare), 1) if bare else text

    def _translated(self, text: str) -> str:
        found = self._sentence(text)
        if found is not None:
            return found
        pieces = _NEXT.split(text)
        each = [
            self._sentence(piece) or self._part(piece) or self._listed(piece) for piece in pieces
        ]
        if None in each:
            found = self._sentence(text, loose=True)
        return found or " ".join(
            piece if one is None else one for piece, one in zip(pieces, each, strict=True)
        )

    # ------------------------------------------------------------ sentences

    def _sentence(self, text: str, *, loose: bool = False) -> str | None:
        return (
            self._exact.get(text)
            or self._filled(text, self._sentences, loose=loose)
            or self._behind_a_name(
                text, lambda rest: self._sentence(rest, loose=loose), loose=loose
            )
            or self._filled(text, self._short, loose=loose)
        )

    def _behind_a_name(
        self, text: str, translated: Callable[[str], str | None], *, loose: bool = False
    ) -> str | None:
        """`Gala North: photograph 3 more trees`: what stands before the colon is a name.

        Or it is the beginning of a sentence that goes on after the colon.
        """
        for colon in _COLON.finditer(text):
            name = text[: colon.start()]
            if _PARTS.search(name) and not loose:
                return None
            found = translated(text[colon.end() :])
            if found is not None:
                beginning = self._filled(f"{name}:", (*self._sentences, *self._short))
                name = _TWO_FILES.sub(self._words.get(" and ", " and "), name)
                return f"{beginning or name + self._words.get(':', ':')} {found}"
        return None

    def _filled(
        self, text: str, templates: Sequence[_Template], *, loose: bool = False
    ) -> str | None:
        for one in templates:
            if one.longest not in text:
                continue
            found = (one.loose if loose else one.pattern).fullmatch(text)
            if found:
                return self._put_in(one, dict(zip(one.places, found.groups(), strict=True)))
        return None

    def _put_in(self, template: _Template, values: Mapping[str, str]) -> str:
        def value(place: re.Match[str]) -> str:
            text = values[place[1]]
            if place[2] == "words":
                return self._in_words(text)
            return text if place[1] in template.quoted else self._plain(text)

        return _PLACE.sub(value, template.translation)

    def _plain(self, value: str) -> str:
        """A value as the language writes it, if it is a number or a day."""
        day = _DATE.fullmatch(value)
        if day:
            return self._language.day(date(*(int(part) for part in day.groups())))
        if not _NUMBERS.fullmatch(value):
            return value
        numbers = re.sub(_ONE_NUMBER, lambda one: self._language.number(one[0]), value)
        return numbers.replace(" to ", f" {self._words.get('to', 'to')} ")

    # ------------------------------------------------------------ words in a place

    def _in_words(self, value: str) -> str:
        bare = value.strip()
        found = self._part(bare) or self._in_list(bare, _LISTS)
        return value.replace(bare, found, 1)

    def _part(self, text: str) -> str | None:
        return (
            self._words.get(text)
            or self._exact.get(text)
            or self._filled(text, self._parts)
            or self._sentence(text)
            or self._behind_a_name(text, self._part)
            or self._in_small_letters(text)
        )

    def _in_small_letters(self, text: str) -> str | None:
        """A sentence that stands within another one, without its capital and its full stop."""
        found = self._exact.get(f"{text[:1].upper()}{text[1:]}.")
        return found and f"{found[:1].lower()}{found[1:].removesuffix('.')}"

    def _in_list(self, text: str, joints: Sequence[re.Pattern[str]]) -> str:
        """Each item of a list translated, where it is known."""
        if not joints:
            return self._plain(text)
        items = joints[0].split(text)
        items[1::2] = [self._words.get(joint, joint) for joint in items[1::2]]
        items[::2] = [self._part(item) or self._in_list(item, joints[1:]) for item in items[::2]]
        return "".join(items)

    def _listed(self, text: str) -> str | None:
        """A list of known words, such as `calipers, 21 days`; None if one is unknown."""
        bare = text.removesuffix(".")
        if not all(self._is_known(item, _LISTS) for item in _LISTS[0].split(bare)[::2]):
            return None
        return self._in_list(bare, _LISTS) + text[len(bare) :]

    def _is_known(self, text: str, joints: Sequence[re.Pattern[str]]) -> bool:
        if self._part(text) is not None:
            return True
        items = joints[0].split(text)[::2] if joints else []
        return bool(joints) and all(self._is_known(item, joints[1:]) for item in items)


def places(template: str) -> tuple[str, ...]:
    """Names of the places of a template or a translation, in their order."""
    return tuple(found[1] for found in _PLACE.finditer(template))


def _without_name(template: str, translation: str) -> tuple[str, str]:
    """Both without the name that stands before their colon; see `_behind_a_name`."""
    name = re.compile(r"^\{\w+\}[ \u00a0]?: (?=\S)")
    if name.match(template) and name.match(translation):
        return name.sub("", template), name.sub("", translation)
    return template, translation


def _within(_: str, after: str) -> str:
    """What a place of a sentence holds, by what stands after it."""
    return _ONE_WORD if _BEFORE_NUMBER.match(after) else _WITHIN


def _short_place(_: str, after: str) -> str:
    return _ONE_WORD if _BEFORE_NUMBER.match(after) else _SHORT


def _word_place(name: str, _: str) -> str:
    return _COUNT if _IS_COUNT.fullmatch(name) else _WORD_PLACES.get(name, _PART)


def _ready(texts: Mapping[str, str], place: Callable[[str, str], str]) -> tuple[_Template, ...]:
    """Templates with places, those with the most letters of their own first."""
    return tuple(sorted(_templates(texts, place), key=lambda one: -one.letters))


def _templates(texts: Mapping[str, str], place: Callable[[str, str], str]) -> Iterator[_Template]:
    for template, translation in texts.items():
        literals, names = _PLACE.split(template)[::3], places(template)
        if not names:
            continue
        escaped = [re.escape(part) for part in literals]
        tight = escaped[0] + "".join(
            place(name, after) + part
            for name, after, part in zip(names, literals[1:], escaped[1:], strict=True)
        )
        yield _Template(
            letters=sum(map(len, literals)),
            longest=max(literals, key=len),
            pattern=re.compile(tight, re.DOTALL),
            loose=re.compile(_ANYTHING.join(escaped), re.DOTALL),
            places=names,
            quoted=frozenset(
                name
                for name, before, after in zip(names, literals, literals[1:], strict=False)
                if (before[-1:], after[:1]) in (("'", "'"), ("", ":"))
            ),
            translation=translation,
        )
