"""All photos of a shared folder or object store, measured where they can be read.

Neither the photos nor their results need to fit into this computer: results go to the store as they
come, and no more than a part of the list is held.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING

from fruitvision.batch import Measure
from fruitvision.domain import MadeWith, MeasuredPhoto
from fruitvision.errors import FruitVisionError
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import HowToMeasure, Progress, Refused, made_with, quiet
from fruitvision.settings import Settings
from fruitvision.store import Store

if TYPE_CHECKING:
    from fruitvision.cluster import ClusterWorkers
    from fruitvision.cluster.source import SharedPhoto

# Photos of one part of the list, and of one for each photo that is measured side by side: at the
# end of a part workers wait for the last photos of it. Our choice: 2 in 100 of their time at most.
PART = 500
PART_PER_THREAD = 50


@dataclass(slots=True, kw_only=True)
class SharedMeasured:
    """What became of the photos of a shared place.

    `seen` : listed. `known` : measured before, by this detector and with these settings.
    `copies` : the same photo as another of them.
    """

    seen: int = 0
    known: int = 0
    measured: int = 0
    copies: int = 0
    refused: list[Refused] = field(default_factory=list)


def measure_shared(
    url: str,
    *,
    store: Store,
    settings: Settings,
    workers: ClusterWorkers,
    detector_name: str = DEFAULT_DETECTOR,
    on_progress: Progress = quiet,
) -> SharedMeasured:
    """Measure what lies below an fsspec URL; what is stored is not measured again.

    The photos stay where they are, and are tied to no tree: a walk that is loaded later finds its
    photos measured. Workers read each photo once to tell which it is, and once more to measure it.

    Parameters
    ----------
    on_progress : callable
        Told how many photos are done, and how many were listed up to now.

    Raises
    ------
    ClusterError
        If the place can't be listed, the connection is lost or no worker is left.
    DetectorUnknown
        If there is no detector of that name.
    """
    from fruitvision.cluster.source import shared_photos

    lenses = store.lenses()
    origin = made_with(choose_detector(detector_name), settings, lenses)
    how = HowToMeasure(detector_name=detector_name, settings=settings, lenses=tuple(lenses))
    so_far = SharedMeasured()
    listed = shared_photos(url)
    while photos := list(islice(listed, max(PART, PART_PER_THREAD * workers.threads))):
        so_far.seen += len(photos)
        new = _new(photos, workers, store, origin, so_far)
        ids = {photo: photo_id for photo_id, photo in new.items()}
        measure_of = partial(_measure_of, how=how, store=store, ids=ids)
        for group in workers.measured(new.values(), measure_of):
            _save(group, store, so_far)
            done = so_far.known + so_far.measured + so_far.copies + len(so_far.refused)
            on_progress(done, so_far.seen)
    return so_far


def _measure_of(
    photo: SharedPhoto, how: HowToMeasure, store: Store, ids: Mapping[SharedPhoto, str]
) -> Measure:
    return how.with_(store.pointed_references(ids[photo]))


def _new(
    photos: Sequence[SharedPhoto],
    workers: ClusterWorkers,
    store: Store,
    origin: MadeWith,
    so_far: SharedMeasured,
) -> dict[str, SharedPhoto]:
    """Photos that are to be measured, by id, each once."""
    found: dict[str, SharedPhoto] = {}
    for group in workers.ids(photos):
        known = store.measured_ids([one for _, one in group if isinstance(one, str)], origin)
        for photo, photo_id in group:
            if not isinstance(photo_id, str):
                so_far.refused.append(_refused(photo, photo_id))
            elif photo_id in known:
                so_far.known += 1
            elif photo_id in found:
                so_far.copies += 1
            else:
                found[photo_id] = photo
    return found


def _save(
    group: Iterable[tuple[SharedPhoto, MeasuredPhoto | FruitVisionError]],
    store: Store,
    so_far: SharedMeasured,
) -> None:
    named: list[MeasuredPhoto] = []
    for photo, result in group:
        if isinstance(result, FruitVisionError):
            so_far.refused.append(_refused(photo, result))
        else:
            named.append(replace(result, photo=replace(result.photo, name=photo.name)))
    if named:
        store.save_measured_photos(named)
    so_far.measured += len(named)


def _refused(photo: SharedPhoto, err: FruitVisionError) -> Refused:
    return Refused(name=photo.name, what=err.what, fix=err.fix)
