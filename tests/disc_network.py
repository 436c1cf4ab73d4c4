"""A network made by hand that reads discs exactly, and pictures of discs, to test inference with.

Red discs are fruit of this row, blue ones of a row behind. For each cell the network averages its
4 x 4 px, sums the disc in 25 x 25 cells around it (conv), and reads centre and radius from the
first moments: discs must lie farther apart than that window reaches.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper

from fruitvision.fruit.session import Network, session_of_bytes
from fruitvision.fruit.tiles import GREY

Image = NDArray[np.uint8]
Discs = list[tuple[float, float, float]]

# The ground is that of padding, so that only discs have a colour.
GROUND, RED, BLUE = (GREY, GREY, GREY), (240, 20, 20), (20, 20, 240)
# Of leaves, away from the discs: the detector asks for a tree. The network takes it for ground.
LEAF = (80, 130, 50)
RIM_PX = 17
WINDOW_CELLS = 25


def picture_of(
    width: int, height: int, discs: Discs, *, behind: Discs | None = None, zoom: int = 8
) -> Image:
    """Discs (x, y, radius, px) in grey before leaves, smooth at their rims: `zoom`² points a px."""
    image = np.full((height, width, 3), GROUND, dtype=np.uint8)
    for colour, several in ((BLUE, behind or []), (RED, discs)):
        for x, y, radius in several:
            left, top = int(x - radius) - 3, int(y - radius) - 3
            right, bottom = int(x + radius) + 4, int(y + radius) + 4
            columns = (np.arange((right - left) * zoom) + 0.5) / zoom - 0.5 + left
            rows = ((np.arange((bottom - top) * zoom) + 0.5) / zoom - 0.5 + top)[:, None]
            inside = ((columns - x) ** 2 + (rows - y) ** 2 <= radius**2).astype(np.float32)
            cover = cv2.resize(inside, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
            _blend(image, cover, (left, top), colour)
    near = cv2.dilate((image != GROUND).any(axis=2).astype(np.uint8), np.ones((RIM_PX, RIM_PX)))
    image[near == 0] = LEAF
    return image


def _blend(
    image: Image, cover: NDArray[np.generic], corner: tuple[int, int], colour: tuple[int, int, int]
) -> None:
    height, width = image.shape[:2]
    left, top = max(corner[0], 0), max(corner[1], 0)
    right = min(corner[0] + cover.shape[1], width)
    bottom = min(corner[1] + cover.shape[0], height)
    if right <= left or bottom <= top:
        return
    part = cover[top - corner[1] : bottom - corner[1], left - corner[0] : right - corner[0], None]
    window = image[top:bottom, left:right]
    image[top:bottom, left:right] = np.rint(window * (1 - part) + np.array(colour) * part)


def grid(width: int, height: int, radius: float, spacing: float, *, off: float = 0.0) -> Discs:
    """Discs side by side over a picture."""
    half = spacing / 2
    return [
        (x + off, y + off, radius)
        for y in np.arange(half, height - half / 2, spacing)
        for x in np.arange(half, width - half / 2, spacing)
    ]


def disc_model(*, heat_offset: float = 0.0) -> bytes:
    """The network as ONNX; `heat_offset` shifts the heat, as other weights would."""
    nodes, constants = [], []

    def constant(name: str, value: object, kind: type = np.float32) -> str:
        constants.append(numpy_helper.from_array(np.array(value, dtype=kind), name))
        return name

    def add(operator: str, inputs: list[str], output: str, **attributes: object) -> str:
        nodes.append(helper.make_node(operator, inputs, [output], **attributes))
        return output

    add("Cast", ["picture"], "float", to=TensorProto.FLOAT)
    add("Transpose", ["float"], "planes", perm=[0, 3, 1, 2])
    # Red less green is 220 in a red disc and 0 outside: to 1 and 0; the same for blue.
    weight = np.array([[1, -1, 0], [0, -1, 1]]).reshape(2, 3, 1, 1) / 220
    add("Conv", ["planes", constant("colour", weight)], "soft")
    add("Clip", ["soft", constant("zero", 0.0), constant("one", 1.0)], "clipped")
    add("AveragePool", ["clipped"], "share2", kernel_shape=[4, 4], strides=[4, 4])
    add("ReduceMax", ["share2", constant("axis1", [1], np.int64)], "share", keepdims=1)
    half = WINDOW_CELLS // 2
    offsets = np.arange(-half, half + 1, dtype=float)
    ones = np.ones((WINDOW_CELLS, WINDOW_CELLS))
    moments = np.stack([ones, ones * offsets, ones * offsets[:, None]])[:, None]
    add("Conv", ["share", constant("moments", moments)], "sums", pads=[half] * 4)
    add("Split", ["sums"], "area", axis=1, num_outputs=3)
    nodes[-1].output.extend(["moment_x", "moment_y"])
    add("Max", ["area", constant("least_area", 0.05)], "some_area")
    add("Div", ["moment_x", "some_area"], "x")
    add("Div", ["moment_y", "some_area"], "y")
    add("Div", ["some_area", constant("pi", np.pi)], "square")
    add("Sqrt", ["square"], "radius")
    add("Log", ["radius"], "size")
    for name, operator, along in (
        ("left", "Sub", "x"),
        ("top", "Sub", "y"),
        ("right", "Add", "x"),
        ("bottom", "Add", "y"),
    ):
        add(operator, ["radius", along], f"{name}_raw")
        add("Max", [f"{name}_raw", constant(f"{name}_least", 0.1)], f"{name}_some")
        add("Log", [f"{name}_some"], name)
    # Heat: 6 within a disc and -6 outside, and a little more the nearer to its centre.
    add("Mul", ["x", "x"], "xx")
    add("Mul", ["y", "y"], "yy")
    add("Add", ["xx", "yy"], "apart")
    add("Mul", ["apart", constant("tilt", 0.2)], "fall")
    add("Mul", ["share2", constant("gain", 12.0)], "gained")
    add("Sub", ["gained", constant("middle", 6.0 - heat_offset)], "flat")
    add("Sub", ["flat", "fall"], "heat")
    add("Mul", ["share", constant("gain1", 12.0)], "gained1")
    add("Sub", ["gained1", constant("middle1", 6.0)], "pixel")
    add("Mul", ["share", constant("nothing", 0.0)], "nil")
    add("Add", ["nil", constant("sure", 3.0)], "visible")
    parts = ["heat", "left", "top", "right", "bottom", "x", "y", "size", "nil", "nil"]
    add("Concat", [*parts, "visible", "pixel", "x", "y"], "cells", axis=1)
    graph = helper.make_graph(
        nodes,
        "discs",
        [helper.make_tensor_value_info("picture", TensorProto.UINT8, [1, "h", "w", 3])],
        [helper.make_tensor_value_info("cells", TensorProto.FLOAT, [1, 15, "h4", "w4"])],
        constants,
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 18)])
    model.ir_version = 9
    onnx.checker.check_model(model)
    return model.SerializeToString()


PROBE = picture_of(96, 64, [(40, 30, 18)])

CARD = """
name = "{name}"
version = "{version}"
licence = "Apache-2.0"
source = "drawn by hand"
trained_on = "nothing"
intended_use = "tests"
known_limits = "Finds discs only."
default_weights = "float"
fruit_width_px = 44.0
mm_per_px = 1.6
score_threshold = 0.5
most_overlap = 0.5
count_error = 0.06

