"""The command line: one sub-command a use-case, in the order of the work."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fruitvision import __version__
from fruitvision.errors import FieldDataError, FruitVisionError, SettingsError, StoreError
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector, detector_names
from fruitvision.settings import (
    Settings,
    read_settings,
    settings_from_text,
    settings_to_text,
)

if TYPE_CHECKING:
    from fruitvision.domain import Forecast, MeasuredPhoto
    from fruitvision.fruit.detector import Image
    from fruitvision.pipeline import Loaded, Progress, Refused
    from fruitvision.store import FarmStore

cli = typer.Typer(
    help="Row photos in, pack-out forecast out. Works offline; nothing leaves this computer.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Farm = Annotated[Path, typer.Option("--farm", help="The farm's folder.")]
SettingsFile = Annotated[
    Path | None, typer.Option("--settings", help="TOML file with the farm's own numbers.")
]
DetectorName = Annotated[
    str, typer.Option("--detector", help=f"One of: {', '.join(detector_names())}.")
]
Out = Annotated[Path, typer.Option("--out", help="Folder for the results; made if missing.")]
SizeTableName = Annotated[
    str, typer.Option("--sizes", help="Size table: a shipped name or a CSV file.")
]
Workers = Annotated[int, typer.Option("--workers", min=1, help="Photos measured side by side.")]
DEFAULT_SIZE_TABLE = "box_counts_42lb"
DEFAULT_WORKERS = min(4, os.cpu_count() or 1)
# The day after the last walk of the samples: the demo is the same on every day.
DEMO_DAY = date(2026, 8, 14)
FORECAST_FILES = ("forecast.json", "forecast.csv", "forecast.xlsx")


def main(arguments: list[str] | None = None) -> int:
    """Run one command. 0: done; 1: done, with something left out; 2: a user's error."""
    try:
        result = cli(args=arguments, standalone_mode=False, prog_name="fruitvision")
    except FruitVisionError as err:
        typer.echo(f"{err.what}\n{err.fix}", err=True)
        return 2
    except typer.Abort:
        typer.echo("Stopped. What was measured is kept: start again to go on.", err=True)
        return 130
    except Exception as err:
        if hasattr(err, "show") and hasattr(err, "exit_code"):  # a usage error of the options
            err.show()
            return int(err.exit_code)
        raise
    return result if isinstance(result, int) else 0


@cli.callback()
def _start(
    verbose: Annotated[bool, typer.Option("-v", "--verbose", help="Show log lines.")] = False,
) -> None:
    logging.basicConfig(
        level=logging.INFO if verbose else logging.ERROR, format="%(levelname)s %(message)s"
    )


@cli.command()
def demo(
    out: Out = Path("fruitvision-demo"),
    sizes: SizeTableName = DEFAULT_SIZE_TABLE,
    workers: Workers = DEFAULT_WORKERS,
) -> int:
    """The whole job on the invented farm that comes along.

    Example: fruitvision demo --out my-demo
    """
    from fruitvision.pipeline import image_of
    from fruitvision.share import shared_folder
    from fruitvision.simulate.score import score_lines, score_of
    from fruitvision.size_table import load_size_table
    from fruitvision.store import Farm as FarmRecord

    samples = shared_folder("samples")
    settings = Settings()
    with _farm(out / "farm") as store:
        store.save_farm(FarmRecord(name="Larkhill (invented)", settings_text=""))
        loaded = _load(store, samples, settings, DEFAULT_DETECTOR, None, workers)
        forecast, left_out = _forecast(store, sizes, settings, DEFAULT_DETECTOR, {}, DEMO_DAY)
        for photo in loaded.photos.photos:
            _write_overlay(photo, image_of(photo, store), out / "overlays")
    _write(forecast, out)
    _say(score_lines(score_of(forecast, samples, load_size_table(sizes))))
    typer.echo(f"\nWritten to {out}: {', '.join(FORECAST_FILES)}, overlays, farm.")
    typer.echo(f"See it in the browser: fruitvision app --farm {out / 'farm'}")
    return 1 if left_out else 0


