"""How many fruit a detector sees where there is no orchard: run by hand, not a test.

    python -m tests.bench.bench_orchard_free [--detector NAME] [--images DIR] [--overlays DIR]

Looks at pictures without fruit (orchard_free.py), and at those of `--images`, without a scale.
Prints false fruit per picture, rows behind included.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw

from fruitvision.fruit.detector import (
    DEFAULT_DETECTOR,
    Detections,
    Detector,
    Image,
    choose_detector,
)
from fruitvision.fruit.foliage import LEAST_FOLIAGE_SHARE, foliage_share
from tests.bench.orchard_free import pictures, pictures_of

WORST = 5


@dataclass(frozen=True, slots=True)
class Result:
    """What was seen in one picture: `behind` of the fruit are said to be of a row behind."""

    name: str
    false_fruit: int
    behind: int
    best_score: float
    leaves: float


def main(argv: list[str] | None = None) -> None:
    """Look at all pictures and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--detector", default=DEFAULT_DETECTOR)
    parser.add_argument("--images", type=Path, help="more pictures without fruit")
    parser.add_argument("--every", type=int, default=1, help="of --images: every n-th")
    parser.add_argument("--overlays", type=Path, help="folder for the worst pictures, drawn")
    given = parser.parse_args(argv)
    detector = choose_detector(given.detector)
    results = _all_of(detector, pictures(), given.overlays)
    _say([f"{detector.name}, version {detector.version}"])
    _say(lines_of("pictures without an orchard", results))
    if given.images:
        more = list(pictures_of(given.images))[:: given.every]
        _say(lines_of(str(given.images.name), _all_of(detector, more, given.overlays)))


def _all_of(
    detector: Detector, some: Iterable[tuple[str, Image]], overlays: Path | None
) -> list[Result]:
    drawn: list[tuple[int, str, Image]] = []
    results = []
    for name, image in some:
        found = detector.detect(image, mm_per_px=None)
        results.append(
            Result(
                name=name,
                false_fruit=len(found),
                behind=int((~found.on_this_row).sum()),
                best_score=float(found.scores.max(initial=0.0)),
                leaves=foliage_share(image),
            )
        )
        if overlays is not None and len(found):
            drawn.append((len(found), name, _drawn(image, found)))
    if overlays is not None:
        overlays.mkdir(parents=True, exist_ok=True)
        for number, name, image in sorted(drawn, key=lambda one: -one[0])[:WORST]:
            plain = "".join(letter if letter.isalnum() else "_" for letter in name)
            PillowImage.fromarray(image).save(overlays / f"{number:03d}_{plain}.jpg", quality=88)
    return results


def lines_of(title: str, results: Sequence[Result]) -> Iterator[str]:
    """The figures in lines."""
    counts = np.array([one.false_fruit for one in results])
    yield f"{title}: {len(results)}"
    yield (
        f"  {counts.mean():.2f} false fruit a picture, {counts.sum()} in all, none in "
        f"{(counts == 0).mean():.0%}"
    )
    leafy = sum(one.leaves >= LEAST_FOLIAGE_SHARE for one in results)
    yield f"  {leafy} pictures have colours of leaves enough for a tree"
    yield f"  of them said to be behind: {sum(one.behind for one in results)}"
    worst = sorted(results, key=lambda one: -one.false_fruit)
    for one in worst[: max(WORST, int((counts > 0).sum()))]:
        yield (
            f"  {one.false_fruit:3d} ({one.behind} behind) {one.name}; best score "
            f"{one.best_score:.2f}, leaves {one.leaves:.1%}"
        )


def _drawn(image: Image, found: Detections) -> Image:
    canvas = PillowImage.fromarray(image)
    draw = ImageDraw.Draw(canvas)
    line = max(2, round(max(canvas.size) / 400))
    for (left, top, right, bottom), score in zip(found.boxes, found.scores, strict=True):
        draw.ellipse((left, top, right, bottom), outline=(255, 0, 255), width=line)
        draw.text((left, top), f"{score:.2f}", fill=(255, 255, 255))
    return np.asarray(canvas, dtype=np.uint8)


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
