"""Size tables of a farm: those that come along, and its own, which are kept in its folder."""

from __future__ import annotations

from pathlib import Path

from fruitvision.domain import SizeTable
from fruitvision.errors import SizeTableError
from fruitvision.pipeline.additions import NamedFile
from fruitvision.pipeline.entries import now_utc
from fruitvision.size_table import load_size_table, read_size_table, shipped_size_tables
from fruitvision.store import Store
from fruitvision.whole_file import fix_of, write_whole

FOLDER_NAME = "size_tables"
ENDINGS = (".csv", ".xlsx")


def size_tables_of(farm_folder: Path) -> dict[str, Path]:
    """Name and file of every size table that the farm can use, the shipped ones first."""
    own = sorted(path for end in ENDINGS for path in (farm_folder / FOLDER_NAME).glob(f"*{end}"))
    return shipped_size_tables() | {path.stem: path for path in own}


def known_classes(store: Store) -> frozenset[str]:
    """Names of the classes of every size table that the farm can use, or made a forecast by."""
    tables = [one.table for one in store.forecasts() if one.table is not None]
    for path in size_tables_of(store.folder).values():
        try:
            tables.append(load_size_table(path))
        except SizeTableError:
            continue  # told where somebody asks for it
    return frozenset(one.name for table in tables for one in table.classes)


def farm_size_table(name_or_path: str | Path, farm_folder: Path) -> SizeTable:
    """A size table of the farm by its name, or the table in a file.

    Raises
    ------
    SizeTableError
        If there is no such name or file, or the table makes no sense.
    """
    return load_size_table(size_tables_of(farm_folder).get(str(name_or_path), name_or_path))


def add_size_table(file: NamedFile, store: Store, *, who: str) -> SizeTable:
    """Keep a size table in the farm, in place of its own one of the same name; who brought it is
    kept first.

    The file lies beside the database: a table that a full disk then refuses stays noted, since one
    told too much does less harm than one that nobody can see.

    Raises
    ------
    SizeTableError
        If it makes no sense, bears the name of a shipped table, or can't be written.
    StoreError
        If the farm may only be looked at, or the note can't be kept. Nothing is written then.
    """
    table = read_size_table(file.path)
    if table.name.casefold() in {name.casefold() for name in shipped_size_tables()}:
        raise SizeTableError(
            f"{file.name} has the name of a size table that comes along.",
            fix="Give the file a name of its own.",
        )
    folder = store.folder / FOLDER_NAME
    ending = file.path.suffix.casefold()
    content = file.path.read_bytes()
    # As its file is called in the farm: a name alone could be that of a table of the office.
    about = f"{FOLDER_NAME}/{table.name}"
    store.note_table(about, len(table.classes), who=who, at=now_utc())
    try:
        write_whole(folder / f"{table.name}{ending}", content)
        for other in ENDINGS:
            if other != ending:
                (folder / f"{table.name}{other}").unlink(missing_ok=True)
    except OSError as err:
        raise SizeTableError(
            f"Can't keep {file.name} in {folder}: {err.strerror}.",
            fix=fix_of(err, "Check that the farm's folder can be written."),
        ) from err
    return table
