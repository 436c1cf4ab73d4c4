"""Draws docs/detector_difficulty.jpg: parts of rendered photos, one a class. Run by hand.

    python -m tests.bench.draw_difficulty [--out FILE]

Each part is the one of the photo where most fruit hang; the whole photo is looked at.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from fruitvision.evaluate.pictures import DARK, IGNORED, draw_result
from fruitvision.evaluate.run import Looking, photo_path, photo_result
from fruitvision.evaluate.truth import read_truth
from fruitvision.fruit.detector import Image, choose_detector
from fruitvision.photo import read_photo
from tests.bench.bench_difficulty import ORCHARDS, STANDS_FOR

# Side of a part in the photo and on the page, px, and columns. Our choice: under 400 kB.
PART_PX, SHOWN_PX, COLUMNS = 640, 440, 3
TITLE_PX = 28
JPEG_QUALITY = 78
# Balls have to be in the part that shows them.
WEIGHT_OF_A_BALL = 6


def main(argv: list[str] | None = None) -> None:
    """Look at one photo a class and draw the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("docs/detector_difficulty.jpg"))
    given = parser.parse_args(argv)
    parts = [_part(name) for name in STANDS_FOR]
    lines = -(-len(parts) // COLUMNS)
    page = PillowImage.new("RGB", (COLUMNS * SHOWN_PX, lines * (SHOWN_PX + TITLE_PX)), DARK)
    draw = ImageDraw.Draw(page)
    for index, ((name, words), part) in enumerate(zip(STANDS_FOR.items(), parts, strict=True)):
        x = index % COLUMNS * SHOWN_PX
        y = index // COLUMNS * (SHOWN_PX + TITLE_PX)
        page.paste(PillowImage.fromarray(part).resize((SHOWN_PX, SHOWN_PX)), (x, y + TITLE_PX))
        draw.text((x + 8, y + 5), f"{name}: {words}", fill=IGNORED, font=ImageFont.load_default(16))
    page.save(given.out, quality=JPEG_QUALITY, optimize=True)


def _part(name: str) -> Image:
    folder = ORCHARDS / name
    truth = read_truth(folder / "truth_coco.json")[0]
    image, photo = read_photo(photo_path(folder, truth.name))
    result = photo_result(choose_detector(), truth, image, photo, Looking())
    weights = np.concatenate([~truth.ignored, np.full(len(truth.balls), WEIGHT_OF_A_BALL)])
    left, top = _fullest(np.concatenate([truth.boxes, truth.balls]), weights, image)
    drawn = draw_result(image, result)
    return drawn[top : top + PART_PX, left : left + PART_PX]


def _fullest(boxes: NDArray[np.float64], weights: NDArray[np.generic], image: Image) -> list[int]:
    """Left and top of the square with most of the boxes' middles."""
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2
    limits = np.array([image.shape[1] - PART_PX, image.shape[0] - PART_PX])
    best, most = [0, 0], -1.0
    for middle in middles:
        corner = np.clip(middle - PART_PX / 2, 0, limits)
        inside = ((middles >= corner) & (middles < corner + PART_PX)).all(axis=1)
        if (held := float(weights[inside].sum())) > most:
            best, most = [int(corner[0]), int(corner[1])], held
    return best


if __name__ == "__main__":
    main()
