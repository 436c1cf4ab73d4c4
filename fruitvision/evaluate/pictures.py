"""Photos with what was found, missed and invented drawn in: each by a colour and a shape.

Found: ring. Missed: thick rectangle. False: cross in a box. Ignored: truth dashed, finds dots.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from fruitvision.evaluate.figures import worst_first
from fruitvision.evaluate.matching import NOTHING, USUAL
from fruitvision.evaluate.run import PhotoResult, photo_path
from fruitvision.photo import read_photo
from fruitvision.whole_file import write_whole

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

# Colours that every eye can tell apart: Okabe and Ito's palette, from memory.
FOUND: Colour = (86, 180, 233)
MISSED: Colour = (240, 228, 66)
FALSE: Colour = (213, 94, 0)
IGNORED: Colour = (255, 255, 255)
DARK: Colour = (20, 24, 40)
# Shares of the long side, as in the overlays of measured photos.
LINE_SHARE = 1 / 700
TEXT_SHARE = 1 / 60
DASHES_A_SIDE = 4


def write_worst(
    results: Sequence[PhotoResult], threshold: float, folder: Path, *, photos: Path, number: int
) -> list[Path]:
    """Write the photos with the lowest F1 as JPEG, the worst first by name.

    Raises
    ------
    PhotoUnreadable
        If a photo has gone meanwhile.
    OSError
        If the folder can't be written.
    """
    written = []
    for rank, result in enumerate(worst_first(results, threshold)[:number], start=1):
        image, _ = read_photo(photo_path(photos, result.truth.name))
        path = folder / f"{rank:02d}_{Path(result.truth.name).stem}.jpg"
        content = BytesIO()
        PillowImage.fromarray(draw_result(image, result)).save(content, "JPEG", quality=85)
        write_whole(path, content.getvalue())
        written.append(path)
    return written


def draw_result(image: Image, result: PhotoResult) -> Image:
    """The picture with the truth and what the detector made of it, at its own threshold.

    Parameters
    ----------
    image : (H, W, 3) uint8
        RGB; stays as it is.
    result : PhotoResult

    Returns
    -------
    (H, W, 3) uint8, RGB
    """
    canvas = PillowImage.fromarray(image)
    draw = ImageDraw.Draw(canvas)
    line = max(2, round(max(canvas.size) * LINE_SHARE))
    matches = result.matches[USUAL]
    right = result.sure & matches.right
    passed_over = result.sure & matches.ignored
    wrong = result.sure & ~right & ~passed_over
    missed = ~result.truth.ignored
    missed[matches.fruit[result.sure & (matches.fruit != NOTHING)]] = False
    for box in _centred(result.truth.boxes[result.truth.ignored]):
        _dashed(draw, box, IGNORED, line)
    for box in _centred(result.boxes[passed_over]):
        _dot(draw, box, IGNORED, line)
    for box in _centred(result.boxes[right]):
        _ring(draw, box, FOUND, line)
    for box in _centred(result.truth.boxes[missed]):
        _rectangle(draw, box, MISSED, 2 * line)
    for box in _centred(result.boxes[wrong]):
        _cross(draw, box, FALSE, line)
    words = (
        f"{int(right.sum())} found (ring) · {int(missed.sum())} missed (rectangle) · "
        f"{int(wrong.sum())} false (cross) · ignored: dashed, dots"
    )
    _write(draw, canvas.size, words)
    return np.asarray(canvas, dtype=np.uint8)


def _centred(boxes: Floats) -> list[list[float]]:
    """From edges of pixels to centres of pixels, in which lines are drawn."""
    return [list(map(float, box)) for box in boxes - 0.5]


def _rectangle(draw: ImageDraw.ImageDraw, box: list[float], colour: Colour, line: int) -> None:
    draw.rectangle(box, outline=DARK, width=line + 2)
    draw.rectangle(box, outline=colour, width=line)


def _ring(draw: ImageDraw.ImageDraw, box: list[float], colour: Colour, line: int) -> None:
    draw.ellipse(box, outline=DARK, width=line + 2)
    draw.ellipse(box, outline=colour, width=line)


def _cross(draw: ImageDraw.ImageDraw, box: list[float], colour: Colour, line: int) -> None:
    left, top, right, bottom = box
    for shade, width in ((DARK, line + 2), (colour, line)):
        draw.line([(left, top), (right, bottom)], fill=shade, width=width)
        draw.line([(left, bottom), (right, top)], fill=shade, width=width)
    draw.rectangle(box, outline=colour, width=line)


def _dashed(draw: ImageDraw.ImageDraw, box: list[float], colour: Colour, line: int) -> None:
    left, top, right, bottom = box
    for dash in range(DASHES_A_SIDE):
        start, end = (dash + 0.25) / DASHES_A_SIDE, (dash + 0.75) / DASHES_A_SIDE
        across = (left + start * (right - left), left + end * (right - left))
        down = (top + start * (bottom - top), top + end * (bottom - top))
        for y in (top, bottom):
            draw.line([(across[0], y), (across[1], y)], fill=colour, width=line)
        for x in (left, right):
            draw.line([(x, down[0]), (x, down[1])], fill=colour, width=line)


def _dot(draw: ImageDraw.ImageDraw, box: list[float], colour: Colour, line: int) -> None:
    x, y, radius = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2, 2.5 * line
    draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour, outline=DARK)


def _write(draw: ImageDraw.ImageDraw, size: tuple[int, int], words: str) -> None:
    """Words on a dark band along the bottom, made smaller if they are too long."""
    width, height = size
    text_px = max(10.0, max(size) * TEXT_SHARE)
    too_wide = draw.textlength(words, font=ImageFont.load_default(text_px)) / (0.96 * width)
    text_px = max(1.0, text_px / max(1.0, too_wide))
    font = ImageFont.load_default(text_px)
    band = 1.6 * text_px
    draw.rectangle((0, height - band, width, height), fill=DARK)
    draw.text((0.02 * width, height - band / 2), words, fill=IGNORED, font=font, anchor="lm")
