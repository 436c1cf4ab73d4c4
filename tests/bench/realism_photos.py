"""Real and rendered photos brought to one form: same codec, same fruit width, same kind of boxes.

A real set is a folder and a COCO file with human boxes. A rendered set is a folder with
`truth_photos.csv` and `truth_markers.csv`; boxes around what is seen of a fruit come from
`truth_coco.json` if that is there.
"""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Pixels = NDArray[np.uint8]

# Median fruit width to which every photo is reduced, px. Our choice: the narrowest real photo has
# 38 px, so that none, real or rendered, has to be enlarged.
FRUIT_PX = 36.0
# Photos with fewer labelled fruit say too little about their own scale. Our choice.
FEWEST_FRUIT = 5
# A person boxes a fruit from about this visible share on. Our choice; unmeasured.
SMALLEST_SHARE = 0.3
# The real photos' own codec: JPEG quality 75 with halved colour (see their SOURCE). Every photo
# is coded like this once more, before it is reduced.
JPEG_QUALITY = 75
# Boxes of the set `a81_` are 5 to 8 px loose a side (see their SOURCE): the middle.
LOOSE_PX = {"a81_": 6.5}
FRUIT_COLUMNS = ("x_px", "y_px", "width_px", "height_px", "angle_deg", "visible_share")
# Boxes narrower than this after that are slivers. Our choice.
SMALLEST_BOX_PX = 10.0
# What a fruit on its tree is called in `category`.
HANGING = "hanging fruit"
# Tiles that were never published are flat grey of this level (see their SOURCE).
MISSING_GREY = 114


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Labelled:
    """A photo file with its fruit.

    `boxes_px` : (N, 4) x, y, width, height of the fruit that are measured, full outline where it
    is known; `parts_px` : (N, 4) around what is seen, the same as `boxes_px` where nobody knows;
    `shares` : (N,) their true visible shares, NaN for real photos; `other_px` : (M, 4) fruit of
    this row that are not measured, but are no leaf either; `sheets_px` : (K, 4) sheets and balls.
    """

    path: Path
    group: str
    boxes_px: Floats
    parts_px: Floats
    shares: Floats
    other_px: Floats
    sheets_px: Floats

    @property
    def fruit_px(self) -> float:
        """Median fruit width."""
        return float(np.median(self.boxes_px[:, 2]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scaled:
    """A photo at the common scale: (H, W, 3) uint8 RGB, (H, W) what may be measured, boxes."""

    name: str
    group: str
    rgb: Pixels
    valid: Bools
    boxes_px: Floats
    parts_px: Floats
    shares: Floats
    other_px: Floats
    reduced_to: float


def real_photos(folder: Path, annotations: Path, *, fruit: str, split: str) -> list[Labelled]:
    """The photos of one fruit and split, in order of their names; truncated boxes are `other`."""
    coco = json.loads(annotations.read_text(encoding="utf-8"))
    boxes: dict[int, list[list[float]]] = defaultdict(list)
    for one in coco["annotations"]:
        boxes[one["image_id"]].append([*one["bbox"], one.get("truncated", 0)])
    found = []
    for image in sorted(coco["images"], key=lambda one: one["file_name"]):
        if image.get("fruit", fruit) != fruit or image.get("split", split) != split:
            continue
        group = image["file_name"][:4]
        rows = np.array(boxes[image["id"]], dtype=float).reshape(-1, 5)
        tight = _tighter(rows[:, :4], LOOSE_PX.get(group, 0.0))
        whole = (rows[:, 4] == 0) & (tight[:, 2:].min(axis=1) >= SMALLEST_BOX_PX)
        found.append(
            Labelled(
                path=folder / image["file_name"],
                group=group.rstrip("_"),
                boxes_px=tight[whole],
                parts_px=tight[whole],
                shares=np.full(int(whole.sum()), np.nan),
                other_px=tight[~whole],
                sheets_px=np.zeros((0, 4)),
            )
        )
    return found


def rendered_photos(folder: Path) -> list[Labelled]:
    """The photos of a rendered set, in order of their names."""
    if not (folder / "truth_photos.csv").is_file():
        msg = f"{folder} has no truth_photos.csv: not a rendered set."
        raise FileNotFoundError(msg)
    parts = _visible_parts(folder / "truth_coco.json")
    fruit: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    for row in _rows(folder / "truth_photos.csv"):
        # Nobody boxed fruit of rows behind or on the ground in the real photos.
        if row["on_this_row"] == "true" and row.get("category", HANGING) == HANGING:
            numbers = tuple(float(row[key]) for key in FRUIT_COLUMNS)
            part = parts.get((row["photo"], row["fruit_id"]), (np.nan,) * 4)
            fruit[row["photo"]].append((*numbers, *part))
    sheets = _sheets(folder / "truth_markers.csv")
    for row in _rows(folder / "truth_balls.csv"):
        ball = np.array([[float(row[key]) for key in FRUIT_COLUMNS[:5]]])
        sheets[row["photo"]].append(tuple(boxes_of_ellipses(ball)[0].tolist()))
    return [
        _labelled(folder, name, np.array(fruit[name]), sheets.get(name, []))
        for name in sorted(fruit)
    ]


def usable(photos: Iterable[Labelled], fruit_px: float = FRUIT_PX) -> list[Labelled]:
    """Those with enough fruit, that need not be enlarged."""
    return [
        one
        for one in photos
        if len(one.boxes_px) >= FEWEST_FRUIT and one.fruit_px >= fruit_px and one.path.is_file()
    ]


def to_common_scale(photo: Labelled, fruit_px: float = FRUIT_PX) -> Scaled:
    """The photo, coded alike and reduced to a median fruit width of `fruit_px`."""
    raw = _read(photo.path)
    valid = ~missing(raw)
    for x, y, width, height in photo.sheets_px:
        top, left = max(int(y), 0), max(int(x), 0)
        valid[top : max(int(y + height), 0), left : max(int(x + width), 0)] = False
    factor = fruit_px / photo.fruit_px
    size = (round(raw.shape[1] * factor), round(raw.shape[0] * factor))
    small = cv2.resize(recode(raw), size, interpolation=cv2.INTER_AREA)
    kept = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return Scaled(
        name=photo.path.name,
        group=photo.group,
        rgb=np.asarray(small, dtype=np.uint8),
        valid=kept,
        boxes_px=photo.boxes_px * factor,
        parts_px=photo.parts_px * factor,
        shares=photo.shares,
        other_px=photo.other_px * factor,
        reduced_to=factor,
    )


def recode(rgb: Pixels, quality: int = JPEG_QUALITY) -> Pixels:
    """What JPEG with halved colour makes of a picture."""
    flags = [
        cv2.IMWRITE_JPEG_QUALITY,
        quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
    ]
    _, coded = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), flags)
    return np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1], dtype=np.uint8)


