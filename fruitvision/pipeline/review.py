"""Measured photos as people put them right, for all that counts and shows them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from fruitvision.domain import MeasuredPhoto, PhotoEdit
from fruitvision.review import apply_edits
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
