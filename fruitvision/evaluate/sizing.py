"""Sized fruit against the true fruit of the photos that they were sized in."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import DepthGrade, Doubt, Fruit, MeasuredPhoto
from fruitvision.errors import FieldDataError
from fruitvision.evaluate.matching import NOTHING, match
from fruitvision.evaluate.outlines import ellipse_overlaps

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TRUTH_FILE = "truth_photos.csv"
# Overlap of full outlines from which a find stands for a fruit. Our choice: an outline that is a
# quarter too small still overlaps by 0.56, so that bad outlines are counted as such.
LEAST_OVERLAP = 0.35
# Of this row's fruit those count of which a fifth or more is seen, as in `evaluate.truth`.
LEAST_SHARE = 0.2
_COLUMNS = (
    *("photo", "fruit_id", "x_px", "y_px", "width_px", "height_px", "angle_deg"),
    *("diameter_mm", "visible_share", "on_this_row", "depth_mm"),
)


@dataclass(frozen=True, slots=True, eq=False)
class SizingTruth:
    """The true hanging fruit of one photo, (N,) each; outlines (N, 5) as in `Detections`."""

    fruit_ids: tuple[str, ...]
    outlines: Floats
    diameters_mm: Floats
    visible_shares: Floats
    depths_mm: Floats
    on_this_row: Flags


@dataclass(frozen=True, slots=True, kw_only=True)
class SizedFruit:
    """One find and the fruit that it stands for; mm, shares from 0 to 1.

    `sized_mm`, `error_mm` : None for a find that is not sized. `true_share` : of the outline that
    is seen, `stated_share` : what the detector says of it. `distance_mm` : as measured, if so.
    """

    photo: str
    fruit_id: str
    found_id: str
    sized_mm: float | None
    error_mm: float | None
    true_mm: float
    true_share: float
    stated_share: float
    true_depth_mm: float
    distance_mm: float | None
    on_this_row: bool
    said_this_row: bool
    grade: DepthGrade
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SizedPhoto:
    """All finds of a photo that stand for a fruit, and sized ones that stand for none.

    `seen` : fruit of this row of which a fifth or more is seen; `all_mm` : all of this row in the
    photo, hidden or not; `no_fruit` : sized finds where no fruit is; `seconds` : of measuring.
    """

    name: str
    fruit: tuple[SizedFruit, ...]
    seen: int
    all_mm: tuple[float, ...]
    no_fruit: int
    seconds: float = 0.0


def read_sizing_truth(folder: Path) -> Mapping[str, SizingTruth]:
    """The true fruit of each photo, by its name in the table.

    Parameters
    ----------
    folder : Path
        Holds `truth_photos.csv`, with the columns of tests/orchards/README.md.

    Raises
    ------
    FieldDataError
        If the table is missing, lacks a column, or has no number where one must be.
    """
    path = folder / TRUTH_FILE
    if not path.is_file():
        raise FieldDataError(
            f"{folder} has no {TRUTH_FILE}.",
            fix="Name a folder made by 'fruitvision simulate block', or one of several such.",
        )
    rows: dict[str, list[Mapping[str, str]]] = {}
    with path.open(encoding="utf-8", newline="") as stream:
        table = csv.DictReader(stream)
        lacking = [name for name in _COLUMNS if name not in (table.fieldnames or ())]
        if lacking:
            raise FieldDataError(
                f"{path} has no column {', '.join(lacking)}.", fix="Make the folder again."
            )
        for row in table:
            photo = rows.setdefault(row["photo"], [])
            if row.get("category", "hanging fruit") == "hanging fruit":
                photo.append(row)
    try:
        return {photo: _truth_of(found) for photo, found in rows.items()}
    except (TypeError, ValueError) as err:
        raise FieldDataError(
            f"{path} has a cell that is no number: {err}.", fix="Make the folder again."
        ) from err


def _truth_of(rows: Sequence[Mapping[str, str]]) -> SizingTruth:
    def numbers(*names: str) -> Floats:
        cells = [[float(row[name]) for name in names] for row in rows]
        return np.array(cells, dtype=np.float64).reshape(-1, len(names))

    return SizingTruth(
        fruit_ids=tuple(row["fruit_id"] for row in rows),
        outlines=numbers("x_px", "y_px", "width_px", "height_px", "angle_deg"),
        diameters_mm=numbers("diameter_mm")[:, 0],
        visible_shares=numbers("visible_share")[:, 0],
        depths_mm=numbers("depth_mm")[:, 0],
        on_this_row=np.array([row["on_this_row"] == "true" for row in rows], dtype=np.bool_),
    )


def sized_photo(
    name: str, measured: MeasuredPhoto, truth: SizingTruth, *, seconds: float = 0.0
) -> SizedPhoto:
    """Match the finds of a photo to its true fruit by their full outlines.

    Fruit of which a fifth or more is seen are preferred to hidden ones; see `matching.match`.
    """
    fruit = measured.fruit
    found = np.array([_outline_of(one) for one in fruit], dtype=np.float64).reshape(-1, 5)
    hidden = truth.visible_shares < LEAST_SHARE
    matched = match(
        outline_overlaps(found, truth.outlines),
        np.array([one.score for one in fruit], dtype=np.float64),
        hidden,
        np.zeros(len(hidden), dtype=np.bool_),
        least_overlap=LEAST_OVERLAP,
    ).fruit
    return SizedPhoto(
        name=name,
        fruit=tuple(
            _sized(name, one, truth, int(index))
            for one, index in zip(fruit, matched, strict=True)
            if index != NOTHING
        ),
        seen=int((truth.on_this_row & ~hidden).sum()),
        all_mm=tuple(float(value) for value in truth.diameters_mm[truth.on_this_row]),
        no_fruit=sum(
            bool(one.diameter_mm is not None and index == NOTHING)
            for one, index in zip(fruit, matched, strict=True)
        ),
        seconds=seconds,
    )


def outline_overlaps(found: Floats, truth: Floats) -> Floats:
    """(N, M) intersection over union of full outlines, (N, 5) and (M, 5); 0 for far ones."""
    overlap = np.zeros((len(found), len(truth)))
    apart = np.hypot(*np.moveaxis(found[:, None, :2] - truth[None, :, :2], 2, 0))
    reach = np.maximum(found[:, None, 2], truth[None, :, 2]) / 2
    rows, columns = np.nonzero(apart < reach)
    if len(rows):
        overlap[rows, columns] = ellipse_overlaps(found[rows], truth[columns])
    return overlap


def _outline_of(fruit: Fruit) -> tuple[float, float, float, float, float]:
    return (
        fruit.centre_x_px,
        fruit.centre_y_px,
        fruit.width_px,
        fruit.height_px,
        fruit.angle_deg,
    )


def _sized(photo: str, fruit: Fruit, truth: SizingTruth, index: int) -> SizedFruit:
    return SizedFruit(
        photo=photo,
        fruit_id=truth.fruit_ids[index],
        found_id=fruit.fruit_id,
        sized_mm=fruit.diameter_mm,
        error_mm=fruit.diameter_error_mm,
        true_mm=float(truth.diameters_mm[index]),
        true_share=float(truth.visible_shares[index]),
        stated_share=fruit.visible_share,
        true_depth_mm=float(truth.depths_mm[index]),
        distance_mm=fruit.distance_mm,
        on_this_row=bool(truth.on_this_row[index]),
        said_this_row=fruit.on_this_row,
        grade=fruit.depth_grade,
        doubts=fruit.doubts,
    )
