"""The photo commands where only numpy, Pillow and the renderer are installed.

Accelerators are often bare: python -m fruitvision.simulate benchmark --out DIR --workers 10
Elsewhere use `fruitvision simulate`, which has the same options.
"""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Sequence
from pathlib import Path

from fruitvision.errors import FruitVisionError
from fruitvision.simulate import defaults
from fruitvision.simulate.album import Album
from fruitvision.simulate.benchmark import BENCHMARK
from fruitvision.simulate.presets import preset_of
from fruitvision.simulate.run import Machine, make_albums, make_tables, make_training_set
from fruitvision.simulate.training_set import GROUPS, Groups, Part
from fruitvision.simulate.work import Pictures, Work, faces_of


def main(arguments: Sequence[str] | None = None) -> int:
    """0: all photos are there; 1: some failed; 2: a user's error."""
    options = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.CRITICAL, format="%(message)s")
    try:
        if options.command == "training":
            return _training(options)
        albums = _benchmark(options) if options.command == "benchmark" else _block(options)
        if options.tables_only:
            return make_tables(albums, _say)
        return make_albums(albums, Machine(variant=options.variant, workers=options.workers), _say)
    except FruitVisionError as err:
        sys.stderr.write(f"{err.what}\n{err.fix}\n")
        return 2


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _block(options: argparse.Namespace) -> tuple[Album, ...]:
    pictures = Pictures(
        samples=options.samples,
        shrink=options.shrink,
        width_px=options.width,
        height_px=options.height,
        jpeg_quality=options.jpeg_quality,
    )
    work = Work(
        preset=preset_of(options.preset),
        seed=options.seed,
        trees=options.trees,
        faces=faces_of(options.faces),
        steps=options.steps,
        second_places=options.second_places,
        pictures=pictures,
    )
    return (Album(work=work, folder=options.out),)


def _training(options: argparse.Namespace) -> int:
    machine = Machine(variant=options.variant, workers=options.workers, minutes=options.minutes)
    groups = Groups(count=options.groups, first=options.first, young=options.young)
    return make_training_set(options.out, groups, Part.parse(options.part), machine, _say)


def _benchmark(options: argparse.Namespace) -> tuple[Album, ...]:
    return BENCHMARK.albums(options.out, tuple(options.only))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m fruitvision.simulate", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    block = commands.add_parser("block", help="photos of one block")
    block.add_argument("--preset", required=True)
    block.add_argument("--trees", type=int)
    block.add_argument("--seed", type=int, default=defaults.SEED)
    block.add_argument("--faces", default="both")
    block.add_argument("--steps", type=int, default=1)
    block.add_argument("--second-places", type=int, default=0)
    block.add_argument("--samples", type=int, default=defaults.SAMPLES)
    block.add_argument("--shrink", type=int, default=1)
    for name in ("--width", "--height", "--jpeg-quality"):
        block.add_argument(name, type=int)
    benchmark = commands.add_parser("benchmark", help="the whole benchmark set")
    benchmark.add_argument("--only", action="append", default=[], help="this preset")
    training = commands.add_parser("training", help="photos that a network learns from")
    training.add_argument("--groups", type=int, default=GROUPS, help="looks, four photos each")
    training.add_argument("--first", type=int, default=0, help="number of the first look")
    training.add_argument("--young", action="store_true", help="small green fruit alone")
    training.add_argument("--minutes", type=float, help="after them no photo is begun")
    training.add_argument("--part", default="1/1", help="1/2: every other group from the first")
    for command in (block, benchmark, training):
        command.add_argument("--out", type=Path, required=True)
        command.add_argument("--variant", default=defaults.VARIANT)
        command.add_argument("--workers", type=int, default=1)
    for command in (block, benchmark):
        command.add_argument("--tables-only", action="store_true")
    return parser


if __name__ == "__main__":
    sys.exit(main())
