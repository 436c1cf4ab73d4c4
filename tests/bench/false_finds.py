"""A page of finds that were counted as false, to look at: how many are fruit that nobody marked?

    python -m tests.bench.false_finds --images DIR --coco FILE --split val --out PAGE.png

Draws so many of them by chance: finds at the card's threshold that overlap no marked fruit by 0.2.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw

from fruitvision.evaluate.matching import THERE
from fruitvision.evaluate.run import Looking, PhotoResult, evaluate, threshold_of
from fruitvision.evaluate.truth import read_truth
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector

# Finds on the page, in a row, side of each and margin between, px; what is shown around a find, in
# widths of it to each side. Our choice.
FINDS, COLUMNS, SIDE_PX, MARGIN_PX, AROUND = 48, 8, 166, 4, 1.4
FRAME = (255, 120, 0)

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Find:
    """A box (left, top, right, bottom), px, in a photo."""

    photo: Path
    box: Box


def main(argv: list[str] | None = None) -> None:
    """Look at the photos and draw the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--images", type=Path, required=True)
    parser.add_argument("--coco", type=Path, required=True)
    parser.add_argument("--split")
    parser.add_argument("--detector", default=DEFAULT_DETECTOR)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args(argv)
    detector = choose_detector(given.detector)
    photos = read_truth(given.coco, split=given.split)
    results, _ = evaluate(
        detector, photos, given.images, looking=Looking(), on_progress=lambda *_: None
    )
    found = [
        one for result in results for one in _false(result, given.images, threshold_of(detector))
    ]
    order = np.random.default_rng(given.seed).permutation(len(found))[:FINDS]
    page([found[index] for index in sorted(order.tolist())]).save(given.out)
    sys.stdout.write(f"{len(found)} false finds, {len(order)} of them on {given.out}\n")


def _false(result: PhotoResult, images: Path, threshold: float) -> list[Find]:
    matches = result.matches[THERE]
    false = ~matches.right & ~matches.ignored & (result.scores >= threshold)
    photo = images / result.truth.name
    return [Find(photo, (box[0], box[1], box[2], box[3])) for box in result.boxes[false].tolist()]


def page(finds: list[Find]) -> PillowImage.Image:
    """The finds in rows, numbered from 1."""
    rows, step = -(-len(finds) // COLUMNS), SIDE_PX + MARGIN_PX
    out = PillowImage.new("RGB", (COLUMNS * step, max(rows, 1) * step))
    for number, find in enumerate(finds):
        part = _part(find)
        ImageDraw.Draw(part).text((2, 2), str(number + 1), fill="white")
        out.paste(part, (number % COLUMNS * step, number // COLUMNS * step))
    return out


def _part(find: Find) -> PillowImage.Image:
    left, top, right, bottom = find.box
    half = AROUND * max(right - left, bottom - top)
    corner = (int((left + right) / 2 - half), int((top + bottom) / 2 - half))
    with PillowImage.open(find.photo) as photo:
        part = photo.convert("RGB").crop(
            (*corner, corner[0] + int(2 * half), corner[1] + int(2 * half))
        )
    scale = SIDE_PX / part.width
    shown = part.resize((SIDE_PX, SIDE_PX))
    frame = [(value - corner[at % 2]) * scale for at, value in enumerate(find.box)]
    ImageDraw.Draw(shown).rectangle(frame, outline=FRAME)
    return shown


if __name__ == "__main__":
    main()
