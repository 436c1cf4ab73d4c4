"""The commands of `fruitvision outlines`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import DetectorName, Farm
from fruitvision.console import check_outside, farm_store, login_name, say
from fruitvision.fruit.detector import DEFAULT_DETECTOR

# Refused rows that are printed. Our choice: a screen of them tells what is wrong.
_TOLD = 30

outlines_cli = typer.Typer(
    help="Outlines that people put right in photos.\n\n"
    "Example: fruitvision outlines export --farm larkhill --out training-data",
    no_args_is_help=True,
)


@outlines_cli.command("export")
def export_command(
    farm: Farm,
    out: Annotated[Path, typer.Option("--out", help="Folder for the files; made if missing.")],
    unchecked: Annotated[
        bool,
        typer.Option("--unchecked", help="Photos with edits that nobody called right as a whole."),
    ] = False,
    photos: Annotated[
        bool, typer.Option("--photos/--no-photos", help="Copy the photos, too.")
    ] = True,
    detector: DetectorName = DEFAULT_DETECTOR,
) -> int:
    """Photos that somebody checked, as training data: outlines.json (COCO), photos.csv, photos.

    Both are read by: fruitvision train pack, and fruitvision models evaluate.
    Example: fruitvision outlines export --farm larkhill --out training-data
    """
    from fruitvision.pipeline.additions import farm_settings
    from fruitvision.pipeline.outlines import COCO_FILE, LIST_FILE, outlines_of, write_outlines
    from fruitvision.report import many, refused_lines

    today = datetime.now(UTC).astimezone().date()
    check_outside(farm, out)
    with farm_store(farm, create=False) as store:
        outlines = outlines_of(
            store,
            farm_settings(store),
            made_on=today,
            unchecked=unchecked,
            detector_name=detector,
        )
        write_outlines(outlines, out, photos=photos)
    typer.echo(f"{many(len(outlines.files), 'photo')}: {out / COCO_FILE}, {out / LIST_FILE}")
    if outlines.unchecked:
        photos_with = many(outlines.unchecked, "photo")
        typer.echo(f"Left out, with edits and not checked: {photos_with}.")
    say(refused_lines(outlines.refused))
    return 1 if outlines.refused else 0


@outlines_cli.command("import")
def import_command(
    document: Annotated[Path, typer.Argument(help="COCO file with outlines or boxes of fruit.")],
    farm: Farm,
    yes: Annotated[bool, typer.Option("--yes", help="Really change the photos.")] = False,
    only_add: Annotated[
        bool, typer.Option("--only-add", help="Fruit that the file lacks stay.")
    ] = False,
    by: Annotated[
        str | None, typer.Option("--by", help="Who drew it; else the name of this login.")
    ] = None,
    detector: DetectorName = DEFAULT_DETECTOR,
) -> int:
    """Take in outlines that were drawn elsewhere, as edits of the photos that can be undone.

    Without --yes it says what would change. The file tells all fruit of the photos that it names.
    Example: fruitvision outlines import outlines.json --farm larkhill --by Ines --yes
    """
    from fruitvision.outlines_coco_in import read_drawn
    from fruitvision.pipeline.additions import farm_settings
    from fruitvision.pipeline.outlines_in import plan_outlines, save_outlines
    from fruitvision.report import many, refused_lines
    from fruitvision.report.outlines import outlines_lines

    with farm_store(farm, create=False) as store:
        plan = plan_outlines(
            read_drawn(document),
            store,
            farm_settings(store),
            only_add=only_add,
            detector_name=detector,
        )
        say(outlines_lines(plan))
        say(refused_lines(plan.refused[:_TOLD]))
        if len(plan.refused) > _TOLD:
            typer.echo(f"And {len(plan.refused) - _TOLD:,} more rows were refused.")
        if plan.photos and not yes:
            typer.echo("Nothing is changed yet. To change it, add --yes.")
            return 2
        if plan.photos:
            edits = save_outlines(plan, store, who=login_name() if by is None else by)
            kept = f"{many(edits, 'edit')} {'is' if edits == 1 else 'are'} kept"
            typer.echo(f"{kept}; each can be undone on the page Photos.")
    return 1 if plan.refused else 0
