"""Photos in, measured fruit out: photo → reference → scale → fruit."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

from fruitvision import __version__
from fruitvision.batch import Measure, Workers, photo_workers
from fruitvision.domain import (
    Doubt,
    Doubts,
    LensCalibration,
    MadeWith,
    MeasuredPhoto,
    Photo,
    PointedReference,
    Scale,
    merge_doubts,
)
from fruitvision.errors import FruitVisionError, PhotoUnreadable, ScaleRefused
from fruitvision.field_table import RefusedRow
from fruitvision.fruit.detector import DEFAULT_DETECTOR, Detector, Image, choose_detector
from fruitvision.fruit.foliage import LEAST_FOLIAGE_SHARE, foliage_share
from fruitvision.fruit.heap import is_heap
from fruitvision.fruit.measure import measure_fruit
from fruitvision.lens.fitting import odd_sizes, with_calibration
from fruitvision.photo import photo_id_of, read_photo
from fruitvision.pipeline.device import use_device
from fruitvision.pipeline.references import Found, find_all_references
from fruitvision.scale import scale_by_hand, scale_from_all, with_distance
from fruitvision.settings import Settings
from fruitvision.store import Store

Progress = Callable[[int, int], None]


def quiet(done: int, of: int) -> None:
    """Progress that nobody watches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """Something that was left out, while the rest went on."""

    name: str
    what: str
    fix: str

    def __str__(self) -> str:
        return f"{self.name}: {self.what} {self.fix}"


def refused_row(row: RefusedRow) -> Refused:
    """A refused row of a table, named by its file and line."""
    return Refused(name=f"{row.file}, line {row.line}", what=row.what, fix=row.fix)


def refused_rows(rows: Iterable[RefusedRow]) -> tuple[Refused, ...]:
    """Refused rows in their order; what is wrong with several of a table in one way, such as a name
    of a block that stands with each of its photos, is said once."""
    by_reason: dict[tuple[str, str, str], list[RefusedRow]] = {}
    for row in rows:
        by_reason.setdefault((row.file, row.what, row.fix), []).append(row)
    return tuple(
        refused_row(first)
        if not more
        else Refused(
            name=f"{first.file}, line {first.line} and {len(more)} more",
            what=first.what,
            fix=first.fix,
        )
        for first, *more in by_reason.values()
    )


