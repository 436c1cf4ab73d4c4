"""Two general-purpose detectors with the detector interface, to compare with.

Their weights are no part of this project; the folder that holds them is an argument. Both know the
80 classes of COCO; apple, orange and sports ball are taken for fruit, whichever it is. Fruit in
row photos are small, so a photo is cut into overlapping tiles, each made half as large.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from itertools import product
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import DetectorUnknown
from fruitvision.fruit.cells import drop_duplicates
from fruitvision.fruit.detector import Detections, Detector, Image, no_fruit
from fruitvision.fruit.visible import inside_outline

Floats = NDArray[np.float64]

# What their notes say works best: tiles of 832 px made 416, 112 px common to neighbours, boxes of
# one fruit dropped from an overlap of 0.5 on.
TILE_PX, INPUT_PX, COMMON_PX = 832, 416, 112
MOST_OVERLAP = 0.5
# Sports ball, apple, orange in the order of COCO's 80 classes.
FRUIT_LIKE = (32, 47, 49)
# Grey that fills a tile beyond the photo, as in their training (common practice).
FILL = 114
# Lower ones are noise by the thousand. Our choice.
LEAST_SCORE = 0.05


class TiledDetector(ABC):
    """Tiles in, detections out; what a network does with one tile is left to each peer."""

    name: str
    threshold: float
    version = "1"
    limits = "Knows apples as things on a table, not as a crop."
    # The picture that was looked at last, and all that was found in it: it is asked for twice.
    _last: tuple[Image, Detections] | None = None

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """Fruit at or above the threshold; the scale is not used."""
        everything = self.detect_all(image, mm_per_px=mm_per_px)
        return everything.take(everything.scores >= self.threshold)

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """All boxes from a low score on."""
        if self._last is not None and self._last[0] is image:
            return self._last[1]
        found = [self._in_tile(image, *corner) for corner in tile_corners(image.shape)]
        boxes = np.concatenate([one[0] for one in found])
        scores = np.concatenate([one[1] for one in found])
        self._last = (image, as_detections(image, boxes, scores))
        return self._last[1]

    def _in_tile(self, image: Image, left: int, top: int) -> tuple[Floats, Floats]:
        part = image[top : top + TILE_PX, left : left + TILE_PX]
        tile = np.full((TILE_PX, TILE_PX, 3), FILL, dtype=np.uint8)
        tile[: part.shape[0], : part.shape[1]] = part
        small = cv2.resize(tile, (INPUT_PX, INPUT_PX), interpolation=cv2.INTER_AREA)
        boxes, scores = self.run(np.ascontiguousarray(small[..., ::-1]))
        keep = scores >= LEAST_SCORE
        boxes = boxes[keep] * (TILE_PX / INPUT_PX) + np.array([left, top, left, top])
        return boxes, scores[keep]

    @abstractmethod
    def run(self, bgr: Image) -> tuple[Floats, Floats]:
        """Boxes (N, 4) left, top, right, bottom and scores (N,) of an (416, 416, 3) BGR tile."""


def tile_corners(shape: tuple[int, ...]) -> list[tuple[int, int]]:
    """Left and top of each tile; the last ones end with the photo."""
    starts = []
    for side in (shape[1], shape[0]):
        last = max(0, side - TILE_PX)
        starts.append([*range(0, last, TILE_PX - COMMON_PX), last])
    return list(product(*starts))


def as_detections(image: Image, boxes: Floats, scores: Floats) -> Detections:
    """One detection a fruit; the outline is the ellipse in the box, all of it seen."""
    height, width = image.shape[:2]
    boxes = np.clip(boxes, 0, np.array([width, height, width, height]))
    real = (boxes[:, 2:] - boxes[:, :2] > 1).all(axis=1)
    boxes, scores = boxes[real], scores[real]
    kept = drop_duplicates(boxes, scores, most_overlap=MOST_OVERLAP)
    if not len(kept):
        return no_fruit()
    boxes, scores = boxes[kept] - 0.5, scores[kept]
    sides = boxes[:, 2:] - boxes[:, :2]
    upright = np.where(sides[:, 1] > sides[:, 0], 90.0, 0.0)
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2
    outlines = np.column_stack([middles, sides.max(axis=1), sides.min(axis=1), upright])
    windows = [inside_outline(outline, width, height) for outline in outlines]
    return Detections(
        outlines=outlines,
        masks=tuple(mask for mask, _ in windows),
        mask_origins=np.array([origin for _, origin in windows]),
        visible_shares=np.ones(len(boxes)),
        scores=scores,
        on_this_row=np.ones(len(boxes), dtype=np.bool_),
        boxes=boxes,
    )


def grid_cells(strides: tuple[int, ...]) -> tuple[Floats, Floats]:
    """(N, 2) column and row of every cell of every grid, row by row, and (N,) its stride."""
    cells, sizes = [], []
    for stride in strides:
        side = -(-INPUT_PX // stride)
        rows, columns = np.divmod(np.arange(side * side), side)
        cells.append(np.column_stack([columns, rows]).astype(np.float64))
        sizes.append(np.full(side * side, float(stride)))
    return np.concatenate(cells), np.concatenate(sizes)


class YoloxNano(TiledDetector):
    """YOLOX-nano, 0.9 million parameters, through onnxruntime."""

    name = "yolox-nano"
    # Best F1 on seven train photos of the open row photos.
    threshold = 0.28

    def __init__(self, weights: Path, threads: int) -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        self._session = onnxruntime.InferenceSession(
            str(weights), options, providers=["CPUExecutionProvider"]
        )
        self._cells, self._strides = grid_cells((8, 16, 32))

    def run(self, bgr: Image) -> tuple[Floats, Floats]:
        """See TiledDetector."""
        planes = bgr.transpose(2, 0, 1)[None].astype(np.float32)
        out = self._session.run(None, {"images": planes})[0][0].astype(np.float64)
        middles = (out[:, :2] + self._cells) * self._strides[:, None]
        sides = np.exp(out[:, 2:4]) * self._strides[:, None]
        scores = out[:, 4] * out[:, [5 + kind for kind in FRUIT_LIKE]].max(axis=1)
        return np.column_stack([middles - sides / 2, middles + sides / 2]), scores


class NanodetPlus(TiledDetector):
    """NanoDet-Plus-m, 1.2 million parameters, through ncnn."""

    name = "nanodet-plus-m"
    # Best F1 on seven train photos of the open row photos.
    threshold = 0.28
    # Of ImageNet in BGR, and one over its standard deviations, as it was trained.
    _mean = (103.53, 116.28, 123.675)
    _scale = (0.017429, 0.017507, 0.017125)
    _classes, _bins = 80, 8

    def __init__(self, weights: Path, threads: int) -> None:
        import ncnn

        self._ncnn = ncnn
        self._net = ncnn.Net()
        self._net.opt.num_threads = threads
        self._net.load_param(str(weights.with_suffix(".param")))
        self._net.load_model(str(weights))
        self._cells, self._strides = grid_cells((8, 16, 32, 64))

    def run(self, bgr: Image) -> tuple[Floats, Floats]:
        """See TiledDetector."""
        pixels = self._ncnn.Mat.PixelType.PIXEL_BGR
        tile = self._ncnn.Mat.from_pixels(bgr, pixels, INPUT_PX, INPUT_PX).clone()
        tile.substract_mean_normalize(self._mean, self._scale)
        with self._net.create_extractor() as extractor:
            extractor.input("data", tile)
            # Copied while the extractor lives: its memory goes with it.
            out = np.array(extractor.extract("output")[1]).astype(np.float64)
        scores = out[:, list(FRUIT_LIKE)].max(axis=1)
        bins = out[:, self._classes :].reshape(-1, 4, self._bins)
        chances = np.exp(bins - bins.max(axis=2, keepdims=True))
        chances /= chances.sum(axis=2, keepdims=True)
        reach = chances @ np.arange(self._bins) * self._strides[:, None]
        middles = self._cells * self._strides[:, None]
        return np.column_stack([middles - reach[:, :2], middles + reach[:, 2:]]), scores


# File of the weights, class, and the library that it needs.
PEERS = (
    ("yolox_nano.onnx", YoloxNano, "onnxruntime"),
    ("nanodet-plus-m_416.bin", NanodetPlus, "ncnn"),
)


def load_peers(folder: Path, threads: int) -> tuple[list[Detector], list[DetectorUnknown]]:
    """Those that can be loaded, and why the others can't."""
    loaded: list[Detector] = []
    missing: list[DetectorUnknown] = []
    for file, peer, library in PEERS:
        if not (folder / file).is_file():
            missing.append(DetectorUnknown(f"{folder} has no {file}.", fix="Put it there."))
            continue
        try:
            loaded.append(peer(folder / file, threads))
        except ImportError:
            missing.append(
                DetectorUnknown(f"{file} needs {library}.", fix=f"Run: pip install {library}.")
            )
    return loaded, missing
