"""What the network should have given, cell by cell, and where nothing is known."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from fruitvision.fruit.cells import STRIDE_PX
from fruitvision.train.crops import Crops

# Spread of a centre's heat as a share of the visible box, least in cells. The share is the probe's
# that came out best on the row photos; the least keeps a tiny fruit's peak a few cells wide (our
# choice).
HEAT_SPREAD = 0.15
LEAST_SPREAD_CELLS = 0.6
# Cells with more heat than this learn box, outline and share. Our choice: about a third of the
# box's width.
LEARNS_ABOVE = 0.4
# Fruit handled at once: bounds memory.
CHUNK = 64


@dataclass(frozen=True, slots=True, eq=False)
class Targets:
    """For B crops of h x w cells. The second heat map is of rows behind.

    `heat` (B, 2, h, w) 0 to 1, exactly 1 in a centre's cell; `heat_known` (B, 2, h, w) bool.
    `owner` (B, h, w) int64: slot whose box, outline and share a cell learns, -1 none.
    `pixels` (B, h, w) 0 or 1: a fruit is seen there; `pixels_known` (B, h, w) bool.
    `pixel_owner` (B, h, w) int64: slot of the fruit seen, -1 none.
    """

    heat: Tensor
    heat_known: Tensor
    owner: Tensor
    pixels: Tensor
    pixels_known: Tensor
    pixel_owner: Tensor


def make_targets(crops: Crops) -> Targets:
    """Targets of a batch."""
    size = crops.pictures.shape[2] // STRIDE_PX
    wanted = crops.filled & crops.hangs & ~crops.ignored
    this_row = wanted & (crops.rows == 0)
    behind = wanted & (crops.rows > 0)
    near_heat, near_owner = _heat(crops.boxes, this_row, size)
    far_heat, far_owner = _heat(crops.boxes, behind, size)
    owner = torch.where(near_heat >= far_heat, near_owner, far_owner)
    owner = torch.where(torch.maximum(near_heat, far_heat) > LEARNS_ABOVE, owner, -1)
    # Ignored fruit leave both maps unknown where they are seen.
    open_cells = ~crops.unknown & ~_inside(
        crops.boxes, crops.filled & crops.ignored & crops.hangs, size
    )
    near_known = open_cells | ((near_heat > LEARNS_ABOVE) & ~crops.unknown)
    # Photos without labels of the rows behind: known only where a fruit of this row hangs.
    far_known = torch.where(
        crops.outlined[:, None, None],
        open_cells | ((far_heat > LEARNS_ABOVE) & ~crops.unknown),
        (near_heat > LEARNS_ABOVE) & ~crops.unknown,
    )
    # Balls and fallen fruit are seen, and are no fruit.
    slot = crops.numbers.clamp_min(0).flatten(1)
    hangs = crops.hangs.gather(1, slot).reshape(crops.numbers.shape) & (crops.numbers >= 0)
    return Targets(
        heat=torch.stack([near_heat, far_heat], dim=1),
        heat_known=torch.stack([near_known, far_known], dim=1),
        owner=torch.where(crops.unknown, -1, owner),
        pixels=hangs.float(),
        pixels_known=(crops.numbers != -2) & ~crops.unknown,
        pixel_owner=torch.where(hangs, crops.numbers, -1),
    )


def _heat(boxes: Tensor, wanted: Tensor, size: int) -> tuple[Tensor, Tensor]:
    """(B, h, w) heat and the slot that gives it."""
    batch = boxes.shape[0]
    device = boxes.device
    best = torch.zeros((batch, size, size), device=device)
    owner = torch.full((batch, size, size), -1, dtype=torch.int64, device=device)
    at = torch.arange(size, device=device).float()
    # In cells: px 1.5 is the centre of cell 0.
    centre = ((boxes[..., :2] + boxes[..., 2:]) / 2 - (STRIDE_PX - 1) / 2) / STRIDE_PX
    spread = ((boxes[..., 2:] - boxes[..., :2]) / STRIDE_PX * HEAT_SPREAD).clamp_min(
        LEAST_SPREAD_CELLS
    )
    # The centre's own cell is exactly 1.
    centre = centre.round()
    for start in range(0, boxes.shape[1], CHUNK):
        part = slice(start, start + CHUNK)
        across = _bell(at, centre[:, part, 0], spread[:, part, 0], wanted[:, part])
        down = _bell(at, centre[:, part, 1], spread[:, part, 1], wanted[:, part])
        heat, slot = (down[..., :, None] * across[..., None, :]).max(dim=1)
        better = heat > best
        owner = torch.where(better, slot + start, owner)
        best = torch.where(better, heat, best)
    return best, owner


def _bell(at: Tensor, centre: Tensor, spread: Tensor, wanted: Tensor) -> Tensor:
    """(B, N, size)."""
    bell = torch.exp(-(((at - centre[..., None]) / spread[..., None]) ** 2) / 2)
    return bell * wanted[..., None]


def _inside(boxes: Tensor, wanted: Tensor, size: int) -> Tensor:
    """(B, h, w) bool: cells whose centre lies in a wanted box."""
    at = torch.arange(size, device=boxes.device).float() * STRIDE_PX + (STRIDE_PX - 1) / 2
    out = torch.zeros((boxes.shape[0], size, size), dtype=torch.bool, device=boxes.device)
    for start in range(0, boxes.shape[1], CHUNK):
        box = boxes[:, start : start + CHUNK, :, None]
        across = (
            (at >= box[:, :, 0]) & (at <= box[:, :, 2]) & wanted[:, start : start + CHUNK, None]
        )
        down = (at >= box[:, :, 1]) & (at <= box[:, :, 3])
        hits = torch.einsum("bnh,bnw->bhw", down.float(), across.float())
        out |= hits > 0
    return out
