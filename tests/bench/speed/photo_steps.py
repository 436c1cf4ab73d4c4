"""Steps of measuring a photo: each alone, and all of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from itertools import cycle
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp

from fruitvision.domain import MeasuredPhoto
from fruitvision.fruit.detector import Detector, choose_detector
from fruitvision.fruit.measure import measure_fruit
from fruitvision.photo import read_photo
from fruitvision.pipeline.photos import measure_photo, measure_photos
from fruitvision.pipeline.references import find_all_references
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests.bench.speed.place import Place
from tests.bench.speed.step import Prepared, Step

_detector = cache(choose_detector)


def detector() -> Detector:
    """The one that photos are measured with, loaded once."""
    return _detector()


@contextmanager
def _decode(place: Place) -> Iterator[Prepared]:
    paths = cycle(place.photos)

    def prepared() -> Callable[[], object]:
        path = next(paths)
        return lambda: read_photo(path)

    yield prepared


@contextmanager
def _marker(place: Place) -> Iterator[Prepared]:
    paths = cycle(place.photos)

    def prepared() -> Callable[[], object]:
        image, photo = read_photo(next(paths))
        return lambda: find_all_references(image, photo, (), Settings())

    yield prepared


@contextmanager
def _detect(place: Place) -> Iterator[Prepared]:
    paths = cycle(place.photos)

    def prepared() -> Callable[[], object]:
        path = next(paths)
        image, mm_per_px = read_photo(path)[0], _mm_per_px(_measured(path))
        return lambda: detector().detect(image, mm_per_px=mm_per_px)

    yield prepared


@contextmanager
def _outlines(place: Place) -> Iterator[Prepared]:
    paths = cycle(place.photos)

    def prepared() -> Callable[[], object]:
        path = next(paths)
        image, photo = read_photo(path)
        measured = _measured(path)
        found = detector().detect(image, mm_per_px=_mm_per_px(measured))
        return lambda: measure_fruit(
            found, photo=photo, scale=measured.scale, settings=Settings(), picture=image
        )

    yield prepared


@contextmanager
def _save(place: Place) -> Iterator[Prepared]:
    paths = cycle(place.photos)
    with _new_stores(place) as new_store:

        def prepared() -> Callable[[], object]:
            measured, store = _measured(next(paths)), new_store()
            return lambda: store.save_measured_photo(measured)

        yield prepared


@contextmanager
def _photo(place: Place) -> Iterator[Prepared]:
    paths = cycle(place.photos)
    with _new_stores(place) as new_store:

        def prepared() -> Callable[[], object]:
            path, store = next(paths), new_store()
            return lambda: _measure([path], store, place)

        yield prepared


@contextmanager
def _photos(place: Place) -> Iterator[Prepared]:
    with _new_stores(place) as new_store:
        if place.workers == 1:
            # What a process loads once is no work of any photo.
            _measure(place.photos[:1], new_store(), place)

        def prepared() -> Callable[[], object]:
            store = new_store()
            return lambda: _measure(place.photos, store, place)

        yield prepared


def _measure(paths: list[Path] | tuple[Path, ...], store: FarmStore, place: Place) -> None:
    """Measure photos; a photo that is refused would be fast, and no photo."""
    done = measure_photos(paths, store=store, settings=Settings(), workers=place.workers)
    if done.refused or len(done.photos) != len(paths):
        raise ValueError(f"Photos were left out: {done.refused}")


@cache
def _measured(path: Path) -> MeasuredPhoto:
    return measure_photo(path, detector=detector(), settings=Settings())


def _mm_per_px(measured: MeasuredPhoto) -> float | None:
    return measured.scale.mm_per_px if measured.scale else None


@contextmanager
def _new_stores(place: Place) -> Iterator[Callable[[], FarmStore]]:
    """Gives a new, empty farm each time that it is asked; the one before is taken away."""
    with ExitStack() as open_one:

        def new_store() -> FarmStore:
            open_one.close()
            folder = Path(mkdtemp(dir=place.folder))
            open_one.callback(rmtree, folder, ignore_errors=True)
            return open_one.enter_context(open_farm(folder / "farm"))

        yield new_store


# Targets: what was asked for, on two cores.
PHOTO_STEPS = (
    Step(name="decode", group="photo", words="decode", ready=_decode, a_photo=True),
    Step(name="marker", group="photo", words="find the marker", ready=_marker, a_photo=True),
    Step(
        name="detect",
        group="photo",
        words="find the fruit",
        ready=_detect,
        a_photo=True,
        memory=False,
    ),
    Step(
        name="outlines",
        group="photo",
        words="outlines and mm",
        ready=_outlines,
        a_photo=True,
        memory=False,
    ),
    Step(name="save", group="photo", words="save", ready=_save, a_photo=True, memory=False),
    Step(
        name="photo",
        group="photo",
        words="a photo, all of it",
        ready=_photo,
        a_photo=True,
        target_s=1.0,
        target_mb=1000.0,
    ),
    # For the slope: all photos at once.
    Step(name="photos", group="slope", words="photos", ready=_photos, warm=False),
)
