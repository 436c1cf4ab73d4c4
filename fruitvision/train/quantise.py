"""The network in whole numbers of eight bits: smaller, and faster on ordinary processors.

Static quantisation with a step per channel of the weights (Jacob et al. 2018, arXiv:1712.05877;
Krishnamoorthi 2018, arXiv:1806.08342).
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from math import ceil
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import TrainingError
from fruitvision.fruit.cells import MULTIPLE_PX, Cells
from fruitvision.fruit.session import INPUT, OUTPUT
from fruitvision.train.encoder import PICTURE_MIDDLE, PICTURE_SPAN
from fruitvision.train.onnx_graph import NORMAL
from fruitvision.train.pack import HANGING_FRUIT, Pack

if TYPE_CHECKING:
    from onnx import ModelProto

Image = NDArray[np.uint8]

# Pictures that set the steps, and their longest side. Our choice: ranges hardly grow beyond.
MOST_PICTURES = 48
LONGEST_PX = 832

# Layers that stay in float, by their names in the graph: the first ones see few channels of large
# maps, where eight bits cost the most and gain nothing, and so do the last ones. Measured on
# version 2, 1344 x 832 px: with all in eight bits heat of fruit is off by 0.18 in the logit, with
# these in float by 0.10, in the same time; with the second stage too by 0.08, in 1.15 times that.
IN_FLOAT = ("/stem/", "/stages.0/", "/join4/", "/head/")


def calibration_pictures(pack: Pack, fruit_px: float) -> list[Image]:
    """Middle parts of pictures spread over a pack, their usual fruit `fruit_px` wide.

    Raises
    ------
    TrainingError
        If the pack is empty.
    """
    chosen = range(0, len(pack), ceil(len(pack) / MOST_PICTURES) if len(pack) else 1)
    if not chosen:
        raise TrainingError(f"The pack {pack.folder} is empty.", fix="Give another one.")
    return [_middle(pack, index, fruit_px) for index in chosen]


def _middle(pack: Pack, index: int, fruit_px: float) -> Image:
    picture = pack.read_picture(index)
    fruit = pack.fruit_of(index)
    usual = fruit.box[(fruit.row == 0) & ~fruit.ignore & (fruit.kind == HANGING_FRUIT)]
    zoom = fruit_px / float(np.median((usual[:, 2:] - usual[:, :2]).max(1))) if len(usual) else 1.0
    how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_LINEAR
    picture = np.asarray(cv2.resize(picture, None, fx=zoom, fy=zoom, interpolation=how), np.uint8)
    height, width = (
        max(min(side, LONGEST_PX) // MULTIPLE_PX * MULTIPLE_PX, MULTIPLE_PX)
        for side in picture.shape[:2]
    )
    top, left = max(picture.shape[0] - height, 0) // 2, max(picture.shape[1] - width, 0) // 2
    part = picture[top : top + height, left : left + width]
    down, across = height - part.shape[0], width - part.shape[1]
    return np.pad(part, ((0, down), (0, across), (0, 0)), mode="edge")


def quantised(
    body: ModelProto, pictures: Sequence[Image], *, in_float: Sequence[str] = IN_FLOAT
) -> ModelProto:
    """A body (`onnx_graph.body_of`) in eight bits, but for some layers and its last convolution.

    That one gives logits, lengths and votes at once, whose ranges differ too much for one step.
    Weights keep to seven bits: processors without eight-bit dot products overflow otherwise, and
    would give other results than those with them. Measured on one (AVX2): eight bits err 2.4 times
    as much as seven there, though half as much elsewhere; unsigned weights are exact but 8 times
    slower; percentiles instead of extremes change nothing.

    Parameters
    ----------
    pictures : sequence of (H, W, 3) uint8
        Set the ranges of what flows between layers.
    in_float : sequence of str
        Parts of the names of layers that stay as they are.
    """
    import onnx
    from onnxruntime import quantization

    last = [node.name for node in body.graph.node if node.op_type == "Conv"][-1]
    first = [node.name for node in body.graph.node if any(part in node.name for part in in_float)]
    # Of the picture's own bytes.
    input_step = {
        "scale": np.array(1 / PICTURE_SPAN, np.float32),
        "zero_point": np.array(PICTURE_MIDDLE, np.uint8),
    }
    with TemporaryDirectory() as folder, _without_advice():
        whole, small = Path(folder) / "whole.onnx", Path(folder) / "small.onnx"
        onnx.save(body, whole)
        quantization.quantize_static(
            whole,
            small,
            _reader(pictures),
            quant_format=quantization.QuantFormat.QDQ,
            per_channel=True,
            reduce_range=True,
            activation_type=quantization.QuantType.QUInt8,
            weight_type=quantization.QuantType.QInt8,
            nodes_to_exclude=[*first, last],
            calibrate_method=quantization.CalibrationMethod.MinMax,
            extra_options={"TensorQuantOverrides": {NORMAL: [input_step]}},
        )
        return onnx.load(small)


def _reader(pictures: Sequence[Image]) -> Any:
    from onnxruntime.quantization import CalibrationDataReader

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self.left = iter(pictures)

        def get_next(self) -> dict[str, NDArray[np.float32]] | None:
            picture = next(self.left, None)
            if picture is None:
                return None
            normal = (picture.astype(np.float32) - PICTURE_MIDDLE) / PICTURE_SPAN
            return {NORMAL: np.ascontiguousarray(normal.transpose(2, 0, 1)[None], np.float32)}

    return Reader()


@contextmanager
def _without_advice() -> Iterator[None]:
    """The quantiser recommends on the root logger what does not apply: nothing is left to fold."""
    before = logging.root.manager.disable
    logging.disable(logging.WARNING)
    try:
        yield
    finally:
        logging.disable(before)


def run_in_float(content: bytes, picture: Image) -> Cells:
    """Cells of a quantised network whose steps are all carried out in float."""
    import onnxruntime

    options: Any = onnxruntime.SessionOptions()
    options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
    (cells,) = session.run([OUTPUT], {INPUT: picture[None]})
    return np.asarray(cells[0], dtype=np.float32)
