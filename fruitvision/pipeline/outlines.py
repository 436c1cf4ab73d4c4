"""Photos that people put right, written out as training data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fruitvision.domain import PhotoEdit, TreePhoto
from fruitvision.errors import FieldDataError, StoreError
from fruitvision.export.csv_text import Cell, csv_bytes
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.outlines_coco import OutlinedPhoto, coco_text
from fruitvision.photo_place import without_place
from fruitvision.pipeline.photos import Refused, made_with
from fruitvision.pipeline.review import by_photo
from fruitvision.review import apply_edits
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.whole_file import write_asked_for

COCO_FILE, LIST_FILE, PHOTO_FOLDER = "outlines.json", "photos.csv", "photos"
_COLUMNS = (
    "file_name",
    "photo",
    "block",
    "row",
    "position",
    "face",
    "walked_on",
    "fruit_this_row",
    "fruit_others",
    "fruit_fallen",
    "outlines_by_hand",
    "fruit_taken_out",
    "edits",
    "edits_without_fruit",
    "checked",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlines:
    """What a farm's people put right, ready to be written.

    `coco`, `photo_list` : bytes of both files. `files` : the photos' kept copies. `unchecked` : how
    many photos have edits and were left out since nobody said that all of it is right.
    """

    coco: bytes
    photo_list: bytes
    files: tuple[Path, ...]
    unchecked: int
    refused: tuple[Refused, ...]


def outlines_of(
    store: Store,
    settings: Settings,
    *,
    made_on: date,
    unchecked: bool = False,
    detector_name: str = DEFAULT_DETECTOR,
) -> Outlines:
    """All photos that somebody checked, by block and tree; a photo without its file is refused.

    Parameters
    ----------
    unchecked : bool
        Also photos with edits that nobody called right as a whole.
    """
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    edits = by_photo(one for one in store.photo_edits_of() if one.stands)
    photos: list[OutlinedPhoto] = []
    rows: list[Sequence[Cell]] = []
    files: list[Path] = []
    refused: list[Refused] = []
    left_out = 0
    for placed in (one for one in store.tree_photos() if one.photo_id in edits):
        measured = store.measured_photo(placed.photo_id, origin)
        if measured is None:
            refused.append(
                Refused(
                    name=f"{placed.tree}, face {placed.face}",
                    what="It is not measured with the present settings.",
                    fix="Measure it again, then export again.",
                )
            )
            continue
        reviewed = apply_edits(measured, edits[placed.photo_id], settings)
        if reviewed.checked is None and not unchecked:
            left_out += 1
            continue
        try:
            file = store.photo_path(placed.photo_id)
        except StoreError as err:
            refused.append(Refused(name=measured.photo.name, what=err.what, fix=err.fix))
            continue
        photo = OutlinedPhoto(file_name=file.name, reviewed=reviewed)
        photos.append(photo)
        files.append(file)
        rows.append(_row(photo, placed, edits[placed.photo_id]))
    return Outlines(
        coco=coco_text(photos, made_on=made_on).encode(),
        photo_list=csv_bytes(_COLUMNS, rows),
        files=tuple(files),
        unchecked=left_out,
        refused=tuple(refused),
    )


def write_outlines(outlines: Outlines, folder: Path, *, photos: bool = True) -> None:
    """`outlines.json`, `photos.csv`, and copies of the photos where they are wanted.

    The copies have the pictures as they are, and say neither where nor by whom they were taken.

    Raises
    ------
    PhotoUnreadable
        If a photo's place can't be taken out.
    FieldDataError
        If there is no photo to write.
    StoreError
        If the folder can't be written.
    """
    if not outlines.files and outlines.unchecked:
        raise FieldDataError(
            f"Nobody has checked a photo yet; {outlines.unchecked} have edits.",
            fix="In the app, look at a photo and say that all of it is right; or add --unchecked.",
        )
    if not outlines.files:
        raise FieldDataError(
            "Nobody has edited or checked a photo yet.",
            fix="In the app, look at a photo and say that all of it is right.",
        )
    write_asked_for(folder / COCO_FILE, outlines.coco)
    write_asked_for(folder / LIST_FILE, outlines.photo_list)
    if photos:
        for file in outlines.files:
            content = without_place(file.read_bytes(), file.name)
            write_asked_for(folder / PHOTO_FOLDER / file.name, content)


def _row(photo: OutlinedPhoto, placed: TreePhoto, edits: Sequence[PhotoEdit]) -> Sequence[Cell]:
    reviewed = photo.reviewed
    here = reviewed.photo.fruit_count
    return (
        photo.file_name,
        reviewed.photo.photo.name,
        placed.tree.block_id,
        placed.tree.row,
        placed.tree.position,
        placed.face,
        placed.walked_on.isoformat(),
        here,
        len(reviewed.photo.fruit) - here - len(reviewed.fallen),
        len(reviewed.fallen),
        len(reviewed.drawn),
        len(reviewed.removed),
        len(edits),
        len(reviewed.lost),
        reviewed.checked is not None,
    )
