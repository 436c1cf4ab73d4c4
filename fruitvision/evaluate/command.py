"""The commands of `fruitvision models`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector, detector_names

models_cli = typer.Typer(invoke_without_command=True)


@models_cli.callback()
def models(context: typer.Context) -> None:
    """The detectors that can be chosen, and where each fails.

    Example: fruitvision models
    """
    if context.invoked_subcommand is not None:
        return
    for name in detector_names():
        try:
            detector = choose_detector(name)
        except FruitVisionError as err:
            typer.echo(f"{name} can't be used. {err}")
            continue
        default = ", the default" if name == DEFAULT_DETECTOR else ""
        lines = [f"{name}, version {detector.version}{default}", detector.limits, *detector.facts]
        typer.echo("\n  ".join(lines))


@models_cli.command("evaluate")
def evaluate_command(
    images: Annotated[Path, typer.Option("--images", help="Folder of the photos.")],
    coco: Annotated[Path, typer.Option("--coco", help="COCO JSON with the boxes of the fruit.")],
    detector: Annotated[
        str, typer.Option("--detector", help=f"One of: {', '.join(detector_names())}.")
    ] = DEFAULT_DETECTOR,
    out: Annotated[
        Path | None, typer.Option("--json", help="File for all figures, each photo's too.")
    ] = None,
    split: Annotated[
        str | None, typer.Option("--split", help="Only photos of this split, for instance val.")
    ] = None,
    worst: Annotated[
        int, typer.Option("--worst", min=0, help="Draw so many photos with the lowest F1.")
    ] = 0,
    pictures: Annotated[
        Path | None, typer.Option("--pictures", help="Folder for the drawn photos.")
    ] = None,
    no_scale: Annotated[
        bool, typer.Option("--no-scale", help="Keep the scale of markers from the detector.")
    ] = False,
    empty_photos: Annotated[
        bool, typer.Option("--empty-photos", help="Photos without annotations have no fruit.")
    ] = False,
) -> int:
    """How well a detector finds fruit: AP, F1, counts, seconds, against boxes in a COCO file.

    Example: fruitvision models evaluate --images photos --coco boxes.json --worst 30 --pictures bad
    """
    from fruitvision.console import progress_line, say
    from fruitvision.evaluate.pictures import write_worst
    from fruitvision.evaluate.report import NOTES, by_kind, document, table_lines
    from fruitvision.evaluate.run import Looking, evaluate, threshold_of
    from fruitvision.evaluate.truth import read_truth
    from fruitvision.whole_file import write_whole

    if worst and pictures is None:
        raise FieldDataError(
            "--worst needs a folder for the pictures.", fix="Add --pictures and a folder."
        )
    chosen = choose_detector(detector)
    photos = read_truth(coco, split=split)
    if not images.is_dir():
        raise FieldDataError(f"There is no folder {images}.", fix="Check its name.")
    looking = Looking(scale=not no_scale, empty_photos=empty_photos)
    with progress_line("looking at photos") as progress:
        results, left_out = evaluate(chosen, photos, images, looking=looking, on_progress=progress)
    for one in left_out:
        typer.echo(str(one), err=True)
    if not results:
        raise FieldDataError(
            f"None of the {len(photos)} photos could be used.", fix="See the lines above."
        )
    threshold = threshold_of(chosen)
    typer.echo(f"{chosen.name}, version {chosen.version}, threshold {threshold:.2f}\n")
    say(table_lines(by_kind(results, threshold)))
    say(["", *NOTES])
    if left_out:
        typer.echo(f"{len(left_out)} of {len(photos)} photos were left out.")
    if out is not None:
        about = {"name": chosen.name, "version": chosen.version, "limits": chosen.limits}
        write_whole(out, document(about, results, left_out, threshold).encode())
        typer.echo(f"All figures, the worst photo first: {out}")
    if worst and pictures is not None:
        drawn = write_worst(results, threshold, pictures, photos=images, number=worst)
        typer.echo(f"{len(drawn)} photos drawn, the worst first: {pictures}")
    return 1 if left_out else 0
