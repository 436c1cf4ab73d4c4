"""The commands of training where only numpy, Pillow, OpenCV, scipy and torch are installed.

Accelerators are often bare: python -m fruitvision.train run --config training.toml --out RUN
Elsewhere use `fruitvision train`, which has the same options.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from fruitvision.errors import FruitVisionError
from fruitvision.train import defaults
from fruitvision.train.pack_plan import PackPlan
from fruitvision.train.run import (
    run_distillation,
    run_evaluation,
    run_export,
    run_pack,
    run_training,
)


def main(arguments: Sequence[str] | None = None) -> int:
    """0: done; 1: done, with something left out; 2: a user's error."""
    options = _parser().parse_args(arguments)
    try:
        return int(options.do(options))
    except FruitVisionError as err:
        sys.stderr.write(f"{err.what}\n{err.fix}\n")
        return 2


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _pack(options: argparse.Namespace) -> int:
    plan = PackPlan(
        coco=options.coco,
        images=options.images,
        out=options.out,
        split=options.split,
        only=options.only,
        scale=options.scale,
        mm_per_px=options.mm_per_px,
        quality=options.quality,
        ending=options.format,
        shards=options.shards,
    )
    return run_pack(plan, _say, processes=options.workers)


def _run(options: argparse.Namespace) -> int:
    return run_training(
        options.config,
        options.out,
        packs=options.packs,
        device=options.device,
        resume=options.resume,
        say=_say,
    )


def _distil(options: argparse.Namespace) -> int:
    return run_distillation(
        options.config,
        options.out,
        options.teacher,
        packs=options.packs,
        device=options.device,
        say=_say,
    )


def _evaluate(options: argparse.Namespace) -> int:
    return run_evaluation(options.run, options.pack, device=options.device, say=_say)


def _export(options: argparse.Namespace) -> int:
    return run_export(options.run, options.out, calibrate=options.calibrate, say=_say)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m fruitvision.train", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    _add_pack(commands.add_parser("pack", help="pictures at training size with their labels"))
    run = commands.add_parser("run", help="train")
    run.add_argument("--config", type=Path, required=True)
    run.add_argument("--out", type=Path, required=True)
    run.add_argument("--packs", type=Path)
    run.add_argument("--resume", action="store_true")
    distil = commands.add_parser("distil", help="make a shipped network ready for eight bits")
    distil.add_argument("--config", type=Path, required=True)
    distil.add_argument("--teacher", type=Path, action="append", required=True)
    distil.add_argument("--out", type=Path, required=True)
    distil.add_argument("--packs", type=Path)
    evaluate = commands.add_parser("evaluate", help="figures of a run on packs")
    evaluate.add_argument("--run", type=Path, required=True)
    evaluate.add_argument("--pack", type=Path, action="append", required=True)
    export = commands.add_parser("export", help="the run's network as a model")
    export.add_argument("--run", type=Path, required=True)
    export.add_argument("--out", type=Path, required=True)
    export.add_argument("--calibrate", type=Path)
    for command in (run, distil, evaluate):
        command.add_argument("--device", choices=defaults.DEVICES, default=defaults.DEVICE)
    run.set_defaults(do=_run)
    distil.set_defaults(do=_distil)
    evaluate.set_defaults(do=_evaluate)
    export.set_defaults(do=_export)
    return parser


def _add_pack(pack: argparse.ArgumentParser) -> None:
    for name in ("--coco", "--images", "--out"):
        pack.add_argument(name, type=Path, required=True)
    pack.add_argument("--split", default="")
    pack.add_argument("--only", default="")
    size = pack.add_mutually_exclusive_group()
    size.add_argument("--scale", type=float, default=1.0)
    size.add_argument("--mm-per-px", type=float)
    pack.add_argument("--quality", type=int, default=defaults.QUALITY)
    pack.add_argument("--format", default=defaults.FORMAT)
    pack.add_argument("--shards", type=int, default=1)
    pack.add_argument("--workers", type=int, default=defaults.PACK_WORKERS)
    pack.set_defaults(do=_pack)


if __name__ == "__main__":
    sys.exit(main())
