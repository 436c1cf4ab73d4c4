"""Photos tied to their trees: which place each gets on its face, and what can't be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from fruitvision.domain import Photo, TreePhoto
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.photo import photo_id_of
from fruitvision.pipeline.believable import KnownPlaces, check_past
from fruitvision.pipeline.photos import Measured, Refused
from fruitvision.pipeline.pictures import thumbnail_of
from fruitvision.store import Store
from fruitvision.tree import WALK_DAYS
from fruitvision.walk_data import WalkPhoto

# Days that a phone's date may be ahead of this computer's. Our choice: an orchard far in the east
# has tomorrow's date while a server elsewhere has today's.
DAYS_AHEAD = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedPhoto:
    """A photo that the farm had at another tree or face, and where it is now."""

    name: str
    before: TreePhoto
    now: TreePhoto


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """What became of the lines of a walk: photos that were left out, and that changed trees."""

    refused: tuple[Refused, ...]
    moved: tuple[MovedPhoto, ...]


def place_photos(
    rows: Mapping[Path, WalkPhoto],
    measured: Measured,
    store: Store,
    *,
    walked_on: date | None,
    today: date | None = None,
) -> Placed:
    """Tie measured photos to their trees and keep the files in the farm's folder.

    A photo without a date needs `walked_on`; one that stands for two trees is refused for the
    second. Photos of one face are numbered in their order, after those that the farm has of it.

    Parameters
    ----------
    today : date, optional
        Photos of later days are refused.
    """
    places = Places(store)
    days = {m.photo.photo_id: _walk_day(m.photo, walked_on) for m in measured.photos}
    placed: list[TreePhoto] = []
    refused: list[Refused] = []
    moved: list[MovedPhoto] = []
    taken: dict[str, WalkPhoto] = {}
    for path, row in rows.items():
        try:
            photo_id = photo_id_of(path)
        except FruitVisionError:
            continue  # refused with its reason when it was measured
        if photo_id not in days:
            continue
        day = days[photo_id]
        problem = places.problem(row, day, taken.get(photo_id), today)
        if problem is not None or day is None:
            refused += [problem] if problem else []
            continue
        taken[photo_id] = row
        store.keep_photo(path, photo_id)
        thumbnail_of(photo_id, store)
        photo = places.photo(row, photo_id, day)
        placed.append(photo)
        moved += places.moved(row, photo)
    store.save_tree_photos(placed)
    return Placed(refused=tuple(refused), moved=tuple(moved))


class Places:
    """Numbers the photos of a face in a walk; a photo that was placed there keeps its number."""

    def __init__(self, store: Store) -> None:
        self.before = {photo.photo_id: photo for photo in store.tree_photos()}
        self._known = KnownPlaces(store)
        self._photos = [
            (photo.tree, photo.face, photo.walked_on, photo.photo_id, photo.place)
            for photo in self.before.values()
        ]

    def problem(
        self, row: WalkPhoto, day: date | None, earlier: WalkPhoto | None, today: date | None
    ) -> Refused | None:
        """Why a photo can't be tied to its tree.

        Parameters
        ----------
        day : date or None
            Its day, if that is known.
        earlier : WalkPhoto or None
            The line that has the same photo already.
        today : date or None
            Later days are still to come; None: no day is.
        """
        if earlier is not None:
            return Refused(
                name=row.file_name,
                what=f"It is the same photo as {earlier.file_name} of {earlier.tree}.",
                fix=f"Take a photo of {row.tree} itself, or delete this line.",
            )
        if day is None:
            return Refused(
                name=row.file_name,
                what="The photo carries no date, so its walk is unknown.",
                fix="Give the day of the walk, such as 2026-08-12 (command line: --walked-on).",
            )
        try:
            self._known.check(row.tree)
            check_past(day, today, ahead=DAYS_AHEAD)
        except FieldDataError as err:
            return Refused(name=row.file_name, what=err.what, fix=err.fix)
        return None

    def photo(self, row: WalkPhoto, photo_id: str, day: date) -> TreePhoto:
        """The photo of a line of the walk, with its number among those of its face."""
        return TreePhoto(
            tree=row.tree,
            face=row.face,
            photo_id=photo_id,
            walked_on=day,
            trees=row.trees,
            vigour=row.vigour,
            place=self._next(row, photo_id, day),
        )

    def moved(self, row: WalkPhoto, photo: TreePhoto) -> tuple[MovedPhoto, ...]:
        """That a photo was at another tree or face before; empty if it was not."""
        before = self.before.get(photo.photo_id)
        if before is None or (before.tree, before.face) == (photo.tree, photo.face):
            return ()
        return (MovedPhoto(name=row.file_name, before=before, now=photo),)

    def _next(self, row: WalkPhoto, photo_id: str, day: date) -> int:
        near = timedelta(days=WALK_DAYS)
        found = {
            other: place
            for tree, face, walked_on, other, place in self._photos
            if (tree, face) == (row.tree, row.face) and abs(walked_on - day) < near
        }
        place = found.get(photo_id, max(found.values(), default=0) + 1)
        self._photos.append((row.tree, row.face, day, photo_id, place))
        return place


def _walk_day(photo: Photo, walked_on: date | None) -> date | None:
    return photo.taken_at.date() if photo.taken_at else walked_on