def refused_block(block_id: str, err: FruitVisionError) -> Refused:
    """A block that was left out; its name is said once."""
    return Refused(name=block_id, what=err.what.removeprefix(f"{block_id}: "), fix=err.fix)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Photos that were measured, in the order given, and those that were refused.

    `copies` names each file that holds the same photo as an earlier one, and that earlier one.
    """

    photos: tuple[MeasuredPhoto, ...]
    refused: tuple[Refused, ...]
    copies: tuple[tuple[str, str], ...]


def made_with(
    detector: Detector, settings: Settings, lenses: Sequence[LensCalibration] = ()
) -> MadeWith:
    """Version, detector, settings and lenses, by which a stored result is found again."""
    settings_sha256 = settings.measuring_sha256
    if lenses:
        known = f"{settings_sha256} {sorted(map(repr, lenses))}"
        settings_sha256 = hashlib.sha256(known.encode()).hexdigest()[:12]
    return MadeWith(
        version=__version__,
        detector=f"{detector.name} {detector.version}",
        settings_sha256=settings_sha256,
    )


def measure_photo(
    path: Path,
    *,
    detector: Detector,
    settings: Settings,
    lenses: Sequence[LensCalibration] = (),
    pointed: Sequence[PointedReference] = (),
) -> MeasuredPhoto:
    """All that one photo gives: references, scale, fruit, doubts.

    Parameters
    ----------
    lenses : sequence of LensCalibration
        The farm's; the one that fits the photo is used.
    pointed : sequence of PointedReference
        References that a person pointed at in this photo.

    Raises
    ------
    PhotoUnreadable
        If the file is no picture or can't be opened safely.
    """
    image, photo = read_photo(path)
    photo, lens_doubts = with_calibration(photo, lenses)
    found = find_all_references(image, photo, pointed, settings)
    scale, doubts, remarks = _scale(found, photo, settings)
    doubts = merge_doubts(doubts, lens_doubts)
    if foliage_share(image) < LEAST_FOLIAGE_SHARE:
        return MeasuredPhoto(
            photo=photo,
            references=found.references,
            balls=found.balls,
            scale=scale,
            fruit=(),
            doubts=merge_doubts(photo.doubts, doubts, (Doubt.NO_TREE,)),
            made_with=made_with(detector, settings, lenses),
            remarks=remarks,
        )
    detections = detector.detect(image, mm_per_px=scale.mm_per_px if scale else None)
    detections = detections.outside(found.areas_px())
    heap = (Doubt.NO_TREE,) if is_heap(detections, image) else ()
    return MeasuredPhoto(
        photo=photo,
        references=found.references,
        balls=found.balls,
        scale=scale,
        fruit=measure_fruit(detections, photo=photo, scale=scale, settings=settings, picture=image),
        doubts=merge_doubts(photo.doubts, doubts, heap),
        made_with=made_with(detector, settings, lenses),
        remarks=remarks,
    )


def _scale(
    found: Found, photo: Photo, settings: Settings
) -> tuple[Scale | None, Doubts, tuple[str, ...]]:
    if settings.mm_per_px > 0:
        scale = with_distance(scale_by_hand(settings.mm_per_px), photo)
        return scale, merge_doubts(scale.doubts, found.doubts), found.remarks
    try:
        scale_found, doubts, remarks = scale_from_all(found.references, found.balls, photo)
    except ScaleRefused as err:
        return None, (Doubt.MARKERS_DISAGREE, *found.doubts), (str(err), *found.remarks)
    return scale_found, merge_doubts(doubts, found.doubts), remarks + found.remarks


def measure_photos(
    paths: Sequence[Path],
    *,
    store: Store,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
    workers: Workers = 1,
    on_progress: Progress = quiet,
    names: Mapping[Path, str] | None = None,
) -> Measured:
    """Measure many photos; each result is stored at once, and what is stored is not done again.

    A run that was killed and is started again goes on where it stopped. One bad photo stops
    nothing. The same bytes under another name are one photo.

    Parameters
    ----------
    workers : int or PhotoWorkers
        Processes of this computer, or a cluster (`cluster.cluster_at`).
    names : mapping, optional
        Name that each photo is known by; the file's own name if left out.

    Raises
    ------
    DetectorUnknown
        If there is no detector of that name.
    """
    detector = choose_detector(detector_name)
    lenses = store.lenses()
    origin = made_with(detector, settings, lenses)
    distinct, refused, copies = _distinct(paths)
    labels = names or _labels(list(distinct.values()))
    found = {photo_id: store.measured_photo(photo_id, origin) for photo_id in distinct}
    todo = {path: photo_id for photo_id, path in distinct.items() if found[photo_id] is None}
    how = HowToMeasure(detector_name=detector_name, settings=settings, lenses=tuple(lenses))
    pointed = {path: store.pointed_references(photo_id) for path, photo_id in todo.items()}
    done = len(distinct) - len(todo)
    on_progress(done, len(distinct))
    groups = photo_workers(workers).in_groups(tuple(todo), lambda path: how.with_(pointed[path]))
    for group in groups:
        results = [(path, _of_this(result, path, todo[path])) for path, result in group]
        refused.extend(
            Refused(name=str(path), what=result.what, fix=result.fix)
            for path, result in results
            if isinstance(result, FruitVisionError)
        )
        named = [
            replace(result, photo=replace(result.photo, name=labels[path]))
            for path, result in results
            if isinstance(result, MeasuredPhoto)
        ]
        if named:
            store.save_measured_photos(named)
        found.update((one.photo.photo_id, one) for one in named)
        done += len(group)
        on_progress(done, len(distinct))
    photos = tuple(
        replace(measured, photo=replace(measured.photo, name=labels[path]))
        for photo_id, path in distinct.items()
        if (measured := found[photo_id]) is not None
    )
    return Measured(photos=_with_odd_sizes(photos), refused=tuple(refused), copies=tuple(copies))


def _with_odd_sizes(photos: Sequence[MeasuredPhoto]) -> tuple[MeasuredPhoto, ...]:
    """Photos that are of another size than the phone's others say so, wherever they are shown.

    The doubt is not stored: it depends on the company.
    """
    odd = odd_sizes([measured.photo for measured in photos])
    return tuple(
        replace(measured, doubts=merge_doubts(measured.doubts, (odd[measured.photo.photo_id],)))
        if measured.photo.photo_id in odd
        else measured
        for measured in photos
    )


def _of_this(
    result: MeasuredPhoto | FruitVisionError, path: Path, photo_id: str
) -> MeasuredPhoto | FruitVisionError:
    """A result, unless it is of other bytes than those that were to be measured."""
    if isinstance(result, FruitVisionError) or result.photo.photo_id == photo_id:
        return result
    return PhotoUnreadable(
        f"{path.name} is another photo where it was measured.",
        fix="It changed meanwhile, or the place where workers find the photos holds others. "
        "Check that and measure it again.",
    )


_detector = cache(choose_detector)


@dataclass(frozen=True, slots=True, kw_only=True)
class HowToMeasure:
    """What all photos of a run are measured with; it can be sent to another process."""

    detector_name: str
    settings: Settings
    lenses: tuple[LensCalibration, ...]

    def with_(self, pointed: Sequence[PointedReference] = ()) -> Measure:
        """The function that measures a photo with the references that were pointed at in it."""
        use_device()
        return partial(_measure, how=self, pointed=tuple(pointed))


def _measure(path: Path, how: HowToMeasure, pointed: Sequence[PointedReference]) -> MeasuredPhoto:
    """What a worker process runs; its detector is loaded once."""
    use_device()
    return measure_photo(
        path,
        detector=_detector(how.detector_name),
        settings=how.settings,
        lenses=how.lenses,
        pointed=pointed,
    )


def _distinct(
    paths: Iterable[Path],
) -> tuple[dict[str, Path], list[Refused], list[tuple[str, str]]]:
    """First path of each photo by its id, files that can't be read, and copies."""
    names: dict[str, Path] = {}
    refused: list[Refused] = []
    copies: list[tuple[str, str]] = []
    for path in dict.fromkeys(paths):
        try:
            photo_id = photo_id_of(path)
        except FruitVisionError as err:
            refused.append(Refused(name=str(path), what=err.what, fix=err.fix))
            continue
        if photo_id in names:
            copies.append((str(path), str(names[photo_id])))
        else:
            names[photo_id] = path
    return names, refused, copies


