"""Outlines drawn elsewhere become edits of the farm's photos: first a preview, then who and when.

A document tells all fruit of the photos that it names: what it lacks is taken out, what the photo
lacks is added, what is drawn otherwise is redrawn. Outlines that a detector drew move no outline
that is there. What stands as the document has it gets no edit, so that a document that was exported
here changes nothing where it comes from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from scipy.optimize import linear_sum_assignment

from fruitvision.domain import (
    AddedFruit,
    CheckedPhoto,
    Correction,
    Fruit,
    GroundLine,
    Outline,
    Photo,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
)
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.outlines_coco_in import DrawnDocument, DrawnFruit, DrawnPhoto
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import Refused
from fruitvision.pipeline.review import PhotoReview, photo_review
from fruitvision.review import SAME_REACH, Reviewed, apply_edits, drawn_outline, drawn_sides
from fruitvision.settings import Settings
from fruitvision.store import Store

# A fruit of a document, and its outline as one of the photo.
Drawn = tuple[Outline, DrawnFruit]
# Documents hold places, axes and angles with two decimals, shares with three.
_ROUNDED, _SHARE_ROUNDED = 0.0051, 0.00051


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPlan:
    """What would change in a photo. `name` : of the photo on the farm."""

    photo_id: str
    name: str
    corrections: tuple[Correction, ...]

    def count(self, kind: type[object]) -> int:
        """How many corrections of a kind there are."""
        return sum(isinstance(one, kind) for one in self.corrections)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlinesPlan:
    """What a document would change; `same` : photos that are as it says already."""

    photos: tuple[PhotoPlan, ...]
    same: int
    refused: tuple[Refused, ...]


def plan_outlines(
    document: DrawnDocument,
    store: Store,
    settings: Settings,
    *,
    only_add: bool = False,
    detector_name: str = DEFAULT_DETECTOR,
) -> OutlinesPlan:
    """What a document would change on the farm; nothing is changed.

    Parameters
    ----------
    only_add : bool
        Fruit that the document lacks stay.
    """
    refused = [Refused(name=one.name, what=one.what, fix=one.fix) for one in document.refused]
    by_name = _ids_by_name(store)
    plans: list[PhotoPlan] = []
    seen: set[str] = set()
    same = 0
    for drawn in document.photos:
        try:
            photo_id = _photo_id(drawn.file_name, by_name)
            if photo_id in seen:
                raise FieldDataError("The document names it twice.", fix="Keep one of both.")
            seen.add(photo_id)
            review = _measured(photo_id, store, settings, detector_name)
            plan = _plan(drawn, review, settings, refused, only_add=only_add)
        except FruitVisionError as err:
            refused.append(Refused(name=drawn.file_name[:80], what=err.what, fix=err.fix))
            continue
        plans += [plan] if plan.corrections else []
        same += not plan.corrections
    return OutlinesPlan(photos=tuple(plans), same=same, refused=tuple(refused))


def save_outlines(plan: OutlinesPlan, store: Store, *, who: str) -> int:
    """Keep what was planned as edits, each photo as a whole; how many edits there are."""
    at = now_utc()
    for one in plan.photos:
        store.save_photo_edits(one.photo_id, one.corrections, made_by=who, made_at=at)
    return sum(len(one.corrections) for one in plan.photos)


# ---------------------------------------------------------------- which photo


def _ids_by_name(store: Store) -> Mapping[str, tuple[str, ...]]:
    """Ids of the farm's photos by name and by sha256."""
    placed = {one.photo_id for one in store.tree_photos()}
    found: dict[str, tuple[str, ...]] = {photo_id: (photo_id,) for photo_id in placed}
    for photo_id, name in store.photo_names().items():
        if photo_id in placed:
            found[name] = (*found.get(name, ()), photo_id)
    return found


def _photo_id(file_name: str, by_name: Mapping[str, tuple[str, ...]]) -> str:
    """Of the photo whose content bears that name, else of the one of that name."""
    last = file_name.replace("\\", "/").rsplit("/", 1)[-1]
    ids = by_name.get(last.partition(".")[0]) or by_name.get(last) or ()
    if not ids:
        raise FieldDataError(
            "The farm has no such photo.", fix="Load its walk first, or leave the photo out."
        )
    if len(ids) > 1:
        raise FieldDataError(
            f"The farm has {len(ids)} photos of that name.",
            fix="Name it in the document as fruitvision outlines export does, by its sha256.",
        )
    return ids[0]


def _measured(photo_id: str, store: Store, settings: Settings, detector_name: str) -> PhotoReview:
    review = photo_review(photo_id, store, settings, detector_name=detector_name)
    if review is None:
        raise FieldDataError(
            "It is not measured with the present settings.", fix="Run: fruitvision work."
        )
    return review


# ---------------------------------------------------------------- what changes