@cli.command()
def marker(
    out: Annotated[Path, typer.Option("--out", help="PDF file to write.")] = Path("marker.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="A4 or Letter.")] = "A4",
) -> None:
    """A sheet with the square marker to print at 100 % and hang among the fruit.

    Example: fruitvision marker --paper Letter --out marker.pdf
    """
    from fruitvision.marker_sheet import draw_marker_sheet

    draw_marker_sheet(out, paper=paper)
    typer.echo(f"{out}: print at 100 %, then measure the 150 mm ruler. If it is not 150 mm,")
    typer.echo("give the length as ruler_measured_mm in your settings file.")


@cli.command()
def measure(
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders of photos.")],
    out: Out,
    mm_per_px: Annotated[
        float | None, typer.Option("--mm-per-px", help="Scale given by hand.")
    ] = None,
    ruler_mm: Annotated[
        float | None, typer.Option("--ruler-mm", help="Measured length of the 150 mm ruler.")
    ] = None,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
    overlays: Annotated[bool, typer.Option("--overlays", help="Also draw what was seen.")] = False,
    workers: Workers = DEFAULT_WORKERS,
) -> int:
    """Count and size the fruit in photos: fruit.csv and photos.csv.

    Stopped in the middle, it goes on where it was. Example: fruitvision measure walk/ --out result
    """
    from fruitvision.export import write_fruit_csv, write_photos_csv, write_refused_csv
    from fruitvision.photo import find_photos, read_photo
    from fruitvision.pipeline import measure_photos
    from fruitvision.report import measured_lines

    settings = _settings(settings_file, mm_per_px=mm_per_px, ruler_mm=ruler_mm)
    choose_detector(detector)
    paths = find_photos(photos)
    with _farm(out / ".measured") as store, _progress("measuring") as progress:
        measured = measure_photos(
            paths,
            store=store,
            settings=settings,
            detector_name=detector,
            workers=workers,
            on_progress=progress,
        )
    write_fruit_csv(measured.photos, out / "fruit.csv")
    write_photos_csv(measured.photos, out / "photos.csv")
    write_refused_csv(measured.refused, out / "refused.csv")
    if overlays:
        by_name = {path.name: path for path in paths} | {str(path): path for path in paths}
        for photo in measured.photos:
            _write_overlay(photo, read_photo(by_name[photo.photo.name])[0], out / "overlays")
    _say(measured_lines(measured))
    typer.echo(f"{len(measured.photos)} photos measured, {len(measured.refused)} left out: {out}")
    return 1 if measured.refused else 0


@cli.command()
def load(
    folder: Annotated[Path, typer.Argument(help="Walk folder: blocks.csv, walk.csv, photos …")],
    farm: Farm,
    walked_on: Annotated[
        str | None, typer.Option("--walked-on", help="Day of photos without a date, 2026-08-12.")
    ] = None,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
    workers: Workers = DEFAULT_WORKERS,
) -> int:
    """Bring a walk into the farm: register, photos, hand counts, caliper readings.

    Example: fruitvision load walk-august/ --farm larkhill
    """
    day = _day(walked_on) if walked_on else None
    with _farm(farm) as store:
        settings = _farm_settings(store, settings_file)
        loaded = _load(store, folder, settings, detector, day, workers)
    return 1 if loaded.refused else 0


@cli.command()
def block(
    farm: Farm,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
) -> int:
    """What each block holds today: fruit per tree, hidden fruit, sizes, growth.

    Example: fruitvision block --farm larkhill
    """
    from fruitvision.pipeline import estimate_blocks
    from fruitvision.report import block_lines, refused_lines

    with _farm(farm, create=False) as store:
        settings = _farm_settings(store, settings_file)
        _measure_again(store, settings, detector)
        walks, refused = estimate_blocks(store, settings, detector_name=detector)
    for walk in walks:
        _say([*block_lines(walk), ""])
    _say(refused_lines(refused))
    return 1 if refused else 0


@cli.command()
def forecast(
    farm: Farm,
    sizes: SizeTableName = DEFAULT_SIZE_TABLE,
    pick: Annotated[
        list[str] | None, typer.Option("--pick", help="Pick date: 'Gala North=2026-09-03'.")
    ] = None,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
) -> int:
    """Forecast the pack-out at the pick, keep it, and print it.

    Example: fruitvision forecast --farm larkhill --sizes classes_5mm
    """
    dates = dict(_pick_date(text) for text in pick or [])
    today = datetime.now(UTC).astimezone().date()
    with _farm(farm, create=False) as store:
        settings = _farm_settings(store, settings_file)
        _measure_again(store, settings, detector)
        _, refused = _forecast(store, sizes, settings, detector, dates, today)
    return 1 if refused else 0


@cli.command()
def export(
    farm: Farm,
    out: Out,
    version: Annotated[
        str | None, typer.Option("--version", help="Forecast version; the latest if left out.")
    ] = None,
) -> None:
    """Write a kept forecast for others: forecast.json, forecast.csv, forecast.xlsx.

    Example: fruitvision export --farm larkhill --out for-sales
    """
    with _farm(farm, create=False) as store:
        kept = {item.forecast_id: item for item in store.forecasts()}
    if not kept:
        raise StoreError(
            f"{farm} holds no forecast yet.", fix="Run: fruitvision forecast --farm FOLDER."
        )
    if version is not None and version not in kept:
        raise StoreError(
            f"No forecast has the version '{version}'.", fix=f"Known: {', '.join(kept)}."
        )
    _write(kept[version] if version else list(kept.values())[-1], out)
    typer.echo(f"Written to {out}: {', '.join(FORECAST_FILES)}.")


@cli.command()
def app(
    farm: Farm = Path("farm"),
    address: Annotated[
        str, typer.Option("--address", help="127.0.0.1 is this computer only.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65535)] = 8501,
) -> int:
    """Open the app in the browser, on this computer only unless asked otherwise.

    Example: fruitvision app --farm larkhill
    """
    from fruitvision.serve import serve_app

    if address != "127.0.0.1":
        typer.echo(f"Anybody who reaches {address} can see and change this farm.", err=True)
    return serve_app(farm, address=address, port=port)


@cli.command()
def models() -> None:
    """The detectors that can be chosen, and where each fails.

    Example: fruitvision models
    """
    for name in detector_names():
        detector = choose_detector(name)
        default = ", the default" if name == DEFAULT_DETECTOR else ""
        typer.echo(f"{name}, version {detector.version}{default}\n  {detector.limits}")


@cli.command()
def version() -> None:
    """The version of this program.

    Example: fruitvision version
    """
    typer.echo(__version__)


# ---------------------------------------------------------------- shared by the commands


@contextmanager
def _farm(folder: Path, *, create: bool = True) -> Iterator[FarmStore]:
    from fruitvision.store import open_farm

    with open_farm(folder, create=create) as store:
        yield store


@contextmanager
def _progress(what: str) -> Iterator[Progress]:
    """A line on stderr that counts up; a plain line now and then where stderr is no terminal."""

    def show(done: int, of: int) -> None:
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{what} {done} of {of}")
        elif done == of or done % 10 == 0:
            sys.stderr.write(f"{what} {done} of {of}\n")
        sys.stderr.flush()

    yield show
    if sys.stderr.isatty():
        sys.stderr.write("\n")


def _load(
    store: FarmStore,
    folder: Path,
    settings: Settings,
    detector: str,
    walked_on: date | None,
    workers: int,
) -> Loaded:
    from fruitvision.pipeline import load_walk
    from fruitvision.report import refused_lines

    choose_detector(detector)
    with _progress("measuring") as progress:
        loaded = load_walk(
            folder,
            store,
            settings=settings,
            detector_name=detector,
            walked_on=walked_on,
            workers=workers,
            on_progress=progress,
        )
    typer.echo(
        f"{loaded.blocks} blocks, {len(loaded.photos.photos)} photos, {loaded.hand_counts} hand "
        f"counts, {loaded.caliper_readings} caliper readings."
    )
    _say(refused_lines(loaded.refused))
    return loaded


def _forecast(
    store: FarmStore,
    sizes: str,
    settings: Settings,
    detector: str,
    pick_dates: dict[str, date],
    made_on: date,
) -> tuple[Forecast, tuple[Refused, ...]]:
    from fruitvision.pipeline import forecast_farm
    from fruitvision.report import forecast_lines, refused_lines
    from fruitvision.size_table import load_size_table

    result, refused = forecast_farm(
        store,
        load_size_table(sizes),
        settings,
        made_on=made_on,
        detector_name=detector,
        pick_dates=pick_dates,
    )
    _say(["", *forecast_lines(result), *refused_lines(refused)])
    return result, refused


def _write(result: Forecast, folder: Path) -> None:
    from fruitvision.export import (
        write_forecast_csv,
        write_forecast_json,
        write_forecast_xlsx,
    )

    writers = (write_forecast_json, write_forecast_csv, write_forecast_xlsx)
    for name, write in zip(FORECAST_FILES, writers, strict=True):
        write(result, folder / name)


def _write_overlay(measured: MeasuredPhoto, image: Image, folder: Path) -> None:
    from fruitvision.overlay import write_overlay

    write_overlay(image, measured, folder / f"{Path(measured.photo.name).stem}.jpg")


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        typer.echo(line)


def _settings(path: Path | None, *, mm_per_px: float | None, ruler_mm: float | None) -> Settings:
    """Settings of the file, with what was given on the command line on top."""
    settings = read_settings(path) if path else Settings()
    if mm_per_px is not None:
        _above_0("--mm-per-px", mm_per_px)
        settings = replace(settings, mm_per_px=mm_per_px)
    if ruler_mm is not None:
        _above_0("--ruler-mm", ruler_mm)
        settings = replace(settings, ruler_measured_mm=ruler_mm)
    return settings


def _above_0(option: str, value: float) -> None:
    if not 0 < value < float("inf"):
        raise SettingsError(f"{option} is {value}.", fix="Give a number above 0.")


def _farm_settings(store: FarmStore, path: Path | None) -> Settings:
    """The farm's settings; a file that is given replaces them for good."""
    farm = store.farm()
    if path is None:
        return settings_from_text(farm.settings_text)
    settings = read_settings(path)
    store.save_farm(replace(farm, settings_text=settings_to_text(settings)))
    return settings


def _measure_again(store: FarmStore, settings: Settings, detector: str) -> None:
    """Measure what this detector or these settings have not measured yet."""
    from fruitvision.pipeline import measure_kept_photos

    with _progress("measuring") as progress:
        measure_kept_photos(
            store,
            settings=settings,
            detector_name=detector,
            workers=DEFAULT_WORKERS,
            on_progress=progress,
        )


def _day(text: str) -> date:
    from fruitvision.units import parse_date

    return parse_date(text, field="day")


def _pick_date(text: str) -> tuple[str, date]:
    """`Gala North=2026-09-03` as block and date."""
    name, sign, day = text.partition("=")
    if not sign:
        raise FieldDataError(
            f"'{text}' is no pick date.", fix="Write it as --pick 'Gala North=2026-09-03'."
        )
    return name.strip(), _day(day)
