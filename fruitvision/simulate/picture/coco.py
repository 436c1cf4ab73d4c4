"""The truth of photos as a COCO document, which most tools for detection read.

Standard keys are as cocodataset.org/#format-data has them. A fruit is annotated where at least one
pixel belongs to it; one of which nothing is seen is in the CSV only. Balls are annotated too. The
last annotation of a photo, with `iscrowd` 1 and standard keys only, holds all fruit of rows behind
that are too small for one each: a detector that finds some of them is not wrong, and COCO's own
evaluation passes over them.
Further keys start with `fv_`; lengths and places as `picture.truth` says:

| key of an image | meaning |
|---|---|
| fv_tree, fv_face, fv_step | [block, row, position] photographed; A or B; steps along the row |
| fv_light | in words |
| fv_camera_matrix | rows of the 3 x 3 matrix, px |
| fv_distortion | k1, k2, p1, p2, k3 as OpenCV numbers them |
| fv_rotation, fv_position_mm | x_camera = rotation (x_world - position); OpenCV's axes |
| fv_marker | id, side_mm, corners_px (top left, then clockwise), depth_mm, tilt_deg; null if none |
| fv_balls | list of id, diameter_mm, ellipse_px, centre_mm, visible_share |

| key of an annotation | meaning |
|---|---|
| bbox, area, segmentation | of the pixels that are seen; standard |
| fv_fruit_id | unique in the photo, of hanging fruit on the farm |
| fv_tree | [row, position] in the block of the photo; null outside the register |
| fv_this_row, fv_row_behind | true: this row; rows behind it: 0, 1, 2 ... |
| fv_diameter_mm | equatorial |
| fv_centre_mm | x right, y down, z forward from the camera |
| fv_ellipse_px | full outline: x, y, long axis, short axis, degrees clockwise from +x |
| fv_full_bbox | box of the full outline, hidden parts and parts outside the frame included |
| fv_visible_share | part of the full outline that is seen |
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from fruitvision.simulate.picture.masks import mask_box
from fruitvision.simulate.picture.truth import (
    BALL,
    CATEGORIES,
    HANGING,
    FruitTruth,
    MarkerTruth,
    PhotoTruth,
)

# Annotations of photo n are numbered from n * this.
IDS_PER_PHOTO = 10_000

Json = dict[str, Any]


def coco_text(truths: Sequence[PhotoTruth]) -> str:
    """The document, one image or annotation a line; images are numbered from 1 in this order."""
    images = [_image(truth, number) for number, truth in enumerate(truths, start=1)]
    annotations = [
        annotation
        for number, truth in enumerate(truths, start=1)
        for annotation in _annotations(truth, number)
    ]
    parts = {
        "info": _compact(_info(truths)),
        "licenses": _lines([_LICENSE]),
        "categories": _lines(_categories()),
        "images": _lines(images),
        "annotations": _lines(annotations),
    }
    return "{\n" + ",\n".join(f'"{key}":{text}' for key, text in parts.items()) + "\n}\n"


_LICENSE: Json = {
    "id": 1,
    "name": "Apache-2.0",
    "url": "https://www.apache.org/licenses/LICENSE-2.0",
}


def _compact(value: Json) -> str:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)


def _lines(items: list[Json]) -> str:
    return "[\n" + ",\n".join(_compact(item) for item in items) + "\n]"


def _info(truths: Sequence[PhotoTruth]) -> Json:
    last = max((truth.taken_at for truth in truths), default="")
    return {
        "description": "Rendered photos of an invented orchard with the truth of every fruit",
        "url": "",
        "version": "1",
        "year": int(last[:4] or 0),
        "contributor": "fruitvision",
        "date_created": last[:10],
    }


def _categories() -> list[Json]:
    return [
        {"id": number, "name": name, "supercategory": "reference" if name == BALL else "fruit"}
        for number, name in enumerate(CATEGORIES, start=1)
    ]


def _image(truth: PhotoTruth, number: int) -> Json:
    camera = truth.camera
    return {
        "id": number,
        "file_name": truth.name,
        "width": truth.width_px,
        "height": truth.height_px,
        "license": 1,
        "date_captured": truth.taken_at.replace("T", " "),
        "fv_tree": truth.tree,
        "fv_face": truth.face,
        "fv_step": truth.step,
        "fv_light": truth.light,
        "fv_camera_matrix": camera.matrix,
        "fv_distortion": camera.distortion,
        "fv_rotation": camera.rotation,
        "fv_position_mm": camera.position_mm,
        "fv_marker": _marker(truth.marker),
        "fv_balls": [_ball(ball) for ball in truth.balls],
    }


def _marker(marker: MarkerTruth | None) -> Json | None:
    if marker is None:
        return None
    return {
        "id": marker.marker_id,
        "side_mm": marker.side_mm,
        "corners_px": marker.corners_px,
        "depth_mm": marker.depth_mm,
        "tilt_deg": marker.tilt_deg,
    }


def _ball(ball: FruitTruth) -> Json:
    return {
        "id": ball.fruit_id,
        "diameter_mm": ball.diameter_mm,
        "ellipse_px": ball.ellipse_px,
        "centre_mm": ball.centre_mm,
        "visible_share": ball.visible_share,
    }


def _annotations(truth: PhotoTruth, image: int) -> list[Json]:
    size = truth.height_px, truth.width_px
    first = IDS_PER_PHOTO * image
    found = []
    for number, fruit in enumerate((*truth.fruits, *truth.balls), start=first):
        if fruit.mask:
            ids = {"id": number, "image_id": image}
            found.append({**ids, **_region(fruit.category, fruit.mask, size), **_more(fruit)})
    if truth.small_mask:
        ids = {"id": first + IDS_PER_PHOTO - 1, "image_id": image}
        found.append({**ids, **_region(HANGING, truth.small_mask, size), "iscrowd": 1})
    return found


def _region(category: str, mask: str, size: tuple[int, int]) -> Json:
    """Standard keys."""
    box, area = mask_box(mask, *size)
    return {
        "category_id": CATEGORIES.index(category) + 1,
        "bbox": box,
        "area": area,
        "iscrowd": 0,
        "segmentation": {"size": size, "counts": mask},
    }


def _more(fruit: FruitTruth) -> Json:
    """Keys of our own."""
    return {
        "fv_fruit_id": fruit.fruit_id,
        "fv_tree": None if fruit.tree is None else fruit.tree[1:],
        "fv_this_row": fruit.row_behind == 0,
        "fv_row_behind": fruit.row_behind,
        "fv_diameter_mm": fruit.diameter_mm,
        "fv_centre_mm": fruit.centre_mm,
        "fv_ellipse_px": fruit.ellipse_px,
        "fv_full_bbox": fruit.full_box_px,
        "fv_visible_share": fruit.visible_share,
    }
