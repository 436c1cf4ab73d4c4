"""A network as ONNX, whose input is the picture as it is kept: bytes, colours last."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from fruitvision.errors import TrainingError
from fruitvision.fruit.cells import CHANNELS, MULTIPLE_PX, STRIDE_PX
from fruitvision.fruit.session import INPUT, OUTPUT
from fruitvision.train.encoder import PICTURE_MIDDLE, PICTURE_SPAN
from fruitvision.train.network import FruitNetwork

if TYPE_CHECKING:
    from onnx import ModelProto

# Picture with middle 0 and span about 1, colours first: what the body of the network takes.
NORMAL = "normal"
# The last one that onnxruntime 1.20 and the exporter both know well. IR 8 goes with it.
OPSET = 18
# All that a network of ours is made of. A norm that was not folded would be slow.
OPERATORS = frozenset({"Add", "Clip", "Conv", "Relu", "Resize"})


class _Body(nn.Module):
    """The network after the picture is normalised."""

    def __init__(self, network: FruitNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, normal: Tensor) -> Tensor:
        """(1, 3, H, W) to (1, CHANNELS, H / 4, W / 4)."""
        return self.network.cells(normal)


def folded(network: FruitNetwork) -> FruitNetwork:
    """A copy whose batch norms are part of the convolutions before them."""
    network = deepcopy(network).eval()
    for layers in network.modules():
        if not isinstance(layers, nn.Sequential):
            continue
        for number in range(len(layers) - 1):
            convolution, norm = layers[number], layers[number + 1]
            if isinstance(convolution, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                layers[number] = fuse_conv_bn_eval(convolution, norm)
                layers[number + 1] = nn.Identity()
    return network


def body_of(network: FruitNetwork) -> ModelProto:
    """The network as ONNX, from `NORMAL` (1, 3, H, W) float32 to `OUTPUT`.

    Raises
    ------
    TrainingError
        If the graph holds other operators than ours.
    """
    import onnx

    with TemporaryDirectory() as folder:
        path = Path(folder) / "body.onnx"
        torch.onnx.export(
            _Body(folded(network)),
            (torch.zeros(1, 3, MULTIPLE_PX, MULTIPLE_PX),),
            path,
            input_names=[NORMAL],
            output_names=[OUTPUT],
            opset_version=OPSET,
            dynamic_axes={NORMAL: {2: "height", 3: "width"}, OUTPUT: {2: "rows", 3: "columns"}},
            # The newer exporter gives the same operators, but takes half a minute and prints.
            dynamo=False,
        )
        model = onnx.load(path)
    _tidy(model)
    odd = sorted({node.op_type for node in model.graph.node} - OPERATORS)
    if odd:
        raise TrainingError(
            f"The exported network holds {', '.join(odd)}.",
            fix="Build the network of what fruitvision.train.onnx_graph lists, or add to its list.",
        )
    return model


def _tidy(model: ModelProto) -> None:
    """Constants become initialisers, and each stands under one name where it is used.

    Quantising wants both.
    """
    graph = model.graph
    names: dict[str, str] = {}
    rest = []
    for node in list(graph.node):
        node.doc_string = ""
        for place, name in enumerate(node.input):
            node.input[place] = names.get(name, name)
        if node.op_type == "Identity":
            names[node.output[0]] = node.input[0]
        elif node.op_type == "Constant":
            graph.initializer.append(node.attribute[0].t)
            graph.initializer[-1].name = node.output[0]
        else:
            rest.append(node)
    del graph.node[:]
    graph.node.extend(rest)


def with_picture(body: ModelProto) -> ModelProto:
    """The body with `INPUT`, uint8 (1, H, W, 3), before it: float, or quantised at its input.

    (value - 127) / 128 is what a value quantised by 1 / 128 around 127 stands for, exactly. So a
    quantised body takes the picture's own bytes.

    Parameters
    ----------
    body : ModelProto
        As from `body_of`. Where `NORMAL` is quantised, it must be by that scale.
    """
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.ModelProto()
    model.CopyFrom(body)
    graph = model.graph
    quantiser = next((node for node in graph.node if node.op_type == "QuantizeLinear"), None)
    turned = helper.make_node("Transpose", [INPUT], ["planes"], name="planes", perm=[0, 3, 1, 2])
    if quantiser is not None and quantiser.input[0] == NORMAL:
        turned.output[0] = quantiser.output[0]
        graph.node.remove(quantiser)
        first = [turned]
    else:
        scale = numpy_helper.from_array(np.array(1 / PICTURE_SPAN, np.float32), "picture_scale")
        middle = numpy_helper.from_array(np.array(PICTURE_MIDDLE, np.uint8), "picture_middle")
        graph.initializer.extend([scale, middle])
        reader = helper.make_node(
            "DequantizeLinear", ["planes", scale.name, middle.name], [NORMAL], name=NORMAL
        )
        first = [turned, reader]
    rest = list(graph.node)
    del graph.node[:], graph.input[:], graph.output[:]
    graph.node.extend([*first, *rest])
    sides = ["height", "width"]
    graph.input.append(helper.make_tensor_value_info(INPUT, TensorProto.UINT8, [1, *sides, 3]))
    graph.output.append(
        helper.make_tensor_value_info(
            OUTPUT, TensorProto.FLOAT, [1, CHANNELS, *(f"{side}/{STRIDE_PX}" for side in sides)]
        )
    )
    graph.name = "fruit"
    onnx.checker.check_model(model)
    return model
