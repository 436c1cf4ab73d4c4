"""Measured photos as people put them right, for all that counts and shows them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fruitvision.domain import MeasuredPhoto, PhotoEdit
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import made_with
from fruitvision.review import Reviewed, apply_edits
from fruitvision.settings import Settings
from fruitvision.store import Store


def reviewed(
    photos: Sequence[MeasuredPhoto],
    store: Store,
    settings: Settings,
    block_id: str | None = None,
) -> tuple[MeasuredPhoto, ...]:
    """The photos with all standing edits applied; one query, whatever their number.

    Parameters
    ----------
    block_id : str, optional
        The block that they are of; left out, edits of the whole farm are looked through.
    """
    edits = by_photo(store.photo_edits_of(block_id))
    if not edits:
        return tuple(photos)
    return tuple(
        apply_edits(one, edits[one.photo.photo_id], settings).photo
        if one.photo.photo_id in edits
        else one
        for one in photos
    )


def by_photo(edits: Iterable[PhotoEdit]) -> dict[str, list[PhotoEdit]]:
    """Edits by the photo that they are of, the oldest first."""
    found: dict[str, list[PhotoEdit]] = {}
    for edit in edits:
        found.setdefault(edit.photo_id, []).append(edit)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoReview:
    """One photo: as the detector measured it, all edits of it, and what comes of both."""

    measured: MeasuredPhoto
    edits: tuple[PhotoEdit, ...]
    reviewed: Reviewed


def photo_review(
    photo_id: str, store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> PhotoReview | None:
    """A photo of the farm and its edits; None if it is not measured with these settings."""
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    measured = store.measured_photo(photo_id, origin)
    if measured is None:
        return None
    edits = store.photo_edits(photo_id)
    return PhotoReview(
        measured=measured, edits=edits, reviewed=apply_edits(measured, edits, settings)
    )
