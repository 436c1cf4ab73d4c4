"""The real job over photos whose fruit are known: the work of `bench sizing`."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from fruitvision.batch import for_each_photo
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.evaluate.kept import KeptDetector
from fruitvision.evaluate.sizing import TRUTH_FILE, SizedPhoto, read_sizing_truth, sized_photo
from fruitvision.evaluate.sizing_report import Together
from fruitvision.evaluate.twins import TwinFigures, twin_figures
from fruitvision.fruit.detector import Detector, choose_detector
from fruitvision.fruit.rim import refined
from fruitvision.photo import read_photo
from fruitvision.pipeline.photos import Refused, measure_photo
from fruitvision.pipeline.views import joined_face
from fruitvision.settings import Settings
from fruitvision.simulate.season.tables import second_place


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


@dataclass(frozen=True, slots=True, kw_only=True)
class SizedBlock:
    """Photos of a folder against their truth.

    `photos` : each measured by itself; `together` : those of which a second place of the same face
    is there, measured with it, and `twins` how well fruit of both were found; `seconds_per_pair` :
    of measuring together.
    """

    photos: tuple[SizedPhoto, ...]
    together: tuple[SizedPhoto, ...]
    twins: TwinFigures
    seconds_per_pair: float
    refused: tuple[Refused, ...]


def size_block(
    folder: Path, work: SizingWork, *, on_progress: Callable[[int, int], None]
) -> SizedBlock:
    """Every photo of a folder measured by itself, pairs also together, and held against the truth.

    A pair are photos whose names differ by `_step1` only, as `photo_name` gives them.
    """
    truth = read_sizing_truth(folder)
    names = {folder / name: name for name in truth}
    measured: dict[str, MeasuredPhoto] = {}
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
            measured[name] = result
            sized[name] = sized_photo(name, result, truth[name], seconds=seconds[path])
        on_progress(done, len(names))
    together: list[SizedPhoto] = []
    twins = TwinFigures()
    start = time.perf_counter()
    for pair in _pairs(measured):
        photos = joined_face([measured[name] for name in pair], work.settings).photos
        both = tuple(
            sized_photo(name, photo, truth[name]) for name, photo in zip(pair, photos, strict=True)
        )
        together += both
        twins += twin_figures(photos, both, [truth[name] for name in pair])
    return SizedBlock(
        photos=tuple(sized[name] for name in truth if name in sized),
        together=tuple(together),
        twins=twins,
        seconds_per_pair=(time.perf_counter() - start) / max(1, twins.pairs),
        refused=tuple(refused),
    )


def measured_together(blocks: Mapping[str, SizedBlock]) -> Together:
    """The pairs of all blocks."""
    twins = sum((block.twins for block in blocks.values()), TwinFigures())
    seconds = sum(block.seconds_per_pair * block.twins.pairs for block in blocks.values())
    return Together(
        blocks={name: block.together for name, block in blocks.items() if block.together},
        twins=twins,
        seconds_per_pair=seconds / max(1, twins.pairs),
    )


def _pairs(measured: Mapping[str, MeasuredPhoto]) -> list[tuple[str, str]]:
    """Names of the photos of each face from the first and the second place."""
    aside = {name: second_place(name) for name in measured}
    return [(name, other) for name, other in aside.items() if other in measured]


def _measure(path: Path, work: SizingWork) -> MeasuredPhoto:
    """What a worker process runs; its detector is loaded once."""
    return measure_photo(path, detector=_detector(work.detector, work.keep), settings=work.settings)


def outline_ms(path: Path, work: SizingWork) -> float:
    """Milliseconds of processor time that fitting the outlines of a photo takes per fruit."""
    image, _ = read_photo(path)
    found = _detector(work.detector, work.keep).detect(image, mm_per_px=None)
    start = time.process_time()
    refined(image, found)
    return 1000 * (time.process_time() - start) / max(len(found), 1)


@cache
def _detector(name: str, keep: Path | None) -> Detector:
    chosen = choose_detector(name)
    return chosen if keep is None else KeptDetector(chosen, keep)
