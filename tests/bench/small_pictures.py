"""How well a detector does on small pictures: windows cut from row photos made smaller.

    python -m tests.bench.small_pictures --images DIR --coco FILE --split val [--detector NAME]

Photos are reduced until their usual fruit has a given width, cut into windows, and coded as JPEG.
Boxes of which less than half lies in a window are neither right nor wrong. Each line gives F1 at an
overlap of 0.2 at the card's threshold and at the best one, precision, recall, and the bias of the
count; `soft` pictures were made still smaller and larger again, as crops of poor videos are.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage

from fruitvision.domain import Photo
from fruitvision.evaluate.figures import figures_of
from fruitvision.evaluate.run import Looking, photo_result, threshold_of
from fruitvision.evaluate.truth import TruthPhoto, read_truth
from fruitvision.fruit.detector import DEFAULT_DETECTOR, Image, choose_detector
from fruitvision.photo import read_photo

Floats = NDArray[np.float64]

WINDOW_PX = (308, 202)
WIDTHS_PX = (18, 24, 32)
# What a soft picture is reduced by before it is enlarged again.
SOFT = 0.6
QUALITY = 75
# Of a box that a window cuts, at least this must be in it to be wanted; of less than the second
# nothing is asked.
LEAST_SHARE, NO_SHARE = 0.5, 0.02
# Share of a window that may be missing from the photo.
MOST_MISSING = 0.05
# Windows of one photo, spread over it by chance.
WINDOWS = 2


def main(argv: list[str] | None = None) -> None:
    """Look at all windows and print a line per width."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--images", type=Path, required=True)
    parser.add_argument("--coco", type=Path, required=True)
    parser.add_argument("--split")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--detector", default=DEFAULT_DETECTOR)
    given = parser.parse_args(argv)
    detector = choose_detector(given.detector)
    photos = read_truth(given.coco, split=given.split)[:: given.every]
    for width_px in WIDTHS_PX:
        for soft in (False, True):
            results = [
                photo_result(detector, window, image, photo, Looking(scale=False))
                for truth in photos
                for image, photo, window in windows_of(truth, given.images, width_px, soft=soft)
            ]
            own = figures_of(results, threshold_of(detector))
            rates, best = own.there.own, own.there.best
            sys.stdout.write(
                f"{width_px} px{', soft' if soft else '':6s} {len(results)} windows, {own.wanted} "
                f"fruit: F1 {rates.f1:.3f}, best {best.f1:.3f}; precision {rates.precision:.3f}, "
                f"recall {rates.recall:.3f}, count {own.count.total_bias_percent:+.0f} %\n"
            )


def windows_of(
    truth: TruthPhoto, folder: Path, width_px: float, *, soft: bool
) -> Iterator[tuple[Image, Photo, TruthPhoto]]:
    """Pictures of WINDOW_PX or less, and what is in them."""
    image, photo = read_photo(folder / truth.name)
    wanted = truth.boxes[~truth.ignored]
    if not len(wanted):
        return
    factor = width_px / float(np.median((wanted[:, 2:] - wanted[:, :2]).max(axis=1)))
    small = _resized(image, factor)
    if soft:
        size = (small.shape[1], small.shape[0])
        smaller = _resized(small, SOFT)
        small = np.asarray(cv2.resize(smaller, size, interpolation=cv2.INTER_LINEAR), np.uint8)
    for left, top in _places(small, truth.gaps * factor, truth.image_id):
        right, bottom = left + WINDOW_PX[0], top + WINDOW_PX[1]
        window = _coded(small[top:bottom, left:right])
        yield window, photo, _inside(truth, factor, (left, top), window)


def _resized(image: Image, factor: float) -> Image:
    return np.asarray(
        cv2.resize(image, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8
    )


def _places(image: Image, gaps: Floats, seed: int) -> list[tuple[int, int]]:
    """Corners of windows side by side that show the photo, in an order drawn by chance."""
    across, down = (
        np.linspace(0, max(0, side - window), max(1, side // window)).astype(int)
        for side, window in zip(image.shape[1::-1], WINDOW_PX, strict=True)
    )
    size = np.array(WINDOW_PX, dtype=float)
    places = []
    for corner in ((int(left), int(top)) for left in across for top in down):
        low = np.maximum(gaps[:, :2], corner)
        high = np.minimum(gaps[:, 2:], corner + size)
        missing = np.clip(high - low, 0, None).prod(axis=1).sum()
        if missing <= MOST_MISSING * size.prod():
            places.append(corner)
    order = np.random.default_rng(seed).permutation(len(places))
    return [places[index] for index in order[:WINDOWS]]


def _coded(image: Image) -> Image:
    buffer = BytesIO()
    PillowImage.fromarray(np.ascontiguousarray(image)).save(buffer, "JPEG", quality=QUALITY)
    with PillowImage.open(buffer) as picture:
        return np.asarray(picture.convert("RGB"), dtype=np.uint8)


def _inside(truth: TruthPhoto, factor: float, corner: tuple[int, int], window: Image) -> TruthPhoto:
    boxes = truth.boxes * factor - np.tile(corner, 2)
    cut = np.clip(boxes, 0, np.tile(window.shape[1::-1], 2))
    share = (cut[:, 2:] - cut[:, :2]).prod(axis=1) / (boxes[:, 2:] - boxes[:, :2]).prod(axis=1)
    kept = share > NO_SHARE
    return replace(
        truth,
        boxes=cut[kept],
        ignored=(truth.ignored | (share < LEAST_SHARE))[kept],
        crowd=truth.crowd[kept],
        outlines=np.full((int(kept.sum()), 5), np.nan),
        visible_shares=truth.visible_shares[kept],
        on_this_row=truth.on_this_row[kept],
        hanging=truth.hanging[kept],
        balls=np.zeros((0, 4)),
        gaps=np.zeros((0, 4)),
    )


if __name__ == "__main__":
    main()
