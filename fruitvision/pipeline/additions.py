"""Small additions to a farm, one form or one upload at a time, as the app takes them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path, PurePosixPath

from fruitvision.domain import Block
from fruitvision.errors import FieldDataError
from fruitvision.field_data import (
    check_blocks,
    read_blocks,
    read_calipers,
    read_hand_counts,
)
from fruitvision.field_table import RefusedRow
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.pipeline.photos import (
    Measured,
    Progress,
    Refused,
    measure_photos,
    quiet,
    refused_row,
)
from fruitvision.pipeline.views import join_kept_faces, with_faces
from fruitvision.pipeline.walk import place_photos
from fruitvision.settings import Settings, settings_from_text, settings_to_text
from fruitvision.store import Store
from fruitvision.unit_system import UnitSystem
from fruitvision.walk_data import WalkPhoto, read_walk


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedFile:
    """A file that came in, and the name it had where it came from. The name is never a path."""

    name: str
    path: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """How many rows of a table went into the farm, and those that were refused."""

    rows: int
    refused: tuple[Refused, ...]


def farm_settings(store: Store) -> Settings:
    """The farm's own settings.

    Raises
    ------
    SettingsError
        If the farm keeps settings that make no sense.
    """
    return settings_from_text(store.farm().settings_text)


def rename_farm(name: str, store: Store) -> None:
    """Give the farm another name.

    Raises
    ------
    FieldDataError
        If the name is empty.
    """
    if not name.strip():
        raise FieldDataError("The farm has no name.", fix="Type a name.")
    store.save_farm(replace(store.farm(), name=name.strip()))


def set_ruler(ruler_measured_mm: float, store: Store) -> None:
    """Keep the measured length of the printed 150 mm ruler; photos need measuring again.

    Raises
    ------
    SettingsError
        If the length is not above 0.
    """
    settings = replace(farm_settings(store), ruler_measured_mm=ruler_measured_mm)
    store.save_farm(replace(store.farm(), settings_text=settings_to_text(settings)))


def set_units(system: UnitSystem, store: Store) -> None:
    """Keep the units that are shown to those who ask for no others."""
    settings = replace(farm_settings(store), units=system.value)
    store.save_farm(replace(store.farm(), settings_text=settings_to_text(settings)))


# ---------------------------------------------------------------- blocks


def add_block(block: Block, store: Store) -> None:
    """Add a block, or correct the one of the same name.

    Raises
    ------
    FieldDataError
        If it has no name, no variety or no bearing tree, or its name differs from another one's
        only in capitals or spaces.
    """
    for value, what in ((block.block_id, "name"), (block.variety, "variety")):
        if not value.strip():
            raise FieldDataError(f"The block has no {what}.", fix=f"Type its {what}.")
    if block.bearing_trees < 1:
        raise FieldDataError(
            f"{block.positions} positions less {block.missing} missing and {block.pollinizers} "
            "pollinizers leave no bearing tree.",
            fix="Correct positions, missing or pollinizers.",
        )
    for other in store.blocks():
        if other.block_id != block.block_id and _key(other.block_id) == _key(block.block_id):
            raise FieldDataError(
                f"There is a block '{other.block_id}' already.",
                fix="Write its name in the same way to correct it, or choose another name.",
            )
    store.save_blocks([block])


def _key(name: str) -> str:
    return " ".join(name.casefold().split())


def set_pick_date(block: Block, pick_date: date | None, store: Store) -> None:
    """Change the day on which a block is picked."""
    store.save_blocks([replace(block, pick_date=pick_date)])


def add_blocks(path: Path, store: Store) -> Added:
    """Blocks of a `blocks.csv`; a bad row is refused and the rest goes in.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_blocks(path)
    return _add_each(table.rows, lambda block: add_block(block, store), table.refused)


def _add_each(
    blocks: Sequence[Block], add: Callable[[Block], None], refused_rows: Sequence[RefusedRow]
) -> Added:
    refused = [refused_row(row) for row in refused_rows]
    done = 0
    for block in blocks:
        try:
            add(block)
            done += 1
        except FieldDataError as err:
            refused.append(Refused(name=block.block_id, what=err.what, fix=err.fix))
    return Added(rows=done, refused=tuple(refused))


# ---------------------------------------------------------------- hand work


