"""The commands of `fruitvision bench`: how far to trust the numbers, measured."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

bench_cli = typer.Typer(
    help="How far to trust the numbers, measured on invented seasons. "
    "Example: fruitvision bench coverage --seasons 200",
    no_args_is_help=True,
)
# The table in DEVELOPERS.md begins with this season; those before it were looked at.
FIRST_SEED = 1000


@bench_cli.callback()
def _group() -> None:
    """Keep `coverage` a command of its own, though it is the only one yet."""


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