def _labels(paths: Sequence[Path]) -> dict[Path, str]:
    """File name of each path; the whole path where two files share a name."""
    names = [path.name for path in paths]
    return {path: path.name if names.count(path.name) == 1 else str(path) for path in paths}


def measure_kept_photos(
    store: Store,
    *,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
    workers: Workers = 1,
    on_progress: Progress = quiet,
    names: Mapping[str, str] | None = None,
) -> Measured:
    """Measure the farm's kept photos where this detector or these settings have not done so.

    Parameters
    ----------
    names : mapping, optional
        Names of photos by photo_id, for those whose results the farm has just forgotten.

    Raises
    ------
    DetectorUnknown
        If there is no detector of that name.
    """
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    known = {**(names or {}), **store.photo_names()}
    placed = store.tree_photos()
    blocks = dict.fromkeys(photo.tree.block_id for photo in placed)
    to_do = {photo_id for name in blocks for photo_id in store.unmeasured(name, origin)}
    missing = {
        photo.photo_id: store.photo_path(photo.photo_id)
        for photo in placed
        if photo.photo_id in to_do
    }
    return measure_photos(
        tuple(missing.values()),
        store=store,
        settings=settings,
        detector_name=detector_name,
        workers=workers,
        on_progress=on_progress,
        names={path: known.get(photo_id, path.name) for photo_id, path in missing.items()},
    )


def image_of(measured: MeasuredPhoto, store: Store) -> Image:
    """The upright picture of a measured photo, from the farm's own copy.

    Raises
    ------
    StoreError
        If the farm has no copy.
    PhotoUnreadable
        If the copy is damaged.
    """
    return read_photo(store.photo_path(measured.photo.photo_id))[0]
