"""A shipped network with its batch norms back, so that it learns on like one in training.

An exported network has its norms folded into its convolutions. What each convolution gives over
some pictures tells the norm that changes nothing there: one whose scale and offset undo what it
takes away (Ioffe & Szegedy 2015, arXiv:1502.03167, section 3). Weights are scaled so that each
channel comes to its norm with a spread of 1, as about in a network that starts anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import torch
from torch import Tensor, nn

from fruitvision.errors import TrainingError
from fruitvision.train.network import FruitNetwork

# Least spread of a channel that weights are scaled by: one that hardly gives anything stays as it
# is. Our choice.
LEAST_SPREAD = 1e-2


class _Seen:
    """Mean and spread of each channel that a convolution gives."""

    def __init__(self) -> None:
        self.count = 0
        self.sums = torch.zeros(())
        self.squares = torch.zeros(())

    def add(self, given: Tensor) -> None:
        """(B, C, h, w)."""
        count = given[:, 0].numel()
        variance, mean = (one.double() for one in torch.var_mean(given, (0, 2, 3), correction=0))
        self.count += count
        self.sums = self.sums.to(mean) + count * mean
        self.squares = self.squares.to(mean) + count * (variance + mean**2)

    @property
    def mean(self) -> Tensor:
        return (self.sums / self.count).float()

    @property
    def spread(self) -> Tensor:
        mean = self.sums / self.count
        return (self.squares / self.count - mean**2).clamp_min(0.0).sqrt().float()


@torch.no_grad()
def put_norms_back(
    fresh: FruitNetwork, shipped: FruitNetwork, pictures: Iterable[Tensor]
) -> FruitNetwork:
    """`fresh`, now giving what `shipped` gives, over these pictures in training too.

    Parameters
    ----------
    fresh : FruitNetwork
        With batch norms; all its numbers are replaced.
    shipped : FruitNetwork
        Without: see `from_onnx`.
    pictures : iterable of (B, 3, H, W)
        0 to 255, like those that it will learn from; at least one.

    Raises
    ------
    TrainingError
        If the two hold other layers.
    """
    wanted = list(_normed(fresh))
    given = [one for one in shipped.modules() if isinstance(one, nn.Conv2d)]
    if _shapes([*(layer for layer, _ in wanted), fresh.out]) != _shapes(given):
        raise TrainingError(
            "The network to start from holds other layers than the config's.",
            fix="Give the config that network's encoder, decoder_channels and head_layers.",
        )
    for (layer, norm), old, seen in zip(
        wanted, given[:-1], _watched(shipped, given[:-1], pictures), strict=True
    ):
        scale = seen.spread.clamp_min(LEAST_SPREAD)
        layer.weight.copy_(old.weight / scale[:, None, None, None])
        # A norm gives (x - mean) / spread * weight + bias: here x * scale + the old offset.
        mean, spread = seen.mean - _offset(old), seen.spread
        numbers = {
            "running_mean": mean / scale,
            "running_var": (spread / scale) ** 2,
            "weight": scale * torch.sqrt((spread / scale) ** 2 + norm.eps),
            "bias": seen.mean,
        }
        norm.load_state_dict(numbers, strict=False)
    fresh.out.load_state_dict(shipped.out.state_dict())
    return fresh


def _shapes(layers: Sequence[nn.Conv2d]) -> list[tuple[int, ...]]:
    return [tuple(layer.weight.shape) for layer in layers]


def _offset(layer: nn.Conv2d) -> Tensor:
    return torch.zeros_like(layer.weight[:, 0, 0, 0]) if layer.bias is None else layer.bias


def _normed(network: FruitNetwork) -> Iterator[tuple[nn.Conv2d, nn.BatchNorm2d]]:
    """Convolutions with the norm that follows, in their order."""
    for layers in network.modules():
        if isinstance(layers, nn.Sequential):
            for layer, norm in pairwise(layers):
                if isinstance(layer, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                    yield layer, norm


def _watched(
    network: FruitNetwork, layers: Sequence[nn.Conv2d], pictures: Iterable[Tensor]
) -> list[_Seen]:
    """What each layer gives over the pictures."""
    seen = [_Seen() for _ in layers]
    handles = [
        layer.register_forward_hook(lambda _layer, _taken, given, one=one: one.add(given))
        for layer, one in zip(layers, seen, strict=True)
    ]
    try:
        for picture in pictures:
            network(picture)
    finally:
        for handle in handles:
            handle.remove()
    return seen
