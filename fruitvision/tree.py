"""Fruit of one tree: photos of its faces become a visible count and the diameters seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta

from fruitvision.domain import (
    Doubt,
    Doubts,
    Fruit,
    MeasuredPhoto,
    Protocol,
    TreeId,
    TreePhoto,
    TreeSample,
    merge_doubts,
)
from fruitvision.rows_behind import without_rows_behind
from fruitvision.sizing_chance import FruitKey, sizing_weights

# A photo with one of these can't be counted honestly: it is kept and shown, and not used.
UNUSABLE = frozenset({Doubt.BLURRED, Doubt.TOO_DARK, Doubt.TOO_BRIGHT, Doubt.NO_TREE})
# Photos of a block belong to one walk if they were taken within a week. Our choice: a walk may
# be broken off by rain, and fruit grow about 2 mm in the time.
WALK_DAYS = 7

# A fruit and the photo that shows it.
Seen = tuple[MeasuredPhoto, Fruit]


def split_walks(photos: Sequence[TreePhoto]) -> tuple[tuple[TreePhoto, ...], ...]:
    """Photos of one block, parted into walks, the oldest first.

    A walk is all photos within `WALK_DAYS` before its last day.
    """
    left = sorted(photos, key=lambda photo: (photo.walked_on, photo.tree, photo.face, photo.place))
    walks: list[tuple[TreePhoto, ...]] = []
    while left:
        first_day = left[-1].walked_on - timedelta(days=WALK_DAYS)
        walks.append(tuple(photo for photo in left if photo.walked_on > first_day))
        left = [photo for photo in left if photo.walked_on <= first_day]
    return tuple(reversed(walks))


def sample_trees(
    walk: Sequence[TreePhoto], measured: Mapping[str, MeasuredPhoto]
) -> tuple[tuple[TreeSample, ...], Doubts]:
    """Trees of one walk with their visible fruit summed over the faces.

    A photo that is blurred, too dark, too bright or without a tree counts as not taken.

    If any tree was photographed from both faces, the walk's protocol is two faces, and a tree that
    lacks a face is left out: half a tree is never counted as a whole one. If any photo shows
    several trees the protocol is that of panels, and a photo of one tree is a panel of one.

    Of several photos of a face the first counts, so that trees with one photo and with two are
    counted alike and one hidden-fruit factor serves both; photos of an earlier day are not used. A
    later place adds the diameters of fruit that the first does not show (see `views`). Fruit far
    smaller than usual in the walk hang in the row behind (see `rows_behind`).

    Parameters
    ----------
    walk : sequence of TreePhoto
        One walk of one block.
    measured : mapping
        Measured photos by photo_id. A photo that is not in it counts as not taken.

    Returns
    -------
    trees : tuple of TreeSample
        In the order of the register.
    doubts : tuple of Doubt
        FACE_MISSING or PANEL_UNCLEAR if a tree was left out, PANELS_AND_TREES if panels stand
        beside single trees.
    """
    found: dict[TreeId, dict[str, list[TreePhoto]]] = {photo.tree: {} for photo in walk}
    for photo in walk:
        seen = measured.get(photo.photo_id)
        if seen is not None and not UNUSABLE.intersection(seen.doubts):
            found[photo.tree].setdefault(photo.face, []).append(photo)
    wanted = 2 if any(len(faces) == 2 for faces in found.values()) else 1
    whole = {
        tree: [_of_last_day(photos) for photos in faces.values()]
        for tree, faces in sorted(found.items())
        if len(faces) == wanted
    }
    clear = {tree: of for tree, of in whole.items() if len({face[0].trees for face in of}) == 1}
    numbers = {face[0].trees for of_tree in clear.values() for face in of_tree}
    protocol = _protocol(two_faces=wanted == 2, panels=max(numbers, default=1) > 1)
    used = without_rows_behind(
        [measured[p.photo_id] for faces in clear.values() for face in faces for p in face]
    )
    of_walk = {photo.photo.photo_id: photo for photo in used}
    weights = sizing_weights(used)
    trees = tuple(
        _tree_sample(faces, of_walk, weights, protocol=protocol) for faces in clear.values()
    )
    doubts = {
        Doubt.FACE_MISSING: len(whole) < len(found),
        Doubt.PANEL_UNCLEAR: len(clear) < len(whole),
        Doubt.PANELS_AND_TREES: len(numbers) > 1 and 1 in numbers,
    }
    return trees, tuple(doubt for doubt, is_so in doubts.items() if is_so)


def _of_last_day(photos: Sequence[TreePhoto]) -> tuple[TreePhoto, ...]:
    """Photos of a face of the last day that it was photographed, the first place first."""
    last = max(photo.walked_on for photo in photos)
    kept = (photo for photo in photos if photo.walked_on == last)
    return tuple(sorted(kept, key=lambda photo: photo.place))


def _protocol(*, two_faces: bool, panels: bool) -> Protocol:
    if panels:
        return Protocol.PANEL if two_faces else Protocol.PANEL_ONE_FACE
    return Protocol.TWO_FACES if two_faces else Protocol.ONE_FACE


def _tree_sample(
    faces: Sequence[Sequence[TreePhoto]],
    measured: Mapping[str, MeasuredPhoto],
    weights: Mapping[FruitKey, float],
    *,
    protocol: Protocol,
) -> TreeSample:
    """The sample of the faces of one tree or panel. Of two vigours the mean is taken."""
    placed = [face[0] for face in faces]
    photos = [measured[photo.photo_id] for photo in placed]
    vigours = [photo.vigour for photo in placed if photo.vigour is not None]
    counted = [(photo, fruit) for photo in photos for fruit in photo.fruit if fruit.on_this_row]
    seen = counted + [one for face in faces for one in _seen_from_elsewhere(face, measured)]
    sized = [
        (
            fruit.diameter_mm,
            fruit.diameter_error_mm,
            weights.get((fruit.photo_id, fruit.fruit_id), 1.0),
        )
        for _, fruit in seen
        if fruit.diameter_mm is not None and fruit.diameter_error_mm is not None
    ]
    return TreeSample(
        tree=placed[0].tree,
        walked_on=max(photo.walked_on for photo in placed),
        protocol=protocol,
        visible_count=len(counted),
        diameters_mm=tuple(diameter for diameter, _, _ in sized),
        diameter_errors_mm=tuple(error for _, error, _ in sized),
        sizing_weights=tuple(weight for _, _, weight in sized),
        doubts=merge_doubts(*(photo.doubts for photo in photos)),
        above_marker_mm=_above_marker_mm(seen),
        trees=placed[0].trees,
        vigour=sum(vigours) / len(vigours) if vigours else None,
        face_counts=tuple(photo.fruit_count for photo in photos),
    )


def _seen_from_elsewhere(
    face: Sequence[TreePhoto], measured: Mapping[str, MeasuredPhoto]
) -> list[Seen]:
    """Sized fruit of this row that only the later places of a face show, each once.

    A photo that shares no fruit with the others may show another tree: it adds nothing.
    """
    ids = {photo.photo_id for photo in face}
    found: list[Seen] = []
    for placed in face[1:]:
        photo = measured[placed.photo_id]
        shared = [fruit.same_as is not None and fruit.same_as[0] in ids for fruit in photo.fruit]
        if any(shared):
            found += [
                (photo, fruit)
                for fruit, elsewhere in zip(photo.fruit, shared, strict=True)
                if fruit.on_this_row and fruit.diameter_mm is not None and not elsewhere
            ]
    return found


def _above_marker_mm(seen: Sequence[Seen]) -> tuple[float, ...]:
    """Height of each fruit above the marker's centre, the sized ones first.

    By the scale in the marker's plane, with the phone held level as the walk card asks for. Empty
    if a photo has no scale or not one marker without a doubt: half a tree has no heights.
    """
    sized: list[float] = []
    others: list[float] = []
    for photo, fruit in seen:
        markers = [marker for marker in photo.references if not marker.doubts]
        if photo.scale is None or len(markers) != 1:
            return ()
        centre_px = sum(y for _, y in markers[0].corners_px) / 4
        known = fruit.diameter_mm is not None and fruit.diameter_error_mm is not None
        height_mm = (centre_px - fruit.centre_y_px) * photo.scale.mm_per_px
        (sized if known else others).append(height_mm)
    return (*sized, *others)
