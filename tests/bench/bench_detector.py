"""Score a detector on photos with human boxes: run by hand, not part of the tests.

    python tests/bench/bench_detector.py --annotations FILE --images DIR --split val

The file is COCO; a photo may say `split` and `fruit`, a box `truncated` = 1 (not scored). Areas of
flat grey are taken as missing. Some people box the visible part of a fruit, some the whole: the
better fit of outline and visible part counts. Photos with fewer than 10 boxes have no count error.
Prints one line per fruit kind: AP at an overlap of 0.5, F1 at the
detector's own threshold, count error per photo, seconds per photo.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.classical import ClassicalDetector
from fruitvision.fruit.detector import Detections

Floats = NDArray[np.float64]

# Scores below this never matter for AP.
LOWEST_SCORE = 0.03
# Overlap (intersection over union) from which a box is found: the usual one.
FOUND_OVERLAP = 0.5


@dataclass(frozen=True, slots=True)
class Scored:
    """One photo: scores of all counted outlines, which of them are right, boxes, seconds."""

    kind: str
    scores: Floats
    right: NDArray[np.bool_]
    boxes: int
    seconds: float


def main(argv: list[str] | None = None) -> None:
    """Score the photos of one split and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--annotations", type=Path, required=True)
    parser.add_argument("--images", type=Path, required=True)
    parser.add_argument("--split", default="val")
    parser.add_argument("--every", type=int, default=1, help="take every n-th photo")
    given = parser.parse_args(argv)
    coco = json.loads(given.annotations.read_text())
    photos = [one for one in coco["images"] if one.get("split", given.split) == given.split]
    boxes: dict[int, list[list[float]]] = {}
    for one in coco["annotations"]:
        boxes.setdefault(one["image_id"], []).append([*one["bbox"], one.get("truncated", 0)])
    scored = [
        score_photo(
            given.images / one["file_name"], np.array(boxes[one["id"]]), one.get("fruit", "")
        )
        for one in photos[:: given.every]
        if one["id"] in boxes
    ]
    for kind in sorted({one.kind for one in scored}):
        sys.stdout.write(_line(kind, [one for one in scored if one.kind == kind]) + "\n")


def score_photo(path: Path, boxes: Floats, kind: str) -> Scored:
    """One photo against its boxes: (N, 5) x, y, width, height, 1 if not to be scored."""
    image = np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])
    start = time.perf_counter()
    found = ClassicalDetector(threshold=LOWEST_SCORE).detect(image, mm_per_px=None)
    seconds = time.perf_counter() - start
    near = found.on_this_row & ~_in_grey(image, found.outlines)
    outlines, scores = _as_boxes(found)[near], found.scores[near]
    order = np.argsort(-scores)
    parts = _visible_boxes(found)[near]
    overlap = np.maximum(
        _overlaps(outlines[order], boxes[:, :4]), _overlaps(parts[order], boxes[:, :4])
    )
    whole = boxes[:, 4] == 0
    free = whole.copy()
    right, scored = [], []
    for row, score in zip(overlap, scores[order], strict=True):
        best = int(np.where(free, row, 0).argmax())
        if free[best] and row[best] >= FOUND_OVERLAP:
            free[best] = False
            right.append(True)
        elif (row[~whole] > 0.3).any():
            continue
        else:
            right.append(False)
        scored.append(score)
    return Scored(kind, np.array(scored), np.array(right, dtype=bool), int(whole.sum()), seconds)


def _as_boxes(found: Detections) -> Floats:
    """(N, 4) x, y, width, height around the full outlines."""
    x, y, long_px, short_px, direction = found.outlines.T
    turn = np.deg2rad(direction)
    half_x = np.hypot(long_px * np.cos(turn), short_px * np.sin(turn)) / 2
    half_y = np.hypot(long_px * np.sin(turn), short_px * np.cos(turn)) / 2
    return np.column_stack([x - half_x, y - half_y, 2 * half_x, 2 * half_y])


def _visible_boxes(found: Detections) -> Floats:
    """(N, 4) x, y, width, height around the visible masks."""
    out = np.zeros((len(found), 4))
    for index, (mask, origin) in enumerate(zip(found.masks, found.mask_origins, strict=True)):
        rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        if len(rows):
            size = (np.ptp(columns) + 1, np.ptp(rows) + 1)
            out[index] = (origin[0] + columns[0] - 0.5, origin[1] + rows[0] - 0.5, *size)
    return out


def _in_grey(image: NDArray[np.uint8], outlines: Floats) -> NDArray[np.bool_]:
    grey = (np.abs(image.astype(np.int16) - 114).max(axis=2) <= 2).astype(np.uint8)
    grey = cv2.morphologyEx(grey, cv2.MORPH_OPEN, np.ones((25, 25), np.uint8))
    grey = cv2.dilate(grey, np.ones((25, 25), np.uint8)) > 0
    column = np.clip(outlines[:, 0].round().astype(int), 0, image.shape[1] - 1)
    row = np.clip(outlines[:, 1].round().astype(int), 0, image.shape[0] - 1)
    return np.asarray(grey[row, column])


def _overlaps(one: Floats, other: Floats) -> Floats:
    """(N, M) intersection over union of boxes x, y, width, height."""
    low = np.maximum(one[:, None, :2], other[None, :, :2])
    high = np.minimum((one[:, :2] + one[:, 2:])[:, None], (other[:, :2] + other[:, 2:])[None])
    common = np.clip(high - low, 0, None).prod(axis=2)
    union = one[:, 2:].prod(axis=1)[:, None] + other[:, 2:].prod(axis=1)[None] - common
    return np.asarray(common / union)


def _line(kind: str, photos: list[Scored]) -> str:
    scores = np.concatenate([one.scores for one in photos])
    right = np.concatenate([one.right for one in photos])[np.argsort(-scores)]
    boxes = sum(one.boxes for one in photos)
    hits = np.cumsum(right)
    precision = hits / np.arange(1, len(hits) + 1)
    envelope = np.maximum.accumulate(precision[::-1])[::-1]
    average = float(np.sum(envelope * right) / boxes)
    threshold = ClassicalDetector().threshold
    taken = int((scores >= threshold).sum())
    f1 = 2 * hits[taken - 1] / (taken + boxes) if taken else 0.0
    counts = [
        ((one.scores >= threshold).sum() - one.boxes) / one.boxes
        for one in photos
        if one.boxes >= 10
    ]
    best = np.argmax(2 * hits / (np.arange(1, len(hits) + 1) + boxes))
    best_f1 = 2 * hits[best] / (best + 1 + boxes)
    return (
        f"{kind:8s} {len(photos):3d} photos {boxes:6d} boxes  AP50 {average:.3f}  F1 {f1:.3f} "
        f"(precision {hits[max(taken - 1, 0)] / max(taken, 1):.3f}, "
        f"recall {hits[max(taken - 1, 0)] / boxes:.3f}; best F1 {best_f1:.3f} at "
        f"{np.sort(scores)[::-1][best]:.2f})  count error {100 * np.mean(np.abs(counts)):.0f} %, "
        f"bias {100 * np.mean(counts):+.0f} %  "
        f"{np.median([one.seconds for one in photos]):.1f} s per photo"
    )


if __name__ == "__main__":
    main()
