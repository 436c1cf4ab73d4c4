"""A COCO document of outlines that were drawn elsewhere, or exported here, read row by row.

Standard keys are as cocodataset.org/#format-data has them. Of our own keys (see `outlines_coco`)
the full outline, the visible share, the row and who drew it are used where they are there. Without
them the outline is that of `segmentation` where it is a polygon of five corners or more, else the
ellipse in `bbox`; the fruit hangs on this row; and it is taken for partly hidden, so that it is
counted and not sized: a box around what is seen of a fruit tells no diameter.

Categories taken for fruit: those whose `supercategory` is fruit, and those named apple, fruit or
pear. Balls are passed over: they are references, not fruit. Whatever makes no sense is refused by
row, and the rest goes on.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fruitvision.domain import Outline
from fruitvision.errors import FieldDataError
from fruitvision.outlines_coco import BALL, FALLEN, HANGING
from fruitvision.review import PARTLY_SEEN

# Largest document, bytes, and most rows of one. Our choice: 3,000 photos of 100 fruit, which take
# some 2 GB of memory while they are read.
MOST_BYTES = 250_000_000
MOST_ROWS = 400_000
FRUIT_NAMES = frozenset({"apple", "apples", "fruit", "pear", "pears", HANGING, FALLEN})
# Corners that an ellipse can be fitted to: it has five numbers.
_CORNERS = 5

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnFruit:
    """A fruit of a document. `number` : its id there; `fruit_id` : its number in the photo on the
    farm that the document is of, empty where it tells none.

    `by_hand` : false where the document says that a detector drew it. `fallen`, `beside`, `behind`
    : on the ground, on a neighbouring tree, in a row behind.
    """

    number: str
    fruit_id: str
    outline: Outline
    visible_share: float
    by_hand: bool
    fallen: bool
    beside: bool
    behind: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPhoto:
    """A photo of a document. Lines are heights or columns at both ends; None without.

    `checked` : somebody called all of it right.
    """

    file_name: str
    width_px: int
    height_px: int
    fruit: tuple[DrawnFruit, ...]
    ground_px: tuple[float, float] | None
    sides_px: tuple[float, float] | None
    checked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedPart:
    """A row that makes no sense: which, what is wrong, what to do."""

    name: str
    what: str
    fix: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnDocument:
    """What a document holds, in its order, and what was refused."""

    photos: tuple[DrawnPhoto, ...]
    refused: tuple[RefusedPart, ...]


class _Wrong(Exception):
    """What is wrong with a row."""


def read_drawn(path: Path) -> DrawnDocument:
    """The photos of a document.

    Raises
    ------
    FieldDataError
        If the file can't be read, is too large, or is no COCO document.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise FieldDataError(
                f"{path.name} is larger than {MOST_BYTES // 10**6} MB.", fix="Split it by photos."
            )
        plain = json.loads(path.read_bytes())
    except OSError as err:
        raise FieldDataError(f"Can't read {path}: {err.strerror}.", fix="Check it.") from err
    except (ValueError, RecursionError) as err:
        raise FieldDataError(
            f"{path.name} is no JSON document.", fix="Give a COCO file with outlines."
        ) from err
    return drawn_of(plain, path.name)


def drawn_of(plain: object, name: str) -> DrawnDocument:
    """The photos of a document that was read already; `name` is for what is said of it."""
    if not isinstance(plain, Mapping) or not all(
        isinstance(plain.get(key), list) for key in ("images", "annotations", "categories")
    ):
        raise FieldDataError(
            f"{name} is no COCO document: it needs lists of images, annotations, categories.",
            fix="Give a COCO file with outlines.",
        )
    rows = len(plain["images"]) + len(plain["annotations"])
    if rows > MOST_ROWS:
        raise FieldDataError(
            f"{name} has {rows:,} rows, more than {MOST_ROWS:,}.", fix="Split it by photos."
        )
    refused: list[RefusedPart] = []
    kinds = _categories(plain["categories"], refused)
    images = _images(plain["images"], refused)
    fruit: dict[object, list[DrawnFruit]] = {key: [] for key in images}
    seen: set[object] = set()
    for place, row in enumerate(plain["annotations"], start=1):
        try:
            key, one = _annotation(row, kinds, images, seen)
        except _Wrong as err:
            refused.append(_refused("annotation", row, place, str(err)))
            continue
        if one is not None:
            fruit[key].append(one)
    photos: list[DrawnPhoto] = []
    for key, row in images.items():
        try:
            photos.append(_photo(row, tuple(fruit[key])))
        except _Wrong as err:
            refused.append(_refused("image", row, 0, str(err)))
    return DrawnDocument(photos=tuple(photos), refused=tuple(refused))


def _refused(kind: str, row: object, place: int, what: str) -> RefusedPart:
    known = row.get("id", row.get("file_name")) if isinstance(row, Mapping) else None
    name = f"{kind} {known}" if isinstance(known, int | str) else f"{kind} in place {place}"
    return RefusedPart(name=name[:80], what=what, fix="Correct it in the file, or leave it out.")


def _categories(rows: Sequence[object], refused: list[RefusedPart]) -> dict[object, str]:
    """Name of each category: our own, HANGING for other fruit, empty for what is no fruit."""
    kinds: dict[object, str] = {}
    for place, row in enumerate(rows, start=1):
        try:
            number, name = _id(row, "id"), str(_row(row).get("name", "")).casefold()
        except _Wrong as err:
            refused.append(_refused("category", row, place, str(err)))
            continue
        is_fruit = name in FRUIT_NAMES or _row(row).get("supercategory") == "fruit"
        kinds[number] = name if name in (FALLEN, BALL) else HANGING if is_fruit else ""
    return kinds