def _plan(
    drawn: DrawnPhoto,
    review: PhotoReview,
    settings: Settings,
    refused: list[Refused],
    *,
    only_add: bool,
) -> PhotoPlan:
    photo, now = review.measured.photo, review.reviewed
    if (drawn.width_px, drawn.height_px) != (photo.width_px, photo.height_px):
        raise FieldDataError(
            f"It has {drawn.width_px} × {drawn.height_px} px in the document, the farm's photo "
            f"{photo.width_px} × {photo.height_px}.",
            fix="Draw on the photo as it is, upright and in full size.",
        )
    fruit = _usable(drawn, photo, refused)
    corrections: list[Correction] = []
    pairs = _pairs(now.photo.fruit, fruit)
    if not only_add:
        corrections += [
            RemovedFruit(x_px=one.centre_x_px, y_px=one.centre_y_px)
            for place, one in enumerate(now.photo.fruit)
            if place not in pairs
        ]
    known = {there: now.photo.fruit[here] for here, there in pairs.items()}
    for place, (outline, one) in enumerate(fruit):
        corrections += _shape(outline, one, known.get(place))
    # After the fruit: who adds one says that it hangs on this row, whatever lines say before.
    corrections += _lines(drawn, now)
    corrections += _rows(review, settings, fruit, corrections)
    if drawn.checked and now.checked is None:
        corrections.append(CheckedPhoto(detector=review.measured.made_with.detector))
    return PhotoPlan(photo_id=photo.photo_id, name=photo.name, corrections=tuple(corrections))


def _usable(drawn: DrawnPhoto, photo: Photo, refused: list[Refused]) -> list[Drawn]:
    """Fruit whose outline can be one of this photo; others are refused by their number."""
    found = []
    for one in drawn.fruit:
        of = one.outline
        numbers = of.centre_x_px, of.centre_y_px, of.width_px, of.height_px, of.angle_deg
        try:
            found.append((drawn_outline(photo, *numbers), one))
        except FieldDataError as err:
            refused.append(Refused(name=f"annotation {one.number}", what=err.what, fix=err.fix))
    return found


def _lines(drawn: DrawnPhoto, now: Reviewed) -> list[Correction]:
    found: list[Correction] = []
    if drawn.ground_px is not None:
        ground = GroundLine(left_y_px=drawn.ground_px[0], right_y_px=drawn.ground_px[1])
        found += [ground] if ground != now.ground else []
    if drawn.sides_px is not None:
        sides = drawn_sides(*drawn.sides_px)
        found += [sides] if sides != now.sides else []
    return found


def _pairs(here: Sequence[Fruit], there: Sequence[Drawn]) -> dict[int, int]:
    """Which fruit of the photo is which of the document: those nearest to each other as a whole.

    Two are one if each middle lies well inside the other, as where a person draws over a fruit; of
    those with the same number in the photo it is enough that each lies in the other.
    """
    if not here or not there:
        return {}
    reach = np.array([[_reach(one.outline, outline) for outline, _ in there] for one in here])
    named = np.array([[one.fruit_id == drawn.fruit_id for _, drawn in there] for one in here])
    is_near = reach <= np.where(named, 1.0, SAME_REACH)
    far = 1e3
    rows, columns = linear_sum_assignment(np.where(is_near, reach - named, far))
    return {
        int(row): int(column)
        for row, column in zip(rows, columns, strict=True)
        if is_near[row, column]
    }


def _reach(one: Outline, other: Outline) -> float:
    return max(
        one.reach(other.centre_x_px, other.centre_y_px),
        other.reach(one.centre_x_px, one.centre_y_px),
    )


def _shape(outline: Outline, drawn: DrawnFruit, known: Fruit | None) -> list[Correction]:
    if known is None:
        return [AddedFruit(outline=outline, visible_share=drawn.visible_share)]
    if not drawn.by_hand or _is_same(outline, drawn, known):
        return []
    return [
        ReshapedFruit(
            x_px=known.centre_x_px,
            y_px=known.centre_y_px,
            outline=outline,
            visible_share=drawn.visible_share,
        )
    ]


def _is_same(outline: Outline, drawn: DrawnFruit, known: Fruit) -> bool:
    of = known.outline
    turned = (outline.angle_deg - of.angle_deg + 90) % 180 - 90
    apart = (
        outline.centre_x_px - of.centre_x_px,
        outline.centre_y_px - of.centre_y_px,
        outline.width_px - of.width_px,
        outline.height_px - of.height_px,
        # A circle has no direction.
        turned if of.width_px - of.height_px > _ROUNDED else 0.0,
    )
    share = abs(drawn.visible_share - known.visible_share)
    return max(map(abs, apart)) <= _ROUNDED and share <= _SHARE_ROUNDED


def _rows(
    review: PhotoReview,
    settings: Settings,
    fruit: Sequence[Drawn],
    corrections: Sequence[Correction],
) -> list[Correction]:
    """Which fruit hang on this row, where it does not follow from all else."""
    after = _applied(review, settings, corrections)
    pairs = _pairs(after.photo.fruit, fruit)
    found: list[Correction] = []
    for here, there in sorted(pairs.items(), key=lambda pair: pair[1]):
        one, drawn = after.photo.fruit[here], fruit[there][1]
        counted = not (drawn.fallen or drawn.beside or drawn.behind)
        by_line = one.fruit_id in after.fallen | after.beside
        if one.on_this_row != counted or (drawn.behind and by_line):
            found.append(
                RowOfFruit(x_px=one.centre_x_px, y_px=one.centre_y_px, on_this_row=counted)
            )
    return found


def _applied(
    review: PhotoReview, settings: Settings, corrections: Sequence[Correction]
) -> Reviewed:
    """The photo as it would be with more corrections."""
    last = max((one.number for one in review.edits), default=0)
    more = [
        PhotoEdit(
            number=last + number,
            photo_id=review.measured.photo.photo_id,
            correction=one,
            made_by="",
            made_at=datetime(2000, 1, 1, tzinfo=UTC),
        )
        for number, one in enumerate(corrections, start=1)
    ]
    return apply_edits(review.measured, [*review.edits, *more], settings)
