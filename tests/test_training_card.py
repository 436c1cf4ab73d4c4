"""The training card: one page, six drawings, the words of the help in every language."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from pypdf import PdfReader
from reportlab.graphics.shapes import Drawing, Group, Shape
from svglib.svglib import svg2rlg

from app.wording import LANGUAGES, TEXTS
from fruitvision.drawings import RIGHT, WRONG
from fruitvision.errors import SettingsError
from fruitvision.training_card import card_languages, card_words, write_training_card
from tests.test_bad_input import run


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_card_is_one_page_with_all_words_of_its_language(
    language: str, paper: str, tmp_path: Path
) -> None:
    path = tmp_path / "card.pdf"
    write_training_card(path, language=language, paper=paper)
    reader = PdfReader(path)
    (page,) = reader.pages
    text = " ".join(page.extract_text().split())
    of_help = tomllib.loads((TEXTS / language / "help.toml").read_text(encoding="utf-8"))
    assert len(RIGHT) == 6
    for number, name in enumerate(RIGHT, start=1):
        strong = of_help[f"picture_{name}"].removeprefix("**").split("**")[0]
        assert f"{number} {strong}" in text
    words = card_words(language)
    assert words.title in text
    assert words.caution in text
    again = tmp_path / "again.pdf"
    write_training_card(again, language=language, paper=paper)
    assert again.read_bytes() == path.read_bytes()


def test_there_is_a_card_in_every_language_of_the_app() -> None:
    assert set(card_languages()) == set(LANGUAGES)
    words = [card_words(language) for language in card_languages()]
    assert len({one.title for one in words}) == len(words)
    with pytest.raises(SettingsError, match="no card in 'de'"):
        card_words("de")
    with pytest.raises(SettingsError, match=r"no card in '\.\./en'"):
        card_words("../en")


def shapes(one: Drawing | Group | Shape) -> int:
    inside = getattr(one, "contents", None)
    return 1 if inside is None else sum(map(shapes, inside))


def test_every_part_of_a_drawing_comes_through() -> None:
    from io import BytesIO

    for draw in (*RIGHT.values(), *WRONG.values()):
        svg = draw()
        parts = sum(svg.count(f"<{tag} ") for tag in ("line", "circle", "polyline", "rect", "path"))
        drawn = svg2rlg(BytesIO(svg.encode()))
        assert drawn is not None
        assert shapes(drawn) >= parts + svg.count("<text ")
        assert (drawn.width, drawn.height) == pytest.approx((360, 255))


def test_the_command(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    status, text = run("card", "--language", "es", "--out", str(out))
    assert status == 0
    assert "Cómo tomar la foto" in PdfReader(out).pages[0].extract_text()
    status, text = run("card", "--language", "xx", "--out", str(out))
    assert status == 2
    assert "Known: en, es, fr." in text
    status, text = run("card", "--paper", "A9", "--out", str(out))
    assert status == 2
    assert "Unknown paper 'A9'" in text