[calibration]
slope = 1.0
offset = 0.0

[weights.float]
file = "model.onnx"
sha256 = "{float_sha256}"
probe_tolerance = 0.01

[weights.int8]
file = "model.int8.onnx"
sha256 = "{int8_sha256}"
probe_tolerance = 0.01

[probe]
file = "probe.npz"
sha256 = "{probe_sha256}"

[[figures]]
what = "F1"
value = "0.91"
on = "drawn discs"
date = "2026-11-20"
"""


def write_model(
    models: Path, *, name: str = "learned", version: str = "1", probe_error: float = 0.0
) -> Path:
    """A complete folder of a version: card, two networks, probe. `int8` has its heat 1 lower."""
    folder = models / name / version
    folder.mkdir(parents=True)
    content = {"float": disc_model(), "int8": disc_model(heat_offset=-1.0)}
    cells = {
        f"cells_{kind}": Network(session_of_bytes(model, threads=1)).cells(PROBE) + probe_error
        for kind, model in content.items()
    }
    (folder / "model.onnx").write_bytes(content["float"])
    (folder / "model.int8.onnx").write_bytes(content["int8"])
    np.savez(folder / "probe.npz", picture=PROBE, **cells)
    sha256 = {
        f"{kind}_sha256": hashlib.sha256((folder / file).read_bytes()).hexdigest()
        for kind, file in (
            ("float", "model.onnx"),
            ("int8", "model.int8.onnx"),
            ("probe", "probe.npz"),
        )
    }
    (folder / "card.toml").write_text(CARD.format(name=name, version=version, **sha256))
    return folder