def add_hand_counts(path: Path, store: Store) -> Added:
    """Rows of a `hand_counts.csv` whose block is known.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = check_blocks(read_hand_counts(path), store.blocks())
    store.save_hand_counts(table.rows)
    return Added(rows=len(table.rows), refused=tuple(map(refused_row, table.refused)))


def add_calipers(path: Path, store: Store) -> Added:
    """Rows of a `calipers.csv` whose block is known.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = check_blocks(read_calipers(path), store.blocks())
    store.save_caliper_readings(table.rows)
    return Added(rows=len(table.rows), refused=tuple(map(refused_row, table.refused)))


# ---------------------------------------------------------------- photos


def add_photos(
    rows: Mapping[Path, WalkPhoto],
    store: Store,
    *,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
    walked_on: date | None = None,
    on_progress: Progress = quiet,
) -> Measured:
    """Measure photos of known trees and keep them in the farm; those of one face together.

    Parameters
    ----------
    rows : mapping
        The tree and face that each file shows.
    walked_on : date, optional
        Day of the walk for photos that carry no date.

    Raises
    ------
    DetectorUnknown
        If there is no detector of that name.
    """
    measured = measure_photos(
        tuple(rows),
        store=store,
        settings=settings,
        detector_name=detector_name,
        on_progress=on_progress,
    )
    refused = [_named(item, rows) for item in measured.refused]
    place_photos(rows, measured, store, walked_on=walked_on, refused=refused)
    faces = join_kept_faces(store, settings=settings, detector_name=detector_name)
    return replace(with_faces(measured, faces), refused=tuple(refused))


def _named(refused: Refused, rows: Mapping[Path, WalkPhoto]) -> Refused:
    """The refusal under the name that the file had where it came from."""
    row = rows.get(Path(refused.name))
    return replace(refused, name=row.file_name) if row else refused


def add_walk_files(
    walk_csv: Path,
    files: Sequence[NamedFile],
    store: Store,
    *,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
    walked_on: date | None = None,
    on_progress: Progress = quiet,
) -> Measured:
    """Measure and keep photos whose trees a `walk.csv` names; folders in its names are ignored.

    Raises
    ------
    FieldDataError
        If the list can't be read or lacks a column.
    """
    table = check_blocks(read_walk(walk_csv), store.blocks())
    rows, unmatched = match_files(table.rows, files)
    measured = add_photos(
        rows,
        store,
        settings=settings,
        detector_name=detector_name,
        walked_on=walked_on,
        on_progress=on_progress,
    )
    refused = (*map(refused_row, table.refused), *unmatched, *measured.refused)
    return replace(measured, refused=refused)


def match_files(
    walk: Sequence[WalkPhoto], files: Sequence[NamedFile]
) -> tuple[dict[Path, WalkPhoto], tuple[Refused, ...]]:
    """The line of the walk list for each file, by file name; what does not fit is refused."""
    lines: dict[str, WalkPhoto] = {_base(row.file_name): row for row in walk}
    in_list = Counter(_base(row.file_name) for row in walk)
    came = Counter(_base(file.name) for file in files)
    rows: dict[Path, WalkPhoto] = {}
    refused: list[Refused] = []
    for file in files:
        name = _base(file.name)
        if in_list[name] == 1 and came[name] == 1:
            rows[file.path] = lines[name]
        else:
            refused.append(_mismatch(file.name, in_list[name], came[name]))
    missing = sum(count for name, count in in_list.items() if not came[name])
    if missing:
        refused.append(
            Refused(
                name="walk list",
                what=f"{missing} of its {len(walk)} photos did not come with it.",
                fix="Load the others with the same list, in one or several goes.",
            )
        )
    return rows, tuple(refused)


def _base(name: str) -> str:
    return PurePosixPath(name.replace("\\", "/")).name.casefold()


def _mismatch(name: str, in_list: int, came: int) -> Refused:
    if in_list == 0:
        return Refused(
            name=name,
            what="The walk list does not name this photo.",
            fix="Add a line for it, with block, row, position and face.",
        )
    number, where = (in_list, "stands in the walk list") if in_list > 1 else (came, "was chosen")
    return Refused(
        name=name,
        what=f"A file of this name {where} {number} times.",
        fix="Give each photo a name of its own.",
    )
