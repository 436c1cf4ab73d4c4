"""A detector whose finds are kept in a folder, so that what follows it can be tried again fast."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.detector import Detections, Detector, Image
from fruitvision.whole_file import write_whole


@dataclass(frozen=True, slots=True)
class KeptDetector:
    """Another detector that looks at every picture once.

    `folder` : one file per picture, detector, version and scale; made if it is not there.
    """

    detector: Detector
    folder: Path

    @property
    def name(self) -> str:
        """Of the other."""
        return self.detector.name

    @property
    def version(self) -> str:
        """Of the other."""
        return self.detector.version

    @property
    def limits(self) -> str:
        """Of the other."""
        return self.detector.limits

    @property
    def count_error(self) -> float:
        """Of the other."""
        return self.detector.count_error

    @property
    def facts(self) -> tuple[str, ...]:
        """Of the other."""
        return self.detector.facts

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """What the other found in this very picture, now or before."""
        path = self.folder / f"{self._key(image, mm_per_px)}.npz"
        if path.is_file():
            return detections_from(path.read_bytes())
        found = self.detector.detect(image, mm_per_px=mm_per_px)
        self.folder.mkdir(parents=True, exist_ok=True)
        write_whole(path, bytes_of(found))
        return found

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """All candidates; not kept."""
        return self.detector.detect_all(image, mm_per_px=mm_per_px)

    def _key(self, image: Image, mm_per_px: float | None) -> str:
        about = f"{self.name} {self.version} {image.shape} {mm_per_px!r}"
        digest = hashlib.sha256(about.encode())
        digest.update(np.ascontiguousarray(image).data)
        return digest.hexdigest()[:32]


def bytes_of(found: Detections) -> bytes:
    """Detections as the bytes of an .npz file without pickled objects."""
    shapes = np.array([mask.shape for mask in found.masks], dtype=np.int64).reshape(-1, 2)
    flat = [mask.ravel() for mask in found.masks]
    pixels = np.concatenate(flat) if flat else np.zeros(0, dtype=np.bool_)
    stream = BytesIO()
    np.savez_compressed(
        stream,
        outlines=found.outlines,
        mask_origins=found.mask_origins,
        visible_shares=found.visible_shares,
        scores=found.scores,
        on_this_row=found.on_this_row,
        boxes=found.boxes,
        mask_shapes=shapes,
        mask_pixels=np.packbits(pixels),
    )
    return stream.getvalue()


def detections_from(content: bytes) -> Detections:
    """The inverse of `bytes_of`."""
    with np.load(BytesIO(content), allow_pickle=False) as kept:
        shapes = kept["mask_shapes"]
        sizes = shapes.prod(axis=1)
        pixels = np.unpackbits(kept["mask_pixels"], count=int(sizes.sum())).astype(np.bool_)
        return Detections(
            outlines=kept["outlines"],
            masks=_masks(pixels, shapes, sizes),
            mask_origins=kept["mask_origins"],
            visible_shares=kept["visible_shares"],
            scores=kept["scores"],
            on_this_row=kept["on_this_row"],
            boxes=kept["boxes"],
        )


def _masks(
    pixels: NDArray[np.bool_], shapes: NDArray[np.int64], sizes: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], ...]:
    parts = np.split(pixels, np.cumsum(sizes)[:-1]) if len(shapes) else []
    return tuple(
        part.reshape(int(height), int(width))
        for part, (height, width) in zip(parts, shapes, strict=True)
    )