def missing(rgb: Pixels) -> Bools:
    """(H, W) flat grey areas that hold no photo, with a rim for the codec's ringing."""
    grey = (np.abs(rgb.astype(np.int16) - MISSING_GREY).max(axis=2) <= 2).astype(np.uint8)
    grey = cv2.morphologyEx(grey, cv2.MORPH_OPEN, np.ones((25, 25), np.uint8))
    return np.asarray(cv2.dilate(grey, np.ones((17, 17), np.uint8)) > 0)


def boxes_of_ellipses(ellipses: Floats) -> Floats:
    """(N, 4) x, y, width, height around (N, 5) x, y, long and short axis, degrees."""
    x, y, long_px, short_px, direction = ellipses.T
    turn = np.deg2rad(direction)
    half_x = np.hypot(long_px * np.cos(turn), short_px * np.sin(turn)) / 2
    half_y = np.hypot(long_px * np.sin(turn), short_px * np.cos(turn)) / 2
    return np.column_stack([x - half_x, y - half_y, 2 * half_x, 2 * half_y])


def _read(path: Path) -> Pixels:
    pixels = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if pixels is None:
        msg = f"{path} is no photo that can be read."
        raise ValueError(msg)
    return np.ascontiguousarray(pixels[..., ::-1], dtype=np.uint8)


def _tighter(boxes: Floats, by_px: float) -> Floats:
    return np.asarray(boxes + np.array([by_px, by_px, -2 * by_px, -2 * by_px]))


def _labelled(
    folder: Path, name: str, fruit: Floats, sheets: Sequence[tuple[float, ...]]
) -> Labelled:
    boxes, counted = boxes_of_ellipses(fruit[:, :5]), fruit[:, 5] >= SMALLEST_SHARE
    parts = np.where(np.isfinite(fruit[:, 6:]), fruit[:, 6:], boxes)
    return Labelled(
        path=folder / name,
        group=folder.name,
        boxes_px=boxes[counted],
        parts_px=parts[counted],
        shares=fruit[counted, 5],
        other_px=boxes[~counted & (fruit[:, 5] > 0)],
        sheets_px=np.array(sheets, dtype=float).reshape(-1, 4),
    )


def _visible_parts(path: Path) -> dict[tuple[str, str], tuple[float, ...]]:
    """By photo and fruit: the box around what is seen."""
    if not path.is_file():
        return {}
    coco = json.loads(path.read_text(encoding="utf-8"))
    names = {image["id"]: image["file_name"] for image in coco["images"]}
    return {
        (names[one["image_id"]], one["fv_fruit_id"]): tuple(one["bbox"])
        for one in coco["annotations"]
        if not one["iscrowd"]
    }


def _sheets(path: Path) -> dict[str, list[tuple[float, ...]]]:
    """A printed sheet reaches at most a marker's side beyond the marker, on any side."""
    found: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    for row in _rows(path):
        if not row["x1_px"]:
            continue
        x = np.array([float(row[f"x{corner}_px"]) for corner in range(1, 5)])
        y = np.array([float(row[f"y{corner}_px"]) for corner in range(1, 5)])
        side = max(np.ptp(x), np.ptp(y))
        found[row["photo"]].append(
            (x.min() - side, y.min() - side, np.ptp(x) + 2 * side, np.ptp(y) + 2 * side)
        )
    return found


def _rows(path: Path) -> list[dict[str, str]]:
    """Of a table; none if it is not there."""
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))
