"""The real job over photos whose fruit are known: the work of `bench sizing`."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from fruitvision.batch import for_each_photo
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.evaluate.kept import KeptDetector
from fruitvision.evaluate.sizing import TRUTH_FILE, SizedPhoto, read_sizing_truth, sized_photo
from fruitvision.fruit.detector import Detector, choose_detector
from fruitvision.pipeline.photos import Refused, measure_photo
from fruitvision.settings import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingWork:
    """How photos are measured.

    `keep` : folder where finds of the detector are kept from one run to the next, or None.
    """

    detector: str
    settings: Settings
    keep: Path | None = None
    workers: int = 1


def sizing_folders(folder: Path) -> tuple[Path, ...]:
    """The folder itself if it has truth, else those in it that have, by name.

    Raises
    ------
    FieldDataError
        If none has.
    """
    if (folder / TRUTH_FILE).is_file():
        return (folder,)
    found = tuple(sorted(path.parent for path in folder.glob(f"*/{TRUTH_FILE}")))
    if not found:
        raise FieldDataError(
            f"Neither {folder} nor a folder in it has {TRUTH_FILE}.",
            fix="Name a folder made by 'fruitvision simulate block', or one that holds several.",
        )
    return found


def benchmark_folder() -> Path:
    """The benchmark set of a checkout.

    Raises
    ------
    FieldDataError
        If this is no checkout.
    """
    folder = Path(__file__).parents[2] / "tests" / "orchards"
    if not folder.is_dir():
        raise FieldDataError(
            "The benchmark photos are not part of an installation.",
            fix="Name a folder, or work in a checkout, where they are in tests/orchards.",
        )
    return folder


def size_block(
    folder: Path, work: SizingWork, *, on_progress: Callable[[int, int], None]
) -> tuple[list[SizedPhoto], list[Refused]]:
    """Every photo of a folder measured by itself and held against its truth."""
    truth = read_sizing_truth(folder)
    names = {folder / name: name for name in truth}
    sized: dict[str, SizedPhoto] = {}
    refused: list[Refused] = []
    seconds: dict[Path, float] = {}
    start = time.perf_counter()
    measure = partial(_measure, work=work)
    for done, (path, result) in enumerate(
        for_each_photo(list(names), measure, workers=work.workers), start=1
    ):
        seconds[path] = time.perf_counter() - start
        start = time.perf_counter()
        if isinstance(result, FruitVisionError):
            refused.append(Refused(name=names[path], what=result.what, fix=result.fix))
        else:
            name = names[path]
            sized[name] = sized_photo(name, result, truth[name], seconds=seconds[path])
        on_progress(done, len(names))
    return [sized[name] for name in truth if name in sized], refused


def _measure(path: Path, work: SizingWork) -> MeasuredPhoto:
    """What a worker process runs; its detector is loaded once."""
    return measure_photo(path, detector=_detector(work.detector, work.keep), settings=work.settings)


@cache
def _detector(name: str, keep: Path | None) -> Detector:
    chosen = choose_detector(name)
    return chosen if keep is None else KeptDetector(chosen, keep)
