"""What a farm keeps: one folder with a database and the photos, which can be copied as it is.

::

    FARM/fruitvision.sqlite        records
    FARM/photos/<sha256>.<ext>     copies of the photo files, named after their content

Records go in, records come out. A save is one transaction, and the same save again changes nothing.
Close the store before you copy the folder: what was written last is then in the one file.

Which result of a photo counts: results are kept apart by photo, version, detector and settings. To
measure again with other settings adds a result; the one that was saved last counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from sqlalchemy import ColumnElement, Connection, Engine, Table, delete, func, select
from sqlalchemy.dialects.sqlite import insert

from fruitvision import store_rows as rows
from fruitvision import store_tables as tables
from fruitvision.domain import (
    Block,
    CaliperedFruit,
    CaliperReading,
    Forecast,
    HandCount,
    LensCalibration,
    MadeWith,
    MeasuredPhoto,
    PickPlan,
    PointedReference,
    RegisteredTree,
    TreePhoto,
    VarietyCull,
    VarietyGrade,
    VisitedPlace,
    WeighedFruit,
)
from fruitvision.errors import StoreError
from fruitvision.photo_folder import find_photo, keep_photo
from fruitvision.store_database import open_database, reading, writing

DATABASE_NAME = "fruitvision.sqlite"
PHOTOS_NAME = "photos"


@dataclass(frozen=True, slots=True, kw_only=True)
class Farm:
    """The farm's name, and its settings as the TOML text that `settings.read_settings` reads."""

    name: str
    settings_text: str = ""


