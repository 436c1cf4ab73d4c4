"""The commands of `fruitvision calipers`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import DetectorName
from fruitvision.console import farm_store, say
from fruitvision.errors import FieldDataError
from fruitvision.fruit.detector import DEFAULT_DETECTOR

calipers_cli = typer.Typer(
    help="Photo millimetres against calipers, fruit by fruit.\n\n"
    "Example: fruitvision calipers check larkhill",
    no_args_is_help=True,
)


@calipers_cli.callback()
def _group() -> None:
    """Keep `check` a command of its own, though it is the only one yet."""


@calipers_cli.command("check")
def check_command(
    what: Annotated[
        Path, typer.Argument(help="A farm's folder, or a table of calipered fruit to add to it.")
    ],
    farm: Annotated[
        Path | None, typer.Option("--farm", help="The farm's folder, if a table is given.")
    ] = None,
    detector: DetectorName = DEFAULT_DETECTOR,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Also draw the dots into this SVG file.")
    ] = None,
) -> int:
    """Offset, slope and noise of each walk by fruit that were calipered in its photos.

    The table's columns: photo, x_px and y_px (or fruit_id), diameter_mm (or diameter_in).

    Example: fruitvision calipers check caliper_pairs.csv --farm larkhill
    """
    from fruitvision.caliper_plot import write_caliper_plot
    from fruitvision.pipeline.additions import farm_settings
    from fruitvision.pipeline.calipers import add_caliper_pairs, walk_checks
    from fruitvision.report import refused_lines
    from fruitvision.report.calipers import caliper_check_lines

    if not what.exists():
        raise FieldDataError(f"There is no {what}.", fix="Check its name.")
    if what.is_file() and farm is None:
        raise FieldDataError(
            f"{what.name} is a table of some farm's photos.", fix="Say which: --farm FOLDER."
        )
    refused = 0
    with farm_store(farm or what, create=False) as store:
        settings = farm_settings(store)
        if what.is_file():
            added = add_caliper_pairs(what, store, settings, detector_name=detector)
            typer.echo(f"{what.name}: {added.rows} calipered fruit kept.")
            say(refused_lines(added.refused))
            refused = len(added.refused)
        found = walk_checks(store, settings, detector_name=detector)
    say(caliper_check_lines(found))
    if plot is not None and found:
        write_caliper_plot([(one.pairs, one.check) for one in found], plot)
        typer.echo(f"Written: {plot}")
    return 1 if refused else 0
