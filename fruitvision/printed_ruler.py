"""What every sheet to print carries: words, and a ruler that shows whether it is to scale."""

from __future__ import annotations

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from fruitvision.settings import RULER_MM

INK = 0.0


def draw_ruler(canvas: Canvas, left: float, y: float, *, words: str) -> None:
    """Ruler of 150 mm, whose ends are the middles of its first and last tick, and words below it.

    `left` and `y`, in points, are the left end of its line.
    """
    canvas.setStrokeGray(INK)
    canvas.setLineWidth(0.5)
    canvas.line(left, y, left + RULER_MM * mm, y)
    for tick_mm in range(int(RULER_MM) + 1):
        length_mm = 5.0 if tick_mm % 10 == 0 else 3.5 if tick_mm % 5 == 0 else 2.0
        canvas.line(left + tick_mm * mm, y, left + tick_mm * mm, y - length_mm * mm)
        if tick_mm % 10 == 0:
            put_text(
                canvas, (left + tick_mm * mm, y - 8 * mm), f"{tick_mm}", size=7, align="centre"
            )
    put_text(canvas, (left, y - 12.5 * mm), words, size=8.5)


def put_text(
    canvas: Canvas,
    at: tuple[float, float],
    words: str,
    *,
    size: float,
    bold: bool = False,
    grey: float = INK,
    align: str = "left",
) -> None:
    """Words in Helvetica of `size` points at a point of the page, `align` left, centre or right."""
    canvas.setFont("Helvetica-Bold" if bold else "Helvetica", size)
    canvas.setFillGray(grey)
    write = {
        "left": canvas.drawString,
        "centre": canvas.drawCentredString,
        "right": canvas.drawRightString,
    }
    write[align](*at, words)
