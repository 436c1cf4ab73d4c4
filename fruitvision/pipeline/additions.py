"""Small additions to a farm, one form or one upload at a time, as the app takes them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path, PurePosixPath

from fruitvision.domain import Block, CaliperReading, HandCount, TreeId
from fruitvision.field_data import check_blocks
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.farm_entries import settings_of
from fruitvision.pipeline.photos import Refused, refused_rows
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.store.things import R, kept_block, kept_calipers, kept_hand_count
from fruitvision.walk_data import WalkPhoto, read_walk


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedFile:
    """A file that came in, and the name it had where it came from. The name is never a path."""

    name: str
    path: Path


def farm_settings(store: Store) -> Settings:
    """The farm's own settings.

    Raises
    ------
    SettingsError
        If the farm keeps settings that make no sense.
    """
    return settings_of(store.farm())


# ---------------------------------------------------------------- rows of tables


def _always(new: R) -> Callable[[R | None], R]:
    return lambda _: new


def keep_blocks(blocks: Sequence[Block], store: Store, *, who: str) -> None:
    """Keep blocks as they are given; who brought them is kept with each that changes."""
    store.save_each(
        [(kept_block(block.block_id), _always(block)) for block in blocks], who=who, at=now_utc()
    )


def keep_hand_counts(counts: Sequence[HandCount], store: Store, *, who: str) -> None:
    """Keep hand counts as they are given; who brought them is kept with each that changes."""
    store.save_each(
        [
            (kept_hand_count(count.tree, count.counted_on, count.protocol), _always(count))
            for count in counts
        ],
        who=who,
        at=now_utc(),
    )


def keep_calipers(readings: Sequence[CaliperReading], store: Store, *, who: str) -> None:
    """Keep caliper readings; who brought them is kept with each tree and day that changes."""
    sets: dict[tuple[TreeId, date], list[CaliperReading]] = {}
    for reading in readings:
        sets.setdefault((reading.tree, reading.measured_on), []).append(reading)
    store.save_each(
        [
            (kept_calipers(tree, measured_on), partial(_with_readings, new))
            for (tree, measured_on), new in sets.items()
        ],
        who=who,
        at=now_utc(),
    )


def _with_readings(
    new: Sequence[CaliperReading], present: tuple[CaliperReading, ...] | None
) -> tuple[CaliperReading, ...]:
    """Readings of a tree and day: new ones, and those before that they don't stand in place of.

    In the order in which they are kept, so that the same readings again are no change.
    """
    named = {reading.fruit for reading in new}
    left = (reading for reading in present or () if reading.fruit not in named)
    return tuple(sorted((*left, *new), key=lambda reading: reading.fruit))


# ---------------------------------------------------------------- photos


def walk_rows(
    walk_csv: Path, files: Sequence[NamedFile], store: Store
) -> tuple[dict[Path, WalkPhoto], tuple[Refused, ...]]:
    """The tree and face of each photo that a `walk.csv` names, and what does not fit.

    Folders in its names are ignored.

    Raises
    ------
    FieldDataError
        If the list can't be read or lacks a column.
    """
    named = read_walk(walk_csv)
    table = check_blocks(named, store.blocks())
    # Photos of lines that are refused here are said with these, not once more as unnamed.
    left_out = {_base(row.file_name) for row in set(named.rows) - set(table.rows)}
    rows, unmatched = match_files(
        table.rows, [file for file in files if _base(file.name) not in left_out]
    )
    return rows, (*refused_rows(table.refused), *unmatched)


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
