"""All pictures of the packs in the accelerator's memory, decoded once."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from fruitvision.train.pack import HANGING_FRUIT, Pack


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """One picture with its labels; all lengths in px of the picture.

    `levels` : the picture (3, H, W) uint8, and half and a quarter as large. `masks` : (H, W) int16,
    number of the fruit whose visible pixel it is, or None. `boxes` (N, 4), `outlines` (N, 5),
    `shares` (N,), `rows` (N,) int64, `ignored`, `hangs` (N,) bool, `numbers` (N,) int64;
    `grey_areas` (K, 4). `fruit_px` : width of a usual fruit.
    """

    levels: tuple[Tensor, ...]
    masks: Tensor | None
    boxes: Tensor
    outlines: Tensor
    shares: Tensor
    rows: Tensor
    ignored: Tensor
    hangs: Tensor
    numbers: Tensor
    grey_areas: Tensor
    fruit_px: float
    has_outlines: bool
    name: str


# Usual width of a fruit where a picture has none, px. Our choice: that of the row photos' packs.
NO_FRUIT_PX = 42.0


def hold(
    packs: Sequence[Pack],
    device: torch.device,
    *,
    least_visible_share: float = 0.2,
    threads: int = 8,
) -> list[list[Held]]:
    """Every picture of every pack, in the order of the packs; fruit seen less are ignored."""
    with ThreadPoolExecutor(threads) as pool:
        return [
            list(
                pool.map(
                    lambda index, pack=pack: _held(pack, index, device, least_visible_share),
                    range(len(pack)),
                )
            )
            for pack in packs
        ]


def _held(pack: Pack, index: int, device: torch.device, least_visible_share: float) -> Held:
    picture = pack.pictures[index]
    fruit = pack.fruit_of(index)

    def put(values: np.ndarray, kind: torch.dtype) -> Tensor:
        return torch.from_numpy(np.array(values)).to(device=device, dtype=kind)

    instances = pack.read_instances(index)
    hidden = np.nan_to_num(fruit.visible_share, nan=1.0) < least_visible_share
    usual = (fruit.row == 0) & ~fruit.ignore & ~hidden & (fruit.kind == HANGING_FRUIT)
    widths = (fruit.box[usual, 2:] - fruit.box[usual, :2]).max(1) if usual.any() else None
    return Held(
        levels=_levels(pack.read_picture(index), device),
        masks=None if instances is None else put(instances, torch.int16),
        boxes=put(fruit.box, torch.float32).reshape(-1, 4),
        outlines=put(fruit.outline, torch.float32).reshape(-1, 5),
        shares=put(fruit.visible_share, torch.float32),
        rows=put(fruit.row, torch.int64),
        ignored=put(fruit.ignore | hidden, torch.bool),
        hangs=put(fruit.kind == HANGING_FRUIT, torch.bool),
        numbers=put(fruit.number, torch.int64),
        grey_areas=put(np.asarray(picture.grey_areas, dtype=float), torch.float32).reshape(-1, 4),
        fruit_px=float(np.median(widths)) if widths is not None else NO_FRUIT_PX,
        has_outlines=picture.has_outlines,
        name=picture.file,
    )


def _levels(pixels: np.ndarray, device: torch.device) -> tuple[Tensor, ...]:
    full = torch.from_numpy(pixels.copy()).to(device).permute(2, 0, 1).contiguous()
    levels = [full]
    for _ in range(2):
        half = functional.avg_pool2d(levels[-1].float()[None], 2)[0]
        levels.append((half + 0.5).to(torch.uint8))
    return tuple(levels)
