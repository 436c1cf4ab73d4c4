"""The network: encoder, light top-down decoder to a quarter of the picture, one head.

Heat maps of centres after Zhou, Wang & Krähenbühl 2019 (Objects as points, arXiv:1904.07850),
top-down lateral joining after Lin et al. 2017 (Feature pyramid networks, arXiv:1612.03144).
"""

from __future__ import annotations

from math import log

import torch
from torch import Tensor, nn
from torch.nn import functional

from fruitvision.fruit.cells import CHANNELS, ROW_BEHIND, THIS_ROW
from fruitvision.train.encoder import (
    PICTURE_MIDDLE,
    PICTURE_SPAN,
    Encoder,
    convolution,
)

# Chance of a centre that an untrained network gives each cell (Lin et al. 2017, Focal loss for
# dense object detection, arXiv:1708.02002, section 3.3).
FIRST_CHANCE = 0.01


def separable(inputs: int, outputs: int, kernel: int = 5) -> nn.Sequential:
    """Each channel alone, then all together."""
    return nn.Sequential(
        *convolution(inputs, inputs, kernel, groups=inputs),
        *convolution(inputs, outputs),
        nn.ReLU6(inplace=True),
    )


class Join(nn.Module):
    """A coarse map, made twice as large, added to a finer one."""

    def __init__(self, coarse: int, fine: int, out: int) -> None:
        super().__init__()
        self.from_coarse = nn.Sequential(*convolution(coarse, out))
        self.from_fine = nn.Sequential(*convolution(fine, out))
        self.clip = nn.ReLU6()
        self.after = separable(out, out)

    def forward(self, coarse: Tensor, fine: Tensor) -> Tensor:
        """(B, coarse, h, w) and (B, fine, 2h, 2w) to (B, out, 2h, 2w)."""
        raised = functional.interpolate(self.from_coarse(coarse), scale_factor=2.0, mode="nearest")
        joined: Tensor = self.after(self.clip(self.from_fine(fine) + raised))
        return joined


class FruitNetwork(nn.Module):
    """Fruit for every cell of 4 x 4 px: see `fruitvision.fruit.cells`.

    Parameters
    ----------
    widths : three int
        Channels of the decoder at 16, 8 and 4 px.
    head_layers : int
        Separable layers before the output.
    encoder : str
        Name of the encoder's layout.
    """

    def __init__(
        self,
        widths: tuple[int, int, int] = (128, 96, 64),
        head_layers: int = 2,
        encoder: str = "lite0",
    ) -> None:
        super().__init__()
        self.encoder = Encoder(encoder)
        quarter, eighth, sixteenth, thirtysecond = self.encoder.tapped_channels
        self.join16 = Join(thirtysecond, sixteenth, widths[0])
        self.join8 = Join(widths[0], eighth, widths[1])
        self.join4 = Join(widths[1], quarter, widths[2])
        self.head = nn.Sequential(*(separable(widths[2], widths[2]) for _ in range(head_layers)))
        self.out = nn.Conv2d(widths[2], CHANNELS, 1)
        nn.init.normal_(self.out.weight, std=0.01)
        first = torch.zeros(CHANNELS)
        first[[THIS_ROW, ROW_BEHIND]] = log(FIRST_CHANCE / (1 - FIRST_CHANCE))
        self.out.bias = nn.Parameter(first)

    def forward(self, picture: Tensor) -> Tensor:
        """(B, 3, H, W), 0 to 255, to (B, CHANNELS, H / 4, W / 4)."""
        return self.cells((picture - PICTURE_MIDDLE) / PICTURE_SPAN)

    def cells(self, normal: Tensor) -> Tensor:
        """The same from a picture with middle 0 and span about 1."""
        fourth, eighth, sixteenth, deep = self.encoder(normal)
        seen = self.join4(self.join8(self.join16(deep, sixteenth), eighth), fourth)
        cells: Tensor = self.out(self.head(seen))
        return cells
