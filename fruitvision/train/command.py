"""The commands of `fruitvision train`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fruitvision.errors import TrainingError, did_you_mean
from fruitvision.train import defaults

train_cli = typer.Typer(
    help="The learned detector, made again: packs of pictures, training, figures, export.\n\n"
    "Needs the extra train: pip install 'fruitvision\\[train]'. "
    "Example: fruitvision train run --config training.toml --out run",
    no_args_is_help=True,
)

Device = Annotated[str, typer.Option("--device", help="cuda or cpu.")]
RunFolder = Annotated[Path, typer.Option("--run", help="Folder of a training.")]


@train_cli.command()
def pack(
    coco: Annotated[Path, typer.Option("--coco", help="COCO file with the boxes.")],
    images: Annotated[Path, typer.Option("--images", help="Folder that its file names start in.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for the pack; new.")],
    split: Annotated[str, typer.Option("--split", help="train or val; else all.")] = "",
    only: Annotated[
        str, typer.Option("--only", help="Text that the file name or the source must hold.")
    ] = "",
    scale: Annotated[float | None, typer.Option("--scale", help="0.7: seven tenths wide.")] = None,
    mm_per_px: Annotated[
        float | None, typer.Option("--mm-per-px", help="Size by the marker in each picture.")
    ] = None,
    quality: Annotated[int, typer.Option("--quality", help="1 to 100.")] = defaults.QUALITY,
    picture_format: Annotated[str, typer.Option("--format", help="webp or jpg.")] = defaults.FORMAT,
    shards: Annotated[
        int, typer.Option("--shards", help="Deal out to so many packs, OUT-1, OUT-2 ...")
    ] = 1,
    workers: Annotated[
        int, typer.Option("--workers", help="Processes side by side.")
    ] = defaults.PACK_WORKERS,
) -> int:
    """Pictures at training size with all their labels, from a COCO file and its images.

    A picture that can't be used is left out with a sentence.
    Example: fruitvision train pack --coco annotations.json --images images --out real --scale 0.7
    """
    from fruitvision.train.pack_plan import PackPlan
    from fruitvision.train.run import run_pack

    if scale is not None and mm_per_px is not None:
        raise TrainingError("Both --scale and --mm-per-px are given.", fix="Give one of them.")
    plan = PackPlan(
        coco=coco,
        images=images,
        out=out,
        split=split,
        only=only,
        scale=1.0 if scale is None else scale,
        mm_per_px=mm_per_px,
        quality=quality,
        ending=picture_format,
        shards=shards,
    )
    return run_pack(plan, typer.echo, processes=workers)


@train_cli.command()
def run(
    config: Annotated[Path, typer.Option("--config", help="TOML file of the training.")],
    out: Annotated[Path, typer.Option("--out", help="Folder of the run; made if missing.")],
    packs: Annotated[
        Path | None, typer.Option("--packs", help="Where its packs are; else beside the config.")
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on after the last checkpoint.")
    ] = False,
    device: Device = defaults.DEVICE,
) -> int:
    """Train the detector: manifest, curves, checkpoints and weights in one folder.

    Example: fruitvision train run --config training.toml --packs packs --out run
    """
    from fruitvision.train.run import run_training

    _check_device(device)
    return run_training(config, out, packs=packs, device=device, resume=resume, say=typer.echo)


@train_cli.command()
def distil(
    config: Annotated[Path, typer.Option("--config", help="TOML file of the training.")],
    teachers: Annotated[
        list[Path],
        typer.Option("--teacher", help="model.onnx of a version; the first is what learns."),
    ],
    out: Annotated[Path, typer.Option("--out", help="Folder of the run; made if missing.")],
    packs: Annotated[
        Path | None, typer.Option("--packs", help="Where its packs are; else beside the config.")
    ] = None,
    device: Device = defaults.DEVICE,
) -> int:
    """A shipped detector made ready for eight bits: it keeps what it sees when it is rounded.

    Example: fruitvision train distil --config distil.toml --teacher models/learned/4/model.onnx
    --packs packs --out run
    """
    from fruitvision.train.run import run_distillation

    _check_device(device)
    return run_distillation(config, out, teachers, packs=packs, device=device, say=typer.echo)


@train_cli.command()
def evaluate(
    run_folder: RunFolder,
    pack_folders: Annotated[
        list[Path], typer.Option("--pack", help="A pack to try it on; can be given again.")
    ],
    device: Device = defaults.DEVICE,
) -> int:
    """Figures of a run's weights on packs that it was not trained on.

    Example: fruitvision train evaluate --run run --pack packs/val
    """
    from fruitvision.train.run import run_evaluation

    _check_device(device)
    return run_evaluation(run_folder, pack_folders, device=device, say=typer.echo)


@train_cli.command()
def export(
    run_folder: RunFolder,
    out: Annotated[Path, typer.Option("--out", help="Folder for the model; new.")],
    calibrate: Annotated[
        Path | None, typer.Option("--calibrate", help="Pack to make an int8 network by, too.")
    ] = None,
) -> int:
    """The run's network as ONNX, with proof that both give the same.

    Facts for the card: card_facts.toml in the run's folder.
    Example: fruitvision train export --run run --out models/learned/1 --calibrate packs/train
    """
    from fruitvision.train.run import run_export

    return run_export(run_folder, out, calibrate=calibrate, say=typer.echo)


def _check_device(device: str) -> None:
    if device not in defaults.DEVICES:
        raise TrainingError(f"--device is '{device}'.", fix=did_you_mean(device, defaults.DEVICES))
