"""The whole state of a training on the disk: after a kill it goes on as if there was none."""

from __future__ import annotations

import json
import pickle
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from fruitvision.errors import TrainingError
from fruitvision.train.config import TrainingConfig
from fruitvision.whole_file import write_whole

CHECKPOINT_FOLDER = "checkpoints"
FORMAT_VERSION = 1
# One to go on from, and one more should the disk harm it. Our choice.
KEPT = 2
_NAME = re.compile(r"step-(\d{9})\.pt")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomState:
    """States of the generators: torch on the processor, on each accelerator, and one of numpy."""

    cpu: Tensor
    cuda: tuple[Tensor, ...]
    numpy: str


def random_state(generator: np.random.Generator | None = None) -> RandomState:
    """Where the generators stand now. `generator` : numpy's, if the training has one."""
    cuda = tuple(torch.cuda.get_rng_state_all()) if torch.cuda.is_available() else ()
    numpy = "" if generator is None else json.dumps(generator.bit_generator.state)
    return RandomState(cpu=torch.get_rng_state(), cuda=cuda, numpy=numpy)


def restore_random(state: RandomState, generator: np.random.Generator | None = None) -> None:
    """Put the generators where they stood; accelerators only if there are as many as then."""
    torch.set_rng_state(state.cpu)
    if state.cuda and torch.cuda.device_count() == len(state.cuda):
        torch.cuda.set_rng_state_all(list(state.cuda))
    if state.numpy and generator is not None:
        generator.bit_generator.state = json.loads(state.numpy)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrainingState:
    """A training after `step` of `steps` steps (0: not known yet) and `seconds` of work.

    `model`, `ema`, `optimizer` : as their `state_dict` gives them.
    """

    step: int
    steps: int
    seconds: float
    model: Mapping[str, Tensor]
    ema: Mapping[str, Tensor]
    optimizer: Mapping[str, Any]
    random: RandomState = field(default_factory=random_state)


class Checkpoints:
    """The checkpoints of one run: the last two, each whole or not there.

    Parameters
    ----------
    out : Path
        Folder of the run.
    config : TrainingConfig
        A state of another config is refused.
    manifest_sha256 : str
        And so is one of other data.
    """

    def __init__(self, out: Path, config: TrainingConfig, manifest_sha256: str) -> None:
        self._folder = out / CHECKPOINT_FOLDER
        self._belongs_to = {"config": config.sha256, "data": manifest_sha256}

    def save(self, state: TrainingState) -> Path:
        """Write a state and let go of older ones.

        Raises
        ------
        OSError
            If it can't be written; older ones are still there.
        """
        stream = BytesIO()
        torch.save(
            {
                "format_version": FORMAT_VERSION,
                **self._belongs_to,
                "step": state.step,
                "steps": state.steps,
                "seconds": state.seconds,
                "model": dict(state.model),
                "ema": dict(state.ema),
                "optimizer": dict(state.optimizer),
                "random_cpu": state.random.cpu,
                "random_cuda": list(state.random.cuda),
                "random_numpy": state.random.numpy,
            },
            stream,
        )
        path = self._folder / f"step-{state.step:09d}.pt"
        write_whole(path, stream.getvalue())
        for old in checkpoints_in(self._folder.parent)[:-KEPT]:
            old.unlink()
        return path

    def latest(self, device: torch.device) -> TrainingState | None:
        """The state to go on from, weights on `device`; None if none was saved.

        Raises
        ------
        TrainingError
            If it is damaged, or of another config or other data.
        """
        paths = checkpoints_in(self._folder.parent)
        if not paths:
            return None
        found = _read(paths[-1])
        for what, sha256 in self._belongs_to.items():
            if found[what] != sha256:
                raise TrainingError(
                    f"{paths[-1]} is of another {_OTHER[what]}.",
                    fix="Go on with the one it was started with, or train into a new folder.",
                )
        return TrainingState(
            step=found["step"],
            steps=found["steps"],
            seconds=found["seconds"],
            model=_moved(found["model"], device),
            ema=_moved(found["ema"], device),
            optimizer=found["optimizer"],
            random=RandomState(
                cpu=found["random_cpu"],
                cuda=tuple(found["random_cuda"]),
                numpy=found["random_numpy"],
            ),
        )


_OTHER = {"config": "training config", "data": "manifest of packs"}


def checkpoints_in(out: Path) -> list[Path]:
    """Files of the checkpoints of a run, oldest first."""
    found = (out / CHECKPOINT_FOLDER).glob("*.pt")
    return sorted(path for path in found if _NAME.fullmatch(path.name))


def _read(path: Path) -> dict[str, Any]:
    try:
        # Generators want their state on the processor, and the optimizer moves its own.
        found: dict[str, Any] = torch.load(path, map_location="cpu", weights_only=True)
        version = found["format_version"]
    except (OSError, RuntimeError, KeyError, TypeError, EOFError, *_DAMAGES) as err:
        raise TrainingError(
            f"The checkpoint {path} is damaged.",
            fix="Delete it: the training goes on from the one before.",
        ) from err
    if version != FORMAT_VERSION:
        raise TrainingError(
            f"The checkpoint {path} has format {version}; this program reads {FORMAT_VERSION}.",
            fix="Train into a new folder.",
        )
    return found


_DAMAGES = (pickle.UnpicklingError, zipfile.BadZipFile)


def _moved(state: Mapping[str, Tensor], device: torch.device) -> dict[str, Tensor]:
    return {name: value.to(device) for name, value in state.items()}
