"""All references of a photo: markers, balls that a person pointed at, balls found by colour."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.balls import find_balls, measure_ball
from fruitvision.domain import (
    Ball,
    Doubt,
    Doubts,
    Photo,
    PointedReference,
    Reference,
    ReferenceKind,
    ThingKind,
)
from fruitvision.errors import FruitVisionError, ReferenceRefused
from fruitvision.field_table import FieldTable, RefusedRow
from fruitvision.photo import photo_id_of
from fruitvision.pipeline.entries import now_utc
from fruitvision.reference import (
    SHEET_NUMBER,
    UNREAD,
    find_references,
    read_square,
    sheet_px,
)
from fruitvision.reference_table import ReferenceRow, in_known_photos
from fruitvision.settings import Settings
from fruitvision.store import Store

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Corners that stand for the outline of a ball. Our choice.
_CORNERS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """References of one photo, and those that were pointed at and can't be used.

    `refused_boxes_px` : where these were said to be; no fruit hangs there.
    """

    references: tuple[Reference, ...]
    balls: tuple[Ball, ...]
    doubts: Doubts = ()
    remarks: tuple[str, ...] = ()
    refused_boxes_px: tuple[tuple[float, float, float, float], ...] = ()

    def areas_px(self) -> list[Floats]:
        """Corners (K, 2) of what is no fruit: sheets, balls, and boxes of refused references."""
        turn = np.arange(_CORNERS) * 2 * np.pi / _CORNERS
        circle = np.column_stack([np.cos(turn), np.sin(turn)])
        areas = [sheet_px(reference) for reference in self.references]
        for ball in self.balls:
            angle = np.radians(ball.angle_deg)
            axes = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
            halves = np.array([ball.width_px, ball.height_px]) / 2
            areas.append(circle * halves @ axes.T + [ball.centre_x_px, ball.centre_y_px])
        for x0, y0, x1, y1 in self.refused_boxes_px:
            areas.append(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))
        return areas


def find_all_references(
    image: Image, photo: Photo, pointed: Sequence[PointedReference], settings: Settings
) -> Found:
    """Markers, and balls that are pointed at or, where the settings say so, found by colour.

    A reference that is pointed at and can't be measured is named in a remark; the rest goes on.
    """
    references = list(find_references(image, photo, side_mm=settings.printed_side_mm))
    others = [one for one in references if one.marker_id not in (UNREAD, SHEET_NUMBER)]
    balls: list[Ball] = []
    remarks: list[str] = []
    refused: list[tuple[float, float, float, float]] = []
    for one in pointed:
        try:
            _refuse_outside(one, photo)
            if one.kind is ReferenceKind.BALL:
                box = np.array(one.box_px)
                ball = measure_ball(image, photo, box, diameter_mm=one.size_mm, found_by="person")
                balls.append(ball)
            else:
                references = read_square(image, photo, one, references)
        except ReferenceRefused as err:
            remarks.append(str(err))
            refused.append(one.box_px)
    if settings.ball_diameter_mm > 0:
        balls += _by_colour(image, photo, settings, references, balls)
    return Found(
        references=tuple(references),
        balls=tuple(balls),
        doubts=(
            *([Doubt.REFERENCE_REFUSED] if refused else []),
            *([Doubt.MARKER_OTHER] if any(not _stated(one, pointed) for one in others) else []),
        ),
        remarks=tuple(remarks),
        refused_boxes_px=tuple(refused),
    )


def _stated(marker: Reference, pointed: Sequence[PointedReference]) -> bool:
    """Whether a person pointed at this marker, and so said its side."""
    x, y = np.mean(marker.corners_px, axis=0)
    boxes = (one.box_px for one in pointed if one.kind is ReferenceKind.SQUARE)
    return any(x0 <= x <= x1 and y0 <= y <= y1 for x0, y0, x1, y1 in boxes)


def _by_colour(
    image: Image,
    photo: Photo,
    settings: Settings,
    references: Sequence[Reference],
    known: Sequence[Ball],
) -> list[Ball]:
    scales = [one.mm_per_px for one in references if not one.doubts]
    scales += [ball.mm_per_px for ball in known if not ball.doubts]
    found = find_balls(
        image,
        photo,
        diameter_mm=settings.ball_diameter_mm,
        colour=settings.ball_colour,
        mm_per_px=scales[0] if scales else None,
    )
    return [ball for ball in found if not any(_same(ball, other) for other in known)]


def _same(one: Ball, other: Ball) -> bool:
    gap = np.hypot(one.centre_x_px - other.centre_x_px, one.centre_y_px - other.centre_y_px)
    return bool(gap < (one.width_px + other.width_px) / 4)


def _refuse_outside(one: PointedReference, photo: Photo) -> None:
    x0, y0, x1, y1 = one.box_px
    margin = 0.25 * max(x1 - x0, y1 - y0)
    last_x, last_y = photo.width_px - 1 + margin, photo.height_px - 1 + margin
    if x0 < -margin or y0 < -margin or x1 > last_x or y1 > last_y:
        raise ReferenceRefused(
            f"The box x {x0:g} to {x1:g}, y {y0:g} to {y1:g} leaves the picture of "
            f"{photo.width_px} × {photo.height_px} px.",
            fix="Give x0, y0, x1, y1 in px of the upright picture, from its top left.",
        )


# ---------------------------------------------------------------- the table


def keep_pointed(
    photo_id: str, references: Sequence[PointedReference], store: Store, *, who: str = ""
) -> None:
    """Keep the references that somebody pointed at in a photo, in place of earlier ones."""
    known = store.pointed_references(photo_id)
    if known == tuple(references):
        return
    store.save_pointed_references(photo_id, references)
    before, after = ({"pointed_at": len(ones)} for ones in (known, references))
    store.note_change(
        ThingKind.REFERENCES, photo_id, before if known else None, after, who=who, at=now_utc()
    )


def point_at(
    table: FieldTable[ReferenceRow], photos: Mapping[str, Path], store: Store, *, who: str = ""
) -> tuple[RefusedRow, ...]:
    """Keep what a table says of photos; lines whose photo is not there are refused.

    Parameters
    ----------
    photos : mapping
        File of each photo, by the names that the table may use.
    """
    table = in_known_photos(table, photos)
    by_photo: dict[str, list[PointedReference]] = {}
    for row in table.rows:
        try:
            photo_id = photo_id_of(photos[row.photo])
        except FruitVisionError:
            continue  # refused with its reason when it is measured
        by_photo.setdefault(photo_id, []).append(row.reference)
    for photo_id, pointed in by_photo.items():
        keep_pointed(photo_id, list(dict.fromkeys(pointed)), store, who=who)
    return table.refused


def by_name(paths: Iterable[Path]) -> dict[str, Path]:
    """Files by their name and by their path as given; a name that two share stands for none."""
    listed = list(paths)
    names = [path.name for path in listed]
    alone = {path.name: path for path in listed if names.count(path.name) == 1}
    return alone | {path.as_posix(): path for path in listed}
