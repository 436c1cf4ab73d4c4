"""The commands that take photos in: `marker`, `measure`, `load`, `work`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.cluster import ClusterAddress, PhotosAt, folder_of, who_measures
from fruitvision.commands.options import DetectorName, Farm, Out, SettingsFile, ShownUnits, Workers
from fruitvision.console import (
    DEFAULT_WORKERS,
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
    point_at_references,
    progress_line,
    say,
    shown_units,
    today,
    write_picture,
)
from fruitvision.errors import FieldDataError
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector


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
                brought = Brought(who=who, walked_on=walk_day, odd_lines=meant, today=today())
                loaded = load_folder(store, folder, settings, detector, measuring, brought=brought)
        else:
            loaded = load_tables(store, folder, who=who, on=today())
    return 1 if loaded.refused else 0


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
    from fruitvision.report import many
    from fruitvision.work import work_off

    with farm_store(farm, create=False) as store:
        wanted = [job.number for job in store.jobs(only_open=True)]
        with who_measures(workers, cluster, photos_at, below=farm / "photos") as who:
            work_off(farm, workers=who)
        jobs = [store.job(number) for number in wanted]
    for job in jobs:
        photos = many(job.total, "photo")
        typer.echo(f"Job {job.number}, {job.state.value}: {job.done} of {photos}.")
        say([f"{name}: {what} {fix}" for name, what, fix in job.refused])
    if not jobs:
        typer.echo("Nothing waits to be measured.")
    return 0 if all(job.state is JobState.DONE and not job.refused for job in jobs) else 1
