"""How wrong the network is: one number for each thing it gives."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from fruitvision.fruit.cells import (
    BOX,
    FRUIT_PIXEL,
    LOG_LIMITS,
    OUTLINE,
    STRIDE_PX,
    VISIBLE_SHARE,
    VOTE,
)
from fruitvision.train.crops import Crops
from fruitvision.train.targets import Targets

# Powers of the focal loss of heat maps (Zhou, Wang & Krähenbühl 2019, equation 1).
FOCUS, SPARED = 2.0, 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Losses:
    """Scalars; `names` in the order of `values`."""

    heat: Tensor
    behind: Tensor
    box: Tensor
    outline: Tensor
    share: Tensor
    pixels: Tensor
    votes: Tensor

    names = ("heat", "behind", "box", "outline", "share", "pixels", "votes")

    def values(self) -> Tensor:
        """(7,)."""
        return torch.stack([getattr(self, name) for name in self.names])


def losses(
    cells: Tensor, crops: Crops, targets: Targets, *, rendered_heat_weight: float = 1.0
) -> Losses:
    """Losses of a batch; `cells` (B, CHANNELS, h, w) float32.

    `rendered_heat_weight` : what rendered crops count in heat and boxes of this row, against
    photos: people box by other rules than a renderer.
    """
    at = _Learning(cells, crops, targets)
    each = torch.where(crops.outlined, rendered_heat_weight, 1.0)
    even = torch.ones_like(each)
    return Losses(
        heat=_heat_loss(cells[:, 0], targets.heat[:, 0], targets.heat_known[:, 0], each),
        behind=_heat_loss(cells[:, 1], targets.heat[:, 1], targets.heat_known[:, 1], even),
        box=_box_loss(at, crops, each),
        outline=_outline_loss(at, crops),
        share=_share_loss(at, crops),
        pixels=_pixel_loss(cells, targets),
        votes=_vote_loss(cells, crops, targets),
    )


class _Learning:
    """Cells that learn box, outline and share: their outputs, places, slots and weights."""

    def __init__(self, cells: Tensor, crops: Crops, targets: Targets) -> None:
        picture, row, column = (targets.owner >= 0).nonzero(as_tuple=True)
        self.slot = targets.owner[picture, row, column]
        self.picture = picture
        self.out = cells[picture, :, row, column]
        self.x = column.float() * STRIDE_PX + (STRIDE_PX - 1) / 2
        self.y = row.float() * STRIDE_PX + (STRIDE_PX - 1) / 2
        self.weight = targets.heat.amax(1)[picture, row, column]
        self.outlined = crops.outlined[picture].float()

    def mean(self, loss: Tensor, weight: Tensor) -> Tensor:
        return (loss * weight).sum() / weight.sum().clamp_min(1.0)


def _heat_loss(logit: Tensor, heat: Tensor, known: Tensor, each: Tensor) -> Tensor:
    chance = logit.sigmoid().clamp(1e-5, 1 - 1e-5)
    centre = (heat >= 1.0 - 1e-6) & known
    found = -((1 - chance) ** FOCUS) * chance.log()
    false = -((1 - heat) ** SPARED) * chance**FOCUS * (1 - chance).log()
    total = (torch.where(centre, found, false * known).sum((1, 2)) * each).sum()
    return total / (centre.sum((1, 2)) * each).sum().clamp_min(1)


def _box_loss(at: _Learning, crops: Crops, each: Tensor) -> Tensor:
    """1 - generalised intersection over union (Rezatofighi et al. 2019, arXiv:1902.09630)."""
    side = STRIDE_PX * torch.exp(at.out[:, BOX].clamp(*LOG_LIMITS))
    left, top = at.x - side[:, 0], at.y - side[:, 1]
    right, bottom = at.x + side[:, 2], at.y + side[:, 3]
    true = crops.boxes[at.picture, at.slot]
    common = _span(left, right, true[:, 0], true[:, 2]) * _span(top, bottom, true[:, 1], true[:, 3])
    area = (right - left) * (bottom - top)
    true_area = (true[:, 2] - true[:, 0]) * (true[:, 3] - true[:, 1])
    union = area + true_area - common
    hull = (torch.maximum(right, true[:, 2]) - torch.minimum(left, true[:, 0])) * (
        torch.maximum(bottom, true[:, 3]) - torch.minimum(top, true[:, 1])
    )
    union, hull = union.clamp_min(1e-3), hull.clamp_min(1e-3)
    return at.mean(1 - common / union + (hull - union) / hull, at.weight * each[at.picture])


def _span(low: Tensor, high: Tensor, other_low: Tensor, other_high: Tensor) -> Tensor:
    return (torch.minimum(high, other_high) - torch.maximum(low, other_low)).clamp_min(0)


def outline_numbers(outlines: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """(N, 5) outlines as the network gives them from cells centred at (N,) px."""
    half = (outlines[:, 2:4] / 2 / STRIDE_PX).clamp_min(1e-3).log()
    size, longer = half.mean(1), (half[:, 0] - half[:, 1]) / 2
    turn = torch.deg2rad(outlines[:, 4]) * 2
    return torch.stack(
        [
            (outlines[:, 0] - x) / STRIDE_PX,
            (outlines[:, 1] - y) / STRIDE_PX,
            size,
            longer * torch.cos(turn),
            longer * torch.sin(turn),
        ],
        dim=1,
    )


def _outline_loss(at: _Learning, crops: Crops) -> Tensor:
    """Mean absolute error of the centre in radii and of the logarithms of the half axes."""
    true = torch.nan_to_num(crops.outlines[at.picture, at.slot], nan=1.0)
    wanted = outline_numbers(true, at.x, at.y)
    off = (at.out[:, OUTLINE] - wanted).abs()
    radius = (true[:, 2] / 2 / STRIDE_PX).clamp_min(0.5)
    # A centre that is off by a tenth of the radius costs about as much overlap as an axis that is.
    cost = (off[:, :2] / radius[:, None]).sum(1) + 2 * off[:, 2] + off[:, 3:].sum(1)
    return at.mean(cost, at.weight * at.outlined)


def _share_loss(at: _Learning, crops: Crops) -> Tensor:
    true = torch.nan_to_num(crops.shares[at.picture, at.slot], nan=0.0).clamp(0, 1)
    off = (at.out[:, VISIBLE_SHARE].sigmoid() - true).abs()
    return at.mean(off, at.weight * at.outlined)


def _pixel_loss(cells: Tensor, targets: Targets) -> Tensor:
    """Cross entropy, and one minus the Dice overlap (Milletari et al. 2016, arXiv:1606.04797)."""
    known = targets.pixels_known.float()
    logit = cells[:, FRUIT_PIXEL]
    cross = functional.binary_cross_entropy_with_logits(logit, targets.pixels, reduction="none")
    seen = logit.sigmoid() * known
    both = 2 * (seen * targets.pixels).sum() + 1.0
    dice = 1 - both / (seen.sum() + (targets.pixels * known).sum() + 1.0)
    return (cross * known).sum() / known.sum().clamp_min(1.0) + dice * (known.sum() > 0)


def _vote_loss(cells: Tensor, crops: Crops, targets: Targets) -> Tensor:
    """Mean absolute error of a pixel's way to its fruit's centre, in widths of the fruit."""
    picture, row, column = ((targets.pixel_owner >= 0) & targets.pixels_known).nonzero(
        as_tuple=True
    )
    if not len(picture):
        return cells.sum() * 0.0
    box = crops.boxes[picture, targets.pixel_owner[picture, row, column]]
    centre = (box[:, :2] + box[:, 2:]) / 2
    place = torch.stack([column, row], 1).float() * STRIDE_PX + (STRIDE_PX - 1) / 2
    wanted = (centre - place) / STRIDE_PX
    width = ((box[:, 2:] - box[:, :2]).amax(1) / STRIDE_PX).clamp_min(2.0)
    off = (cells[:, VOTE][picture, :, row, column] - wanted).abs().sum(1)
    return (off / width).mean()
