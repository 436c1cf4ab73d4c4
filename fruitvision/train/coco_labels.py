"""Labels of a COCO document, brought to the size of a pack.

A photo that says its camera (`fv_camera_matrix`) is rendered: all of its fruit are annotated, with
the keys that the benchmark set's page describes. Any other photo has boxes of the fruit of its own
row only.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import TrainingError
from fruitvision.train.pack import (
    BALL,
    FALLEN_FRUIT,
    HANGING_FRUIT,
    FruitLabels,
    Instances,
    labels_from,
)
from fruitvision.train.run_lengths import paint, runs_of_mask

Json = dict[str, Any]

RENDERED = "rendered"
_KINDS = {"fallen fruit": FALLEN_FRUIT, "ball of known size": BALL}
# Fruit of which less is seen are neither called fruit nor not. Our choice: a person boxes hardly
# any of them, and 60 px are a spot of 8 x 8.
LEAST_SHARE, LEAST_PX = 0.15, 60.0
# Parts of a crowd nearer than this are one area, px of the photo. Our choice: a leaf's stalk.
CROWD_GAP_PX = 5
MOST_NUMBERS = 65_535


@dataclass(frozen=True, slots=True, kw_only=True)
class CocoPicture:
    """One image of the document, its annotations, and the `kind` in packs of each category id."""

    image: Json
    annotations: tuple[Json, ...]
    kinds: dict[int, int]

    @property
    def name(self) -> str:
        """File, relative to the folder of the images."""
        return str(self.image["file_name"])

    @property
    def is_rendered(self) -> bool:
        """Whether all of its fruit are annotated, with outlines and masks."""
        return "fv_camera_matrix" in self.image

    @property
    def source(self) -> str:
        """Data set that it is from."""
        return str(self.image.get("source", RENDERED if self.is_rendered else ""))

    @property
    def mm_per_px(self) -> float | None:
        """At the marker: its side over the mean length of its four sides; None without one."""
        marker = self.image.get("fv_marker")
        if marker is None:
            return None
        corners = np.asarray(marker["corners_px"], dtype=np.float64)
        sides_px = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
        return float(marker["side_mm"] / sides_px.mean())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrowdPart:
    """Pixels (h, w) bool that hang together, and the place of their window's top-left one."""

    mask: NDArray[np.bool_]
    left: int
    top: int


