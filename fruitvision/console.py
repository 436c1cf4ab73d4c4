"""What the commands share: the farm, progress, settings, words on the screen, files."""

from __future__ import annotations

import getpass
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from getpass import getuser
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from fruitvision.errors import FieldDataError, SettingsError, StoreError
from fruitvision.fruit.detector import choose_detector
from fruitvision.serve import DAY_VARIABLE
from fruitvision.settings import Settings, check_ruler, read_settings, settings_to_text
from fruitvision.unit_system import METRIC, Units, UnitSystem, units_of

if TYPE_CHECKING:
    from fruitvision.batch import Workers
    from fruitvision.domain import Forecast, MeasuredPhoto
    from fruitvision.fruit.detector import Image
    from fruitvision.pipeline import Choices, Loaded, Progress, Refused
    from fruitvision.pipeline.walk import Brought
    from fruitvision.store import FarmStore

DEFAULT_WORKERS = min(4, os.cpu_count() or 1)
FORECAST_FILES = ("forecast.json", "forecast.csv", "forecast.xlsx")
# Names of the tables behind a forecast, as CSV files of their own.
DETAIL_FILES = tuple(
    f"forecast_{name}.csv" for name in ("weeks", "grades", "picks", "bridge", "uses", "inputs")
)


def today() -> date:
    """The day on this computer's clock; `FRUITVISION_TODAY` sets another one, as for the app."""
    given = os.environ.get(DAY_VARIABLE, "")
    if given:
        return day(given, option=DAY_VARIABLE)
    return datetime.now(UTC).astimezone().date()


# What a folder with a walk needs.
WALK_TABLES = ("blocks.csv", "walk.csv")


@contextmanager
def farm_store(folder: Path, *, create: bool = True) -> Iterator[FarmStore]:
    """The farm's store, closed at the end."""
    from fruitvision.store import open_farm

    with open_farm(folder, create=create) as store:
        yield store


def copy_lenses(farm: Path, store: FarmStore) -> None:
    """Give a store the calibrated lenses of a farm."""
    with farm_store(farm, create=False) as other:
        for lens in other.lenses():
            store.save_lens(lens)


def point_at_references(table: Path, photos: Sequence[Path], store: FarmStore) -> list[Refused]:
    """Keep what a table of references says of photos; the lines that were refused."""
    from fruitvision.pipeline.photos import refused_row
    from fruitvision.pipeline.references import by_name, point_at
    from fruitvision.reference_table import read_references

    return list(
        map(refused_row, point_at(read_references(table), by_name(photos), store, who=login_name()))
    )


@contextmanager
def progress_line(what: str) -> Iterator[Progress]:
    """A line on stderr that counts up; a plain line now and then where stderr is no terminal."""

    told = -1

    def show(done: int, of: int) -> None:
        nonlocal told
        if of == 0 or done == told:
            return
        told = done
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{what} {done} of {of}")
        elif done == of or done % 10 == 0:
            sys.stderr.write(f"{what} {done} of {of}\n")
        sys.stderr.flush()

    yield show
    if sys.stderr.isatty():
        sys.stderr.write("\n")


def check_walk_folder(folder: Path) -> None:
    """Raise if a folder can't be a walk folder, before a farm is made for it.

    Raises
    ------
    FieldDataError
        If it is missing, lacks one of its two needed files, or one of them can't be read.
    """
    from fruitvision.field_data import read_blocks
    from fruitvision.walk_data import read_walk

    if folder.is_file():
        raise FieldDataError(
            f"{folder} is a file.",
            fix="Give the folder that it lies in; one table alone: fruitvision table load.",
        )
    if not folder.is_dir():
        raise FieldDataError(f"There is no folder {folder}.", fix="Check its name.")
    for name in WALK_TABLES:
        if not (folder / name).is_file():
            raise FieldDataError(
                f"{folder} has no {name}.",
                fix="A walk folder needs blocks.csv and walk.csv. Tables without a walk, such as "
                "register.csv, go into a folder of their own.",
            )
    read_blocks(folder / "blocks.csv")
    read_walk(folder / "walk.csv")


