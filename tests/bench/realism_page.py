"""Pages to look at: crops side by side at one fruit scale, and histograms. Drawn with Pillow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tests.bench.realism_photos import Floats, Labelled, Pixels, to_common_scale

# Fruit width in crops, px, and side of a crop. Our choice: six to eight fruit widths in sight.
CROP_FRUIT_PX, CROP_PX = 44.0, 288
GAP, MARGIN, LINE = 6, 24, 30
PAPER, INK, FAINT = (255, 255, 255), (30, 30, 30), (205, 205, 205)
# Okabe and Ito's colours, told apart by colour-blind people too; real photos are grey.
REAL_COLOUR = (150, 150, 150)
COLOURS = ((213, 94, 0), (0, 114, 178), (0, 158, 115), (204, 121, 167), (230, 159, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """One histogram: values by set, real first, all in `unit`."""

    title: str
    values: tuple[Floats, ...]
    low: float
    high: float


def cut_crops(photos: Sequence[Labelled], number: int, rng: np.random.Generator) -> list[Pixels]:
    """Square crops around fruit at `CROP_FRUIT_PX`, of other photos as long as there are some."""
    found: list[Pixels] = []
    order = [index for _ in range(3) for index in rng.permutation(len(photos))]
    for index in order:
        photo = to_common_scale(photos[index], CROP_FRUIT_PX)
        height, width = photo.valid.shape
        if min(height, width) < CROP_PX:
            continue
        x, y, across, down = photo.boxes_px[rng.integers(len(photo.boxes_px))]
        left = int(np.clip(x + across / 2 - CROP_PX / 2, 0, width - CROP_PX))
        top = int(np.clip(y + down / 2 - CROP_PX / 2, 0, height - CROP_PX))
        window = np.s_[top : top + CROP_PX, left : left + CROP_PX]
        if photo.valid[window].mean() > 0.98:
            found.append(photo.rgb[window])
        if len(found) == number:
            break
    return found


def side_by_side(
    left: Sequence[Pixels], right: Sequence[Pixels], captions: tuple[str, str], columns: int = 3
) -> Image.Image:
    """Crops of one origin left, of the other right, under their captions."""
    halves = [_grid(crops, columns) for crops in (left, right)]
    width = halves[0].width + halves[1].width + 3 * MARGIN
    height = max(half.height for half in halves) + 2 * MARGIN + LINE
    page = Image.new("RGB", (width, height), PAPER)
    draw, across = ImageDraw.Draw(page), MARGIN
    for half, caption in zip(halves, captions, strict=True):
        draw.text((across, MARGIN - 6), caption, INK, _font(20))
        page.paste(half, (across, MARGIN + LINE))
        across += half.width + MARGIN
    return page


def plots_page(
    crops: Sequence[Pixels], plots: Sequence[Plot], names: tuple[str, ...], caption: str
) -> Image.Image:
    """Rendered crops left, histograms of all sets right."""
    grid = _grid(crops, 2)
    across, down = 330, 190
    rows = -(-len(plots) // 3)
    height = max(grid.height + LINE, rows * down + LINE) + 2 * MARGIN
    page = Image.new("RGB", (grid.width + 3 * across + 3 * MARGIN, height), PAPER)
    draw = ImageDraw.Draw(page)
    draw.text((MARGIN, MARGIN - 6), caption, INK, _font(20))
    page.paste(grid, (MARGIN, MARGIN + LINE))
    left = grid.width + 2 * MARGIN
    for index, (name, colour) in enumerate(zip(names, (REAL_COLOUR, *COLOURS), strict=False)):
        draw.rectangle((left + index * 200, MARGIN, left + index * 200 + 14, MARGIN + 14), colour)
        draw.text((left + index * 200 + 20, MARGIN - 4), name, INK, _font(18))
    for index, plot in enumerate(plots):
        corner = (left + index % 3 * across, MARGIN + LINE + index // 3 * down)
        _draw_plot(draw, plot, corner, (across - 30, down - 60))
    return page


def stack(pages: Sequence[Image.Image]) -> Image.Image:
    """Pages one below the other."""
    out = Image.new(
        "RGB", (max(page.width for page in pages), sum(page.height for page in pages)), PAPER
    )
    top = 0
    for page in pages:
        out.paste(page, (0, top))
        top += page.height
    return out


def _grid(crops: Sequence[Pixels], columns: int) -> Image.Image:
    rows = max(-(-len(crops) // columns), 1)
    step = CROP_PX + GAP
    out = Image.new("RGB", (columns * step - GAP, rows * step - GAP), PAPER)
    for index, crop in enumerate(crops):
        out.paste(Image.fromarray(crop), (index % columns * step, index // columns * step))
    return out


def _draw_plot(
    draw: ImageDraw.ImageDraw, plot: Plot, corner: tuple[int, int], size: tuple[int, int]
) -> None:
    """Shares of a set by value: the real set as an area, the others as lines."""
    (left, top), (width, height) = corner, size
    floor = top + 24 + height
    draw.text((left, top), plot.title, INK, _font(16))
    edges = np.linspace(plot.low, plot.high, 31)
    shares = []
    for values in plot.values:
        kept = np.clip(values[np.isfinite(values)], plot.low, plot.high)
        shares.append(np.histogram(kept, edges)[0] / max(len(kept), 1))
    highest = max(float(share.max()) for share in shares) or 1.0
    middles = left + (np.arange(30) + 0.5) * width / 30
    for share, colour in zip(shares, (REAL_COLOUR, *COLOURS), strict=False):
        points = list(zip(middles, floor - share / highest * height, strict=True))
        if colour is REAL_COLOUR:
            draw.polygon([(left, floor), *points, (left + width, floor)], fill=colour)
        else:
            draw.line(points, fill=colour, width=3)
    draw.line((left, floor, left + width, floor), INK)
    for value in np.linspace(plot.low, plot.high, 3):
        place = left + (value - plot.low) / (plot.high - plot.low) * width
        draw.line((place, floor, place, floor + 4), INK)
        draw.text((place, floor + 6), f"{value:g}", INK, _font(13), anchor="ma")


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)
