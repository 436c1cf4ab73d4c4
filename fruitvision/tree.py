"""Fruit of one tree: photos of its faces become a visible count and the diameters seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from fruitvision.domain import (
    Doubt,
    Doubts,
    MeasuredPhoto,
    Protocol,
    TreeId,
    TreePhoto,
    TreeSample,
    merge_doubts,
)

# A photo with one of these can't be counted honestly: it is kept and shown, and not used.
UNUSABLE = frozenset({Doubt.BLURRED, Doubt.TOO_DARK, Doubt.TOO_BRIGHT, Doubt.NO_TREE})
# Photos of a block belong to one walk if they were taken within a week. Our choice: a walk may
# be broken off by rain, and fruit grow about 2 mm in the time.
WALK_DAYS = 7


def split_walks(photos: Sequence[TreePhoto]) -> tuple[tuple[TreePhoto, ...], ...]:
    """Photos of one block, parted into walks, the oldest first.

    A walk is all photos within `WALK_DAYS` before its last day.
    """
    left = sorted(photos, key=lambda photo: (photo.walked_on, photo.tree, photo.face))
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
    lacks a face is left out: half a tree is never counted as a whole one.

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
        FACE_MISSING if a tree was left out.
    """
    faces: dict[TreeId, dict[str, TreePhoto]] = {photo.tree: {} for photo in walk}
    for photo in walk:
        seen = measured.get(photo.photo_id)
        if seen is not None and not UNUSABLE.intersection(seen.doubts):
            faces[photo.tree][photo.face] = photo
    two_faces = any(len(of_tree) == 2 for of_tree in faces.values())
    protocol = Protocol.TWO_FACES if two_faces else Protocol.ONE_FACE
    wanted = 2 if two_faces else 1
    trees = tuple(
        _tree_sample(
            tree,
            [measured[photo.photo_id] for photo in of_tree.values()],
            walked_on=max(photo.walked_on for photo in of_tree.values()),
            protocol=protocol,
        )
        for tree, of_tree in sorted(faces.items())
        if len(of_tree) == wanted
    )
    return trees, ((Doubt.FACE_MISSING,) if len(trees) < len(faces) else ())


def _tree_sample(
    tree: TreeId, photos: Sequence[MeasuredPhoto], *, walked_on: date, protocol: Protocol
) -> TreeSample:
    hanging = [fruit for photo in photos for fruit in photo.fruit if fruit.on_this_row]
    sized = [
        (fruit.diameter_mm, fruit.diameter_error_mm)
        for fruit in hanging
        if fruit.diameter_mm is not None and fruit.diameter_error_mm is not None
    ]
    return TreeSample(
        tree=tree,
        walked_on=walked_on,
        protocol=protocol,
        visible_count=len(hanging),
        diameters_mm=tuple(diameter for diameter, _ in sized),
        diameter_errors_mm=tuple(error for _, error in sized),
        doubts=merge_doubts(*(photo.doubts for photo in photos)),
        above_marker_mm=_above_marker_mm(photos),
    )


def _above_marker_mm(photos: Sequence[MeasuredPhoto]) -> tuple[float, ...]:
    """Height of each hanging fruit above the marker's centre, the sized ones first.

    By the scale in the marker's plane, with the phone held level as the walk card asks for. Empty
    if a photo has no scale or not one marker without a doubt: half a tree has no heights.
    """
    sized: list[float] = []
    others: list[float] = []
    for photo in photos:
        markers = [marker for marker in photo.references if not marker.doubts]
        if photo.scale is None or len(markers) != 1:
            return ()
        centre_px = sum(y for _, y in markers[0].corners_px) / 4
        for fruit in photo.fruit:
            if fruit.on_this_row:
                known = fruit.diameter_mm is not None and fruit.diameter_error_mm is not None
                height_mm = (centre_px - fruit.centre_y_px) * photo.scale.mm_per_px
                (sized if known else others).append(height_mm)
    return (*sized, *others)
