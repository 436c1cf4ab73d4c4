"""Figures of a finished run on packs that it was not trained on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path

import torch

from fruitvision.errors import TrainingError
from fruitvision.train.album import hold
from fruitvision.train.checkpoint import checkpoints_in
from fruitvision.train.curves import EVALUATION_FILE, Curves
from fruitvision.train.finished_run import read_finished
from fruitvision.train.judge import Judgement, judge
from fruitvision.train.pack import Pack, read_pack

Say = Callable[[str], None]

# Widths of the usual fruit at which a network is tried, px: around the working scale of 44.
WIDTHS_PX = (20.0, 28.0, 36.0, 44.0, 52.0, 60.0)


def evaluate_run(
    run: Path,
    packs: Sequence[Path],
    *,
    device: str,
    say: Say,
    widths_px: Sequence[float] = WIDTHS_PX,
) -> list[Judgement]:
    """Figures at each width of fruit for each pack, said and added to evaluations.csv of the run.

    Parameters
    ----------
    run : Path
        Folder of a finished training.
    packs : sequence of Path
    device : str
        cuda or cpu.
    say : callable
        Gets a line for each pack and width.

    Returns
    -------
    list of Judgement
        All widths of the first pack, then of the next.

    Raises
    ------
    TrainingError
        If the run or a pack can't be used, or there is no accelerator.
    """
    if device == "cuda" and not torch.cuda.is_available():
        raise TrainingError("There is no accelerator.", fix="Evaluate with --device cpu.")
    finished = read_finished(run)
    network = finished.network.to(torch.device(device))
    curves, step = Curves(run), _steps(run)
    out = []
    for pack in [_not_empty(folder) for folder in packs]:
        say(pack.folder.name)
        (album,) = hold([pack], torch.device(device), threads=finished.config.workers)
        for width in widths_px:
            found = judge(network, album, width)
            say(found.words())
            curves.evaluation(step, {"pack": pack.folder.name, **asdict(found)})
            out.append(found)
    say(f"Added to {run / EVALUATION_FILE}")
    return out


def _not_empty(folder: Path) -> Pack:
    pack = read_pack(folder)
    if not len(pack):
        raise TrainingError(f"The pack {folder} is empty.", fix="Give another one.")
    return pack


def _steps(run: Path) -> int:
    """Steps of its training; 0 if its checkpoints were deleted."""
    names = [path.stem for path in checkpoints_in(run)]
    return int(names[-1].removeprefix("step-")) if names else 0
