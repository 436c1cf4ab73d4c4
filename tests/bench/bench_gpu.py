"""Photos a second on a computer with a GPU, and what bounds them. Run by hand.

FRUITVISION_DEVICE=cuda python -m tests.bench.bench_gpu PHOTO...

The photos are enlarged to 12 megapixels first. Then: the network alone, in batches of several
sizes; whole photos with several numbers of worker processes, on the GPU and on the processor. Each
worker decodes, finds markers and draws outlines by itself while others use the GPU, so decoding
waits for nobody. Outside the timing each way measures some photos first, so that processes and
network are there.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from resource import RUSAGE_CHILDREN, RUSAGE_SELF, getrusage
from time import perf_counter

import cv2
import numpy as np

from fruitvision.batch import for_each_photo
from fruitvision.cores import cores_available
from fruitvision.errors import FruitVisionError
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.pipeline.device import DEVICE_VARIABLE
from fruitvision.pipeline.photos import HowToMeasure
from fruitvision.settings import Settings
from fruitvision.share import shared_folder

# A phone's photo of 12 megapixels, px.
HEIGHT_PX, WIDTH_PX, QUALITY = 4000, 3000, 90
# What a face of a row comes to at the network's scale, px.
NETWORK_PX = (1344, 832)
BATCHES = (1, 2, 4, 8, 16, 32)
ROUNDS = 20
# Photos of each timing, for every worker.
EACH = 16


def main(paths: Sequence[Path]) -> int:
    """Print both tables."""
    device = os.environ.get(DEVICE_VARIABLE, "cpu")
    if device == "cuda":
        sys.stdout.write("\n".join(_network_lines()) + "\n\n")
    with tempfile.TemporaryDirectory() as folder:
        large = _enlarged(paths, Path(folder))
        sys.stdout.write("device  workers  photos/s  processor s a photo\n")
        for name in dict.fromkeys((device, "cpu")):
            os.environ[DEVICE_VARIABLE] = name
            for workers in _numbers():
                sys.stdout.write(_line(name, large, workers) + "\n")
                sys.stdout.flush()
    return 0


def _numbers() -> Iterator[int]:
    """1, 2, 4, ... up to one worker a core."""
    number, cores = 1, cores_available()
    while number < cores:
        yield number
        number *= 2
    yield cores


def _enlarged(paths: Sequence[Path], folder: Path) -> list[Path]:
    made = []
    for path in paths:
        small = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if small is None:
            raise SystemExit(f"{path} is no picture.")
        large = cv2.resize(small, (WIDTH_PX, HEIGHT_PX), interpolation=cv2.INTER_CUBIC)
        made.append(folder / f"{path.stem}-{len(made)}.jpg")
        cv2.imwrite(str(made[-1]), large, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return made


def _line(device: str, paths: Sequence[Path], workers: int) -> str:
    """How fast so many workers are, from the photo after the first of each to the last."""
    wanted = workers * (EACH + 1)
    chosen = [paths[number % len(paths)] for number in range(wanted)]
    how = HowToMeasure(detector_name=DEFAULT_DETECTOR, settings=Settings(), lenses=())
    used = _processor_s()
    begun = 0.0
    measured = for_each_photo(chosen, how.with_(), workers=workers)
    for done, (_, result) in enumerate(measured, start=1):
        if isinstance(result, FruitVisionError):
            raise result
        if done == workers:
            begun = perf_counter()
    rate = (wanted - workers) / (perf_counter() - begun)
    return f"{device:6s}  {workers:7d}  {rate:8.2f}  {(_processor_s() - used) / wanted:19.2f}"


def _processor_s() -> float:
    every = (getrusage(RUSAGE_SELF), getrusage(RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in every)


def _network_lines() -> Iterator[str]:
    from fruitvision.train.accelerated import accelerated

    network = accelerated((shared_folder("models") / "learned" / "2" / "model.onnx").read_bytes())
    picture = np.random.default_rng(1).integers(0, 255, (*NETWORK_PX, 3), np.uint8)
    yield f"network alone, {NETWORK_PX[0]} x {NETWORK_PX[1]} px: batch, pictures/s"
    for batch in BATCHES:
        pictures = [picture] * batch
        network.cells_of(pictures)
        begun = perf_counter()
        for _ in range(ROUNDS):
            network.cells_of(pictures)
        yield f"{batch:5d}  {ROUNDS * batch / (perf_counter() - begun):8.1f}"


if __name__ == "__main__":
    raise SystemExit(main([Path(one) for one in sys.argv[1:]]))
