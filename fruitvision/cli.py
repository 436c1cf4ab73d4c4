"""The command line: one sub-command a use-case, in the order of the work."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from fruitvision import __version__
from fruitvision.commands.accounts import people_cli
from fruitvision.commands.archive import archive_cli
from fruitvision.commands.bench import bench_cli
from fruitvision.commands.calipers import calipers_cli
from fruitvision.commands.cluster import (
    ClusterAddress,
    PhotosAt,
    cluster_cli,
    folder_of,
    who_measures,
)
from fruitvision.commands.database import database_cli
from fruitvision.commands.learning import learn, lots_cli, score
from fruitvision.commands.lens import lens_cli
from fruitvision.commands.models import models_cli
from fruitvision.commands.orders import orders_cli
from fruitvision.commands.outlines import outlines_cli
from fruitvision.commands.papers import papers_cli
from fruitvision.commands.papers_out import card, fruit_table, geojson
from fruitvision.commands.planning import thinning, worth
from fruitvision.commands.sales import freeze, harvest
from fruitvision.commands.season import season_cli
from fruitvision.commands.sheet import sheet
from fruitvision.commands.trail import changes
from fruitvision.console import (
    DEFAULT_WORKERS,
    DETAIL_FILES,
    FORECAST_FILES,
    check_outside,
    check_walk_folder,
    copy_lenses,
    day,
    farm_settings_or,
    farm_store,
    given_settings,
    has_walk,
    load_folder,
    load_tables,
    login,
    make_forecast,
    measure_again,
    pick_date,
    point_at_references,
    progress_line,
    say,
    say_forecast,
    say_not_printed,
    shown_units,
    today,
    write_forecast,
    write_picture,
)
from fruitvision.errors import FieldDataError, FruitVisionError, StoreError
from fruitvision.forecast.growth import Weather
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector, detector_names
from fruitvision.settings import Settings
from fruitvision.simulate.command import simulate_cli
from fruitvision.train.command import train_cli
from fruitvision.unit_system import UnitSystem

cli = typer.Typer(
    help="Row photos in, pack-out forecast out. Works offline; nothing leaves this computer.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
cli.add_typer(models_cli, name="models")
cli.add_typer(lens_cli, name="lens")
cli.add_typer(calipers_cli, name="calipers")
cli.add_typer(outlines_cli, name="outlines")
cli.add_typer(orders_cli, name="orders")
cli.add_typer(lots_cli, name="lots")
cli.add_typer(papers_cli, name="table")
cli.add_typer(archive_cli, name="archive")
cli.add_typer(season_cli, name="season")
cli.add_typer(cluster_cli, name="cluster")
cli.add_typer(database_cli, name="database")
cli.add_typer(people_cli, name="people")
cli.add_typer(simulate_cli, name="simulate")
cli.add_typer(bench_cli, name="bench")
cli.add_typer(train_cli, name="train")

Farm = Annotated[Path, typer.Option("--farm", help="The farm's folder.")]
SettingsFile = Annotated[
    Path | None,
    typer.Option("--settings", help="TOML file; the farm keeps it, in place of its settings."),
]
DetectorName = Annotated[
    str, typer.Option("--detector", help=f"One of: {', '.join(detector_names())}.")
]
Out = Annotated[Path, typer.Option("--out", help="Folder for the results; made if missing.")]
SizeTableName = Annotated[str, typer.Option("--sizes", help="Size table: a name or a CSV file.")]
ConfirmFactor = Annotated[
    bool,
    typer.Option("--confirm-factor", help="Use hand counts that another detector was paired with."),
]
ShownUnits = Annotated[
    UnitSystem | None,
    typer.Option(
        "--units",
        envvar="FRUITVISION_UNITS",
        help="Units to print and to write: in, short tons, acres, or metric; else the farm's.",
    ),
]
Workers = Annotated[int, typer.Option("--workers", min=1, help="Photos measured side by side.")]
DEFAULT_SIZE_TABLE = "box_counts_42lb"
# The day after the last walk of the samples: the demo is the same on every day.
DEMO_DAY = date(2026, 8, 14)


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
    units: ShownUnits = None,
) -> int:
    """The whole job on the invented farm that comes along.

    Example: fruitvision demo --out my-demo
    """
    from fruitvision.pipeline import image_of
    from fruitvision.pipeline.walk import Brought
    from fruitvision.share import shared_folder
    from fruitvision.simulate.score import score_lines, score_of
    from fruitvision.size_table import load_size_table
    from fruitvision.store import Farm as FarmRecord

    samples = shared_folder("samples")
    settings = Settings()
    shown = shown_units(units, settings)
    with farm_store(out / "farm") as store:
        store.save_farm(FarmRecord(name="Larkhill (invented)", settings_text=""))
        loaded = load_folder(store, samples, settings, DEFAULT_DETECTOR, workers, brought=Brought())
        forecast, left_out = make_forecast(store, sizes, settings, DEFAULT_DETECTOR, {}, DEMO_DAY)
        say_forecast(forecast, left_out, shown)
        for photo in loaded.photos.photos:
            write_picture(photo, image_of(photo, store), out / "overlays", shown)
    write_forecast(forecast, out, shown)
    say(score_lines(score_of(forecast, samples, load_size_table(sizes)), shown))
    written = ", ".join((*FORECAST_FILES, *DETAIL_FILES))
    typer.echo(f"\nWritten to {out}: {written}, overlays, farm.")
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
    references: Annotated[
        Path | None,
        typer.Option("--references", help="CSV of markers and balls: where, and how large."),
    ] = None,
    pair: Annotated[
        bool, typer.Option("--pair", help="All show one tree face, from places a step apart.")
    ] = False,
    lenses_of: Annotated[
        Path | None, typer.Option("--lenses-of", help="Farm whose lenses to use from now on.")
    ] = None,
    workers: Workers = DEFAULT_WORKERS,
    cluster: ClusterAddress = None,
    photos_at: PhotosAt = None,
    units: ShownUnits = None,
) -> int:
    """Count and size the fruit in photos: fruit.csv and photos.csv.

    Stopped in the middle, it goes on where it was. Example: fruitvision measure walk/ --out result
    """
    from fruitvision.export import write_fruit_csv, write_photos_csv, write_refused_csv
    from fruitvision.photo import find_photos, read_photo
    from fruitvision.pipeline import measure_photos
    from fruitvision.report import many, measured_lines

    settings = given_settings(settings_file, mm_per_px=mm_per_px, ruler_mm=ruler_mm)
    shown = shown_units(units, settings)
    choose_detector(detector)
    paths = find_photos(photos)
    if not paths:
        raise FieldDataError(
            f"There are no photos in {', '.join(map(str, photos))}.",
            fix="Give JPEG, PNG, HEIC or TIFF files, or a folder that holds some.",
        )
    if pair and len(paths) < 2:
        raise FieldDataError(
            "One photo alone is no pair.",
            fix="Name two or more of one tree face, taken a step apart, or leave --pair away.",
        )
    with (
        farm_store(out / ".measured") as store,
        who_measures(
            workers, cluster, photos_at, below=folder_of(photos), detector=detector
        ) as who,
        progress_line("measuring") as progress,
    ):
        if lenses_of is not None:
            copy_lenses(lenses_of, store)
        left_out = [] if references is None else point_at_references(references, paths, store)
        measured = measure_photos(
            paths,
            store=store,
            settings=settings,
            detector_name=detector,
            workers=who,
            on_progress=progress,
        )
    joined = True
    if pair:
        from fruitvision.pipeline import join_measured
        from fruitvision.report import face_lines

        measured, face = join_measured(measured, settings)
        joined = len(face.joined) == len(paths)
    measured = replace(measured, refused=(*left_out, *measured.refused))
    write_fruit_csv(measured.photos, out / "fruit.csv", shown)
    write_photos_csv(measured.photos, out / "photos.csv", shown)
    write_refused_csv(measured.refused, out / "refused.csv")
    if overlays:
        by_name = {path.name: path for path in paths} | {str(path): path for path in paths}
        for photo in measured.photos:
            write_picture(photo, read_photo(by_name[photo.photo.name])[0], out / "overlays", shown)
    say(measured_lines(measured))
    if pair:
        say(face_lines(face))
    done = many(len(measured.photos), "photo")
    typer.echo(f"{done} measured, {len(measured.refused)} left out: {out}")
    if not measured.photos:
        return 2
    return 0 if joined and not measured.refused else 1


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
    cluster: ClusterAddress = None,
    photos_at: PhotosAt = None,
    by: Annotated[
        str | None, typer.Option("--by", help="Who loads it; else the name of this login.")
    ] = None,
    odd: Annotated[
        str, typer.Option("--odd", help="Lines of blocks.csv that look wrong and are meant: 3,7.")
    ] = "",
) -> int:
    """Bring a walk into the farm: register, photos, hand counts, caliper readings.

    A folder without a walk brings the tables that are in it, such as register.csv.

    Example: fruitvision load walk-august/ --farm larkhill
    """
    from fruitvision.pipeline.walk import Brought
    from fruitvision.units import parse_counts

    walk_day = day(walked_on, option="--walked-on") if walked_on else None
    meant = frozenset(parse_counts(odd, field="--odd"))
    with_walk = has_walk(folder)
    if with_walk:
        check_walk_folder(folder)
    with farm_store(farm, create=with_walk) as store:
        settings = farm_settings_or(store, settings_file)
        who = login() if by is None else by
        if with_walk:
            with who_measures(
                workers, cluster, photos_at, below=folder, detector=detector
            ) as measuring:
                brought = Brought(who=who, walked_on=walk_day, odd_lines=meant)
                loaded = load_folder(store, folder, settings, detector, measuring, brought=brought)
        else:
            loaded = load_tables(store, folder, who=who)
    return 1 if loaded.refused else 0


@cli.command()
def plan(
    block_id: Annotated[str, typer.Argument(metavar="BLOCK", help="Name of the block.")],
    farm: Farm,
    trees: Annotated[int, typer.Option("--trees", help="Bearing trees to walk to.")] = 10,
    hand_counts: Annotated[
        int, typer.Option("--hand-counts", min=0, help="Of these, to count by hand.")
    ] = 5,
    rows: Annotated[
        str | None, typer.Option("--rows", help="Without a register: positions a row, 54,54,52.")
    ] = None,
    seed: Annotated[int | None, typer.Option("--seed", min=0, help="Same seed, same walk.")] = None,
    paper: Annotated[str, typer.Option("--paper", help="A4 or Letter.")] = "A4",
    out: Annotated[Path, typer.Option("--out", help="PDF file to write.")] = Path("walk.pdf"),
) -> int:
    """Draw the trees of the next walk and print the list: random start, every k-th position.

    Example: fruitvision plan "Gala North" --farm larkhill --trees 12 --out walk.pdf
    """
    from fruitvision.pipeline.plan import plan_next_walk, register_or_rows
    from fruitvision.report import many
    from fruitvision.units import parse_counts
    from fruitvision.walk_list import write_walk_list

    with farm_store(farm, create=False) as store:
        lengths = parse_counts(rows or "", field="--rows")
        walk = plan_next_walk(
            store,
            block_id,
            trees=trees,
            hand_counts=hand_counts,
            row_lengths=lengths,
            seed=today().toordinal() if seed is None else seed,
        )
        register = register_or_rows(store, block_id, lengths)
        registered = bool(store.register(block_id))
    pages = write_walk_list(walk, out, register=register, paper=paper)
    stops = f"{many(len(walk.places), 'stop')} on {many(pages, 'page')}"
    typer.echo(f"{out}: {stops}, seed {walk.seed}.")
    if lengths and registered:
        typer.echo(f"{block_id} has a register, which tells its rows: --rows was not used.")
    lost = say_not_printed([walk.block_id, *(place.stratum for place in walk.places)])
    return 1 if lost else 0


@cli.command()
def block(
    farm: Farm,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
    confirm_factor: ConfirmFactor = False,
    units: ShownUnits = None,
) -> int:
    """What each block holds today, what to do next in it, and what stands out from its like.

    Example: fruitvision block --farm larkhill
    """
    from fruitvision.pipeline import attention_of, estimate_blocks
    from fruitvision.pipeline.standing import stand
    from fruitvision.pipeline.waiting import waiting_counts
    from fruitvision.report import attention_lines, block_lines, refused_lines, waiting_lines

    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, settings_file)
        measure_again(store, settings, detector)
        walks, refused = estimate_blocks(
            store, settings, detector_name=detector, confirm_factor=confirm_factor
        )
        stands = stand(store, settings, walks=walks, refused=refused)
        waiting = {
            one.block.block_id: waiting_counts(one.block.block_id, store, one.walks)
            for one in stands
        }
    if not walks and not refused:
        raise StoreError(
            f"{farm} holds no block yet.", fix=f"Run: fruitvision load WALK --farm {farm}."
        )
    by_name = {one.block.block_id: one for one in stands}
    for walk in walks:
        name = walk.estimate.block.block_id
        say([*block_lines(walk, shown_units(units, settings), by_name[name])])
        say([*waiting_lines(waiting.pop(name)), ""])
    for name, found in waiting.items():
        say([f"{name}:", *waiting_lines(found)] if found else [])
    if walks:
        say(attention_lines(attention_of(walks, settings)))
    say(refused_lines(refused))
    return 1 if refused else 0


@cli.command()
def forecast(
    farm: Farm,
    sizes: SizeTableName = DEFAULT_SIZE_TABLE,
    pick: Annotated[
        list[str] | None, typer.Option("--pick", help="Pick date: 'Gala North=2026-09-03'.")
    ] = None,
    season: Annotated[
        Weather, typer.Option("--season", help="What if it is dry or wet up to the pick?")
    ] = Weather.NORMAL,
    pick_shift: Annotated[
        int, typer.Option("--pick-shift", help="What if all picks are so many days later?")
    ] = 0,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep a what-if too, marked as one.")
    ] = False,
    confirm_factor: ConfirmFactor = False,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
    units: ShownUnits = None,
) -> int:
    """Forecast the pack-out at the pick, keep it, print it, and say why it changed.

    A what-if (--season, --pick-shift) is printed only: it is no forecast of record.

    Example: fruitvision forecast --farm larkhill --sizes classes_5mm
    """
    from fruitvision.pipeline import Choices

    dates = dict(pick_date(text) for text in pick or [])
    choices = Choices(
        season=season, pick_shift_days=pick_shift, keep=keep, confirm_factor=confirm_factor
    )
    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, settings_file)
        measure_again(store, settings, detector)
        made, refused = make_forecast(store, sizes, settings, detector, dates, today(), choices)
        start = made.bridge.earlier_id if made.bridge else ""
        earlier = next((one for one in store.forecasts() if one.forecast_id == start), None)
    say_forecast(made, refused, shown_units(units, settings), earlier)
    return 1 if refused else 0


@cli.command()
def export(
    farm: Farm,
    out: Out,
    version: Annotated[
        str | None,
        typer.Option("--version", help="Forecast version; the latest that is no what-if."),
    ] = None,
    units: ShownUnits = None,
) -> None:
    """Write a kept forecast for others: JSON (always metric), workbook, CSV tables.

    Example: fruitvision export --farm larkhill --out for-sales
    """
    from fruitvision.pipeline.pick_plans import moved_blocks, moved_words
    from fruitvision.pipeline.sales import kept_forecast

    check_outside(farm, out)
    with farm_store(farm, create=False) as store:
        kept = {item.forecast_id: item for item in store.forecasts()}
        shown = shown_units(units, farm_settings_or(store, None))
        if not kept:
            raise StoreError(
                f"{farm} holds no forecast yet.", fix=f"Run: fruitvision forecast --farm {farm}."
            )
        of_record = [item for item in kept.values() if not item.what_if]
        if version is None and not of_record:
            raise StoreError(
                f"{farm} holds what-ifs only: {', '.join(kept)}.",
                fix="Give one as --version, or make a forecast without --season and --pick-shift.",
            )
        chosen = kept_forecast(tuple(kept.values()), version)
        moved = moved_blocks(store, chosen)
    write_forecast(chosen, out, shown, moved=moved)
    written = ", ".join((*FORECAST_FILES, *DETAIL_FILES))
    kind = f", a what-if ({chosen.what_if})" if chosen.what_if else ""
    typer.echo(f"Version {chosen.forecast_id}{kind}, written to {out}: {written}.")
    if moved:
        typer.echo(moved_words(moved))


cli.command("fruit")(fruit_table)
cli.command()(geojson)
cli.command()(card)
cli.command()(freeze)
cli.command()(harvest)
cli.command()(score)
cli.command()(learn)
cli.command()(sheet)
cli.command()(thinning)
cli.command()(worth)
cli.command()(changes)


@cli.command()
def app(
    farm: Farm = Path("farm"),
    address: Annotated[
        str, typer.Option("--address", help="127.0.0.1 is this computer only.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65535)] = 8501,
    proxy_header: Annotated[
        str,
        typer.Option("--proxy-header", help="Header in which a proxy tells whom it signed in."),
    ] = "",
) -> int:
    """Open the app in the browser, on this computer only unless asked otherwise.

    Where other computers reach it, people sign in: see `fruitvision people`.
    Example: fruitvision app --farm larkhill
    """
    from fruitvision.serve import serve_app

    return serve_app(farm, address=address, port=port, proxy_header=proxy_header)


@cli.command()
def work(
    farm: Farm,
    workers: Workers = DEFAULT_WORKERS,
    cluster: ClusterAddress = None,
    photos_at: PhotosAt = None,
) -> int:
    """Measure the photos that wait in the farm, as the app does in the background.

    Stopped in the middle, it goes on where it was. Example: fruitvision work --farm larkhill
    """
    from fruitvision.domain import JobState
    from fruitvision.work import work_off

    with farm_store(farm, create=False) as store:
        wanted = [job.number for job in store.jobs(only_open=True)]
        with who_measures(workers, cluster, photos_at, below=farm / "photos") as who:
            work_off(farm, workers=who)
        jobs = [store.job(number) for number in wanted]
    for job in jobs:
        typer.echo(f"Job {job.number}, {job.state.value}: {job.done} of {job.total} photos.")
        say([f"{name}: {what} {fix}" for name, what, fix in job.refused])
    if not jobs:
        typer.echo("Nothing waits to be measured.")
    return 0 if all(job.state is JobState.DONE and not job.refused for job in jobs) else 1


@cli.command()
def version() -> None:
    """The version of this program.

    Example: fruitvision version
    """
    typer.echo(__version__)
