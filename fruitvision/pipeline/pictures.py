"""Pictures of the farm's photos for pages, made once and kept in the farm's folder."""

from __future__ import annotations

from fruitvision.store import Store
from fruitvision.thumbnail import thumbnail

# Under the farm's folder. All of it is made of the photos again where it is missing.
THUMBNAILS = "thumbnails"


def thumbnail_of(photo_id: str, store: Store) -> bytes:
    """A small JPEG of a kept photo.

    Raises
    ------
    StoreError
        If the farm has no copy of the photo.
    PhotoUnreadable
        If the copy is damaged.
    """
    photo = store.photo_path(photo_id)
    return thumbnail(photo, store.folder / THUMBNAILS / f"{photo_id}.jpg")
