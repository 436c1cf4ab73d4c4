"""Small records for tests: a block of trees with known numbers, no pictures."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from fruitvision.domain import (
    Block,
    CaliperReading,
    Fruit,
    HandCount,
    MadeWith,
    MeasuredPhoto,
    Photo,
    Protocol,
    Scale,
    TreeId,
    TreePhoto,
    TreeSample,
)

WALK = date(2026, 8, 12)
PICK = date(2026, 9, 3)
BLOCK_ID = "Gala North"
MADE_WITH = MadeWith(version="0", detector="classical 1", settings_sha256="0")


def block(*, trees: int = 1000, pick_date: date | None = PICK) -> Block:
    return Block(block_id=BLOCK_ID, variety="Gala", positions=trees, pick_date=pick_date)


def tree_id(position: int, row: int = 1) -> TreeId:
    return TreeId(BLOCK_ID, row, position)


def tree(
    position: int,
    visible: int,
    *,
    diameters_mm: Sequence[float] = (),
    error_mm: float = 3.0,
    protocol: Protocol = Protocol.TWO_FACES,
    walked_on: date = WALK,
) -> TreeSample:
    return TreeSample(
        tree=tree_id(position),
        walked_on=walked_on,
        protocol=protocol,
        visible_count=visible,
        diameters_mm=tuple(diameters_mm),
        diameter_errors_mm=(error_mm,) * len(diameters_mm),
    )


def hand_count(
    position: int, fruit: int, *, protocol: Protocol = Protocol.TWO_FACES, on: date = WALK
) -> HandCount:
    return HandCount(tree=tree_id(position), fruit_count=fruit, counted_on=on, protocol=protocol)


def caliper(position: int, diameter_mm: float, *, on: date = WALK, tag: str = "") -> CaliperReading:
    return CaliperReading(
        tree=tree_id(position), measured_on=on, diameter_mm=diameter_mm, fruit=tag
    )


def fruit(
    number: int, *, photo_id: str = "a", diameter_mm: float | None = 70.0, on_this_row: bool = True
) -> Fruit:
    return Fruit(
        photo_id=photo_id,
        fruit_id=f"f{number:03d}",
        centre_x_px=100.0 * number,
        centre_y_px=200.0,
        width_px=50.0,
        height_px=46.0,
        angle_deg=10.0,
        diameter_px=50.0,
        diameter_mm=diameter_mm,
        diameter_error_mm=None if diameter_mm is None else 3.0,
        visible_share=0.9,
        score=0.8,
        on_this_row=on_this_row,
    )


def measured(photo_id: str, fruit_in_it: Sequence[Fruit] = ()) -> MeasuredPhoto:
    return MeasuredPhoto(
        photo=Photo(
            photo_id=photo_id,
            name=f"{photo_id}.jpg",
            width_px=1500,
            height_px=2000,
            sharpness=1.0,
            brightness=0.5,
        ),
        references=(),
        scale=Scale(mm_per_px=1.4, mm_per_px_error=0.01, distance_mm=2300.0),
        fruit=tuple(fruit_in_it),
        doubts=(),
        made_with=MADE_WITH,
    )


def tree_photo(position: int, face: str, photo_id: str, *, walked_on: date = WALK) -> TreePhoto:
    return TreePhoto(tree=tree_id(position), face=face, photo_id=photo_id, walked_on=walked_on)
