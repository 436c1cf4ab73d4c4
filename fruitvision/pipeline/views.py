"""Photos of one face from places a step apart, measured together: a farm's, or loose ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from fruitvision.domain import MadeWith, MeasuredPhoto, TreePhoto
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import (
    Measured,
    Progress,
    made_with,
    measure_kept_photos,
    measure_photo,
    quiet,
)
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import UNUSABLE, split_walks
from fruitvision.views.face import MOST_DAYS_APART, JoinedFace, NotJoined, join_face


@dataclass(frozen=True, slots=True, kw_only=True)
class Faces:
    """Faces that were measured together just now, and photos that could not be."""

    joined: tuple[JoinedFace, ...] = ()
    not_joined: tuple[NotJoined, ...] = ()

    @property
    def photos(self) -> Mapping[str, MeasuredPhoto]:
        """All photos that were looked at, by photo_id."""
        return {photo.photo.photo_id: photo for face in self.joined for photo in face.photos}


def go_on() -> None:
    """Nobody wants the work stopped."""


def join_kept_faces(
    store: Store,
    *,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
    before_each: Callable[[], None] = go_on,
) -> Faces:
    """Measure the farm's photos of one face and walk together, where that is still to be done.

    What comes of it is kept as the photos' own measurement. A face that has got or lost a photo is
    measured anew, each photo by itself first.

    Parameters
    ----------
    before_each : callable
        Called before each face that is measured; what it raises ends the work, and the faces
        before it are kept.

    Raises
    ------
    DetectorUnknown
        If there is no detector of that name.
    StoreError
        If a photo has to be measured anew and the farm has no copy of it.
    """
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    faces: list[JoinedFace] = []
    for block in store.blocks():
        photos = store.tree_photos(block.block_id)
        groups = list(_groups(photos))
        if all(len(group) == 1 for group in groups):
            continue
        found = {
            one.photo.photo_id: one for one in store.measured_photos_of(block.block_id, origin)
        }
        for group in groups:
            here = [found[photo.photo_id] for photo in group if photo.photo_id in found]
            usable = [one for one in here if not UNUSABLE.intersection(one.doubts)]
            if _is_done(usable):
                continue
            before_each()
            alone = [_alone(one, store, settings, detector_name, origin) for one in usable]
            face = joined_face(alone, settings)
            for photo in face.photos:
                store.save_measured_photo(photo)
            faces.append(face)
    return Faces(
        joined=tuple(faces),
        not_joined=tuple(problem for face in faces for problem in face.not_joined),
    )


def joined_face(photos: Sequence[MeasuredPhoto], settings: Settings) -> JoinedFace:
    """The photos of one face together, each with the names of the others in `seen_with`."""
    if len(photos) < 2:
        return JoinedFace(photos=tuple(photos))
    face = join_face(photos, settings)
    ids = [photo.photo.photo_id for photo in photos]
    return replace(
        face,
        photos=tuple(replace(photo, seen_with=_others(photo, ids)) for photo in face.photos),
    )


def _groups(photos: Sequence[TreePhoto]) -> Iterator[list[TreePhoto]]:
    """Photos of each face of each tree in each walk that are of one day, the first place first.

    Photos of one face whose days lie further apart are of two walks, whatever `split_walks` says.
    """
    for walk in split_walks(photos):
        faces: dict[tuple[object, str], list[TreePhoto]] = {}
        for photo in sorted(walk, key=lambda photo: (photo.walked_on, photo.place)):
            faces.setdefault((photo.tree, photo.face), []).append(photo)
        for face in faces.values():
            for group in _by_day(face):
                yield sorted(group, key=lambda photo: (photo.place, photo.walked_on))


def _by_day(photos: Sequence[TreePhoto]) -> Iterator[list[TreePhoto]]:
    """Photos by their day, the earliest first; one before midnight and one after it are of one."""
    group: list[TreePhoto] = []
    for photo in photos:
        if group and (photo.walked_on - group[0].walked_on).days > MOST_DAYS_APART:
            yield group
            group = []
        group.append(photo)
    if group:
        yield group


def _is_done(photos: Sequence[MeasuredPhoto]) -> bool:
    """Whether the photos were measured together with one another, and with no others."""
    ids = [photo.photo.photo_id for photo in photos]
    return all(set(photo.seen_with) == set(_others(photo, ids)) for photo in photos)


def _others(photo: MeasuredPhoto, ids: Sequence[str]) -> tuple[str, ...]:
    return tuple(other for other in ids if other != photo.photo.photo_id)


def _alone(
    measured: MeasuredPhoto,
    store: Store,
    settings: Settings,
    detector_name: str,
    origin: MadeWith,
) -> MeasuredPhoto:
    """The photo as it measures by itself."""
    if not measured.seen_with:
        return measured
    again = measure_photo(
        store.photo_path(measured.photo.photo_id),
        detector=choose_detector(detector_name),
        settings=settings,
        lenses=store.lenses(),
        pointed=store.pointed_references(measured.photo.photo_id),
    )
    return replace(again, photo=replace(again.photo, name=measured.photo.name), made_with=origin)


def take_off(
    store: Store,
    photo: TreePhoto,
    left: Sequence[TreePhoto],
    *,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
) -> None:
    """Take a photo off its tree; it and the photos left on its face know nothing of one another.

    Parameters
    ----------
    left : sequence of TreePhoto
        The other photos of its face, in the same walk.

    Raises
    ------
    StoreError
        If a photo has to be measured anew and the farm has no copy of it.
    """
    store.take_photo_off(photo.photo_id)
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    for photo_id in (photo.photo_id, *(one.photo_id for one in left)):
        measured = store.measured_photo(photo_id, origin)
        if measured is not None and measured.seen_with:
            store.save_measured_photo(_alone(measured, store, settings, detector_name, origin))
    if len(left) > 1:
        join_kept_faces(store, settings=settings, detector_name=detector_name)


def measure_farm_again(
    store: Store,
    *,
    settings: Settings,
    detector_name: str = DEFAULT_DETECTOR,
    workers: int = 1,
    on_progress: Progress = quiet,
    names: Mapping[str, str] | None = None,
) -> Measured:
    """`measure_kept_photos`, then photos of one face together.

    Raises
    ------
    DetectorUnknown
        If there is no detector of that name.
    """
    measured = measure_kept_photos(
        store,
        settings=settings,
        detector_name=detector_name,
        workers=workers,
        on_progress=on_progress,
        names=names,
    )
    faces = join_kept_faces(store, settings=settings, detector_name=detector_name)
    return with_faces(measured, faces)


def join_measured(measured: Measured, settings: Settings) -> tuple[Measured, JoinedFace]:
    """Loose photos of one face, measured together; a blurred or dark one is left as it is."""
    usable = [photo for photo in measured.photos if not UNUSABLE.intersection(photo.doubts)]
    face = joined_face(usable, settings)
    return with_faces(measured, Faces(joined=(face,))), face


def with_faces(measured: Measured, faces: Faces) -> Measured:
    """Measured photos as they are after those of one face were measured together."""
    changed = faces.photos
    return replace(
        measured,
        photos=tuple(changed.get(photo.photo.photo_id, photo) for photo in measured.photos),
    )