class Store(Protocol):
    """Where the pipeline keeps its records. `block_id=None` asks for those of all blocks."""

    @property
    def farm_name(self) -> str: ...
    def save_farm(self, farm: Farm) -> None: ...
    def farm(self) -> Farm: ...
    def save_blocks(self, blocks: Iterable[Block]) -> None: ...
    def blocks(self) -> tuple[Block, ...]: ...
    def keep_photo(self, path: Path, photo_id: str) -> Path: ...
    def photo_path(self, photo_id: str) -> Path: ...
    def save_measured_photo(self, measured: MeasuredPhoto) -> None: ...
    def measured_photo(self, photo_id: str, made_with: MadeWith) -> MeasuredPhoto | None: ...
    def measured_photos_of(
        self, block_id: str, made_with: MadeWith
    ) -> tuple[MeasuredPhoto, ...]: ...
    def measured_photos(self) -> tuple[MeasuredPhoto, ...]: ...
    def save_tree_photos(self, photos: Iterable[TreePhoto]) -> None: ...
    def tree_photos(self, block_id: str | None = None) -> tuple[TreePhoto, ...]: ...
    def save_hand_counts(self, counts: Iterable[HandCount]) -> None: ...
    def hand_counts(self, block_id: str | None = None) -> tuple[HandCount, ...]: ...
    def save_caliper_readings(self, readings: Iterable[CaliperReading]) -> None: ...
    def caliper_readings(self, block_id: str | None = None) -> tuple[CaliperReading, ...]: ...
    def save_calipered_fruit(self, fruit: Iterable[CaliperedFruit]) -> None: ...
    def forget_calipered_fruit(self, fruit: CaliperedFruit) -> None: ...
    def calipered_fruit(self, block_id: str | None = None) -> tuple[CaliperedFruit, ...]: ...
    def save_register(self, trees: Iterable[RegisteredTree]) -> None: ...
    def register(self, block_id: str | None = None) -> tuple[RegisteredTree, ...]: ...
    def save_visited_places(self, places: Iterable[VisitedPlace]) -> None: ...
    def visited_places(self, block_id: str | None = None) -> tuple[VisitedPlace, ...]: ...
    def save_pick_plan(self, block_id: str, plan: PickPlan) -> None: ...
    def pick_plans(self) -> Mapping[str, PickPlan]: ...
    def save_weighed_fruit(self, fruit: Iterable[WeighedFruit]) -> None: ...
    def weighed_fruit(self) -> tuple[WeighedFruit, ...]: ...
    def save_culls(self, culls: Iterable[VarietyCull]) -> None: ...
    def culls(self) -> tuple[VarietyCull, ...]: ...
    def save_grades(self, grades: Iterable[VarietyGrade]) -> None: ...
    def grades(self) -> tuple[VarietyGrade, ...]: ...
    def save_pointed_references(
        self, photo_id: str, references: Sequence[PointedReference]
    ) -> None: ...
    def pointed_references(self, photo_id: str) -> tuple[PointedReference, ...]: ...
    def save_lens(self, lens: LensCalibration) -> None: ...
    def lenses(self) -> tuple[LensCalibration, ...]: ...
    def save_forecast(self, forecast: Forecast) -> None: ...
    def forecasts(self) -> tuple[Forecast, ...]: ...


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
        If there is no farm and `create` is false, the folder can't be written, its database is
        damaged or belongs to something else, or a newer version wrote it.
    """
    database = folder / DATABASE_NAME
    if not create and not database.exists():
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
    store = FarmStore(folder, open_database(database))
    if name and name != store.farm_name:
        store.save_farm(replace(store.farm(), name=name))
    return store


class FarmStore:
    """The store in a folder. Made by `open_farm`."""

    def __init__(self, folder: Path, engine: Engine) -> None:
        self.folder = folder
        self._engine = engine
        self._path = folder / DATABASE_NAME

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database; the folder can then be copied."""
        self._engine.dispose()

    @property
    def stamp(self) -> str:
        """Text that is another one after every write, of this program or another."""
        files = (self._path, self._path.with_name(f"{self._path.name}-wal"))
        found = [file.stat() for file in files if file.exists()]
        return " ".join(f"{one.st_mtime_ns}/{one.st_size}" for one in found)

    # ------------------------------------------------------------ farm and blocks

    def save_farm(self, farm: Farm) -> None:
        """Keep the farm's name and settings instead of those before."""
        row = {"number": 1, "name": farm.name, "settings_text": farm.settings_text}
        self._upsert(tables.farm, [row])

    def farm(self) -> Farm:
        """Name and settings; without a saved one, the folder's name and no settings."""
        with reading(self._engine, self._path) as connection:
            row = connection.execute(select(tables.farm)).mappings().first()
        if row is None:
            return Farm(name=self.folder.resolve().name)
        return Farm(name=row["name"], settings_text=row["settings_text"])

    @property
    def farm_name(self) -> str:
        """The farm's name."""
        return self.farm().name

    def save_blocks(self, blocks: Iterable[Block]) -> None:
        """Add blocks, or replace those of the same name."""
        self._upsert(tables.block, [rows.plain_row(block) for block in blocks])

    def blocks(self) -> tuple[Block, ...]:
        """All blocks by name."""
        query = select(tables.block).order_by(tables.block.c.block_id)
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.block, connection.execute(query).mappings()))

    # ------------------------------------------------------------ photos

    def keep_photo(self, path: Path, photo_id: str) -> Path:
        """Copy a photo file into the farm; returns the copy.

        Raises
        ------
        StoreError
            If the file can't be copied, or its sha256 is not `photo_id`.
        """
        return keep_photo(path, photo_id, self.folder / PHOTOS_NAME)

    def photo_path(self, photo_id: str) -> Path:
        """The kept copy of a photo.

        Raises
        ------
        StoreError
            If the farm has no copy of it.
        """
        kept = find_photo(photo_id, self.folder / PHOTOS_NAME)
        if kept is None:
            raise StoreError(
                f"Photo {photo_id[:12]} is not in {self.folder / PHOTOS_NAME}.",
                fix="Load its walk again.",
            )
        return kept

    def save_measured_photo(self, measured: MeasuredPhoto) -> None:
        """Keep a result; it is now the one that counts for its photo."""
        with writing(self._engine, self._path) as connection:
            if self._latest(connection, measured.photo.photo_id) == (measured,):
                return
            connection.execute(
                delete(tables.measurement).where(
                    *_made_with(measured.photo.photo_id, measured.made_with)
                )
            )
            _upsert(connection, tables.photo, [rows.photo_row(measured.photo)])
            number = connection.execute(
                insert(tables.measurement)
                .values(rows.measurement_row(measured))
                .returning(tables.measurement.c.number)
            ).scalar_one()
            fruit_rows = rows.fruit_rows(measured, number)
            if fruit_rows:
                connection.execute(insert(tables.fruit), fruit_rows)

    def measured_photo(self, photo_id: str, made_with: MadeWith) -> MeasuredPhoto | None:
        """The result of a photo made with just this, or None."""
        query = select(tables.measurement.c.number).where(*_made_with(photo_id, made_with))
        with reading(self._engine, self._path) as connection:
            found = rows.measured_photos(connection, connection.execute(query).scalars().all())
        return found[0] if found else None

    def measured_photos_of(self, block_id: str, made_with: MadeWith) -> tuple[MeasuredPhoto, ...]:
        """The results of a block's photos made with just this, by photo name."""
        column = tables.measurement.c
        of_block = select(tables.tree_photo.c.photo_id).where(
            tables.tree_photo.c.block_id == block_id
        )
        query = select(column.number).where(
            column.photo_id.in_(of_block),
            column.version == made_with.version,
            column.detector == made_with.detector,
            column.settings_sha256 == made_with.settings_sha256,
        )
        with reading(self._engine, self._path) as connection:
            return rows.measured_photos(connection, connection.execute(query).scalars().all())

    def measured_photos(self) -> tuple[MeasuredPhoto, ...]:
        """The result that counts of every photo, by photo name."""
        with reading(self._engine, self._path) as connection:
            return self._latest(connection, None)

    def _latest(self, connection: Connection, photo_id: str | None) -> tuple[MeasuredPhoto, ...]:
        column = tables.measurement.c
        query = select(func.max(column.number)).group_by(column.photo_id)
        if photo_id is not None:
            query = query.where(column.photo_id == photo_id)
        return rows.measured_photos(connection, connection.execute(query).scalars().all())

    def save_tree_photos(self, photos: Iterable[TreePhoto]) -> None:
        """Say which tree and face each photo shows; the last word on a photo counts."""
        self._upsert(tables.tree_photo, [rows.tree_row(photo) for photo in photos])

    def tree_photos(self, block_id: str | None = None) -> tuple[TreePhoto, ...]:
        """Photos by tree and face."""
        return tuple(map(rows.tree_photo, self._of_block(tables.tree_photo, block_id)))

    def save_pointed_references(
        self, photo_id: str, references: Sequence[PointedReference]
    ) -> None:
        """Keep the references that a person pointed at in a photo, in place of earlier ones.

        Where they differ, the photo's results are forgotten: they were measured with the others.
        """
        if self.pointed_references(photo_id) == tuple(references):
            return
        table = tables.pointed_reference
        new_rows = [
            rows.pointed_reference_row(one, photo_id, number)
            for number, one in enumerate(references, start=1)
        ]
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(table).where(table.c.photo_id == photo_id))
            if new_rows:
                connection.execute(insert(table), new_rows)
            measured = tables.measurement
            connection.execute(delete(measured).where(measured.c.photo_id == photo_id))

    def pointed_references(self, photo_id: str) -> tuple[PointedReference, ...]:
        """The references that a person pointed at in a photo, in their order."""
        table = tables.pointed_reference
        query = select(table).where(table.c.photo_id == photo_id).order_by(table.c.number)
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.pointed_reference, connection.execute(query).mappings()))

    # ------------------------------------------------------------ lenses

    def save_lens(self, lens: LensCalibration) -> None:
        """Add a phone's calibration, or replace the one of the same phone, lens and size."""
        self._upsert(tables.lens_calibration, [rows.lens_row(lens)])

    def lenses(self) -> tuple[LensCalibration, ...]:
        """All calibrations, by name."""
        return tuple(map(rows.lens, self._all_of(tables.lens_calibration)))

    # ------------------------------------------------------------ hand work

    def save_hand_counts(self, counts: Iterable[HandCount]) -> None:
        """Add counts, or replace those of the same tree, day and protocol."""
        self._upsert(tables.hand_count, [rows.tree_row(count) for count in counts])

    def hand_counts(self, block_id: str | None = None) -> tuple[HandCount, ...]:
        """Hand counts by tree and day."""
        return tuple(map(rows.hand_count, self._of_block(tables.hand_count, block_id)))

    def save_caliper_readings(self, readings: Iterable[CaliperReading]) -> None:
        """Add readings, or replace those of the same tree, day and fruit.

        Fruit without a name are one set per tree and day: a save replaces that set as a whole.
        """
        new_rows = rows.caliper_rows(readings)
        sets = {
            (row["block_id"], row["row"], row["position"], row["measured_on"])
            for row in new_rows
            if not row["fruit"]
        }
        column = tables.caliper_reading.c
        with writing(self._engine, self._path) as connection:
            for block_id, row, position, measured_on in sets:
                connection.execute(
                    delete(tables.caliper_reading).where(
                        column.block_id == block_id,
                        column.row == row,
                        column.position == position,
                        column.measured_on == measured_on,
                        column.fruit == "",
                    )
                )
            _upsert(connection, tables.caliper_reading, new_rows)

    def caliper_readings(self, block_id: str | None = None) -> tuple[CaliperReading, ...]:
        """Caliper readings by tree, day and fruit."""
        return tuple(map(rows.caliper_reading, self._of_block(tables.caliper_reading, block_id)))

    def save_calipered_fruit(self, fruit: Iterable[CaliperedFruit]) -> None:
        """Add fruit that were calipered in photos, or replace those at the same place."""
        self._upsert(tables.calipered_fruit, list(map(rows.calipered_fruit_row, fruit)))

    def forget_calipered_fruit(self, fruit: CaliperedFruit) -> None:
        """Take a calipered fruit out again; nothing happens if it is not there."""
        table, row = tables.calipered_fruit, rows.calipered_fruit_row(fruit)
        with writing(self._engine, self._path) as connection:
            connection.execute(
                delete(table).where(*(column == row[column.name] for column in table.primary_key))
            )

    def calipered_fruit(self, block_id: str | None = None) -> tuple[CaliperedFruit, ...]:
        """Fruit that were calipered in photos, by photo and place."""
        table, photos = tables.calipered_fruit, tables.tree_photo.c
        query = select(table).order_by(*table.primary_key)
        if block_id is not None:
            of_block = select(photos.photo_id).where(photos.block_id == block_id)
            query = query.where(table.c.photo_id.in_(of_block))
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.calipered_fruit, connection.execute(query).mappings()))

    def save_weighed_fruit(self, fruit: Iterable[WeighedFruit]) -> None:
        """Add weighed fruit; those without a name replace the unnamed set of variety and day."""
        new_rows = rows.weighed_rows(fruit)
        sets = {(row["variety"], row["weighed_on"]) for row in new_rows if not row["fruit"]}
        column = tables.weighed_fruit.c
        with writing(self._engine, self._path) as connection:
            for variety, weighed_on in sorted(sets):
                connection.execute(
                    delete(tables.weighed_fruit).where(
                        column.variety == variety,
                        column.weighed_on == weighed_on,
                        column.fruit == "",
                    )
                )
            _upsert(connection, tables.weighed_fruit, new_rows)

    def weighed_fruit(self) -> tuple[WeighedFruit, ...]:
        """Weighed fruit of all varieties, by variety and day."""
        return tuple(map(rows.weighed_fruit, self._all_of(tables.weighed_fruit)))

    # ------------------------------------------------------------ culls and grades

    def save_culls(self, culls: Iterable[VarietyCull]) -> None:
        """Keep the culls of each variety that is named, in place of those before."""
        self._replace_varieties(tables.variety_cull, list(map(rows.plain_row, culls)))

    def culls(self) -> tuple[VarietyCull, ...]:
        """Culls by variety and size class."""
        return tuple(map(rows.variety_cull, self._all_of(tables.variety_cull)))

    def save_grades(self, grades: Iterable[VarietyGrade]) -> None:
        """Keep the grades of each variety that is named, in place of those before."""
        self._replace_varieties(tables.variety_grade, list(map(rows.plain_row, grades)))

    def grades(self) -> tuple[VarietyGrade, ...]:
        """Grades by variety and size class."""
        return tuple(map(rows.variety_grade, self._all_of(tables.variety_grade)))

    # ------------------------------------------------------------ register and picks

    def save_register(self, trees: Iterable[RegisteredTree]) -> None:
        """Keep the register of each block that is named, in place of the one before."""
        new_rows = [rows.tree_row(tree) for tree in trees]
        column = tables.registered_tree.c
        with writing(self._engine, self._path) as connection:
            for block_id in sorted({row["block_id"] for row in new_rows}):
                connection.execute(
                    delete(tables.registered_tree).where(column.block_id == block_id)
                )
            _upsert(connection, tables.registered_tree, new_rows)

    def register(self, block_id: str | None = None) -> tuple[RegisteredTree, ...]:
        """Positions of the register by row and position; empty where there is none."""
        return tuple(map(rows.registered_tree, self._of_block(tables.registered_tree, block_id)))

    def save_visited_places(self, places: Iterable[VisitedPlace]) -> None:
        """Say what walks found at drawn positions; the last word on a place and day counts."""
        self._upsert(tables.visited_place, [rows.tree_row(place) for place in places])

    def visited_places(self, block_id: str | None = None) -> tuple[VisitedPlace, ...]:
        """What walks found, by place and day."""
        return tuple(map(rows.visited_place, self._of_block(tables.visited_place, block_id)))

    def save_pick_plan(self, block_id: str, plan: PickPlan) -> None:
        """Keep the passes of a block instead of those before."""
        self._upsert(tables.pick_plan, [rows.pick_plan_row(block_id, plan)])

    def pick_plans(self) -> Mapping[str, PickPlan]:
        """Passes by block; a block without a plan is picked once on its pick date."""
        query = select(tables.pick_plan).order_by(tables.pick_plan.c.block_id)
        with reading(self._engine, self._path) as connection:
            found = connection.execute(query).mappings().all()
        return {row["block_id"]: rows.pick_plan(row) for row in found}

    # ------------------------------------------------------------ forecasts

    def save_forecast(self, forecast: Forecast) -> None:
        """Keep a forecast for good; one that is made again becomes the latest again.

        Raises
        ------
        StoreError
            If another forecast has this id: a published one is never changed.
        """
        query = select(tables.forecast).where(tables.forecast.c.forecast_id == forecast.forecast_id)
        with writing(self._engine, self._path) as connection:
            kept = connection.execute(query).mappings().first()
            if kept is not None and rows.forecast(kept) != forecast:
                raise StoreError(
                    f"Forecast {forecast.forecast_id} was published with other numbers.",
                    fix="Published forecasts stay: save the correction as a new forecast.",
                )
            latest = connection.scalar(select(func.max(tables.forecast.c.number)))
            if kept is None or kept["number"] != latest:
                again = tables.forecast.c.forecast_id == forecast.forecast_id
                connection.execute(delete(tables.forecast).where(again))
                connection.execute(insert(tables.forecast).values(rows.forecast_row(forecast)))

    def forecasts(self) -> tuple[Forecast, ...]:
        """All forecasts, in the order in which they were made and saved."""
        query = select(tables.forecast).order_by(
            tables.forecast.c.made_on, tables.forecast.c.number
        )
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.forecast, connection.execute(query).mappings()))

    # ------------------------------------------------------------ shared

    def _upsert(self, table: Table, new_rows: list[rows.NewRow]) -> None:
        with writing(self._engine, self._path) as connection:
            _upsert(connection, table, new_rows)

    def _replace_varieties(self, table: Table, new_rows: list[rows.NewRow]) -> None:
        named = {row["variety"] for row in new_rows}
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(table).where(table.c.variety.in_(named)))
            _upsert(connection, table, new_rows)

    def _all_of(self, table: Table) -> tuple[rows.FoundRow, ...]:
        with reading(self._engine, self._path) as connection:
            found = connection.execute(select(table).order_by(*table.primary_key))
            return tuple(found.mappings())

    def _of_block(self, table: Table, block_id: str | None) -> tuple[rows.FoundRow, ...]:
        query = select(table).order_by(
            *(table.c[name] for name in ("block_id", "row", "position")), *table.primary_key
        )
        if block_id is not None:
            query = query.where(table.c.block_id == block_id)
        with reading(self._engine, self._path) as connection:
            return tuple(connection.execute(query).mappings())


def _upsert(connection: Connection, table: Table, new_rows: list[rows.NewRow]) -> None:
    """Insert rows, or replace those with the same primary key."""
    if not new_rows:
        return
    statement = insert(table)
    replaced = {
        column.name: statement.excluded[column.name]
        for column in table.columns
        if not column.primary_key
    }
    connection.execute(
        statement.on_conflict_do_update(index_elements=table.primary_key, set_=replaced), new_rows
    )


def _made_with(photo_id: str, made_with: MadeWith) -> tuple[ColumnElement[bool], ...]:
    column = tables.measurement.c
    return (
        column.photo_id == photo_id,
        column.version == made_with.version,
        column.detector == made_with.detector,
        column.settings_sha256 == made_with.settings_sha256,
    )
