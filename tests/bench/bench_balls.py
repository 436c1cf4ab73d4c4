"""Balls in photos with known truth: what a person points at, what is found by colour; false balls.

python -m tests.bench.bench_balls tests/orchards/frost-hit --colour white
python -m tests.bench.bench_balls --false PHOTO...
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.balls import BALL_COLOURS, find_balls, measure_ball
from fruitvision.domain import Ball, Photo
from fruitvision.errors import ReferenceRefused
from fruitvision.photo import read_photo
from fruitvision.reference import find_references

Image = NDArray[np.uint8]
# A box by hand is up to so many px loose or tight at each side.
LOOSE_PX = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueBall:
    """A ball of the truth: outline in the picture, diameter, depth over focal length."""

    x_px: float
    y_px: float
    width_px: float
    diameter_mm: float
    mm_per_px: float


def true_balls(folder: Path) -> Iterator[tuple[Image, Photo, list[TrueBall]]]:
    """Each photo of a folder that has balls."""
    by_photo: dict[str, list[dict[str, str]]] = {}
    with (folder / "truth_balls.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            by_photo.setdefault(row["photo"], []).append(row)
    for name, rows in by_photo.items():
        image, photo = read_photo(folder / name)
        assert photo.focal_px is not None
        yield (
            image,
            photo,
            [
                TrueBall(
                    x_px=float(row["x_px"]),
                    y_px=float(row["y_px"]),
                    width_px=float(row["width_px"]),
                    diameter_mm=float(row["diameter_mm"]),
                    mm_per_px=float(row["depth_mm"]) / photo.focal_px,
                )
                for row in rows
            ],
        )


def said(errors: list[float], steps: list[float]) -> str:
    """Bias, spread and the spread of the standardised errors, in words."""
    if not errors:
        return "none"
    percent = 100 * np.array(errors)
    return (
        f"{len(percent)}: bias {percent.mean():.2f} %, sd {percent.std():.2f} %, "
        f"largest {np.abs(percent).max():.1f} %, standardised sd {np.std(steps):.2f}"
    )


def bench(folder: Path, colour: str) -> None:
    """Print the figures of a folder."""
    rng = np.random.default_rng(1)
    pointed: tuple[list[float], list[float]] = ([], [])
    found: tuple[list[float], list[float]] = ([], [])
    balls = refused = false = 0
    for image, photo, truths in true_balls(folder):
        balls += len(truths)
        for truth in truths:
            box = np.array([truth.x_px, truth.y_px] * 2)
            box += np.array([-1, -1, 1, 1]) * truth.width_px / 2
            box += rng.uniform(-LOOSE_PX, LOOSE_PX, 4)
            try:
                ball = measure_ball(
                    image, photo, box, diameter_mm=truth.diameter_mm, found_by="person"
                )
            except ReferenceRefused:
                refused += 1
                continue
            if ball.doubts:
                refused += 1
            else:
                _keep(pointed, ball, truth)
        markers = [one for one in find_references(image, photo, side_mm=150.0) if not one.doubts]
        scale = markers[0].mm_per_px if markers else None
        size = truths[0].diameter_mm
        for ball in find_balls(image, photo, diameter_mm=size, colour=colour, mm_per_px=scale):
            here = [one for one in truths if _same(ball, one)]
            if here:
                _keep(found, ball, here[0])
            else:
                false += 1
    sys.stdout.write(
        f"{balls} balls. Pointed at {said(*pointed)}; refused {refused}.\n"
        f"Found by colour ({colour}) {said(*found)}; false {false}.\n"
    )


def _keep(kept: tuple[list[float], list[float]], ball: Ball, truth: TrueBall) -> None:
    error = ball.mm_per_px - truth.mm_per_px
    kept[0].append(error / truth.mm_per_px)
    kept[1].append(error / ball.mm_per_px_error)


def _same(ball: Ball, truth: TrueBall) -> bool:
    gap = np.hypot(ball.centre_x_px - truth.x_px, ball.centre_y_px - truth.y_px)
    return bool(gap < 0.3 * truth.width_px)


def bench_false(paths: list[Path]) -> None:
    """Print how many balls of each colour are found where none hang."""
    counts = dict.fromkeys(BALL_COLOURS, 0)
    for path in paths:
        image, photo = read_photo(path)
        for colour in counts:
            found = find_balls(image, photo, diameter_mm=60.0, colour=colour, mm_per_px=None)
            counts[colour] += len(found)
    sys.stdout.write(f"{len(paths)} photos without balls: {counts}\n")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("paths", nargs="+", type=Path)
    parser.add_argument("--colour", default="white")
    parser.add_argument("--false", action="store_true")
    given = parser.parse_args()
    if given.false:
        bench_false(given.paths)
    else:
        for folder in given.paths:
            bench(folder, given.colour)
