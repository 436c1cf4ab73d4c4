"""What the tool saw: a photo with outlines, millimetres, references, and one line of words.

Sized fruit: full light outline with its mm. Counted only: broken outline. Fruit of a row behind: a
small dot. Shapes tell them apart, not colours, so that every eye can read it.
"""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from math import cos, pi, radians, sin
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from fruitvision.domain import Ball, Fruit, MeasuredPhoto, Reference
from fruitvision.unit_system import METRIC, Unit
from fruitvision.whole_file import write_whole

Image = NDArray[np.uint8]
Point = tuple[float, float]
Outlined = TypeVar("Outlined", Ball, Fruit)

# Light lines on a dark edge stand out on leaves, fruit and sky alike. Our choice.
LIGHT = (255, 250, 225)
DARK = (20, 24, 40)
# Blue is rare in an orchard and seen by nearly every eye. Our choice.
MARK = (90, 180, 255)
# Sizes as shares of the long side: on a phone 400 px wide the mm of a fruit stay readable after one
# zoom. Our choice.
LINE_SHARE = 1 / 900
TEXT_SHARE = 1 / 95
FOOTER_SHARE = 1 / 45
# Dashes of a broken outline, and points of a full one.
DASHES = 10
POINTS = 72


def draw_overlay(image: Image, measured: MeasuredPhoto, unit: Unit = METRIC.diameter) -> Image:
    """The picture with everything that was measured drawn into it, and a line of words below.

    Parameters
    ----------
    image : (H, W, 3) uint8
        RGB, upright, as it was measured.
    measured : MeasuredPhoto
        Its results.
    unit : Unit
        Of the diameters that are written on the fruit.

    Returns
    -------
    (H, W, 3) uint8, RGB
        A new picture; `image` stays as it is.
    """
    canvas = PillowImage.fromarray(image)
    draw = ImageDraw.Draw(canvas)
    _draw_all(draw, max(canvas.size), measured, unit)
    _footer(draw, canvas.size, summary(measured, unit))
    return np.asarray(canvas, dtype=np.uint8)


def _draw_all(
    draw: ImageDraw.ImageDraw, long_side: int, measured: MeasuredPhoto, unit: Unit
) -> None:
    line = max(1, round(long_side * LINE_SHARE))
    font = ImageFont.load_default(max(10.0, long_side * TEXT_SHARE))
    for reference in measured.references:
        _stroke(draw, [*reference.corners_px, reference.corners_px[0]], MARK, line + 1)
    for ball in measured.balls:
        _draw_ball(draw, ball, line + 1)
    for fruit in measured.fruit:
        _draw_fruit(draw, fruit, line)
    # Words last, so that no outline runs through them.
    for fruit in measured.fruit:
        if fruit.diameter_mm is not None:
            words = f"{unit.shown(fruit.diameter_mm):.{unit.decimals(0)}f}"
            _write(draw, (fruit.centre_x_px, fruit.centre_y_px), words, font)


def small_jpeg(image: Image, long_side_px: int) -> bytes:
    """(H, W, 3) uint8 RGB as JPEG, its long side brought down to so many px."""
    return _jpeg(_small_canvas(image, long_side_px))


def small_overlay(
    image: Image, measured: MeasuredPhoto, long_side_px: int, unit: Unit = METRIC.diameter
) -> bytes:
    """The overlay as JPEG for a small screen, without words: the page around it has its own.

    The picture is made smaller first, so that lines stay clear.

    Parameters
    ----------
    image : (H, W, 3) uint8
        RGB, upright, as it was measured or made smaller.
    """
    canvas = _small_canvas(image, long_side_px)
    shown = _shrunk(measured, _share(canvas, measured))
    _draw_all(ImageDraw.Draw(canvas), max(canvas.size), shown, unit)
    return _jpeg(canvas)


def small_numbers(image: Image, measured: MeasuredPhoto, long_side_px: int) -> bytes:
    """The picture with the number of each sized fruit, and no millimetres, as JPEG.

    For whoever calipers these fruit: a reading that is typed beside the photo's is no check of it.

    Parameters
    ----------
    image : (H, W, 3) uint8
        RGB, upright, as it was measured or made smaller.
    """
    canvas = _small_canvas(image, long_side_px)
    shown = _shrunk(measured, _share(canvas, measured))
    draw, long_side = ImageDraw.Draw(canvas), max(canvas.size)
    font = ImageFont.load_default(max(10.0, long_side * TEXT_SHARE))
    sized = [one for one in shown.fruit if one.on_this_row and one.diameter_mm is not None]
    for fruit in sized:
        _draw_fruit(draw, fruit, max(1, round(long_side * LINE_SHARE)))
    for fruit in sized:
        _write(draw, (fruit.centre_x_px, fruit.centre_y_px), fruit.fruit_id, font)
    return _jpeg(canvas)


def _small_canvas(image: Image, long_side_px: int) -> PillowImage.Image:
    canvas = PillowImage.fromarray(image)
    canvas.thumbnail((long_side_px, long_side_px))
    return canvas


def _share(canvas: PillowImage.Image, measured: MeasuredPhoto) -> float:
    """Px of the canvas per px of the photo."""
    return max(canvas.size) / max(measured.photo.width_px, measured.photo.height_px)


