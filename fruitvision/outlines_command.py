"""The commands of `fruitvision outlines`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.console import farm_store, say
from fruitvision.fruit.detector import DEFAULT_DETECTOR

outlines_cli = typer.Typer(
    help="Outlines that people put right in photos.\n\n"
    "Example: fruitvision outlines export --farm larkhill --out training-data",
    no_args_is_help=True,
)


@outlines_cli.callback()
def _group() -> None:
    """Keep `export` a command of its own, though it is the only one yet."""


@outlines_cli.command("export")
def export_command(
    farm: Annotated[Path, typer.Option("--farm", help="The farm's folder.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for the files; made if missing.")],
    unchecked: Annotated[
        bool,
        typer.Option("--unchecked", help="Photos with edits that nobody called right as a whole."),
    ] = False,
    photos: Annotated[
        bool, typer.Option("--photos/--no-photos", help="Copy the photos, too.")
    ] = True,
    detector: Annotated[str, typer.Option("--detector")] = DEFAULT_DETECTOR,
) -> int:
    """Photos that somebody checked, as training data: outlines.json (COCO), photos.csv, photos.

    Both are read by: fruitvision train pack, and fruitvision models evaluate.
    Example: fruitvision outlines export --farm larkhill --out training-data
    """
    from fruitvision.pipeline.additions import farm_settings
    from fruitvision.pipeline.outlines import COCO_FILE, LIST_FILE, outlines_of, write_outlines
    from fruitvision.report import refused_lines

    today = datetime.now(UTC).astimezone().date()
    with farm_store(farm, create=False) as store:
        outlines = outlines_of(
            store,
            farm_settings(store),
            made_on=today,
            unchecked=unchecked,
            detector_name=detector,
        )
        write_outlines(outlines, out, photos=photos)
    typer.echo(f"{len(outlines.files)} photos: {out / COCO_FILE}, {out / LIST_FILE}")
    if outlines.unchecked:
        typer.echo(f"{outlines.unchecked} photos have edits and were not checked: left out.")
    say(refused_lines(outlines.refused))
    return 1 if outlines.refused else 0
