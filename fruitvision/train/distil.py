"""A shipped network taught to give, in eight bits, what it gives in float.

It learns from what teachers say of crops of photos, not from labels (Hinton, Vinyals & Dean 2015,
arXiv:1503.02531): the network itself as it was, other versions of it, and each of them on the
crop's mirror image too. Of several teachers the two heat maps are averaged; all else is held to the
network's own.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import deepcopy
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional

from fruitvision.errors import TrainingError
from fruitvision.fruit.cells import ROW_BEHIND, THIS_ROW
from fruitvision.train.album import Held, hold
from fruitvision.train.config import TrainingConfig
from fruitvision.train.eight_bits import plain_state, rounding
from fruitvision.train.feeder import Feeder, first_pictures
from fruitvision.train.fine_tune import away
from fruitvision.train.loop import (
    LONGEST_GRADIENT,
    WEIGHTS_FILE,
    Averaged,
    keep_weights,
    rate_share,
)
from fruitvision.train.manifest import checked_manifest
from fruitvision.train.network import FruitNetwork
from fruitvision.train.pack import read_pack

Say = Callable[[str], None]

# Batches that set the ranges of maps. Our choice: of 16 crops, twice as many as the pictures that
# `quantise` takes.
WATCHED = 6
# Steps between lines of progress.
TOLD_STEPS = 100
HEATS = [THIS_ROW, ROW_BEHIND]


def distil(
    network: FruitNetwork,
    others: Sequence[FruitNetwork],
    config: TrainingConfig,
    out: Path,
    *,
    device: str = "cuda",
    say: Say,
) -> None:
    """Teach a copy of the network to keep what it can do when it is rounded: weights.pt in `out`.

    Parameters
    ----------
    network : FruitNetwork
        Without batch norms: see `from_onnx`.
    others : sequence of FruitNetwork
        More teachers of the same kind, with the same working scale.
    config : TrainingConfig
        Packs, seed, `steps`, crops, light, and the highest learning rate; the encoder learns as
        fast as the rest.
    out : Path
        Folder of the run: manifest and weights.

    Raises
    ------
    TrainingError
        If the config gives no steps, or there is no accelerator.
    """
    if not config.steps:
        raise TrainingError("The config gives no steps.", fix="Set 'steps' above 0.")
    if device == "cuda" and not torch.cuda.is_available():
        raise TrainingError("There is no accelerator.", fix="Train with --device cpu.")
    place = torch.device(device)
    packs = [read_pack(choice.folder) for choice in config.packs]
    checked_manifest(config, packs, out)
    albums = hold(
        packs, place, least_visible_share=config.least_visible_share, threads=config.workers
    )
    say(f"{sum(len(pack) for pack in packs)} pictures decoded")
    teachers = [
        _placed(deepcopy(one), place).eval().requires_grad_(False) for one in (network, *others)
    ]
    pupil = _placed(deepcopy(network), place).requires_grad_(True)
    with rounding(pupil, list(first_pictures(albums, config, batches=WATCHED))):
        for state in _learn(pupil, teachers, albums, config, say):
            ended = blended(network.state_dict(), plain_state(state), config.distilled_share)
            keep_weights(ended, out / WEIGHTS_FILE)


def _placed(network: FruitNetwork, device: torch.device) -> FruitNetwork:
    network.to(device=device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    return network


def _learn(
    pupil: FruitNetwork,
    teachers: Sequence[FruitNetwork],
    albums: Sequence[Sequence[Held]],
    config: TrainingConfig,
    say: Say,
) -> Iterator[dict[str, Tensor]]:
    """The pupil's running mean, now and then and at the end."""
    averaged = Averaged(pupil, config.ema_decay)
    optimiser = torch.optim.AdamW(
        pupil.parameters(), lr=config.learning_rate, weight_decay=config.weight_decay
    )
    feeder, begun = Feeder(albums, config, first=0, steps=config.steps), time.monotonic()
    sums = torch.zeros(2, device=next(pupil.parameters()).device)
    for step, (crops, _) in enumerate(feeder):
        for group in optimiser.param_groups:
            group["lr"] = config.learning_rate * rate_share(
                step / config.steps, config.warmup_share
            )
        pictures = crops.pictures.contiguous(memory_format=torch.channels_last)
        wanted, before = taught(teachers, pictures)
        cells = pupil(pictures)
        heat, rest = heat_away(cells[:, HEATS], wanted), away(cells, before)
        optimiser.zero_grad(set_to_none=True)
        (heat + rest).backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(pupil.parameters(), LONGEST_GRADIENT)
        optimiser.step()
        averaged.update(pupil, step)
        sums += torch.stack([heat.detach(), rest.detach()])
        if (step + 1) % TOLD_STEPS == 0:
            off = (sums / TOLD_STEPS).tolist()
            sums.zero_()
            seconds = time.monotonic() - begun
            say(
                f"step {step + 1} of {config.steps}: heat off by {off[0]:.4f}, the rest by "
                f"{off[1]:.4f}; {(step + 1) * config.batch / seconds:.0f} pictures a second"
            )
        if (step + 1) % config.checkpoint_steps == 0 or step + 1 == config.steps:
            yield averaged.state
    feeder.stop()


def blended(
    before: Mapping[str, Tensor], after: Mapping[str, Tensor], share: float
) -> dict[str, Tensor]:
    """Weights between two states of a network: `share` of the way from the first to the second."""
    return {name: torch.lerp(before[name], value.cpu(), share) for name, value in after.items()}


@torch.no_grad()
def taught(teachers: Sequence[FruitNetwork], pictures: Tensor) -> tuple[Tensor, Tensor]:
    """(B, 2, h, w) mean chances of both heat maps, and (B, C, h, w) cells of the first teacher.

    Chances are averaged as logits, as of a picture that is looked at twice.
    """
    plain = [teacher(pictures) for teacher in teachers]
    mirrored = [teacher(pictures.flip(3))[:, HEATS].flip(3) for teacher in teachers]
    heats = torch.stack([*(cells[:, HEATS] for cells in plain), *mirrored])
    return heats.mean(0).sigmoid(), plain[0]


def heat_away(logits: Tensor, wanted: Tensor) -> Tensor:
    """Kullback-Leibler divergence of all cells, for each fruit's worth of wanted heat.

    `logits`, `wanted` (B, 2, h, w): the network's, and chances.
    """
    cross = functional.binary_cross_entropy_with_logits(logits, wanted, reduction="sum")
    least = functional.binary_cross_entropy(wanted, wanted, reduction="sum")
    return (cross - least) / wanted.sum().clamp_min(1.0)
