"""A shipped network, taught a little more by a farm's own checked photos.

What people say of a photo is which fruit there are. So only the two heat maps learn from it; all
else that the network gives (boxes, outlines, shares, masks) is held to what the untaught network
gives for the same crop (after Li & Hoiem 2016, Learning without forgetting, arXiv:1606.09282).
After every round through the photos the network is tried on photos kept apart for choosing, and
the best one counts; none, where the untaught one stays the best.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from fruitvision.evaluate.matching import USUAL, overlaps_of
from fruitvision.fruit.cells import BOX, FRUIT_PIXEL, OUTLINE, VISIBLE_SHARE, VOTE
from fruitvision.train.album import Held
from fruitvision.train.config import CoarseCrops, PackChoice, TrainingConfig
from fruitvision.train.feeder import make_batch
from fruitvision.train.judge import Judgement, judge, look
from fruitvision.train.loop import LONGEST_GRADIENT, rate_share
from fruitvision.train.losses import losses
from fruitvision.train.network import FruitNetwork

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Teaching:
    """Numbers of a fine-tuning. Our choice of all: a processor does a round of 20 photos in about
    two minutes, and the rate is a twentieth of that of a training from ImageNet.

    `rounds` : through the photos at most; `crops` : of each photo a round; `patience` : rounds
    without gain after which it ends; `keeping` : what staying with the untaught network counts
    against the heat; `gain` : F1 that must be gained, else the untaught network stays.
    """

    rounds: int = 8
    crops: int = 8
    batch: int = 4
    crop_px: int = 448
    learning_rate: float = 1e-4
    patience: int = 3
    keeping: float = 1.0
    gain: float = 0.002
    seed: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """The best network, and figures on the photos for choosing: before, and after each round.

    `best` : round of the network, 0 if the untaught one stayed the best.
    """

    network: FruitNetwork
    tries: tuple[Judgement, ...]
    best: int


def fine_tune(
    network: FruitNetwork,
    learn: Sequence[Held],
    choose: Sequence[Held],
    teaching: Teaching,
    *,
    fruit_px: float,
    say: Say,
) -> Taught:
    """Teach a copy of the network.

    Parameters
    ----------
    network : FruitNetwork
        Without batch norms: see `from_onnx`.
    learn, choose : sequence of Held
        Photos to learn from, and others to choose the best round by.
    fruit_px : float
        Width of the usual fruit at the network's working scale.
    """
    untaught = deepcopy(network).requires_grad_(False)
    pupil = deepcopy(network).requires_grad_(True)
    learn, choose = (
        [as_seen(untaught, held, fruit_px) for held in photos] for photos in (learn, choose)
    )
    config = _config(teaching, fruit_px)
    steps_a_round = max(1, -(-len(learn) * teaching.crops // teaching.batch))
    steps = steps_a_round * teaching.rounds
    optimiser = torch.optim.AdamW(pupil.parameters(), lr=teaching.learning_rate)
    tries = [judge(untaught, choose, fruit_px)]
    say(f"before: {tries[0].words()}")
    best, kept = 0, untaught
    for number in range(1, teaching.rounds + 1):
        for step in range((number - 1) * steps_a_round, number * steps_a_round):
            share = rate_share(step / steps, config.warmup_share)
            for group in optimiser.param_groups:
                group["lr"] = teaching.learning_rate * share
            _learn(pupil, untaught, learn, config, optimiser, (step, steps), teaching.keeping)
        tries.append(judge(pupil, choose, fruit_px))
        say(f"round {number} of {teaching.rounds}: {tries[-1].words()}")
        if tries[-1].f1_50 >= tries[best].f1_50 + (teaching.gain if best == 0 else 0.0):
            best, kept = number, deepcopy(pupil)
        elif number - best >= teaching.patience:
            break
    return Taught(kept.eval(), tuple(tries), best)


def as_seen(network: FruitNetwork, held: Held, fruit_px: float) -> Held:
    """A photo whose boxes are of what is seen, where the network finds the fruit.

    People's outlines are full ones, hidden parts included; centres and boxes of the network are of
    the visible part. So a fruit that it finds, unsure as it may be, keeps its box.
    """
    found = look(network, held, fruit_px)
    boxes = held.boxes.double().cpu().numpy()
    full = _around(found.outlines)
    overlap = overlaps_of(full, boxes, np.zeros(len(boxes), dtype=np.bool_))
    if not overlap.size:
        return held
    best = overlap.argmax(axis=0)
    same = overlap[best, np.arange(len(boxes))] >= USUAL
    seen = np.where(same[:, None], found.boxes[best], boxes)
    return replace(held, boxes=torch.from_numpy(seen).to(held.boxes))


def _around(outlines: np.ndarray) -> np.ndarray:
    """(N, 4) boxes around outlines (N, 5): half sides are the shadows of the axes."""
    turn = np.deg2rad(outlines[:, 4])
    long, short = outlines[:, 2] / 2, outlines[:, 3] / 2
    half_x = np.hypot(long * np.cos(turn), short * np.sin(turn))
    half_y = np.hypot(long * np.sin(turn), short * np.cos(turn))
    x, y = outlines[:, 0], outlines[:, 1]
    return np.column_stack([x - half_x, y - half_y, x + half_x, y + half_y])


def _config(teaching: Teaching, fruit_px: float) -> TrainingConfig:
    """How crops are cut and lit: mostly as they are, since they are of this farm's light."""
    return TrainingConfig(
        packs=(PackChoice(folder=Path("reviewed")),),
        seed=teaching.seed,
        batch=teaching.batch,
        crop_px=teaching.crop_px,
        learning_rate=teaching.learning_rate,
        working_fruit_px=fruit_px,
        fruit_px_spread=0.15,
        plain_share=0.5,
        coarse=CoarseCrops(share=0.1),
        precision="float32",
    )


def _learn(
    pupil: FruitNetwork,
    untaught: FruitNetwork,
    learn: Sequence[Held],
    config: TrainingConfig,
    optimiser: torch.optim.Optimizer,
    at: tuple[int, int],
    keeping: float,
) -> None:
    crops, targets = make_batch([learn], config, step=at[0], steps=at[1])
    with torch.no_grad():
        before = untaught(crops.pictures)
    cells = pupil(crops.pictures)
    found = losses(cells, crops, targets)
    total = found.heat + found.behind + keeping * away(cells, before)
    optimiser.zero_grad(set_to_none=True)
    total.backward()  # type: ignore[no-untyped-call]
    nn.utils.clip_grad_norm_(pupil.parameters(), LONGEST_GRADIENT)
    optimiser.step()


def away(cells: Tensor, before: Tensor) -> Tensor:
    """How far what is no heat has moved, mean absolute difference of a cell, (B, C, h, w) both.

    Boxes, outlines and shares count where a fruit's centre was seen, votes where a fruit was, and
    the mask everywhere.
    """
    off = (cells - before).abs()
    centre = before[:, :2].amax(1).sigmoid()
    seen = before[:, FRUIT_PIXEL].sigmoid()
    fruit = torch.cat([off[:, BOX], off[:, OUTLINE], off[:, [VISIBLE_SHARE]]], 1).mean(1)
    return (
        (fruit * centre).sum() / centre.sum().clamp_min(1.0)
        + (off[:, VOTE].mean(1) * seen).sum() / seen.sum().clamp_min(1.0)
        + off[:, FRUIT_PIXEL].mean()
    )
