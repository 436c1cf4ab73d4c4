"""The store of a farm folder, and how it is opened."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Engine

from fruitvision.errors import StoreError
from fruitvision.store.changes import ChangesPart
from fruitvision.store.database import open_database, read_only
from fruitvision.store.edits import EditsPart
from fruitvision.store.field import FieldPart
from fruitvision.store.forecasts import ForecastsPart
from fruitvision.store.frozen import FrozenPart
from fruitvision.store.hand_work import HandWorkPart
from fruitvision.store.jobs import JobsPart
from fruitvision.store.look import can_be_written, open_to_look
from fruitvision.store.lots import LotsPart
from fruitvision.store.mappings import MappingsPart
from fruitvision.store.orders import OrdersPart
from fruitvision.store.photos import PhotosPart
from fruitvision.store.place import DATABASE_NAME, SERVER_NAME, has_farm, server_of
from fruitvision.store.prices import PricesPart
from fruitvision.store.rooms import RoomsPart
from fruitvision.store.season_off import SeasonPart
from fruitvision.store.stamps import StampsPart
from fruitvision.store.tickets import TicketsPart
from fruitvision.store.walk_plans import WalkPlansPart


def open_farm(folder: Path, *, create: bool = True, name: str = "") -> FarmStore:
    """The store of a farm folder; use it in a `with` statement.

    Parameters
    ----------
    folder : Path
        The farm's folder.
    create : bool
        Make the folder and its database if there is none.
    name : str
        The farm's name; left out, the name stays as it is.

    Raises
    ------
    StoreError
        If there is no farm and `create` is false, the folder can't be made, its database is
        damaged or belongs to something else, or a newer version wrote it; or its rows are on a
        server that can't be reached.
    """
    if not create and not has_farm(folder):
        raise StoreError(
            f"There is no farm in {folder}.",
            fix="Check the folder, or run: fruitvision load WALK --farm FARM.",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise StoreError(
            f"Can't make the folder {folder}: {err.strerror}.",
            fix="Choose a folder that you can write to.",
        ) from err
    store = FarmStore(folder, _engine(folder))
    if name and name != store.farm_name:
        store.save_farm(replace(store.farm(), name=name))
    return store


def _engine(folder: Path) -> Engine:
    """The farm's rows, wherever they are."""
    server = server_of(folder)
    if server is None:
        path = folder / DATABASE_NAME
        if path.exists() and not can_be_written(path):
            return open_to_look(path)
        engine = open_database(path)
        # Opening waits for writers: one of them may have moved the farm to a server.
        server = server_of(folder)
        if server is None:
            return engine
        engine.dispose()
    # Of use to those farms only that are on a server.
    from fruitvision.store.postgresql import open_server

    return open_server(server, folder / SERVER_NAME)


class FarmStore(
    FieldPart,
    PhotosPart,
    HandWorkPart,
    ForecastsPart,
    EditsPart,
    JobsPart,
    ChangesPart,
    FrozenPart,
    OrdersPart,
    TicketsPart,
    LotsPart,
    MappingsPart,
    PricesPart,
    RoomsPart,
    SeasonPart,
    WalkPlansPart,
    StampsPart,
):
    """The store in a folder. Made by `open_farm`."""

    def __init__(self, folder: Path, engine: Engine) -> None:
        on_server = engine.dialect.name == "postgresql"
        super().__init__(folder, engine, folder / (SERVER_NAME if on_server else DATABASE_NAME))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def for_a_reader(self) -> FarmStore:
        """The same farm for somebody who may look: whatever would change it is refused."""
        return FarmStore(self.folder, read_only(self._engine))

    def close(self) -> None:
        """Let go of the database; the folder can then be copied."""
        self._engine.dispose()

    @property
    def on_server(self) -> bool:
        """Whether the rows are on a server, and only the rest in the folder."""
        return self._path.name == SERVER_NAME

    @property
    def stamp(self) -> str:
        """Text that is another one after every write, of this program or another."""
        if self.on_server:
            from fruitvision.store.postgresql import stamp_of

            return stamp_of(self._engine, self._path)
        files = (self._path, self._path.with_name(f"{self._path.name}-wal"))
        found = [file.stat() for file in files if file.exists()]
        return " ".join(f"{one.st_mtime_ns}/{one.st_size}" for one in found)
