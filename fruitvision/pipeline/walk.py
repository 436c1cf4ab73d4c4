"""A walk into the farm: register, photos tied to trees, hand counts, caliper readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from fruitvision.batch import Workers
from fruitvision.caliper_pairs import TABLE_NAME as CALIPER_PAIRS
from fruitvision.domain import CaliperReading, HandCount, Photo, TreePhoto
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.field_data import (
    read_blocks,
    read_calipers,
    read_hand_counts,
)
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.photo import photo_id_of
from fruitvision.pipeline.additions import keep_blocks, keep_calipers, keep_hand_counts
from fruitvision.pipeline.believable import believable_rows
from fruitvision.pipeline.calipers import add_caliper_pairs
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.known_blocks import KnownBlocks, blocks_meant
from fruitvision.pipeline.office import TABLES as OFFICE
from fruitvision.pipeline.office import OfficeRows, load_office, table_in
from fruitvision.pipeline.photos import (
    Measured,
    Progress,
    Refused,
    measure_photos,
    quiet,
    refused_row,
    refused_rows,
)
from fruitvision.pipeline.pictures import thumbnail_of
from fruitvision.pipeline.references import by_name, point_at
from fruitvision.pipeline.views import Faces, join_kept_faces, with_faces
from fruitvision.reference_table import REFERENCES, read_references
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import WALK_DAYS
from fruitvision.walk_data import WalkPhoto, read_walk

# Tables that need no walk: those of people in the rows, and of the office.
BY_HAND = ("hand_counts", "calipers")


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What a walk folder brought into the farm, and what was refused.

    `faces` : photos of one face that were measured together.
    """

    blocks: int
    photos: Measured
    hand_counts: int
    caliper_readings: int
    office: OfficeRows
    refused: tuple[Refused, ...]
    calipered_fruit: int = 0
    faces: Faces = field(default_factory=Faces)


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """Who brings a walk, and its day, for photos that carry no date. The name is kept with all
    that the walk changes.

    `odd_lines` : lines of its list of blocks that look wrong and are meant.
    """

    who: str = ""
    walked_on: date | None = None
    odd_lines: frozenset[int] = frozenset()


def load_walk(
    folder: Path,
    store: Store,
    *,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
    brought: Brought = Brought(),
    workers: Workers = 1,
    on_progress: Progress = quiet,
) -> Loaded:
    """Read a walk folder into the farm: register, photos, hand counts, calipers.

    The folder holds `blocks.csv` and `walk.csv`, and where there are any `hand_counts.csv`,
    `calipers.csv`, `caliper_pairs.csv`, `references.csv` and the tables of the office (see
    `office_data`). Loading the same folder again changes nothing.

    Parameters
    ----------
    brought : Brought
        Who brings it, and the day of photos that carry none. A block that is hardly meant stays
        out, as on the page, unless it is said that it is.
    on_progress : callable
        Told of each photo, and before photos of one face are put together; what it raises ends the
        work, and what is kept until then stays.
    who : str
        Kept with all that changes.

    Raises
    ------
    FieldDataError
        If a needed file is missing or has the wrong columns.
    """
    blocks, known = blocks_meant(read_blocks(folder / "blocks.csv"), store, brought.odd_lines)
    walk = known.checked(read_walk(folder / "walk.csv"))
    refused = list(refused_rows((*blocks.refused, *walk.refused)))
    keep_blocks(blocks.rows, store, who=brought.who)
    # The register first: by it places of counts are looked up.
    office, office_refused = load_office(folder, store, known.blocks, who=brought.who)
    counts = _hand_counts(folder, store, known, refused)
    keep_hand_counts(counts, store, who=brought.who)
    calipers = _calipers(folder, store, known, refused)
    keep_calipers(calipers, store, who=brought.who)
    refused.extend(office_refused)
    by_path = {folder / row.file_name: row for row in walk.rows}
    references_path = table_in(folder, REFERENCES)
    if references_path is not None:
        named = by_name(by_path) | {row.file_name: path for path, row in by_path.items()}
        pointed = point_at(read_references(references_path), named, store, who=brought.who)
        refused.extend(map(refused_row, pointed))
    photos = measure_photos(
        tuple(by_path),
        store=store,
        settings=settings,
        detector_name=detector_name,
        workers=workers,
        on_progress=on_progress,
    )
    before = {photo.photo_id for photo in store.tree_photos()}
    place_photos(by_path, photos, store, walked_on=brought.walked_on, refused=refused)
    new = {photo.photo_id for photo in store.tree_photos()} - before
    if new:
        store.note_table("walk", len(new), who=brought.who, at=now_utc())
    number = len(by_path)
    faces = join_kept_faces(
        store,
        settings=settings,
        detector_name=detector_name,
        before_each=lambda: on_progress(number, number),
    )
    photos = with_faces(photos, faces)
    pairs_path = table_in(folder, CALIPER_PAIRS)
    pairs = None
    if pairs_path is not None:
        pairs = add_caliper_pairs(pairs_path, store, settings, detector_name=detector_name)
        refused.extend(pairs.refused)
    return Loaded(
        blocks=len(blocks.rows),
        photos=photos,
        hand_counts=len(counts),
        caliper_readings=len(calipers),
        office=office,
        refused=tuple(refused) + photos.refused,
        faces=faces,
        calipered_fruit=pairs.rows if pairs else 0,
    )