def _images(rows: Sequence[object], refused: list[RefusedPart]) -> dict[object, Row]:
    """Rows of images by id; those whose id is there twice are refused, all of them."""
    found: dict[object, Row] = {}
    twice: set[object] = set()
    for place, row in enumerate(rows, start=1):
        try:
            number = _id(row, "id")
            if number in found:
                twice.add(number)
                raise _Wrong("Another image has the same id.")
            found[number] = _row(row)
        except _Wrong as err:
            refused.append(_refused("image", row, place, str(err)))
    return {number: row for number, row in found.items() if number not in twice}


def _row(row: object) -> Row:
    if not isinstance(row, Mapping):
        raise _Wrong("It is no object with keys.")
    return row


def _id(row: object, key: str) -> int | str:
    found = _row(row).get(key)
    if isinstance(found, bool) or not isinstance(found, int | str):
        raise _Wrong(f"Its {key} is no number and no text.")
    return found


def _annotation(
    row: object, kinds: Mapping[object, str], images: Mapping[object, Row], seen: set[object]
) -> tuple[object, DrawnFruit | None]:
    """The image that it is of, and its fruit; None for a ball."""
    number, image, category = (_id(row, key) for key in ("id", "image_id", "category_id"))
    of = _row(row)
    if number in seen:
        raise _Wrong("Another annotation has the same id.")
    seen.add(number)
    if image not in images:
        raise _Wrong(f"There is no image with the id {str(image)[:40]}.")
    if category not in kinds:
        raise _Wrong(f"There is no category with the id {str(category)[:40]}.")
    if kinds[category] == BALL:
        return image, None
    if not kinds[category]:
        raise _Wrong("Its category is no fruit.")
    if of.get("iscrowd"):
        raise _Wrong("It is a crowd, and no single fruit.")
    return image, DrawnFruit(
        number=str(number),
        fruit_id=str(of.get("fv_fruit_id", "")),
        outline=_outline(of),
        visible_share=_share(of.get("fv_visible_share", PARTLY_SEEN)),
        by_hand=of.get("fv_by_hand") is not False,
        fallen=kinds[category] == FALLEN,
        beside=of.get("fv_this_tree") is False,
        behind=of.get("fv_this_row") is False,
    )


def _numbers(value: object, length: int, key: str) -> list[float]:
    if not isinstance(value, list) or len(value) != length:
        raise _Wrong(f"{key} is no list of {length} numbers.")
    try:
        if any(isinstance(one, bool) or not isinstance(one, int | float) for one in value):
            raise _Wrong(f"{key} holds something else than numbers.")
        found = [float(one) for one in value]
    except OverflowError:
        found = [float("inf")]
    if not all(map(isfinite, found)):
        raise _Wrong(f"{key} holds a number that is not finite.")
    return found


def _share(value: object) -> float:
    (share,) = _numbers([value], 1, "fv_visible_share")
    if not 0 <= share <= 1:
        raise _Wrong("fv_visible_share is not from 0 to 1.")
    return share


def _outline(row: Row) -> Outline:
    """The full outline, its places counted from the middle of the top-left pixel."""
    if row.get("fv_ellipse_px") is not None:
        numbers = _numbers(row["fv_ellipse_px"], 5, "fv_ellipse_px")
    else:
        numbers = _fitted(row.get("segmentation")) or _in_box(row.get("bbox"))
    x, y, width, height, angle = numbers
    if min(width, height) <= 0:
        raise _Wrong("Its outline has no width or no height.")
    return Outline(centre_x_px=x, centre_y_px=y, width_px=width, height_px=height, angle_deg=angle)


def _in_box(box: object) -> list[float]:
    left, top, width, height = _numbers(box, 4, "bbox")
    return [left + width / 2 - 0.5, top + height / 2 - 0.5, width, height, 0.0]


def _fitted(segmentation: object) -> list[float]:
    """The ellipse through the corners of the largest polygon; empty where there is none."""
    if not isinstance(segmentation, list):
        return []
    polygons = [one for one in segmentation if isinstance(one, list) and len(one) >= 2 * _CORNERS]
    if not polygons:
        return []
    flat = _numbers(max(polygons, key=len), len(max(polygons, key=len)), "segmentation")
    if len(flat) % 2:
        raise _Wrong("segmentation has an odd number of places.")
    corners = np.array(flat, np.float64).reshape(-1, 2)
    try:
        (x, y), (width, height), angle = cv2.fitEllipse(corners.astype(np.float32))
    except cv2.error:
        return []
    fitted = [x - 0.5, y - 0.5, width, height, angle]
    # An ellipse that reaches far out of its corners is no fit: corners nearly in a line.
    is_fit = all(map(isfinite, fitted)) and max(width, height) <= 2 * np.ptp(corners, axis=0).max()
    return fitted if is_fit else []


def _photo(row: Row, fruit: tuple[DrawnFruit, ...]) -> DrawnPhoto:
    name = row.get("file_name")
    if not isinstance(name, str) or not name.strip():
        raise _Wrong("It has no file_name.")
    (width,), (height,) = (_numbers([row.get(key)], 1, key) for key in ("width", "height"))
    lines = {
        key: None if row.get(key) is None else _numbers(row[key], 2, key)
        for key in ("fv_ground_px", "fv_sides_px")
    }
    ground, sides = lines["fv_ground_px"], lines["fv_sides_px"]
    return DrawnPhoto(
        file_name=name,
        width_px=round(width),
        height_px=round(height),
        fruit=fruit,
        ground_px=None if ground is None else (ground[0], ground[1]),
        sides_px=None if sides is None else (sides[0], sides[1]),
        checked=row.get("fv_checked") is True,
    )
