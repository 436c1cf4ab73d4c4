"""A detector over photos whose truth is known, one photo after the other."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Photo
from fruitvision.errors import FruitVisionError, PhotoUnreadable, ScaleRefused
from fruitvision.evaluate.gaps import in_gaps
from fruitvision.evaluate.matching import OVERLAPS, Matches, match, overlaps_of
from fruitvision.evaluate.outlines import OutlineResult, outline_result
from fruitvision.evaluate.truth import TruthPhoto
from fruitvision.fruit.detector import Detections, Detector, Image
from fruitvision.photo import read_photo
from fruitvision.reference import find_references, sheet_px
from fruitvision.scale import scale_from_references
from fruitvision.settings import Settings

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class PhotoResult:
    """What a detector made of one photo.

    Parameters
    ----------
    truth : TruthPhoto
    boxes : (N, 4) float
        Of all candidates of this row: left, top, right, bottom, px, counted at edges of pixels.
    scores : (N,) float
    sure : (N,) bool
        Those that `detect` gives, the others are candidates below its threshold.
    matches : dict of Matches
        At each of OVERLAPS.
    outlines : OutlineResult or None
        None if the truth has no outlines.
    mm_per_px : float or None
        The scale that the detector was told, from a marker in the photo.
    seconds : float
        That `detect` took.
    """

    truth: TruthPhoto
    boxes: Floats
    scores: Floats
    sure: Flags
    matches: dict[float, Matches]
    outlines: OutlineResult | None
    mm_per_px: float | None
    seconds: float


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A photo that could not be used, while the rest went on."""

    name: str
    what: str
    fix: str

    def __str__(self) -> str:
        return f"{self.name}: {self.what} {self.fix}"


@dataclass(frozen=True, slots=True)
class Looking:
    """How photos are looked at.

    `scale` : tell the detector the scale of a marker in the photo; `side_mm` : the marker's side;
    `empty_photos` : photos without annotations have no fruit, else they are left out.
    """

    scale: bool = True
    side_mm: float = Settings().printed_side_mm
    empty_photos: bool = False


def evaluate(
    detector: Detector,
    photos: Sequence[TruthPhoto],
    folder: Path,
    *,
    looking: Looking,
    on_progress: Progress,
) -> tuple[tuple[PhotoResult, ...], tuple[LeftOut, ...]]:
    """Results of all photos that can be used, and why the others can't.

    Parameters
    ----------
    detector : Detector
    photos : sequence of TruthPhoto
    folder : Path
        Where the photos are.
    looking : Looking
    on_progress : callable
        Called with the number done and the number of all.
    """
    results: list[PhotoResult] = []
    left_out: list[LeftOut] = []
    for done, truth in enumerate(photos, start=1):
        try:
            results.append(_of_photo(detector, truth, folder, looking))
        except FruitVisionError as err:
            left_out.append(LeftOut(name=truth.name, what=err.what, fix=err.fix))
        on_progress(done, len(photos))
    return tuple(results), tuple(left_out)


def photo_path(folder: Path, name: str) -> Path:
    """Where a photo is: as the COCO file names it, or straight in the folder.

    Raises
    ------
    PhotoUnreadable
        If it is in neither place.
    """
    for path in (folder / name, folder / Path(name).name):
        if path.is_file():
            return path
    raise PhotoUnreadable(
        f"It is not in {folder}.", fix="Name the folder that its name in the COCO file starts from."
    )


def _of_photo(detector: Detector, truth: TruthPhoto, folder: Path, looking: Looking) -> PhotoResult:
    path = photo_path(folder, truth.name)
    if not truth.labelled and not looking.empty_photos:
        raise PhotoUnreadable(
            "It has no annotations.",
            fix="Annotate it; if it shows no fruit, add --empty-photos.",
        )
    image, photo = read_photo(path)
    return photo_result(detector, truth, image, photo, looking)


def photo_result(
    detector: Detector, truth: TruthPhoto, image: Image, photo: Photo, looking: Looking
) -> PhotoResult:
    """What a detector makes of one picture, against its truth.

    A marker gives the scale and hides its sheet, as in the whole job. Fruit of a row behind are not
    counted, and what lies in a gap of the picture is left out.
    """
    references = find_references(image, photo, side_mm=looking.side_mm) if looking.scale else ()
    try:
        scale, _ = scale_from_references(references, photo)
    except ScaleRefused:
        scale = None
    mm_per_px = scale.mm_per_px if scale else None
    sheets = [sheet_px(reference) for reference in references]
    start = time.perf_counter()
    found = detector.detect(image, mm_per_px=mm_per_px)
    seconds = time.perf_counter() - start
    sure = _seen(found.outside(sheets), image, truth)
    candidates = detector.detect_all(image, mm_per_px=mm_per_px).outside(sheets)
    unsure = _seen(candidates.take(candidates.scores < threshold_of(detector)), image, truth)
    near = [one.take(one.on_this_row) for one in (sure, unsure)]
    boxes = np.concatenate([_at_edges(one) for one in near])
    scores = np.concatenate([one.scores for one in near])
    overlap = overlaps_of(boxes, truth.boxes, truth.crowd)
    return PhotoResult(
        truth=truth,
        boxes=boxes,
        scores=scores,
        sure=np.arange(len(scores)) < len(near[0]),
        matches={
            least: match(overlap, scores, truth.ignored, truth.crowd, least_overlap=least)
            for least in OVERLAPS
        },
        outlines=outline_result(sure, _at_edges(sure), truth),
        mm_per_px=mm_per_px,
        seconds=seconds,
    )


def threshold_of(detector: Detector) -> float:
    """Lowest score that counts as fruit; 0 for a detector that has no `threshold`."""
    return float(getattr(detector, "threshold", 0.0))


def _seen(found: Detections, image: Image, truth: TruthPhoto) -> Detections:
    return found.take(~in_gaps(image, _at_edges(found), truth.gaps))


def _at_edges(found: Detections) -> Floats:
    """Boxes as COCO counts them: 0 is the left edge of the first pixel, not its centre."""
    return np.asarray(found.boxes + 0.5, dtype=np.float64)
