"""Words, lines and bars on a page of a PDF, in points; x to the right, y upwards."""

from __future__ import annotations

from dataclasses import dataclass

from reportlab.lib.colors import Color, HexColor, white
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from fruitvision.domain import Estimate
from fruitvision.printed_letters import printable

# The colours of the app: nothing rests on them alone.
BARK, RUSSET, LEAF = HexColor("#3f3528"), HexColor("#7a3b2e"), HexColor("#5b7d87")
SAND, LINE, PALE = HexColor("#cfa98f"), HexColor("#d8ccba"), HexColor("#f6f0e8")
WHITE = white
GREY = HexColor("#6b6258")
# Smallest type that is read without a lens on a printed page. Our choice, as is common practice.
LEAST_POINTS = 6.0
_STEP = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Type:
    """How words are set: size in points, weight, colour, and where `x` is of them."""

    size: float = 8.0
    bold: bool = False
    colour: Color = BARK
    align: str = "left"

    @property
    def font(self) -> str:
        """Name of one of the fonts that every reader of PDFs has."""
        return "Helvetica-Bold" if self.bold else "Helvetica"


def width_of(words: str, kind: Type) -> float:
    """Width of printable words, points."""
    return float(stringWidth(words, kind.font, kind.size))


def put(
    canvas: Canvas, at: tuple[float, float], words: str, kind: Type, *, room: float | None = None
) -> None:
    """Write words on a line. In less room than they take they are set smaller, down to
    `LEAST_POINTS`, and then cut."""
    words, size = printable(words), kind.size
    if room is not None:
        while size - _STEP >= LEAST_POINTS and stringWidth(words, kind.font, size) > room:
            size -= _STEP
        words = _cut(words, kind.font, size, room)
    canvas.setFont(kind.font, size)
    canvas.setFillColor(kind.colour)
    write = {
        "left": canvas.drawString,
        "centre": canvas.drawCentredString,
        "right": canvas.drawRightString,
    }
    write[kind.align](*at, words)


def _cut(words: str, font: str, size: float, room: float) -> str:
    if stringWidth(words, font, size) <= room:
        return words
    while words and stringWidth(f"{words}…", font, size) > room:
        words = words[:-1]
    return f"{words}…"


def wrapped(words: str, kind: Type, room: float) -> list[str]:
    """Words in lines that fit the room; a word that is longer stands alone."""
    lines: list[str] = []
    for word in printable(words).split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, kind) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def rule(canvas: Canvas, left: float, right: float, y: float, *, colour: Color = LINE) -> None:
    """A thin line from left to right."""
    canvas.setStrokeColor(colour)
    canvas.setLineWidth(0.6)
    canvas.line(left, y, right, y)


def upright(canvas: Canvas, x: float, bottom: float, top: float) -> None:
    """A thin line from the bottom to the top."""
    canvas.setStrokeColor(LINE)
    canvas.setLineWidth(0.4)
    canvas.line(x, bottom, x, top)


def box(
    canvas: Canvas,
    at: tuple[float, float],
    size: tuple[float, float],
    colour: Color,
    *,
    round_: float = 0,
) -> None:
    """A filled box from its lower left corner."""
    canvas.setFillColor(colour)
    canvas.roundRect(*at, *size, round_, stroke=0, fill=1)


def range_bar(
    canvas: Canvas, left: float, middle: float, width: float, cartons: Estimate, most: float
) -> None:
    """A bar from P10 to P90 with a tick at P50, on an axis from 0 to `most`."""
    if most <= 0:
        return
    x10, x50, x90 = (
        left + width * value / most for value in (cartons.p10, cartons.p50, cartons.p90)
    )
    canvas.setStrokeColor(LINE)
    canvas.setLineWidth(0.4)
    canvas.line(left, middle, left + width, middle)
    box(canvas, (x10, middle - 2.2), (max(x90 - x10, 0.4), 4.4), SAND)
    canvas.setStrokeColor(RUSSET)
    canvas.setLineWidth(1.4)
    canvas.line(x50, middle - 3.4, x50, middle + 3.4)
