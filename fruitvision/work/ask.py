"""Ask for long work that no upload asks for."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from fruitvision.domain import Job, JobKind
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import made_with
from fruitvision.settings import Settings
from fruitvision.store import Store


def unmeasured(
    store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> tuple[str, ...]:
    """Ids of the farm's photos that this detector and these settings have not measured."""
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    blocks = (block.block_id for block in store.blocks())
    return tuple(photo for block in blocks for photo in store.unmeasured(block, origin))


def ask_measure_again(
    store: Store, settings: Settings, *, who: str, names: Mapping[str, str] | None = None
) -> Job | None:
    """Ask for the measurement of every photo that is not measured with these settings.

    Parameters
    ----------
    names : mapping, optional
        Names of photos by photo_id, for those whose results the farm has just forgotten.

    Returns
    -------
    Job or None
        None if every photo is measured.
    """
    missing = unmeasured(store, settings)
    if not missing:
        return None
    known = dict(store.photo_names())
    known |= {photo: name for job in store.jobs() for photo, name in job.names.items()}
    known |= names or {}
    return store.ask_job(
        JobKind.MEASURE,
        by=who,
        at=now_utc(),
        names={photo: known.get(photo, photo[:12]) for photo in missing},
    )


def ask_load(folder: Path, store: Store, *, who: str) -> Job:
    """Ask for a walk's folder on this computer to be loaded, see `pipeline.load_walk`."""
    return store.ask_job(JobKind.LOAD, by=who, at=now_utc(), folder=str(folder.resolve()))
