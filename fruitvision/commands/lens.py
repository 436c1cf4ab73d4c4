"""The commands of `fruitvision lens`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import farm_store, login_name, progress_line, say
from fruitvision.errors import FieldDataError

lens_cli = typer.Typer(
    help="A phone's lens from photos of a printed board. Example: fruitvision lens board",
    no_args_is_help=True,
)


@lens_cli.command("board")
def board_command(
    out: Annotated[Path, typer.Option("--out", help="PDF file to write.")] = Path("board.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="A4, Letter or A3.")] = "A4",
) -> None:
    """A board to print at 100 % and to photograph, from which a phone's lens is told.

    Example: fruitvision lens board --paper A4 --out board.pdf
    """
    from fruitvision.lens.sheet import draw_board_sheet

    square_mm = draw_board_sheet(out, paper=paper)
    say(
        [
            f"{out}: print at 100 %, glue it on glass or a stiff board, measure the 150 mm ruler.",
            f"Squares are {square_mm:g} mm then; at another ruler length, {square_mm:g} mm times "
            "that length / 150.",
            "Photograph it 12 times or more from about half a metre with the phone's main camera, "
            "zoom at 1:",
            "in the middle and in each corner of the picture, tilted by 30° to each side in turn.",
            f"Then: fruitvision lens calibrate PHOTOS --square-mm {square_mm:g} --farm FARM",
        ]
    )


@lens_cli.command("calibrate")
def calibrate_command(
    photos: Annotated[list[Path], typer.Argument(help="Photos of the board, or their folder.")],
    farm: Farm,
    square_mm: Annotated[
        float, typer.Option("--square-mm", help="Printed side of a square, measured with a rule.")
    ],
) -> int:
    """Calibrate the lens of the phone that took these photos, and keep it in the farm.

    Photos of trees by this phone, lens and shape are then measured with it.

    Example: fruitvision lens calibrate board-photos/ --square-mm 25 --farm larkhill
    """
    from fruitvision.photo import find_photos
    from fruitvision.pipeline.lens import calibrate_lens
    from fruitvision.report import lens_lines, refused_lines

    paths = find_photos(photos)
    if not paths:
        raise FieldDataError(
            f"There are no photos in {', '.join(map(str, photos))}.",
            fix="Give JPEG, PNG, HEIC or TIFF files, or a folder that holds some.",
        )
    with farm_store(farm) as store, progress_line("looking for the board") as progress:
        calibrated = calibrate_lens(
            paths,
            store,
            square_mm=square_mm,
            made_on=datetime.now(UTC).astimezone().date(),
            who=login_name(),
            on_progress=progress,
        )
    say([*refused_lines(calibrated.refused), *lens_lines(calibrated.lens)])
    return 1 if calibrated.refused else 0


@lens_cli.command("list")
def list_command(farm: Farm) -> None:
    """The calibrated lenses of a farm.

    Example: fruitvision lens list --farm larkhill
    """
    from fruitvision.report import lens_lines

    with farm_store(farm, create=False) as store:
        lenses = store.lenses()
    if not lenses:
        typer.echo("No lens is calibrated yet. Begin with: fruitvision lens board")
    for lens in lenses:
        say(lens_lines(lens))