def read_coco(path: Path) -> tuple[CocoPicture, ...]:
    """All pictures of a COCO document.

    Raises
    ------
    TrainingError
        If it can't be read or is no such document.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        annotations = defaultdict(list)
        for annotation in document["annotations"]:
            annotations[annotation["image_id"]].append(annotation)
        kinds = {
            category["id"]: _KINDS.get(category["name"], HANGING_FRUIT)
            for category in document["categories"]
        }
        return tuple(
            CocoPicture(image=image, annotations=tuple(annotations[image["id"]]), kinds=kinds)
            for image in document["images"]
        )
    except OSError as err:
        raise TrainingError(
            f"Can't read {path}: {err.strerror}.", fix="Give a COCO file as --coco."
        ) from err
    except (KeyError, TypeError, ValueError) as err:
        raise TrainingError(
            f"{path} is no COCO document: {type(err).__name__} {err}.",
            fix="Give a JSON file with images, annotations and categories as --coco.",
        ) from err


def crowd_parts(picture: CocoPicture) -> tuple[CrowdPart, ...]:
    """Parts of the crowds of a picture that hang together or nearly so.

    Raises
    ------
    TrainingError
        If a mask is damaged.
    """
    parts: list[CrowdPart] = []
    for crowd in (found for found in picture.annotations if found.get("iscrowd")):
        painted = _blank(picture)
        paint(painted, runs_of_mask(crowd["segmentation"]), 1)
        parts += _parts(np.ascontiguousarray(painted.T.astype(np.uint8)))
    return tuple(parts)


def labels_of(picture: CocoPicture, crowds: Sequence[CrowdPart], scale: float) -> FruitLabels:
    """Labels of one picture at pack size; parts of crowds become areas to ignore, behind the fruit.

    Parameters
    ----------
    scale : float
        Px of the pack per px of the photo.

    Raises
    ------
    TrainingError
        If a box has no inside or there are more fruit than an instance map can number.
    """
    rows = [_fruit(picture, annotation, scale) for annotation in _single(picture)]
    rows += [_ignored(crowd, scale) for crowd in crowds]
    if len(rows) > MOST_NUMBERS:
        raise TrainingError(
            f"It has {len(rows)} fruit and parts of crowds.", fix=f"The most is {MOST_NUMBERS}."
        )
    numbers = np.arange(1, len(rows) + 1) * picture.is_rendered
    columns = {name: [row[name] for row in rows] for name in _COLUMNS}
    return labels_from({**columns, "number": numbers, "picture": np.zeros(len(rows))})


def instances_of(
    picture: CocoPicture, crowds: Sequence[CrowdPart], scale: float, size: tuple[int, int]
) -> Instances:
    """Which fruit each pixel of the pack shows: `number` as in `labels_of`, 0 none.

    The pixel of the photo under the centre of each pixel of the pack decides.

    Parameters
    ----------
    size : width and height at pack size, px.

    Returns
    -------
    (height, width) uint16

    Raises
    ------
    TrainingError
        If a mask is damaged.
    """
    full = _blank(picture)
    single = _single(picture)
    for number, annotation in enumerate(single, start=1):
        paint(full, runs_of_mask(annotation["segmentation"]), number)
    for number, crowd in enumerate(crowds, start=len(single) + 1):
        height, width = crowd.mask.shape
        window = full[crowd.left : crowd.left + width, crowd.top : crowd.top + height]
        window[crowd.mask.T] = number
    columns = _nearest(size[0], scale, full.shape[0])
    rows = _nearest(size[1], scale, full.shape[1])
    return np.ascontiguousarray(full[np.ix_(columns, rows)].T)


def edges_at(edges: Sequence[float] | NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    """Places or edges in centre coordinates, at another size."""
    return (np.asarray(edges, dtype=np.float64) + 0.5) * scale - 0.5


_COLUMNS = ("box", "outline", "visible_share", "row", "ignore", "kind")
_UNKNOWN_OUTLINE = (float("nan"),) * 5


def _single(picture: CocoPicture) -> list[Json]:
    return [found for found in picture.annotations if not found.get("iscrowd")]


def _fruit(picture: CocoPicture, annotation: Json, scale: float) -> Json:
    x, y, width, height = annotation["bbox"]
    if not (width > 0 and height > 0):
        raise TrainingError(
            f"The box of annotation {annotation['id']} has no inside.",
            fix="Correct it or take it out of the COCO file.",
        )
    share = annotation.get("fv_visible_share", float("nan"))
    outline = annotation.get("fv_ellipse_px")
    small = picture.is_rendered and (
        share < LEAST_SHARE or annotation["area"] * scale**2 < LEAST_PX
    )
    return {
        "box": edges_at([x - 0.5, y - 0.5, x + width - 0.5, y + height - 0.5], scale),
        "outline": _UNKNOWN_OUTLINE if outline is None else _outline_at(outline, scale),
        "visible_share": share,
        "row": annotation.get("fv_row_behind", 0),
        "ignore": bool(annotation.get("truncated")) or small,
        "kind": picture.kinds.get(annotation["category_id"], HANGING_FRUIT),
    }


def _outline_at(outline: Sequence[float], scale: float) -> list[float]:
    x, y, long_px, short_px, angle_deg = outline
    return [*edges_at([x, y], scale), long_px * scale, short_px * scale, angle_deg]


def _ignored(crowd: CrowdPart, scale: float) -> Json:
    height, width = crowd.mask.shape
    edges = [crowd.left, crowd.top, crowd.left + width, crowd.top + height]
    return {
        "box": edges_at(np.array(edges) - 0.5, scale),
        "outline": _UNKNOWN_OUTLINE,
        "visible_share": float("nan"),
        "row": 1,
        "ignore": True,
        "kind": HANGING_FRUIT,
    }


def _blank(picture: CocoPicture) -> Instances:
    """(W, H) as `paint` wants it."""
    return np.zeros((picture.image["width"], picture.image["height"]), dtype=np.uint16)


def _parts(mask: NDArray[np.uint8]) -> list[CrowdPart]:
    near = cv2.dilate(mask, np.ones((CROWD_GAP_PX, CROWD_GAP_PX), np.uint8))
    count, labels, windows, _ = cv2.connectedComponentsWithStats(near, connectivity=8)
    found = []
    for number in range(1, count):
        left, top, width, height = (int(value) for value in windows[number][:4])
        window = np.s_[top : top + height, left : left + width]
        part = (labels[window] == number) & (mask[window] > 0)
        rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
        part = part[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        found.append(CrowdPart(mask=part, left=left + int(columns[0]), top=top + int(rows[0])))
    return found


def _nearest(count: int, scale: float, most: int) -> NDArray[np.int64]:
    """Which pixels of the photo lie under the centres of so many pixels of the pack."""
    found = np.floor((np.arange(count) + 0.5) / scale).astype(np.int64)
    inside: NDArray[np.int64] = np.clip(found, 0, most - 1)
    return inside
