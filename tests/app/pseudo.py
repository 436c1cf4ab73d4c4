"""A language of the tests only: every text stands in marks, so that what has none is untranslated.

`Row {row}` is `⟦Row ⟧{row}`: what a page fills into a place stays outside of the marks, and must be
a number, a date, a unit, the farm's own, or come from another text.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from google.protobuf.message import Message
from streamlit.testing.v1 import AppTest

from app import wording

CODE = "xx"
_PLACE = re.compile(r"(\{\w*(?::\w+)?\})")
_WRAPPED = re.compile("⟦[^⟦⟧]*⟧")
# What is no text although it has letters: units, file types, codes of dates, ISO, P10.
_NOT_TEXT = re.compile(
    r"(?<![A-Za-z])(mm|cm|in|ft|kg|lb|oz|ha|ac|px|min|CSV|XLSX|PDF|JSON|DOI|UTC|Letter)(?![A-Za-z])"
)
# Of a photo, a forecast, and the data of a chart.
_HASH = re.compile(r"(?<!\w)(?:data-)?[0-9a-f]{8,}(?!\w)")
_LETTERS = re.compile(r"[^\W\d_]{2,}")
# Fields of what Streamlit sends to the browser that nobody reads.
_UNSEEN = {
    "id", "key", "form_id", "url", "element_id", "icon", "format", "page_script_hash", "query",
    "group_id", "type", "mime", "data", "hash", "page", "default", "raw_value", "icon_position",
    "selection_mode", "theme", "vega_lite_spec", "deferred_file_id", "columns", "element_type",
    "styler", "editing_mode", "arrow_data", "help_icon", "step", "min", "max", "fragment_id", "tag",
    "anchor", "markup", "language", "code_text", "query_string",
}  # fmt: skip


def speak(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """From now on there is the language, made of the English texts and the library's templates."""
    english, own = wording.TEXTS / "en", folder / CODE
    own.mkdir(parents=True, exist_ok=True)
    for path in english.glob("*.toml"):
        text = tomllib.loads(path.read_text(encoding="utf-8"))
        (own / path.name).write_text(_toml(_marked(text)), encoding="utf-8")
    library = tomllib.loads((wording.TEXTS / "es" / "library.toml").read_text(encoding="utf-8"))
    (own / "library.toml").write_text(_toml(_library(library)), encoding="utf-8")
    for code in wording.LANGUAGES:
        (folder / code).symlink_to(wording.TEXTS / code)
    monkeypatch.setattr(wording, "TEXTS", folder)
    monkeypatch.setattr(wording, "ELSE", CODE)
    monkeypatch.setitem(wording.LANGUAGES, CODE, "⟦Xx⟧")
    monkeypatch.setitem(wording.THOUSANDS, CODE, ",")
    monkeypatch.setitem(wording.DECIMAL, CODE, ".")


# Texts that are lists of words.
_LISTS = {"months", "weekdays"}


def mark(text: str) -> str:
    """Each piece of a text between its places in marks."""
    return "".join(
        piece if _PLACE.fullmatch(piece) or not re.search(r"\w", piece) else f"⟦{piece}⟧"
        for piece in _PLACE.split(text)
    )


def _marked(texts: Mapping[str, Any]) -> dict[str, Any]:
    marked = {
        name: {form: mark(one) for form, one in text.items()}
        if isinstance(text, dict)
        else mark(text)
        for name, text in texts.items()
    }
    for name in _LISTS & set(texts):
        marked[name] = " ".join(f"⟦{word}⟧" for word in texts[name].split())
    return marked


def _library(spanish: Mapping[str, Any]) -> dict[str, Any]:
    """The English templates in marks; which places hold words is as in Spanish."""
    return {
        template: _library(translation)
        if isinstance(translation, dict)
        else mark(_with_kinds(template, translation))
        for template, translation in spanish.items()
    }


def _with_kinds(template: str, translation: str) -> str:
    kinds = dict(re.findall(r"\{(\w+)(:\w+)?\}", translation))
    return re.sub(r"\{(\w+)\}", lambda one: f"{{{one[1]}{kinds.get(one[1], '')}}}", template)


def _toml(texts: Mapping[str, Any]) -> str:
    flat = {name: text for name, text in texts.items() if not isinstance(text, dict)}
    lines = [f"{json.dumps(name)} = {json.dumps(text)}" for name, text in flat.items()]
    for name, text in texts.items():
        if isinstance(text, dict):
            lines += [f"[{json.dumps(name)}]", *_toml(text).splitlines()]
    return "\n".join(lines) + "\n"


