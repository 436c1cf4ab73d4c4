"""What is known of each photo: a COCO file, read into records.

Wanted are the fruit that a detector has to find. Ignored are those that make it neither right nor
wrong: cut boxes (`truncated`), fruit of rows behind, fruit of which little is seen, fallen fruit.
What is neither, a ball of known size for instance, is no fruit: a detection on it is false.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import FieldDataError
from fruitvision.evaluate.gaps import missing_tiles
from fruitvision.evaluate.run_lengths import mask_of, pieces

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Of this row's fruit those count of which a fifth or more is seen, as in the numbers of
# tests/orchards. Our choice: of less, people box few.
LEAST_VISIBLE_SHARE = 0.2
# Categories taken for fruit where the file does not say so by `supercategory`.
FRUIT_NAMES = frozenset({"apple", "apples", "fruit", "pear", "pears"})
FRUIT_GROUP = "fruit"


@dataclass(frozen=True, slots=True, eq=False)
class TruthPhoto:
    """One photo's truth; boxes are left, top, right, bottom in px, counted at edges of pixels.

    Parameters
    ----------
    image_id : int
    name : str
        File, as the COCO file names it.
    kind : str
        The category that most of its fruit are of; empty without fruit.
    boxes : (N, 4) float
        Fruit that are wanted or ignored.
    ignored : (N,) bool
        True for those that make a detector neither right nor wrong.
    crowd : (N,) bool
        True for ignored areas that hold any number of fruit.
    outlines : (N, 5) float
        Full outlines as in `Detections`; nan where the truth has none.
    visible_shares : (N,) float
        nan where unknown.
    on_this_row : (N,) bool
    hanging : (N,) bool
        Single fruit on a tree, of any row: those whose row a detector has to tell.
    balls : (M, 4) float
        Boxes of balls of known size.
    gaps : (K, 4) float
        Areas of which there is no picture.
    """

    image_id: int
    name: str
    kind: str
    boxes: Floats
    ignored: Flags
    crowd: Flags
    outlines: Floats
    visible_shares: Floats
    on_this_row: Flags
    hanging: Flags
    balls: Floats
    gaps: Floats

    @property
    def wanted(self) -> int:
        """How many fruit a detector has to find."""
        return int((~self.ignored).sum())

    @property
    def labelled(self) -> bool:
        """Whether anything at all is annotated."""
        return len(self.boxes) + len(self.balls) > 0


def read_truth(path: Path, *, split: str | None = None) -> tuple[TruthPhoto, ...]:
    """Photos of a COCO file, in the order of their ids.

    Parameters
    ----------
    path : Path
    split : str, optional
        Only photos whose `split` says so.

    Raises
    ------
    FieldDataError
        If it can't be read, is no COCO file, knows no fruit, or has no photo of that split.
    """
    document = _document(path)
    try:
        categories = {
            int(one["id"]): _Category(str(one["name"]), _part_of(one))
            for one in document["categories"]
        }
        if not any(one.part == FRUIT_GROUP for one in categories.values()):
            raise _no_fruit(path, document["categories"])
        wanted = [one for one in document["images"] if split in (None, one.get("split"))]
        if not wanted:
            raise _no_photo(path, document["images"], split)
        by_image: dict[int, list[dict[str, Any]]] = {int(one["id"]): [] for one in wanted}
        for one in document["annotations"]:
            by_image.get(int(one["image_id"]), []).append(one)
        photos = [_photo(one, by_image[int(one["id"])], categories) for one in wanted]
    except (KeyError, TypeError, ValueError, AttributeError) as err:
        raise FieldDataError(
            f"{path.name} is no COCO file that can be used: {type(err).__name__} {err}.",
            fix="It needs images, categories and annotations with bbox; see "
            "cocodataset.org/#format-data.",
        ) from err
    return tuple(sorted(photos, key=lambda photo: photo.image_id))


def _document(path: Path) -> Mapping[str, Any]:
    if not path.is_file():
        raise FieldDataError(f"There is no file {path}.", fix="Check its name and folder.")
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as err:
        raise FieldDataError(
            f"{path.name} can't be read as JSON: {err}.", fix="Export the boxes as COCO JSON."
        ) from err
    parts = ("images", "categories", "annotations")
    lacking = [part for part in parts if not isinstance(document, dict) or part not in document]
    if lacking:
        raise FieldDataError(
            f"{path.name} is no COCO file: it has no {', '.join(lacking)}.",
            fix="Export the boxes as COCO JSON (cocodataset.org/#format-data).",
        )
    return dict(document)


def _no_fruit(path: Path, categories: Iterable[Mapping[str, Any]]) -> FieldDataError:
    known = ", ".join(str(one["name"]) for one in categories) or "none"
    return FieldDataError(
        f"{path.name} has no category of fruit, only: {known}.",
        fix="Give the fruit's category the supercategory 'fruit'.",
    )


def _no_photo(path: Path, images: Iterable[Mapping[str, Any]], split: str | None) -> FieldDataError:
    known = sorted({str(one["split"]) for one in images if "split" in one})
    if split is None:
        return FieldDataError(f"{path.name} lists no photo.", fix="Export it again.")
    return FieldDataError(
        f"{path.name} has no photo of the split '{split}'.",
        fix=f"Known: {', '.join(known)}." if known else "It knows no splits: leave it out.",
    )


@dataclass(frozen=True, slots=True)
class _Category:
    """Its name, and the part that it plays: 'fruit', 'fallen', 'ball' or 'other'."""

    name: str
    part: str


def _part_of(category: Mapping[str, Any]) -> str:
    name = str(category["name"]).lower()
    if name.startswith("fallen"):
        return "fallen"
    if name.startswith("ball"):
        return "ball"
    named = category.get("supercategory") == FRUIT_GROUP or name in FRUIT_NAMES
    return FRUIT_GROUP if named else "other"


def _photo(
    image: Mapping[str, Any],
    annotations: Iterable[Mapping[str, Any]],
    categories: Mapping[int, _Category],
) -> TruthPhoto:
    rows: list[_Row] = []
    balls: list[Floats] = []
    names: Counter[str] = Counter()
    for one in annotations:
        category = categories[int(one["category_id"])]
        if category.part == "ball":
            balls.append(_box(one))
        elif category.part != "other":
            rows.extend(_rows(one, fallen=category.part == "fallen"))
            names[category.name] += category.part == FRUIT_GROUP
    return TruthPhoto(
        image_id=int(image["id"]),
        name=str(image["file_name"]),
        kind=max(sorted(names), key=lambda name: names[name], default=""),
        boxes=np.array([row.box for row in rows], dtype=np.float64).reshape(-1, 4),
        ignored=np.array([row.ignored for row in rows], dtype=np.bool_),
        crowd=np.array([row.crowd for row in rows], dtype=np.bool_),
        outlines=np.array([row.outline for row in rows], dtype=np.float64).reshape(-1, 5),
        visible_shares=np.array([row.visible_share for row in rows], dtype=np.float64),
        on_this_row=np.array([row.on_this_row for row in rows], dtype=np.bool_),
        hanging=np.array([row.hanging for row in rows], dtype=np.bool_),
        balls=np.array(balls, dtype=np.float64).reshape(-1, 4),
        gaps=missing_tiles(image),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """One annotation, or one piece of a crowd."""

    box: Floats
    ignored: bool
    crowd: bool
    outline: Floats
    visible_share: float
    on_this_row: bool
    hanging: bool


def _rows(annotation: Mapping[str, Any], *, fallen: bool) -> list[_Row]:
    if annotation.get("iscrowd", 0):
        return [
            _Row(box, True, True, np.full(5, np.nan), np.nan, False, False)
            for box in _crowd_boxes(annotation)
        ]
    share = float(annotation.get("fv_visible_share", np.nan))
    on_this_row = bool(annotation.get("fv_this_row", True))
    cut = bool(annotation.get("truncated", 0)) or bool(annotation.get("ignore", 0))
    ignored = fallen or cut or not on_this_row or share < LEAST_VISIBLE_SHARE
    outline = np.array(annotation.get("fv_ellipse_px", np.full(5, np.nan)), dtype=np.float64)
    return [_Row(_box(annotation), ignored, False, outline, share, on_this_row, not fallen)]


def _crowd_boxes(annotation: Mapping[str, Any]) -> list[Floats]:
    """Pieces of a crowd that has a mask: one box around all would forgive what lies between."""
    segmentation = annotation.get("segmentation")
    if isinstance(segmentation, Mapping):
        return list(pieces(mask_of(segmentation)))
    return [_box(annotation)]


def _box(annotation: Mapping[str, Any]) -> Floats:
    left, top, width, height = (float(value) for value in annotation["bbox"])
    if not (np.isfinite([left, top, width, height]).all() and width >= 0 and height >= 0):
        raise ValueError(f"box of annotation {annotation.get('id')} is {annotation['bbox']}")
    return np.array([left, top, left + width, top + height])
