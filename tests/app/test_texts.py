"""The text files: the same in every language, all used, none missing, and no text in the code."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from itertools import chain
from pathlib import Path

import pytest

from app import wording

APP = Path(wording.__file__).parent
LANGUAGES = tuple(wording.LANGUAGES)
PAGES = sorted(path.stem for path in (wording.TEXTS / "en").glob("*.toml"))
PLACE = re.compile(r"\{(\w+)[^}]*\}")


@cache
def texts(code: str, page: str) -> dict[str, dict[str, str]]:
    """The texts of a file, each as its forms."""
    path = wording.TEXTS / code / f"{page}.toml"
    found = tomllib.loads(path.read_text(encoding="utf-8"))
    return {name: one if isinstance(one, dict) else {"": one} for name, one in found.items()}


def keys() -> set[str]:
    return {f"{page}.{name}" for page in PAGES for name in texts("en", page)}


@cache
def trees() -> tuple[tuple[str, ast.Module], ...]:
    return tuple(
        (path.relative_to(APP).as_posix(), ast.parse(path.read_text(encoding="utf-8")))
        for path in sorted(APP.rglob("*.py"))
    )


def test_every_language_has_the_same_files() -> None:
    # English has no library: its sentences are English.
    for code in LANGUAGES:
        found = {path.stem for path in (wording.TEXTS / code).glob("*.toml")}
        assert found - {"library"} == set(PAGES), code


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("code", [code for code in LANGUAGES if code != "en"])
def test_a_file_has_the_same_texts_forms_and_places_as_in_english(code: str, page: str) -> None:
    english, other = texts("en", page), texts(code, page)
    assert list(other) == list(english)
    for name, forms in english.items():
        assert set(other[name]) == set(forms), name
        for form, text in forms.items():
            differ = set(PLACE.findall(other[name][form])) ^ set(PLACE.findall(text))
            # One of something may be said without its number.
            assert differ <= ({"n"} if form else set()), name
            assert other[name][form].strip() == other[name][form] != "", name


def _strings(tree: ast.Module) -> Iterator[tuple[str, bool]]:
    """Every string of a module; of an f-string its beginning, and True."""
    inside = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            inside |= {id(part) for part in node.values}
            first = node.values[0] if node.values else None
            if isinstance(first, ast.Constant):
                yield str(first.value), True
        elif id(node) not in inside and isinstance(getattr(node, "value", None), str):
            yield str(node.value), False  # type: ignore[attr-defined]


def test_every_text_is_used_somewhere() -> None:
    found = list(chain.from_iterable(_strings(tree) for _, tree in trees()))
    whole = {text for text, begins in found if not begins}
    # `say(f"forms.kind_{kind}")`, or `texts(code, "work").get(f"field_{name}")`
    begun = {text for text, begins in found if begins and re.fullmatch(r"\w+\.\w*|\w+_", text)}
    unused = {
        key
        for key in keys()
        if key not in whole
        and not any(key.startswith(text) or key.split(".", 1)[1].startswith(text) for text in begun)
        # `texts(code, "common")["months"]`
        and key.split(".", 1)[1] not in whole
    }
    assert not unused


def test_every_text_that_is_asked_for_is_there() -> None:
    known, asked = keys(), set()
    for _, tree in trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say":
                (first, *_) = node.args
                if isinstance(first, ast.Constant):
                    asked.add(str(first.value))
                elif isinstance(first, ast.JoinedStr) and isinstance(first.values[0], ast.Constant):
                    begins = str(first.values[0].value)
                    assert any(key.startswith(begins) for key in known), begins
    assert asked
    assert asked <= known


def test_the_places_of_a_text_are_filled() -> None:
    lacking: list[str] = []
    for name, tree in trees():
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say"):
                continue
            first = node.args[0]
            given = {one.arg for one in node.keywords}
            if isinstance(first, ast.Constant) and None not in given:
                page, key = str(first.value).split(".", 1)
                for text in texts("en", page)[key].values():
                    lacking += [
                        f"{name}:{node.lineno} {place}"
                        for place in set(PLACE.findall(text)) - given
                    ]
    assert not lacking


# ---------------------------------------------------------------- no text in the code

# Calls whose words nobody reads: keys of boxes, errors of the program itself, looks.
UNREAD_CALLS = {
    "shown", "asked", "question", "forget", "save_button", "form", "html",
    "TypeError", "ValueError", "RuntimeError", "KeyError",
    "compile", "sub", "expr", "condition", "transform_filter", "transform_calculate",
    "register", "getattr", "setattr", "TypeVar", "cast",
}  # fmt: skip
UNREAD_KEYWORDS = {"key", "format", "icon", "extra", "labelExpr", "expr", "type", "file_name"}
# Two words beside each other, the first with a capital or both in small letters.
SENTENCE = re.compile(r"(?:^|[^\w.-])[A-Za-zÀ-ÿ]{2,}[,:;]? [a-zà-ÿ]{2,}")
# Tags, also those that a value stands in.
MARKUP = re.compile(r"<[^>]*(?:>|$)|^[^<]*>")
STYLE = re.compile(r"<style>|;\n")
# Files that hold no words for people: styles, drawings, what finds sentences.
NO_WORDS = {"sentences.py"}
# What looks like words and is none, or is translated as a word of the library.
NOT_WORDS = {
    "open block": "a name of what is remembered", "detector made ready": "likewise",
    "round of ": "likewise", "seen in ": "likewise", "conflict in ": "likewise",
    "block, row, position, fruit_count, counted_on": "columns",
    "block, row, position, measured_on, diameter_mm": "columns",
    "The size": "a field in errors of the library, which are translated",
    "fruitvision app --farm FARM --address 0.0.0.0": "a command",
    'fruitvision archive make --farm "': "likewise", "fruitvision archive restore ": "likewise",
    "Not everything was loaded ahead: %s": "the log of the server",
}  # fmt: skip


def _read(node: ast.AST) -> Iterator[ast.Constant]:
    """The strings below a node that somebody may read."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node
    if isinstance(node, ast.Assign | ast.AnnAssign):
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        names = [target.id for target in targets if isinstance(target, ast.Name)]
        # Keys of what is remembered, styles and scripts.
        if any(name.startswith("_") and name.isupper() for name in names):
            return
    if isinstance(node, ast.Call):
        called = node.func.attr if isinstance(node.func, ast.Attribute) else ""
        called = node.func.id if isinstance(node.func, ast.Name) else called
        if called in UNREAD_CALLS:
            return
    if isinstance(node, ast.keyword) and node.arg in UNREAD_KEYWORDS:
        return
    body = getattr(node, "body", None)
    for child in ast.iter_child_nodes(node):
        is_docstring = isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)
        if not (is_docstring and isinstance(body, list)):
            yield from _read(child)


def test_no_sentence_stands_in_the_code_of_the_app() -> None:
    found = [
        f"{name}:{node.lineno} {node.value!r}"
        for name, tree in trees()
        if name not in NO_WORDS
        for node in _read(tree)
        if node.value not in NOT_WORDS and not STYLE.search(str(node.value))
        if SENTENCE.search(MARKUP.sub("", str(node.value)))
    ]
    assert not found
