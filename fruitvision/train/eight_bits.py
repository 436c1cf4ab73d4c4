"""A network that learns while it is rounded to eight bits, so that rounding costs it little.

In training weights and maps between layers are rounded as `quantise.quantised` rounds them;
gradients pass as if nothing was rounded (Jacob et al. 2018, arXiv:1712.05877, section 3). The last
convolution stays in float there, and here; what else stays in float there is rounded here, so that
the network bears more than it will have to.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

import torch
from torch import Tensor, nn
from torch.nn.utils import parametrize

from fruitvision.train.encoder import Block
from fruitvision.train.network import FruitNetwork, Join

# Whole numbers of a weight lie between -64 and 64, those of a map between 0 and 255: seven bits and
# eight, as `quantise.quantised` says why.
WEIGHT_MOST, MAP_MOST = 64, 255
# Shortest step: an empty channel has none of its own. Our choice.
LEAST_STEP = 1e-8


class RoundedWeights(nn.Module):
    """Weights of a convolution in whole steps, of one length for each channel that it gives."""

    def forward(self, weights: Tensor) -> Tensor:
        """(out, in, h, w) to the same, rounded."""
        largest = weights.detach().abs().amax((1, 2, 3))
        steps = (largest / WEIGHT_MOST).clamp_min(LEAST_STEP)
        middle = torch.zeros(len(steps), dtype=torch.int32, device=weights.device)
        return torch.fake_quantize_per_channel_affine(
            weights, steps, middle, 0, -WEIGHT_MOST, WEIGHT_MOST
        )


class RoundedMap(nn.Module):
    """A map between layers, in 256 steps over the range that it had in the first pictures."""

    least: Tensor
    most: Tensor

    def __init__(self) -> None:
        super().__init__()
        self.watches = True
        self.register_buffer("least", torch.zeros(()))
        self.register_buffer("most", torch.zeros(()))

    def forward(self, seen: Tensor) -> Tensor:
        """Any shape; while it watches, its range grows and nothing is rounded."""
        if self.watches:
            self.least = torch.minimum(self.least, seen.detach().amin())
            self.most = torch.maximum(self.most, seen.detach().amax())
            return seen
        step = ((self.most - self.least) / MAP_MOST).clamp_min(LEAST_STEP)
        middle = (-self.least / step).round().to(torch.int32)
        return torch.fake_quantize_per_tensor_affine(seen, step, middle, 0, MAP_MOST)


@contextmanager
def rounding(network: FruitNetwork, pictures: Sequence[Tensor]) -> Iterator[FruitNetwork]:
    """The network itself, which rounds until the end; its weights learn as before.

    Parameters
    ----------
    network : FruitNetwork
        Without batch norms: see `from_onnx`.
    pictures : sequence of (B, 3, H, W)
        0 to 255: set the ranges of maps.
    """
    maps: list[RoundedMap] = []
    handles = []
    for place in _places(network):
        rounded = RoundedMap().to(next(network.parameters()).device)
        maps.append(rounded)
        handles.append(place.register_forward_hook(_after(rounded)))
    try:
        with torch.no_grad():
            for picture in pictures:
                network(picture)
        for rounded in maps:
            rounded.watches = False
        for convolution in _convolutions(network):
            parametrize.register_parametrization(convolution, "weight", RoundedWeights())
        yield network
    finally:
        for handle in handles:
            handle.remove()
        for convolution in _convolutions(network):
            if parametrize.is_parametrized(convolution, "weight"):
                parametrize.remove_parametrizations(convolution, "weight", leave_parametrized=False)


def plain_state(state: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """State of a network that rounds, as that of one that does not."""
    return {
        name.replace(".parametrizations.weight.original", ".weight"): value
        for name, value in state.items()
    }


def _after(rounded: RoundedMap) -> Callable[[nn.Module, object, Tensor], Tensor]:
    def hook(_module: nn.Module, _given: object, seen: Tensor) -> Tensor:
        out: Tensor = rounded(seen)
        return out

    return hook


def _convolutions(network: FruitNetwork) -> list[nn.Conv2d]:
    return [
        one for one in network.modules() if isinstance(one, nn.Conv2d) and one is not network.out
    ]


def _places(network: FruitNetwork) -> Iterator[nn.Module]:
    """Layers whose result is rounded: a ReLU is one with the convolution before it."""
    for layers in network.modules():
        if isinstance(layers, nn.Sequential):
            inner = [one for one in layers if not isinstance(one, nn.Identity)]
            followed = [*inner[1:], None]
            for one, after in zip(inner, followed, strict=True):
                if isinstance(one, nn.ReLU6) or (
                    isinstance(one, nn.Conv2d) and not isinstance(after, nn.ReLU6)
                ):
                    yield one
        elif isinstance(layers, Block) and layers.adds:
            yield layers
        elif isinstance(layers, Join):
            yield layers.clip
