"""Every measured fruit of the farm, a photo at a time, as people put it right."""

from __future__ import annotations

from collections.abc import Iterator

from fruitvision.domain import Block, Doubt, Fruit, MeasuredPhoto, TreePhoto
from fruitvision.export.csv_text import rounded
from fruitvision.export.fruit_table import FruitRow
from fruitvision.export.words import doubt_codes
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import Refused, made_with
from fruitvision.pipeline.review import by_photo
from fruitvision.review import apply_edits
from fruitvision.settings import Settings
from fruitvision.store import Store


def fruit_rows(
    store: Store,
    settings: Settings,
    *,
    left_out: list[Refused],
    detector_name: str = DEFAULT_DETECTOR,
) -> Iterator[FruitRow]:
    """Rows by block, tree, face, place and number in the photo; one photo is held at a time.

    Parameters
    ----------
    left_out : list of Refused
        Photos that are not measured with the present settings are added to it.
    """
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    for block in store.blocks():
        edits = by_photo(store.photo_edits_of(block.block_id))
        for placed in store.tree_photos(block.block_id):
            measured = store.measured_photo(placed.photo_id, origin)
            if measured is None:
                left_out.append(
                    Refused(
                        name=f"{placed.tree}, face {placed.face}",
                        what="It is not measured with the present settings.",
                        fix="Run: fruitvision work, then write the table again.",
                    )
                )
                continue
            reviewed = apply_edits(measured, edits.get(placed.photo_id, ()), settings)
            for fruit in reviewed.photo.fruit:
                yield _row(fruit, reviewed.photo, placed, block)


def _row(fruit: Fruit, measured: MeasuredPhoto, placed: TreePhoto, block: Block) -> FruitRow:
    """A fruit, its numbers rounded finer than any of them is known."""
    other_photo, other_fruit = fruit.same_as or ("", "")
    return FruitRow(
        block=block.block_id,
        variety=block.variety,
        row=placed.tree.row,
        position=placed.tree.position,
        face=placed.face,
        place=placed.place,
        walked_on=placed.walked_on,
        photo=measured.photo.name,
        photo_sha256=measured.photo.photo_id,
        fruit_id=fruit.fruit_id,
        centre_x_px=round(fruit.centre_x_px, 2),
        centre_y_px=round(fruit.centre_y_px, 2),
        width_px=round(fruit.width_px, 2),
        height_px=round(fruit.height_px, 2),
        angle_deg=round(fruit.angle_deg, 2),
        diameter_px=round(fruit.diameter_px, 2),
        diameter_mm=rounded(fruit.diameter_mm, 2),
        diameter_error_mm=rounded(fruit.diameter_error_mm, 2),
        visible_share=round(fruit.visible_share, 4),
        score=round(fruit.score, 4),
        on_this_row=fruit.on_this_row,
        counted=fruit.on_this_row and placed.place == 1,
        depth_grade=fruit.depth_grade.value if fruit.diameter_mm is not None else "",
        distance_mm=rounded(fruit.distance_mm, 1),
        same_as_photo=other_photo,
        same_as_fruit=other_fruit,
        by_hand=Doubt.BY_HAND in fruit.doubts,
        doubts=doubt_codes(fruit.doubts),
        photo_doubts=doubt_codes(measured.doubts),
    )