def _jpeg(canvas: PillowImage.Image) -> bytes:
    content = BytesIO()
    canvas.save(content, "JPEG", quality=80)
    return content.getvalue()


def _shrunk(measured: MeasuredPhoto, share: float) -> MeasuredPhoto:
    """The same outlines in the px of a picture that is smaller."""

    def of(reference: Reference) -> Reference:
        first, second, third, fourth = ((x * share, y * share) for x, y in reference.corners_px)
        return replace(reference, corners_px=(first, second, third, fourth))

    return replace(
        measured,
        references=tuple(map(of, measured.references)),
        balls=tuple(_shrunk_outline(ball, share) for ball in measured.balls),
        fruit=tuple(_shrunk_outline(fruit, share) for fruit in measured.fruit),
    )


def _shrunk_outline(one: Outlined, share: float) -> Outlined:
    return replace(
        one,
        centre_x_px=one.centre_x_px * share,
        centre_y_px=one.centre_y_px * share,
        width_px=one.width_px * share,
        height_px=one.height_px * share,
    )


def write_overlay(
    image: Image, measured: MeasuredPhoto, path: Path, unit: Unit = METRIC.diameter
) -> None:
    """Draw the overlay and write it as JPEG, whole or not at all.

    Raises
    ------
    OSError
        If the file can't be written.
    """
    content = BytesIO()
    PillowImage.fromarray(draw_overlay(image, measured, unit)).save(content, "JPEG", quality=85)
    write_whole(path, content.getvalue())


def summary(measured: MeasuredPhoto, unit: Unit = METRIC.diameter) -> str:
    """What the photo gave, in one line of plain words."""
    near = [fruit for fruit in measured.fruit if fruit.on_this_row]
    behind = len(measured.fruit) - len(near)
    sizes = [fruit.diameter_mm for fruit in near if fruit.diameter_mm is not None]
    words = [f"{len(near)} fruit on this row"]
    if sizes:
        mean = f"{unit.shown(float(np.mean(sizes))):.{unit.decimals(0)}f} {unit.symbol}"
        words.append(f"{len(sizes)} sized, mean {mean}")
    elif measured.scale is None:
        words.append("none sized: no scale")
    else:
        words.append("none sized")
    if behind:
        words.append(f"{behind} of a row behind left out")
    return " · ".join(words)


def _draw_fruit(draw: ImageDraw.ImageDraw, fruit: Fruit, line: int) -> None:
    if not fruit.on_this_row:
        _dot(draw, (fruit.centre_x_px, fruit.centre_y_px), 2.5 * line)
    elif fruit.diameter_mm is not None:
        _stroke(draw, _arc(fruit, 0.0, 2 * pi, POINTS), LIGHT, line)
    else:
        for dash in range(DASHES):
            start = 2 * pi * dash / DASHES
            _stroke(draw, _arc(fruit, start, start + pi / DASHES, 8), LIGHT, line)


def _draw_ball(draw: ImageDraw.ImageDraw, ball: Ball, line: int) -> None:
    """A full outline around a ball that gives a scale, a broken one around another."""
    parts = DASHES if ball.doubts else 1
    for part in range(parts):
        start, turn = 2 * pi * part / parts, 2 * pi / parts
        end = start + (turn / 2 if ball.doubts else turn)
        _stroke(draw, _arc(ball, start, end, POINTS // parts), MARK, line)


def _arc(fruit: Fruit | Ball, start: float, end: float, points: int) -> list[Point]:
    """Points of the outline between two angles."""
    turn = radians(fruit.angle_deg)
    out = []
    for angle in np.linspace(start, end, points):
        along, across = fruit.width_px / 2 * cos(angle), fruit.height_px / 2 * sin(angle)
        out.append(
            (
                fruit.centre_x_px + along * cos(turn) - across * sin(turn),
                fruit.centre_y_px + along * sin(turn) + across * cos(turn),
            )
        )
    return out


def _stroke(
    draw: ImageDraw.ImageDraw, points: list[Point], colour: tuple[int, int, int], line: int
) -> None:
    draw.line(points, fill=DARK, width=line + 2, joint="curve")
    draw.line(points, fill=colour, width=line, joint="curve")


def _dot(draw: ImageDraw.ImageDraw, centre: Point, radius: float) -> None:
    x, y = centre
    box = (x - radius, y - radius, x + radius, y + radius)
    draw.ellipse(box, fill=LIGHT, outline=DARK, width=max(1, round(radius / 4)))


def _write(
    draw: ImageDraw.ImageDraw,
    centre: Point,
    words: str,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
) -> None:
    draw.text(centre, words, fill=LIGHT, font=font, anchor="mm", stroke_width=2, stroke_fill=DARK)


def _footer(draw: ImageDraw.ImageDraw, size: tuple[int, int], words: str) -> None:
    """Words on a dark band along the bottom, made smaller if they are too long."""
    width, height = size
    text_px = max(11.0, max(size) * FOOTER_SHARE)
    font = ImageFont.load_default(text_px)
    too_wide = draw.textlength(words, font=font) / max(1.0, 0.96 * width)
    if too_wide > 1:
        text_px = max(1.0, text_px / too_wide)
        font = ImageFont.load_default(text_px)
    band = 1.6 * text_px
    draw.rectangle((0, height - band, width, height), fill=DARK)
    draw.text((0.02 * width, height - band / 2), words, fill=LIGHT, font=font, anchor="lm")