def has_walk(folder: Path) -> bool:
    """Whether a folder is to hold a walk: it has a part of one, or no table that needs none."""
    from fruitvision.pipeline.walk import tables_alone

    part = any((folder / name).exists() for name in WALK_TABLES)
    return part or not (folder.is_dir() and tables_alone(folder))


def login() -> str:
    """Name of whoever is logged in here; empty where the system has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return ""


def load_folder(
    store: FarmStore,
    folder: Path,
    settings: Settings,
    detector: str,
    workers: Workers,
    *,
    brought: Brought,
) -> Loaded:
    """Load a walk folder with progress, and say what came of it."""
    from fruitvision.pipeline import load_walk
    from fruitvision.report import (
        faces_lines,
        kept_lines,
        kept_rows_lines,
        many,
        moved_lines,
        refused_lines,
    )

    choose_detector(detector)
    with progress_line("measuring") as progress:
        loaded = load_walk(
            folder,
            store,
            settings=settings,
            detector_name=detector,
            brought=brought,
            workers=workers,
            on_progress=progress,
        )
    numbers = (
        (loaded.blocks, "block"),
        (len(loaded.photos.photos), "photo"),
        (loaded.hand_counts, "hand count"),
        (loaded.caliper_readings, "caliper reading"),
    )
    typer.echo(f"{', '.join(many(number, what) for number, what in numbers)}.")
    if loaded.calipered_fruit:
        typer.echo(f"{loaded.calipered_fruit} fruit calipered in photos.")
    if loaded.office.words:
        typer.echo(f"{loaded.office.words}.")
    say(faces_lines(loaded.faces))
    say(kept_lines(loaded.kept_blocks, folder / "blocks.csv", store.folder))
    say(kept_rows_lines(loaded.office.kept))
    say(moved_lines(loaded.moved))
    say(refused_lines(loaded.refused))
    return loaded


def load_tables(store: FarmStore, folder: Path, *, who: str = "", on: date | None = None) -> Loaded:
    """Load the tables of a folder without a walk, and say what came of it; rows of days after `on`
    are refused."""
    from fruitvision.pipeline.walk import load_tables_alone
    from fruitvision.report import many, refused_lines

    loaded = load_tables_alone(folder, store, who=who, today=on)
    by_hand = ((loaded.hand_counts, "hand count"), (loaded.caliper_readings, "caliper reading"))
    words = [many(number, what) for number, what in by_hand if number]
    words += [loaded.office.words] if loaded.office.words else []
    typer.echo(f"{', '.join(words) or 'Nothing'} without a walk.")
    say(refused_lines(loaded.refused))
    return loaded


def make_forecast(
    store: FarmStore,
    sizes: str,
    settings: Settings,
    detector: str,
    pick_dates: dict[str, date],
    made_on: date,
    choices: Choices | None = None,
) -> tuple[Forecast, tuple[Refused, ...]]:
    """Make and keep a forecast; a what-if is not kept, unless it is to be."""
    from fruitvision.pipeline import Choices, forecast_farm
    from fruitvision.pipeline.size_tables import farm_size_table

    return forecast_farm(
        store,
        farm_size_table(sizes, store.folder),
        settings,
        made_on=made_on,
        detector_name=detector,
        pick_dates=pick_dates,
        choices=choices or Choices(),
    )


def say_forecast(
    result: Forecast,
    refused: Sequence[Refused],
    units: Units,
    earlier: Forecast | None = None,
) -> None:
    """Print a forecast, and what was left out of it; `earlier` is where its bridge starts."""
    from fruitvision.report import forecast_lines, refused_lines

    say(["", *forecast_lines(result, units, earlier), *refused_lines(refused)])


def shown_units(asked: UnitSystem | None, settings: Settings) -> Units:
    """The units that a user asks for, else those of the farm."""
    return units_of(asked or settings.units)


def write_forecast(
    result: Forecast, folder: Path, units: Units = METRIC, *, moved: Sequence[str] = ()
) -> None:
    """Write `FORECAST_FILES` and `DETAIL_FILES`; the JSON document stays metric, and as it was made
    also where passes of blocks were `moved` since."""
    from fruitvision.export import (
        write_detail_csvs,
        write_forecast_csv,
        write_forecast_json,
        write_forecast_xlsx,
    )

    document, flat, workbook = (folder / name for name in FORECAST_FILES)
    write_forecast_json(result, document)
    write_forecast_csv(result, flat, units, moved=moved)
    write_forecast_xlsx(result, workbook, units, moved=moved)
    write_detail_csvs(result, folder, units, moved=moved)


def write_picture(
    measured: MeasuredPhoto, image: Image, folder: Path, units: Units = METRIC
) -> None:
    """Write what was seen in a photo as a picture."""
    from fruitvision.overlay import write_overlay

    path = folder / f"{Path(measured.photo.name).stem}.jpg"
    write_overlay(image, measured, path, units.diameter)


def say(lines: Iterable[str]) -> None:
    """Print lines."""
    for line in lines:
        typer.echo(line)


def given_settings(
    path: Path | None, *, mm_per_px: float | None, ruler_mm: float | None
) -> Settings:
    """Settings of the file, with what was given on the command line on top."""
    settings = read_settings(path) if path else Settings()
    if mm_per_px is not None:
        _above_0("--mm-per-px", mm_per_px)
        settings = replace(settings, mm_per_px=mm_per_px)
    if ruler_mm is not None:
        check_ruler(ruler_mm)
        settings = replace(settings, ruler_measured_mm=ruler_mm)
    return settings


def _above_0(option: str, value: float) -> None:
    if not 0 < value < float("inf"):
        raise SettingsError(f"{option} is {value}.", fix="Give a number above 0.")


def farm_settings_or(store: FarmStore, path: Path | None) -> Settings:
    """The farm's settings; a file that is given replaces them for good."""
    from fruitvision.domain import ThingKind
    from fruitvision.pipeline.additions import farm_settings
    from fruitvision.pipeline.entries import now_utc
    from fruitvision.pipeline.farm_entries import save_settings

    if path is None:
        return farm_settings(store)
    settings = read_settings(path)
    try:
        save_settings(settings, store.farm(), store, who=login_name())
    except SettingsError:  # Those that it keeps make no sense: these put them right.
        store.save_farm(replace(store.farm(), settings_text=settings_to_text(settings)))
        after = {"settings": path.name}
        store.note_change(ThingKind.FARM, "", None, after, who=login_name(), at=now_utc())
    typer.echo(f"The settings of {path.name} are the farm's from now on.", err=True)
    return settings


