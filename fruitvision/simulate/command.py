"""The commands of `fruitvision simulate`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fruitvision.simulate import defaults

simulate_cli = typer.Typer(
    help="Invented orchards whose every fruit is known: photos, tables, whole seasons.\n\n"
    "Example: fruitvision simulate block --preset easy-wall --trees 2 --seed 1 --out wall",
    no_args_is_help=True,
)

OutFolder = Annotated[Path, typer.Option("--out", help="Folder for the results; new or empty.")]
PresetName = Annotated[
    str, typer.Option("--preset", help="A name that `fruitvision simulate presets` lists.")
]
Seed = Annotated[int, typer.Option("--seed", help="The same seed gives the same truth anywhere.")]
Variant = Annotated[
    str, typer.Option("--variant", help="Of Mitsuba: scalar_rgb, llvm_ad_rgb or cuda_ad_rgb.")
]
Workers = Annotated[int, typer.Option("--workers", help="Processes side by side.")]
TablesOnly = Annotated[bool, typer.Option("--tables-only", help="No photos; needs no renderer.")]


@simulate_cli.command("presets")
def list_presets() -> None:
    """The kinds of block that can be simulated.

    Example: fruitvision simulate presets
    """
    from fruitvision.simulate.presets import PRESETS

    width = max(len(preset.name) for preset in PRESETS)
    for preset in PRESETS:
        typer.echo(f"{preset.name:<{width}}  {preset.words}")


@simulate_cli.command()
def block(
    preset: PresetName,
    out: OutFolder,
    trees: Annotated[
        int | None, typer.Option("--trees", help="Trees to photograph; else the preset's number.")
    ] = None,
    seed: Seed = defaults.SEED,
    faces: Annotated[str, typer.Option("--faces", help="both, or A for one side.")] = "both",
    steps: Annotated[
        int, typer.Option("--steps", help="2: a second photo of each face, a step aside.")
    ] = 1,
    second_places: Annotated[
        int, typer.Option("--second-places", help="A second photo of face A of so many trees.")
    ] = 0,
    samples: Annotated[int, typer.Option("--samples", help="Rays per px.")] = defaults.SAMPLES,
    shrink: Annotated[int, typer.Option("--shrink", help="5: a fifth of the width.")] = 1,
    width: Annotated[int | None, typer.Option("--width", help="Of the photo, px.")] = None,
    height: Annotated[int | None, typer.Option("--height", help="Of the photo, px.")] = None,
    jpeg_quality: Annotated[int | None, typer.Option("--jpeg-quality", help="30 to 100.")] = None,
    variant: Variant = defaults.VARIANT,
    workers: Workers = 1,
    tables_only: TablesOnly = False,
) -> int:
    """Photos of a simulated block, with truth, register, hand counts and caliper readings.

    The folder goes straight into `fruitvision load`. Stopped in the middle, the same command goes
    on. Example: fruitvision simulate block --preset easy-wall --trees 2 --seed 1 --out wall
    """
    from fruitvision.simulate.album import Album
    from fruitvision.simulate.presets import preset_of
    from fruitvision.simulate.run import Machine, make_albums, make_tables
    from fruitvision.simulate.work import Pictures, Work, faces_of

    work = Work(
        preset=preset_of(preset),
        seed=seed,
        trees=trees,
        faces=faces_of(faces),
        steps=steps,
        second_places=second_places,
        pictures=Pictures(
            samples=samples,
            shrink=shrink,
            width_px=width,
            height_px=height,
            jpeg_quality=jpeg_quality,
        ),
    )
    albums = (Album(work=work, folder=out),)
    if tables_only:
        return make_tables(albums, typer.echo)
    return make_albums(albums, Machine(variant=variant, workers=workers), typer.echo)


@simulate_cli.command()
def benchmark(
    out: OutFolder,
    only: Annotated[
        list[str] | None, typer.Option("--only", help="This preset; can be given again.")
    ] = None,
    variant: Variant = defaults.VARIANT,
    workers: Workers = 1,
    tables_only: TablesOnly = False,
) -> int:
    """The benchmark set that lies under tests/orchards, made again from its recipe.

    Example: fruitvision simulate benchmark --out orchards --variant cuda_ad_rgb --workers 10
    """
    from fruitvision.simulate.benchmark import BENCHMARK
    from fruitvision.simulate.run import Machine, make_albums, make_tables

    albums = BENCHMARK.albums(out, tuple(only or ()))
    if tables_only:
        return make_tables(albums, typer.echo)
    return make_albums(albums, Machine(variant=variant, workers=workers), typer.echo)


@simulate_cli.command()
def training(
    out: OutFolder,
    groups: Annotated[
        int | None, typer.Option("--groups", help="Looks, four photos each; else 72.")
    ] = None,
    first: Annotated[
        int, typer.Option("--first", help="Number of the first look, from 0; each has its own.")
    ] = 0,
    young: Annotated[
        bool, typer.Option("--young", help="Small green fruit alone, in larger photos.")
    ] = False,
    minutes: Annotated[
        float | None, typer.Option("--minutes", help="After them no photo is begun.")
    ] = None,
    part: Annotated[
        str, typer.Option("--part", help="1/2: every other group from the first.")
    ] = "1/1",
    variant: Variant = defaults.VARIANT,
    workers: Workers = 1,
) -> int:
    """Photos that a network learns from: hundreds of looks, no tree of the benchmark.

    Stopped in the middle, the same command goes on; with --minutes 0 it only gathers the truth.
    Example: fruitvision simulate training --out training --variant cuda_ad_rgb --workers 6
    """
    from fruitvision.simulate.run import Machine, make_training_set
    from fruitvision.simulate.training_set import GROUPS, Groups, Part

    machine = Machine(variant=variant, workers=workers, minutes=minutes)
    looks = Groups(count=GROUPS if groups is None else groups, first=first, young=young)
    return make_training_set(out, looks, Part.parse(part), machine, typer.echo)


@simulate_cli.command()
def numbers(
    folder: Annotated[Path, typer.Argument(help="A simulated folder, or a folder of some.")],
    page: Annotated[
        Path | None, typer.Option("--page", help="Also write them into this Markdown page.")
    ] = None,
) -> None:
    """What simulated photos hold, counted from their truth: the table of a README.

    Example: fruitvision simulate numbers tests/orchards --page tests/orchards/README.md
    """
    from fruitvision.simulate.numbers import album_lines, fill_page

    lines = album_lines(folder)
    for line in lines:
        typer.echo(line)
    if page is not None:
        fill_page(page, lines)


@simulate_cli.command()
def season(
    seasons: Annotated[int, typer.Option("--seasons", help="How many.")],
    preset: Annotated[
        list[str] | None, typer.Option("--preset", help="Can be given again; else the sample farm.")
    ] = None,
    seed: Seed = defaults.SEED,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for seasons.csv, a line each.")
    ] = None,
    workers: Workers = 1,
) -> None:
    """Whole seasons without pictures: what hung, what was picked, and what a walk saw of it.

    Example: fruitvision simulate season --seasons 100 --preset frost-hit --seed 1
    """
    from fruitvision.simulate.presets import preset_of
    from fruitvision.simulate.season.seasons import run_seasons, season_lines, write_season_rows

    plans = [plan for name in preset or [defaults.PRESET] for plan in preset_of(name).plans]
    rows = tuple(run_seasons(plans, seasons, seed, workers=workers))
    for line in season_lines(rows):
        typer.echo(line)
    if out is not None:
        typer.echo(f"Written: {write_season_rows(rows, out / 'seasons.csv')}")
