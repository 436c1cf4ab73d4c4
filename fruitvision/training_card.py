"""A card to print for those who take the photos: six drawings and few words, on one page."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from reportlab.graphics import renderPDF
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from svglib.svglib import svg2rlg

from fruitvision.drawings import HEIGHT, RIGHT, WIDTH
from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.share import shared_folder
from fruitvision.whole_file import write_asked_for

PAPERS = {"A4": A4, "Letter": LETTER}
# Title and caution, by language; the words under the drawings are those of the help.
TEXTS = Path(__file__).parent / "card_texts"
COLUMNS = 2
_MARGIN_MM, _TOP_MM, _BOTTOM_MM, _BETWEEN_MM = 13.0, 27.0, 18.0, 6.0
# Two lines of words under a drawing. Our choice: read at arm's length.
_WORDS_MM, _WORD_POINTS = 14.0, 13.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CardWords:
    """What stands on a card. `captions` : by the name of the drawing, each its rule in a few words
    and the rest of the sentence."""

    title: str
    caution: str
    captions: Mapping[str, tuple[str, str]]


def card_languages() -> tuple[str, ...]:
    """Codes of the languages that there is a card in."""
    return tuple(sorted(path.stem for path in TEXTS.glob("*.toml")))


def card_words(language: str) -> CardWords:
    """The words of a card.

    Raises
    ------
    SettingsError
        If there is no card in that language.
    """
    known = card_languages()
    if language not in known:
        raise SettingsError(f"There is no card in '{language}'.", fix=did_you_mean(language, known))
    own = tomllib.loads((TEXTS / f"{language}.toml").read_text(encoding="utf-8"))
    path = shared_folder("app") / "texts" / language / "help.toml"
    of_help = tomllib.loads(path.read_text(encoding="utf-8"))
    captions = {}
    for name in RIGHT:
        strong, rest = of_help[f"picture_{name}"].removeprefix("**").split("**", 1)
        captions[name] = (strong, rest)
    return CardWords(title=own["title"], caution=own["caution"], captions=captions)


def write_training_card(path: Path, *, language: str = "en", paper: str = "A4") -> None:
    """Write the card as a PDF of one page, in vectors.

    Raises
    ------
    SettingsError
        If there is no card in that language, or the paper is unknown.
    StoreError
        If the file can't be written.
    """
    if paper not in PAPERS:
        raise SettingsError(f"Unknown paper '{paper}'.", fix=did_you_mean(paper, PAPERS))
    words = card_words(language)
    sheet = BytesIO()
    # Invariant: no clock and no random id in the file, same in same out.
    canvas = Canvas(sheet, pagesize=PAPERS[paper], invariant=1, lang=language)
    canvas.setTitle(words.title)
    canvas.setCreator("fruitvision")
    _draw(canvas, PAPERS[paper], words)
    canvas.save()
    write_asked_for(path, sheet.getvalue())


def _draw(canvas: Canvas, size: tuple[float, float], words: CardWords) -> None:
    width, height = size
    left, room = _MARGIN_MM * mm, width - 2 * _MARGIN_MM * mm
    canvas.setFont("Helvetica-Bold", 24)
    canvas.drawString(left, height - 20 * mm, words.title)
    rows = -(-len(words.captions) // COLUMNS)
    step = (height - (_TOP_MM + _BOTTOM_MM) * mm) / rows
    across = (room - (COLUMNS - 1) * _BETWEEN_MM * mm) / COLUMNS
    wide = min(across, (step - _WORDS_MM * mm) * WIDTH / HEIGHT)
    for number, (name, caption) in enumerate(words.captions.items()):
        x = left + (number % COLUMNS) * (across + _BETWEEN_MM * mm)
        top = height - _TOP_MM * mm - (number // COLUMNS) * step
        _draw_picture(canvas, RIGHT[name](), x, top - wide * HEIGHT / WIDTH, wide)
        base = top - wide * HEIGHT / WIDTH - 5.2 * mm
        _put_words(canvas, x, base, across, f"{number + 1}  {caption[0]}", caption[1])
    canvas.setFont("Helvetica", 10)
    for line, text in enumerate(_wrapped(words.caution, room, 10)):
        canvas.drawString(left, 12 * mm - line * 4.4 * mm, text)


def _draw_picture(canvas: Canvas, svg: str, x: float, y: float, wide: float) -> None:
    drawing = svg2rlg(BytesIO(svg.encode()))
    if drawing is None:
        raise ValueError("a drawing is no SVG")
    share = wide / drawing.width
    drawing.scale(share, share)
    renderPDF.draw(drawing, canvas, x, y)


def _put_words(canvas: Canvas, x: float, base: float, room: float, strong: str, rest: str) -> None:
    """The rule in bold, the rest below; in smaller letters where a line is too long."""
    points = _WORD_POINTS
    while stringWidth(strong, "Helvetica-Bold", points) > room:
        points -= 0.5
    canvas.setFont("Helvetica-Bold", points)
    canvas.drawString(x, base, strong)
    text = rest.lstrip(" ,:").strip()
    points = 11.0
    while stringWidth(text, "Helvetica", points) > room:
        points -= 0.5
    canvas.setFont("Helvetica", points)
    canvas.drawString(x, base - 5 * mm, text[:1].upper() + text[1:])


def _wrapped(text: str, room: float, points: float) -> list[str]:
    rows = [""]
    for word in text.split():
        longer = f"{rows[-1]} {word}".strip()
        if stringWidth(longer, "Helvetica", points) <= room:
            rows[-1] = longer
        else:
            rows.append(word)
    return rows
