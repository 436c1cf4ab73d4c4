"""A walk into the farm: register, photos tied to trees, hand counts, caliper readings."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from fruitvision.batch import Workers
from fruitvision.caliper_pairs import TABLE_NAME as CALIPER_PAIRS
from fruitvision.domain import CaliperReading, HandCount
from fruitvision.errors import FieldDataError
from fruitvision.field_data import read_calipers, read_hand_counts
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.pipeline.additions import keep_blocks, keep_calipers, keep_hand_counts
from fruitvision.pipeline.believable import believable_rows
from fruitvision.pipeline.calipers import add_caliper_pairs
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.known_blocks import KeptBlock, KnownBlocks, blocks_meant
from fruitvision.pipeline.odd_counts import without_slips
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
from fruitvision.pipeline.placing import MovedPhoto, place_photos
from fruitvision.pipeline.references import by_name, point_at
from fruitvision.pipeline.views import Faces, join_kept_faces, with_faces
from fruitvision.reference_table import REFERENCES, read_references
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.walk_data import read_walk

# Tables that need no walk: those of people in the rows, and of the office.
BY_HAND = ("hand_counts", "calipers")
# Tables of the office that are held against the photos, and come in after them.
_AFTER_PHOTOS = ("gaps",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What a walk folder brought into the farm, and what was refused.

    `faces` : photos of one face that were measured together. `kept_blocks` : blocks of which the
    list says something else than the farm, which stays as it is. `moved` : photos that were at
    another tree before.
    """

    blocks: int
    photos: Measured
    hand_counts: int
    caliper_readings: int
    office: OfficeRows
    refused: tuple[Refused, ...]
    calipered_fruit: int = 0
    faces: Faces = field(default_factory=Faces)
    kept_blocks: tuple[KeptBlock, ...] = ()
    moved: tuple[MovedPhoto, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """Who brings a walk, and its day, for photos that carry no date. The name is kept with all
    that the walk changes.

    `odd_lines` : lines of its list of blocks that look wrong and are meant. `today` : photos,
    counts, readings and visited places of later days are refused; None: no day is.
    """

    who: str = ""
    walked_on: date | None = None
    odd_lines: frozenset[int] = frozenset()
    today: date | None = None


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
    `office_data`). Loading the same folder again changes nothing, and a block that the farm knows
    keeps what the farm has of it (see `known_blocks`), as do its passes and cold rooms.

    Parameters
    ----------
    brought : Brought
        Who brings it, and the day of photos that carry none. A block that is hardly meant stays
        out, as on the page, unless it is said that it is.
    on_progress : callable
        Told of each photo, and before photos of one face are put together; what it raises ends the
        work, and what is kept until then stays.

    Raises
    ------
    FieldDataError
        If a needed file is missing or has the wrong columns.
    """
    meant = blocks_meant(folder / "blocks.csv", store, brought.odd_lines)
    blocks, known = meant.table, meant.known
    walk = known.checked(read_walk(folder / "walk.csv"))
    refused = list(refused_rows((*blocks.refused, *walk.refused)))
    keep_blocks(blocks.rows, store, who=brought.who)
    # The register first: by it places of photos and counts are looked up.
    first = [name for name in OFFICE if name not in _AFTER_PHOTOS]
    office, office_refused = load_office(
        folder, store, known.blocks, who=brought.who, names=first, farm_first=True
    )
    refused.extend(office_refused)
    calipers = _calipers(folder, store, known, refused, brought.today)
    keep_calipers(calipers, store, who=brought.who)
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
    placed = place_photos(by_path, photos, store, walked_on=brought.walked_on, today=brought.today)
    refused.extend(placed.refused)
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
    # After the photos: what they show tells a slip of a count, and a gap that is none.
    counts = _hand_counts(folder, store, known, refused, brought.today)
    keep_hand_counts(counts, store, who=brought.who)
    gaps, gaps_refused = load_office(
        folder,
        store,
        known.blocks,
        who=brought.who,
        names=_AFTER_PHOTOS,
        today=brought.today,
    )
    refused.extend(gaps_refused)
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
        office=replace(office, gaps=gaps.gaps),
        refused=tuple(refused) + photos.refused,
        faces=faces,
        kept_blocks=meant.kept,
        moved=placed.moved,
        calipered_fruit=pairs.rows if pairs else 0,
    )


def load_tables_alone(
    folder: Path, store: Store, *, who: str = "", today: date | None = None
) -> Loaded:
    """Read the tables of a folder without a walk into a farm that knows its blocks: those of the
    office, hand counts and calipers; with what is later than `today` refused, if that is told.

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
    office, office_refused = load_office(folder, store, known.blocks, who=who, today=today)
    counts = _hand_counts(folder, store, known, refused, today)
    keep_hand_counts(counts, store, who=who)
    calipers = _calipers(folder, store, known, refused, today)
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


def _hand_counts(
    folder: Path, store: Store, known: KnownBlocks, refused: list[Refused], today: date | None
) -> tuple[HandCount, ...]:
    """Rows of a file that need not be there; a day or a place that can't be is refused, and so is
    what looks like a slip beside the photos."""
    path = folder / "hand_counts.csv"
    if not path.exists():
        return ()
    table = believable_rows(
        known.checked(read_hand_counts(path)),
        store,
        tree_of=lambda row: row.tree,
        day_of=lambda row: row.counted_on,
        today=today,
    )
    table = without_slips(table, store)
    refused.extend(refused_rows(table.refused))
    return table.rows


def _calipers(
    folder: Path, store: Store, known: KnownBlocks, refused: list[Refused], today: date | None
) -> tuple[CaliperReading, ...]:
    """As `_hand_counts`, less the slips."""
    path = folder / "calipers.csv"
    if not path.exists():
        return ()
    table = believable_rows(
        known.checked(read_calipers(path)),
        store,
        tree_of=lambda row: row.tree,
        day_of=lambda row: row.measured_on,
        today=today,
    )
    refused.extend(refused_rows(table.refused))
    return table.rows
