"""The commands of `fruitvision bench`: how far to trust the numbers, and how fast all is."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.fruit.detector import DEFAULT_DETECTOR, detector_names

bench_cli = typer.Typer(
    help="How far to trust the numbers, and how fast all is, measured on invented seasons and "
    "photos. "
    "Example: fruitvision bench coverage --seasons 200",
    no_args_is_help=True,
)
# The table in DEVELOPERS.md begins with this season; those before it were looked at.
FIRST_SEED = 1000


@bench_cli.command()
def coverage(
    seasons: Annotated[int, typer.Option("--seasons", help="How many of each world.")],
    world: Annotated[
        list[str] | None, typer.Option("--world", help="Only this; can be given again.")
    ] = None,
    seed: Annotated[
        int, typer.Option("--seed", help="Of the first season; the next has one more.")
    ] = FIRST_SEED,
    workers: Annotated[
        int, typer.Option("--workers", help="Processes side by side; all cores if left out.")
    ] = os.cpu_count() or 1,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Also write the rows into this file.")
    ] = None,
) -> None:
    """How often P10 to P90 holds the truth of simulated seasons, by world; right is 80 %.

    Needs no photos and no renderer; a world of 1,000 seasons takes five minutes on two cores.
    Example: fruitvision bench coverage --seasons 200 --world friendly
    """
    from fruitvision.console import progress_line
    from fruitvision.simulate.coverage_table import (
        CoverageRow,
        coverage_lines,
        heading_line,
        run_coverage,
        write_coverage_json,
    )
    from fruitvision.simulate.worlds import WORLDS, world_of

    worlds = [world_of(name) for name in world or [one.name for one in WORLDS]]
    rows: list[CoverageRow] = []
    for one in worlds:
        with progress_line(f"{one.name}: season") as progress:
            found = run_coverage(one, seasons, seed, workers=workers, on_progress=progress)
        typer.echo(f"\n{one.name}: {one.words}\n{heading_line()}")
        for line in coverage_lines(found):
            typer.echo(line)
        rows += found
    if json_file is not None:
        write_coverage_json(rows, json_file, seasons=seasons, seed=seed)
        typer.echo(f"Written: {json_file}")


@bench_cli.command("app")
def app_speed(
    farm: Annotated[
        Path, typer.Option("--farm", help="Folder of the invented farm; filled if it is new.")
    ] = Path("bench-farm"),
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Also write the rows into this file.")
    ] = None,
) -> int:
    """How fast the app is on a farm of 60 blocks, 5,040 photos and 200,000 fruit.

    The farm is invented, takes 0.6 GB, and is made once. Exit status 1: a target is missed.
    Example: fruitvision bench app --farm bench-farm
    """
    from fruitvision.bench_app.farm import FarmSize, bench_farm
    from fruitvision.bench_app.run import bench_app, write_json
    from fruitvision.bench_app.timing import table_lines

    bench_farm(farm, FarmSize()).close()
    rows = list(bench_app(farm))
    for line in table_lines(rows):
        typer.echo(line)
    if json_file is not None:
        write_json(rows, json_file)
        typer.echo(f"Written: {json_file}")
    return 0 if all(row.met for row in rows) else 1


@bench_cli.command("speed")
def step_speed(
    group: Annotated[
        list[str] | None,
        typer.Option("--group", help="cold, photo, farm, large or app; can be given again."),
    ] = None,
    only: Annotated[
        str, typer.Option("--only", help="Steps of these words, as in pytest's -k.")
    ] = "",
    rounds: Annotated[int, typer.Option("--rounds", min=1, help="Runs of each step.")] = 5,
    cores: Annotated[int, typer.Option("--cores", min=1, help="Keep to so many.")] = 2,
    farm: Annotated[
        Path, typer.Option("--farm", help="Folder of the invented farm; filled if it is new.")
    ] = Path("bench-farm"),
    photos: Annotated[
        int, typer.Option("--photos", min=1, max=6, help="Kinds of block, a photo of each.")
    ] = 6,
    photo_px: Annotated[
        tuple[int, int], typer.Option("--photo-px", help="Width and height of the photos.")
    ] = (3000, 4000),
    blocks: Annotated[int, typer.Option("--blocks", min=2, help="Of the invented farm.")] = 60,
    large_blocks: Annotated[
        int, typer.Option("--large-blocks", min=2, help="Of the large one; 84 photos each.")
    ] = 120,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Also write the rows into this file.")
    ] = None,
) -> int:
    """Seconds and memory of each step: new process, photo of 12 megapixels, farms, pages.

    From a checkout only, with pytest-benchmark. Exit status 1: a target is missed, or a step broke.
    Example: fruitvision bench speed --group photo --group cold
    """
    from fruitvision.bench_app.timing import table_lines
    from fruitvision.bench_speed.machine import keep_to_cores, machine_words
    from fruitvision.bench_speed.run import SpeedWork, check_checkout, time_all, write_timed

    keep_to_cores(cores)
    work = SpeedWork(only=only, rounds=rounds, photos=photos, photo_px=photo_px, farm=farm)
    work = replace(work, blocks=blocks, large_blocks=large_blocks)
    if group:
        work = replace(work, groups=tuple(group))
    check_checkout()
    typer.echo("This takes some minutes; figures are right if nothing else runs.", err=True)
    timed = time_all(work, on_step=lambda name: typer.echo(f"timed: {name}", err=True))
    typer.echo(f"{machine_words()}; {timed.program or 'pages only'}; {rounds} rounds")
    for line in table_lines(timed.rows):
        typer.echo(line)
    for line in timed.failed:
        typer.echo(f"Not timed: {line}", err=True)
    if json_file is not None:
        write_timed(timed, json_file, work)
        typer.echo(f"Written: {json_file}")
    return 0 if not timed.failed and all(row.met for row in timed.rows) else 1


@bench_cli.command()
def sizing(
    folder: Annotated[
        Path | None,
        typer.Argument(help="Photos with truth; tests/orchards of a checkout if left out."),
    ] = None,
    detector: Annotated[
        str, typer.Option("--detector", help=f"One of: {', '.join(detector_names())}.")
    ] = DEFAULT_DETECTOR,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Also write figures and finds into this file.")
    ] = None,
    keep: Annotated[
        Path | None,
        typer.Option("--keep", help="Keep what the detector finds here, for the next run."),
    ] = None,
    settings_file: Annotated[
        Path | None, typer.Option("--settings", help="TOML file with other settings.")
    ] = None,
    workers: Annotated[int, typer.Option("--workers", help="Processes side by side.")] = 1,
) -> int:
    """How well fruit are sized: errors in mm, and whether the stated errors are true.

    The folder, or each folder in it, holds photos and the truth about them as
    `fruitvision simulate block` writes them. Example: fruitvision bench sizing --json sizing.json
    """
    from fruitvision.console import given_settings, progress_line, say
    from fruitvision.evaluate.sizing_report import document, report_lines
    from fruitvision.simulate.sizing import (
        SizedBlock,
        SizingWork,
        benchmark_folder,
        measured_together,
        outline_ms,
        size_block,
        sizing_folders,
    )
    from fruitvision.whole_file import write_whole

    work = SizingWork(
        detector=detector,
        settings=given_settings(settings_file, mm_per_px=None, ruler_mm=None),
        keep=keep,
        workers=workers,
    )
    sized: dict[str, SizedBlock] = {}
    left_out = 0
    first = folder or benchmark_folder()
    for block in sizing_folders(first):
        with progress_line(f"{block.name}: photo") as progress:
            sized[block.name] = size_block(block, work, on_progress=progress)
        for one in sized[block.name].refused:
            typer.echo(str(one), err=True)
        left_out += len(sized[block.name].refused)
    blocks = {name: found.photos for name, found in sized.items()}
    together = measured_together(sized)
    say(report_lines(blocks, together))
    photos = sorted(first.rglob("photos/*.jpg"))[:1]
    times = [outline_ms(path, work) for path in photos]
    typer.echo("".join(f"Outlines: {ms:.1f} ms of processor time a fruit." for ms in times))
    if json_file is not None:
        about = {
            "detector": detector,
            "photos": sum(len(found) for found in blocks.values()),
            "outline_ms": times,
        }
        write_whole(json_file, document(blocks, about, together).encode())
        typer.echo(f"Written: {json_file}")
    return 1 if left_out else 0
