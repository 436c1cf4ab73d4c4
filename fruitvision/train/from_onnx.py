"""A network to train on from one that was shipped: the numbers of its ONNX file, put into torch.

An exported network has its batch norms folded into its convolutions. So has this one: it learns
without them, and what it gives for one picture never depends on the others of a batch.
"""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from fruitvision.errors import TrainingError
from fruitvision.fruit.cells import CHANNELS
from fruitvision.fruit.model_card import largest_difference
from fruitvision.fruit.session import Network, session_of_bytes
from fruitvision.train.encoder import STAGES, Encoder
from fruitvision.train.export import SAME, cells_of
from fruitvision.train.network import FruitNetwork
from fruitvision.train.onnx_graph import folded
from fruitvision.train.probe import odd_picture, probe_picture

Array = NDArray[np.float32]

# Convolutions of the decoder's three joins, four each, and of the output; the head's come in twos.
_JOIN, _JOINS, _OUT = 4, 3, 1
_OTHER = "Train on a network that fruitvision train made, in its own precision."


def network_from(content: bytes) -> FruitNetwork:
    """The network of an ONNX file, proved to give the same cells.

    Parameters
    ----------
    content : bytes
        As `fruitvision train export` writes it, not the one of eight bits.

    Raises
    ------
    TrainingError
        If it is another network, or gives other cells in torch.
    """
    found = _convolutions(content)
    network = next((made for name in STAGES if (made := _built(name, found)) is not None), None)
    if network is None:
        raise TrainingError("The detector holds other layers than ours.", fix=_OTHER)
    for picture in (probe_picture(), odd_picture()):
        onnx_cells = Network(session_of_bytes(content, threads=1)).cells(picture)
        off = largest_difference(cells_of(network, picture), onnx_cells)
        if not off <= SAME:
            raise TrainingError(
                f"The detector gives other cells in torch: off by {off:.3g}, at most {SAME} is "
                "right.",
                fix=_OTHER,
            )
    return network


def _convolutions(content: bytes) -> list[tuple[Array, Array]]:
    """Weights and offsets of all convolutions, in the order in which they are made."""
    import onnx
    from google.protobuf.message import DecodeError
    from onnx import numpy_helper

    try:
        graph = onnx.load_from_string(content).graph
    except DecodeError as err:
        raise TrainingError("The detector's file is no ONNX.", fix=_OTHER) from err
    arrays = {one.name: numpy_helper.to_array(one) for one in graph.initializer}
    found = []
    for node in graph.node:
        if node.op_type == "Conv":
            if len(node.input) != 3 or not set(node.input[1:]) <= set(arrays):
                raise TrainingError("The detector holds other layers than ours.", fix=_OTHER)
            weights, offsets = (np.array(arrays[name], np.float32) for name in node.input[1:])
            found.append((weights, offsets))
    return found


def _built(encoder: str, found: list[tuple[Array, Array]]) -> FruitNetwork | None:
    """A network with this encoder and these numbers; None if they do not fit."""
    encodes = sum(isinstance(one, nn.Conv2d) for one in Encoder(encoder).modules())
    head, odd = divmod(len(found) - encodes - _JOIN * _JOINS - _OUT, 2)
    if head < 0 or odd or found[-1][0].shape[0] != CHANNELS:
        return None
    first, second, third = (len(found[encodes + _JOIN * join][1]) for join in range(_JOINS))
    network = folded(FruitNetwork((first, second, third), head, encoder))
    layers = [one for one in network.modules() if isinstance(one, nn.Conv2d)]
    for layer, (weights, offsets) in zip(layers, found, strict=True):
        if tuple(layer.weight.shape) != weights.shape or layer.bias is None:
            return None
        with torch.no_grad():
            layer.weight.copy_(torch.from_numpy(weights))
            layer.bias.copy_(torch.from_numpy(offsets))
    return network.requires_grad_(True)