def measure_again(store: FarmStore, settings: Settings, detector: str) -> None:
    """Measure what this detector or these settings have not measured yet."""
    from fruitvision.pipeline import measure_kept_photos

    with progress_line("measuring") as progress:
        measure_kept_photos(
            store,
            settings=settings,
            detector_name=detector,
            workers=DEFAULT_WORKERS,
            on_progress=progress,
        )


def day(text: str, *, option: str) -> date:
    """A date as 2026-08-12."""
    from fruitvision.units import parse_date

    return parse_date(text, field=option)


def login_name() -> str:
    """Name of this login, for what is kept with who did it; empty where there is none."""
    try:
        return getuser()
    except (OSError, KeyError):
        return ""


def pick_date(text: str) -> tuple[str, date]:
    """`Gala North=2026-09-03` as block and date."""
    name, sign, when = text.partition("=")
    if not sign:
        raise FieldDataError(
            f"'{text}' is no pick date.", fix="Write it as --pick 'Gala North=2026-09-03'."
        )
    return name.strip(), day(when, option="--pick")


def say_not_printed(names: Iterable[str]) -> bool:
    """Say which names a PDF can't print in full, and whether there are any."""
    from fruitvision.printed_letters import LACKING, not_printed

    found = not_printed(names)
    if found:
        typer.echo(
            f"! A PDF has the letters of western Europe only. In it these names lack letters "
            f"({LACKING}): {', '.join(found)}. Tables and documents have them in full. For paper, "
            f"write them in Latin letters too, or send the workbook."
        )
    return bool(found)


def check_outside(farm: Path, *paths: Path | None) -> None:
    """Refuse to write into the farm's own folder.

    Raises
    ------
    StoreError
        If one of the paths is the folder or lies in it.
    """
    home = farm.resolve()
    for path in paths:
        if path is not None and path.resolve().is_relative_to(home):
            raise StoreError(
                f"{path} is in the farm's own folder.",
                fix="Write elsewhere: what lies in the farm's folder goes along in every archive.",
            )
