"""Photos that people put right as a COCO document, to train or to try a detector on.

Standard keys are as cocodataset.org/#format-data has them; `bbox` and `segmentation` are of the
full outline where the picture shows it, since what leaves hide of a fruit is not kept. Names of
people are not in it. Further keys:

| key of an image | meaning |
|---|---|
| source | "reviewed" |
| fv_checked | somebody looked at all that was found in it; else fruit may be missing or wrong |
| fv_ground_px | height of the ground line at the left and the right edge; null without |
| fv_sides_px | left and right limit of the tree; null without |

| key of an annotation | meaning |
|---|---|
| truncated | 1: its outline leaves the picture |
| fv_fruit_id | its number in the photo |
| fv_ellipse_px | full outline: x, y, long axis, short axis, degrees clockwise from +x |
| fv_visible_share | part of the outline that is seen, 0 to 1 |
| fv_this_row, fv_row_behind | false and 1 for fruit of a row behind |
| fv_this_tree | false for fruit of a neighbouring tree |
| fv_by_hand | a person drew the outline |
| fv_diameter_mm | null where it was not sized |

`fv_ellipse_px` counts from the middle of the top-left pixel, as all places here; `bbox` and
`segmentation` from its corner, as COCO does.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Ball, Fruit, Outline, Photo
from fruitvision.review import HAND, Reviewed

HANGING, FALLEN, BALL = "hanging fruit", "fallen fruit", "ball of known size"
CATEGORIES = (HANGING, FALLEN, BALL)
# Corners of an outline as a polygon. Our choice: it then covers 99.7 % of the ellipse.
CORNERS = 48

Json = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlinedPhoto:
    """A photo for the document. `file_name` : relative to the folder of the photos."""

    file_name: str
    reviewed: Reviewed


def coco_text(photos: Sequence[OutlinedPhoto], *, made_on: date) -> str:
    """The document, one image or annotation a line, numbered from 1 in this order."""
    images: list[Json] = []
    annotations: list[Json] = []
    for number, photo in enumerate(photos, start=1):
        images.append({"id": number, **_image(photo)})
        for one in _annotations(photo.reviewed):
            annotations.append({"id": len(annotations) + 1, "image_id": number, **one})
    parts = {
        "info": _compact(
            {
                "description": "Fruit in row photos, outlined by fruitvision and put right by hand",
                "version": "1",
                "year": made_on.year,
                "date_created": made_on.isoformat(),
            }
        ),
        "licenses": "[]",
        "categories": _lines(
            [
                {
                    "id": number,
                    "name": name,
                    "supercategory": "reference" if name == BALL else "fruit",
                }
                for number, name in enumerate(CATEGORIES, start=1)
            ]
        ),
        "images": _lines(images),
        "annotations": _lines(annotations),
    }
    return "{\n" + ",\n".join(f'"{key}":{text}' for key, text in parts.items()) + "\n}\n"


def _compact(value: Json) -> str:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _lines(items: Sequence[Json]) -> str:
    return "[\n" + ",\n".join(map(_compact, items)) + "\n]" if items else "[]"


def _image(photo: OutlinedPhoto) -> Json:
    reviewed, taken = photo.reviewed, photo.reviewed.photo.photo
    ground, sides = reviewed.ground, reviewed.sides
    return {
        "file_name": photo.file_name,
        "width": taken.width_px,
        "height": taken.height_px,
        "date_captured": taken.taken_at.strftime("%Y-%m-%d %H:%M:%S") if taken.taken_at else "",
        "source": "reviewed",
        "fv_checked": reviewed.checked is not None,
        "fv_ground_px": None if ground is None else [ground.left_y_px, ground.right_y_px],
        "fv_sides_px": None if sides is None else [sides.left_x_px, sides.right_x_px],
    }


def _annotations(reviewed: Reviewed) -> list[Json]:
    photo = reviewed.photo.photo
    numbers = _numbers(reviewed.photo.fruit)
    found = [_fruit(fruit, reviewed, photo, numbers) for fruit in reviewed.photo.fruit]
    found += [_ball(ball, photo) for ball in reviewed.photo.balls]
    return [one for one in found if one["area"] > 0]


def _numbers(fruit: Sequence[Fruit]) -> dict[str, str]:
    """Numbers in the photo; those that only people saw are hand1, hand2, ... on every farm."""
    by_hand = [one.fruit_id for one in fruit if one.fruit_id.startswith(HAND)]
    renamed = {name: f"{HAND}{number}" for number, name in enumerate(by_hand, start=1)}
    return {one.fruit_id: renamed.get(one.fruit_id, one.fruit_id) for one in fruit}


def _rounded(outline: Outline) -> Outline:
    """As it is written, so that all keys of a fruit are of one outline."""
    return Outline(
        centre_x_px=round(outline.centre_x_px, 2),
        centre_y_px=round(outline.centre_y_px, 2),
        width_px=max(round(outline.width_px, 2), 0.01),
        height_px=max(round(outline.height_px, 2), 0.01),
        angle_deg=round(outline.angle_deg, 2),
    )


def _fruit(fruit: Fruit, reviewed: Reviewed, photo: Photo, numbers: dict[str, str]) -> Json:
    outline = _rounded(fruit.outline)
    fallen = fruit.fruit_id in reviewed.fallen
    beside = fruit.fruit_id in reviewed.beside
    behind = not (fruit.on_this_row or fallen or beside)
    return {
        **_region(FALLEN if fallen else HANGING, outline, photo),
        "fv_fruit_id": numbers[fruit.fruit_id],
        "fv_ellipse_px": [
            outline.centre_x_px,
            outline.centre_y_px,
            outline.width_px,
            outline.height_px,
            outline.angle_deg,
        ],
        "fv_visible_share": round(fruit.visible_share, 3),
        "fv_this_row": not behind,
        "fv_row_behind": int(behind),
        "fv_this_tree": not beside,
        "fv_by_hand": fruit.fruit_id in reviewed.drawn,
        "fv_diameter_mm": None if fruit.diameter_mm is None else round(fruit.diameter_mm, 1),
    }


def _ball(ball: Ball, photo: Photo) -> Json:
    outline = Outline(
        centre_x_px=ball.centre_x_px,
        centre_y_px=ball.centre_y_px,
        width_px=ball.width_px,
        height_px=ball.height_px,
        angle_deg=ball.angle_deg,
    )
    return {**_region(BALL, outline, photo), "fv_diameter_mm": ball.diameter_mm}


def _region(category: str, outline: Outline, photo: Photo) -> Json:
    """Standard keys, of the part inside the picture."""
    whole = _corners(outline)
    inside = np.clip(whole, 0.0, [photo.width_px, photo.height_px])
    left, top = inside.min(axis=0)
    right, bottom = inside.max(axis=0)
    return {
        "category_id": CATEGORIES.index(category) + 1,
        "bbox": [round(float(value), 2) for value in (left, top, right - left, bottom - top)],
        "area": round(_area(inside), 1),
        "iscrowd": 0,
        "segmentation": [[round(float(value), 2) for value in inside.ravel()]],
        "truncated": int(not np.array_equal(inside, whole)),
    }


def _corners(outline: Outline) -> NDArray[np.float64]:
    """(CORNERS, 2) places on the outline, counted from the corner of the top-left pixel."""
    along = np.arange(CORNERS) * 2 * pi / CORNERS
    turn = np.radians(outline.angle_deg)
    u, v = outline.width_px / 2 * np.cos(along), outline.height_px / 2 * np.sin(along)
    x = outline.centre_x_px + u * np.cos(turn) - v * np.sin(turn)
    y = outline.centre_y_px + u * np.sin(turn) + v * np.cos(turn)
    return np.column_stack([x, y]) + 0.5


def _area(corners: NDArray[np.float64]) -> float:
    """Of a polygon, px² (the shoelace formula)."""
    x, y = corners.T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)