# ---------------------------------------------------------------- what a page shows


def shown_texts(app: AppTest) -> Iterator[tuple[str, str]]:
    """Every text that somebody can read on a page, with the kind of element that shows it."""
    yield from _below(app._tree)


def _below(node: Any) -> Iterator[tuple[str, str]]:
    proto = getattr(node, "proto", None)
    kind = str(getattr(node, "type", ""))
    # What is typed into a command line is the same in every language.
    if isinstance(proto, Message) and kind != "code":
        yield from ((kind, text) for text in _strings(proto))
        if kind in ("arrow_table", "table", "arrow_data_frame", "dataframe"):
            yield from ((kind, text) for text in _cells(node.value))
        for spec in _specs(proto):
            yield from (("chart", text) for text in chart_texts(spec))
    for child in getattr(node, "children", {}).values():
        yield from _below(child)


def _strings(message: Message) -> Iterator[str]:
    for field, value in message.ListFields():
        if field.name in _UNSEEN or field.name == "spec":
            continue
        values = value if field.is_repeated else [value]
        for one in values:
            if isinstance(one, str):
                yield from _of_html(one)
            elif isinstance(one, Message):
                yield from _strings(one)


def _of_html(text: str) -> Iterator[str]:
    """A text, or what a piece of HTML shows: its text, and what it says to a screen reader."""
    text = re.sub(r"<(style|script)>.*?</\1>", "", text, flags=re.DOTALL)
    yield from re.findall(r'(?:aria-label|alt|title|placeholder)="([^"]*)"', text)
    # Names of icons stand between colons; addresses of links in brackets.
    text = re.sub(r"<[^>]*>|:material/\w+:|:\w+\[|\]\([^)]*\)", " ", text)
    yield text


def _cells(table: Any) -> Iterator[str]:
    yield from map(str, table.columns)
    for column in table.columns:
        yield from (one for one in table[column] if isinstance(one, str))


def _specs(message: Message) -> Iterator[dict[str, Any]]:
    for field, value in message.ListFields():
        if field.name == "spec" and isinstance(value, str) and value.startswith("{"):
            yield json.loads(value)
        elif isinstance(value, Message):
            yield from _specs(value)


_CHANNELS = ("x", "y", "color", "fill", "stroke", "size", "shape", "opacity", "row", "column")
_NAMED = ("title", "text", "subtitle")


def chart_texts(spec: Any) -> Iterator[str]:
    """Titles and words of a chart, and names of fields where no title stands in their place."""
    channels = list(_channels(spec))
    titled = {name for name, channel in channels if _has_title(name, channel)}
    for name, channel in channels:
        has_title = "title" in channel if name == "tooltip" else name in titled
        if name in (*_CHANNELS, "tooltip") and not has_title:
            yield str(channel["field"])
    yield from _titles(spec)


def _titles(spec: Any) -> Iterator[str]:
    for name, value in _items(spec):
        if name in _NAMED:
            yield from (one for one in _listed(value) if isinstance(one, str))
        yield from _titles(value)


def _channels(spec: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every channel that shows a field."""
    for name, value in _items(spec):
        if name == "encoding":
            for channel, found in value.items():
                yield from (
                    (channel, one)
                    for one in _listed(found)
                    if isinstance(one, dict) and "field" in one
                )
        else:
            yield from _channels(value)


def _items(spec: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(spec, list):
        yield from (("", one) for one in spec)
    elif isinstance(spec, dict):
        yield from (pair for pair in spec.items() if pair[0] not in ("datasets", "data", "config"))


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _has_title(name: str, channel: Mapping[str, Any]) -> bool:
    """Layers share the title that one of them gives; None hides it."""
    guide = channel.get("axis" if name in ("x", "y") else "legend", {})
    return "title" in channel or guide is None or "title" in guide


def bare(text: str, own: frozenset[str]) -> list[str]:
    """What of a text is in no marks and is not the farm's own: words that nobody can translate."""
    rest = _HASH.sub(" ", _WRAPPED.sub(" ", text.replace("\\", "")))
    for word in sorted(own, key=len, reverse=True):
        rest = rest.replace(word, " ")
    return _LETTERS.findall(_NOT_TEXT.sub(" ", rest))
