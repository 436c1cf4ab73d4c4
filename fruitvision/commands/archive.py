"""The commands of `fruitvision archive`: a whole farm as one file, and back."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import check_outside

archive_cli = typer.Typer(
    help="A whole farm as one file: to keep, or to restore on another computer.\n\n"
    "Example: fruitvision archive make --farm larkhill --out larkhill.zip",
    no_args_is_help=True,
)


@archive_cli.command("make")
def make_command(
    farm: Farm,
    out: Annotated[Path, typer.Option("--out", help="File to write, such as farm.zip.")],
    photos: Annotated[
        bool, typer.Option("--with-photos/--without-photos", help="Also the photos.")
    ] = True,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Also in place of a file that is there.")
    ] = False,
) -> int:
    """Write the whole farm into one file, also while the app is running.

    Example: fruitvision archive make --farm larkhill --out larkhill.zip
    """
    from fruitvision import __version__
    from fruitvision.archive import make_archive
    from fruitvision.report import many

    check_outside(farm, out)
    made = make_archive(
        farm,
        out,
        program_version=__version__,
        made_at=datetime.now(UTC),
        photos=photos,
        overwrite=overwrite,
    )
    typer.echo(
        f"{made.path}: {many(len(made.manifest.files), 'file')}, among them "
        f"{many(made.photos, 'photo')}, {made.size_bytes / 1e6:.1f} MB."
    )
    typer.echo(made.manifest.holds)
    if not photos:
        typer.echo("Photos are not in it: numbers stay the same, pictures can't be shown.")
    for one in made.left_out:
        typer.echo(f"! {one.name}: {one.what} {one.fix}")
    return 1 if made.left_out else 0


@archive_cli.command("restore")
def restore_command(
    archive: Annotated[Path, typer.Argument(help="A file that archive make has written.")],
    farm: Annotated[Path, typer.Option("--farm", help="Folder for the farm: new or empty.")],
) -> None:
    """Make a farm's folder out of an archive, after checking all of it.

    Example: fruitvision archive restore larkhill.zip --farm larkhill
    """
    from fruitvision.archive import restore_archive
    from fruitvision.report import many

    manifest = restore_archive(archive, farm)
    typer.echo(
        f"{farm}: the farm {manifest.farm} as of {manifest.made_at:%Y-%m-%d %H:%M} UTC, "
        f"{many(len(manifest.files), 'file')}."
    )
    typer.echo("Who may sign in is not in an archive: add people with fruitvision people.")
    if not manifest.with_photos:
        typer.echo("The archive holds no photos: numbers are there, pictures can't be shown.")
    typer.echo(f"See it in the browser: fruitvision app --farm {farm}")
