"""A small convolutional network as judge of patches. Needs torch (extra [dev])."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from tests.bench.realism_photos import Bools, Floats

# Passes over the patches, patches a step, largest step. Our choice: four folds of 600 patches take
# about 40 seconds of one core.
EPOCHS, BATCH, RATE = 6, 32, 4e-3
SEED = 7


def network(learn: NDArray[np.generic], rendered: Bools, judge: NDArray[np.generic]) -> Floats:
    """Learn from (n, H, W, 3) uint8 patches; judge others. Above 0 is rendered."""
    torch.manual_seed(SEED)
    # One thread: the same sums in the same order, and faster than two on a busy machine.
    torch.set_num_threads(1)
    rng = np.random.default_rng(SEED)
    model = _layers()
    optimiser = torch.optim.AdamW(model.parameters(), lr=RATE, weight_decay=0.02)
    steps = EPOCHS * (-(-len(learn) // BATCH))
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, max_lr=RATE, total_steps=steps)
    loss_of = nn.BCEWithLogitsLoss()
    truth = torch.from_numpy(rendered.astype(np.float32))
    for _ in range(EPOCHS):
        order = rng.permutation(len(learn))
        for start in range(0, len(order), BATCH):
            some = order[start : start + BATCH]
            loss = loss_of(model(_as_input(learn[some], rng))[:, 0], truth[some])
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            pace.step()
    model.eval()
    with torch.no_grad():
        parts = [
            model(_as_input(judge[start : start + BATCH], None))[:, 0].numpy()
            for start in range(0, len(judge), BATCH)
        ]
    return np.concatenate(parts).astype(np.float64)


def _layers() -> nn.Sequential:
    widths = (3, 16, 32, 64)
    layers: list[nn.Module] = []
    for before, after in pairwise(widths):
        layers += [
            nn.Conv2d(before, after, 3, stride=2, padding=1, bias=False),
            nn.BatchNorm2d(after),
            nn.ReLU(),
        ]
    return nn.Sequential(
        *layers, nn.AdaptiveAvgPool2d(1), nn.Flatten(), nn.Dropout(0.2), nn.Linear(widths[-1], 1)
    )


def _as_input(patches: NDArray[np.generic], rng: np.random.Generator | None) -> torch.Tensor:
    """(n, 3, H, W) about -2 to 2; mirrored at random while learning."""
    if rng is not None:
        turned = rng.random(len(patches)) < 0.5
        patches = np.where(turned[:, None, None, None], patches[:, :, ::-1], patches)
    pixels = np.ascontiguousarray(np.moveaxis(patches, 3, 1), dtype=np.float32)
    scaled = (torch.from_numpy(pixels) - 115.0) / 60.0
    return scaled.to(memory_format=torch.channels_last)
