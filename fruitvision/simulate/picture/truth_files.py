"""The truth of many photos as files: COCO JSON and two CSVs."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from fruitvision.simulate.picture.truth import PhotoTruth

COCO_FILE, PHOTO_FILE, MARKER_FILE = "truth_coco.json", "truth_photos.csv", "truth_markers.csv"


def write_truth(truths: Iterable[PhotoTruth], folder: Path) -> tuple[Path, ...]:
    """Write `COCO_FILE`, `PHOTO_FILE` and `MARKER_FILE`; photos in the order given."""
    raise NotImplementedError