def load_tables_alone(folder: Path, store: Store, *, who: str = "") -> Loaded:
    """Read the tables of a folder without a walk into a farm that knows its blocks: those of the
    office, hand counts and calipers.

    Raises
    ------
    FieldDataError
        If a table has the wrong columns, or the farm has no block yet.
    """
    known = KnownBlocks(store.blocks())
    if not known.blocks:
        raise FieldDataError(
            f"{folder} has no blocks.csv, and the farm knows no block yet.",
            fix="Load a folder with blocks.csv and walk.csv first.",
        )
    refused: list[Refused] = []
    office, office_refused = load_office(folder, store, known.blocks, who=who)
    counts = _hand_counts(folder, store, known, refused)
    keep_hand_counts(counts, store, who=who)
    calipers = _calipers(folder, store, known, refused)
    keep_calipers(calipers, store, who=who)
    return Loaded(
        blocks=0,
        photos=Measured(photos=(), refused=(), copies=()),
        hand_counts=len(counts),
        caliper_readings=len(calipers),
        office=office,
        refused=(*refused, *office_refused),
    )


def tables_alone(folder: Path) -> tuple[str, ...]:
    """Names of the tables in a folder that can be loaded without a walk."""
    by_hand = [name for name in BY_HAND if (folder / f"{name}.csv").exists()]
    return (*by_hand, *(name for name in OFFICE if table_in(folder, name) is not None))


def place_photos(
    rows: Mapping[Path, WalkPhoto],
    measured: Measured,
    store: Store,
    *,
    walked_on: date | None,
    refused: list[Refused],
) -> None:
    """Tie measured photos to their trees and keep the files in the farm's folder.

    A photo without a date needs `walked_on`; one that stands for two trees is refused for the
    second. Refusals are appended to `refused`. Photos of one face are numbered in their order,
    after those that the farm has of it.
    """
    places = Places(store.tree_photos())
    days = {m.photo.photo_id: _walk_day(m.photo, walked_on) for m in measured.photos}
    placed: list[TreePhoto] = []
    taken: dict[str, WalkPhoto] = {}
    for path, row in rows.items():
        try:
            photo_id = photo_id_of(path)
        except FruitVisionError:
            continue  # refused with its reason when it was measured
        if photo_id not in days:
            continue
        day = days[photo_id]
        problem = placing_problem(row, day, taken.get(photo_id))
        if problem is not None or day is None:
            refused.append(problem or Refused(name=row.file_name, what="", fix=""))
            continue
        taken[photo_id] = row
        store.keep_photo(path, photo_id)
        thumbnail_of(photo_id, store)
        placed.append(places.photo(row, photo_id, day))
    store.save_tree_photos(placed)


class Places:
    """Numbers the photos of a face in a walk; a photo that was placed there keeps its number."""

    def __init__(self, photos: Sequence[TreePhoto]) -> None:
        self._photos = [
            (photo.tree, photo.face, photo.walked_on, photo.photo_id, photo.place)
            for photo in photos
        ]

    def photo(self, row: WalkPhoto, photo_id: str, day: date) -> TreePhoto:
        """The photo of a line of the walk, with its number among those of its face."""
        return TreePhoto(
            tree=row.tree,
            face=row.face,
            photo_id=photo_id,
            walked_on=day,
            trees=row.trees,
            vigour=row.vigour,
            place=self._next(row, photo_id, day),
        )

    def _next(self, row: WalkPhoto, photo_id: str, day: date) -> int:
        near = timedelta(days=WALK_DAYS)
        found = {
            other: place
            for tree, face, walked_on, other, place in self._photos
            if (tree, face) == (row.tree, row.face) and abs(walked_on - day) < near
        }
        place = found.get(photo_id, max(found.values(), default=0) + 1)
        self._photos.append((row.tree, row.face, day, photo_id, place))
        return place


def _walk_day(photo: Photo, walked_on: date | None) -> date | None:
    return photo.taken_at.date() if photo.taken_at else walked_on


def placing_problem(row: WalkPhoto, day: date | None, earlier: WalkPhoto | None) -> Refused | None:
    """Why a photo can't be tied to its tree: it has no day, or an earlier line has it already."""
    if earlier is not None:
        return Refused(
            name=row.file_name,
            what=f"It is the same photo as {earlier.file_name} of {earlier.tree}.",
            fix=f"Take a photo of {row.tree} itself, or delete this line.",
        )
    if day is None:
        return Refused(
            name=row.file_name,
            what="The photo carries no date, so its walk is unknown.",
            fix="Give the day of the walk, such as 2026-08-12 (command line: --walked-on).",
        )
    return None


def _hand_counts(
    folder: Path, store: Store, known: KnownBlocks, refused: list[Refused]
) -> tuple[HandCount, ...]:
    """Rows of a file that need not be there; a day or a place that can't be is refused."""
    path = folder / "hand_counts.csv"
    if not path.exists():
        return ()
    table = believable_rows(
        known.checked(read_hand_counts(path)),
        store,
        tree_of=lambda row: row.tree,
        day_of=lambda row: row.counted_on,
    )
    refused.extend(refused_rows(table.refused))
    return table.rows


def _calipers(
    folder: Path, store: Store, known: KnownBlocks, refused: list[Refused]
) -> tuple[CaliperReading, ...]:
    """As `_hand_counts`."""
    path = folder / "calipers.csv"
    if not path.exists():
        return ()
    table = believable_rows(
        known.checked(read_calipers(path)),
        store,
        tree_of=lambda row: row.tree,
        day_of=lambda row: row.measured_on,
    )
    refused.extend(refused_rows(table.refused))
    return table.rows
