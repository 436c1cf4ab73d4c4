"""What people put right in a photo, applied to what was measured in it.

An edit means the fruit whose outline holds its place well inside. The later of two edits of one
fruit counts. Fruit below the ground line have fallen and those outside the side limits hang on
neighbours: neither is counted, unless somebody said later that this fruit hangs on this row.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import hypot, isfinite

import numpy as np

from fruitvision.domain import (
    AddedFruit,
    CheckedPhoto,
    DepthGrade,
    Doubt,
    Fruit,
    GroundLine,
    MeasuredPhoto,
    Outline,
    Photo,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
    merge_doubts,
)
from fruitvision.errors import FieldDataError
from fruitvision.fruit.measure import sized_fruit, true_diameters_px
from fruitvision.settings import Settings

# A place means a fruit if it is so far from its middle or nearer, in half axes. Our choice: places
# are middles of outlines as a person saw them; a neighbour that only overlaps is not meant.
REACH = 0.7
# An outline that is drawn over a known one is that fruit, if each middle lies so far inside the
# other: of two equal circles, half of what they cover is common. Our choice.
SAME_REACH = 0.5
# Standard error of the long axis of an outline that a person drew, px of the photo. Our choice, not
# measured: each of its two ends is placed to about 2 px.
HAND_ERROR_PX = 3.0
# Visible share of a fruit that a person calls partly hidden. Our choice: below what is sized.
PARTLY_SEEN = 0.4
# Begin of the numbers of fruit that only people saw.
HAND = "hand"
# A drawn fruit is no smaller than this, px of the photo. Our choice: a slip of the hand is.
SMALLEST_PX = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """A photo as people put it right.

    `fallen`, `beside` : numbers (fruit_id) of fruit below the ground line, of any row, and of this
    row's outside the side limits; they are in `photo` and not counted. `drawn` : those whose
    outline a person drew. `lost` : edits whose fruit is not there any more. `checked` : the last
    one who looked at all that this photo's detector found.
    """

    photo: MeasuredPhoto
    removed: tuple[Fruit, ...] = ()
    fallen: frozenset[str] = frozenset()
    beside: frozenset[str] = frozenset()
    drawn: frozenset[str] = frozenset()
    lost: tuple[PhotoEdit, ...] = ()
    ground: GroundLine | None = None
    sides: SideLimits | None = None
    checked: PhotoEdit | None = None


@dataclass(slots=True, kw_only=True)
class _Fruit:
    """A fruit while edits are gone through: what stands of it so far.

    `row_said` : number of the edit that said last whether it hangs on this row.
    """

    fruit: Fruit
    outline: Outline
    visible_share: float
    on_this_row: bool
    drawn: bool = False
    removed: bool = False
    row_said: int = 0


@dataclass(slots=True)
class _Desk:
    """A photo's fruit and lines while edits are gone through."""

    fruit: list[_Fruit]
    lost: list[PhotoEdit] = field(default_factory=list)
    ground: GroundLine | None = None
    ground_said: int = 0
    sides: SideLimits | None = None
    sides_said: int = 0


def drawn_outline(
    photo: Photo,
    centre_x_px: float,
    centre_y_px: float,
    width_px: float,
    height_px: float,
    angle_deg: float,
) -> Outline:
    """The outline that a person drew, its long axis first, its direction from -90° to 90°.

    Raises
    ------
    FieldDataError
        If it is no ellipse of a fruit's size with its middle in the photo.
    """
    numbers = (centre_x_px, centre_y_px, width_px, height_px, angle_deg)
    if not all(map(isfinite, numbers)) or min(width_px, height_px) < SMALLEST_PX:
        raise FieldDataError(
            f"The outline is smaller than {SMALLEST_PX:.0f} px.",
            fix="Draw it from one side of the fruit to the other.",
        )
    if not (0 <= centre_x_px < photo.width_px and 0 <= centre_y_px < photo.height_px):
        raise FieldDataError(
            "The middle of the outline lies outside the photo.",
            fix="Draw only fruit whose middle is in the picture.",
        )
    if height_px > width_px:
        width_px, height_px, angle_deg = height_px, width_px, angle_deg + 90
    return Outline(
        centre_x_px=centre_x_px,
        centre_y_px=centre_y_px,
        width_px=width_px,
        height_px=height_px,
        angle_deg=(angle_deg + 90) % 180 - 90,
    )


def drawn_sides(left_x_px: float, right_x_px: float) -> SideLimits:
    """The side limits between two columns, in either order.

    Raises
    ------
    FieldDataError
        If there is nothing between them.
    """
    left, right = sorted((left_x_px, right_x_px))
    if not (isfinite(left) and isfinite(right)) or right - left < SMALLEST_PX:
        raise FieldDataError(
            "There is nothing between the two sides.",
            fix="Put one line left of the tree and one right of it.",
        )
    return SideLimits(left_x_px=left, right_x_px=right)


def apply_edits(
    measured: MeasuredPhoto, edits: Iterable[PhotoEdit], settings: Settings
) -> Reviewed:
    """The photo as the standing edits put it right, in the order in which they were made.

    Fruit that no edit changes stay as they are. An outline that a person drew is sized as the
    detector's are, with an error of `HAND_ERROR_PX`; one that is found no more stands as an added
    fruit. A photo that is checked or whose count changes has the doubt `PUT_RIGHT`.
    """
    standing = sorted((one for one in edits if one.stands), key=lambda one: one.number)
    if not standing:
        return Reviewed(photo=measured)
    desk = _Desk(
        [
            _Fruit(
                fruit=one,
                outline=one.outline,
                visible_share=one.visible_share,
                on_this_row=one.on_this_row,
            )
            for one in measured.fruit
        ]
    )
    for edit in standing:
        _go_through(edit, desk, measured.photo.photo_id)
    return _reviewed(measured, desk, standing, settings)


# ---------------------------------------------------------------- one edit after the other


def _go_through(edit: PhotoEdit, desk: _Desk, photo_id: str) -> None:
    said = edit.correction
    if isinstance(said, GroundLine):
        desk.ground, desk.ground_said = said, edit.number
    elif isinstance(said, SideLimits):
        desk.sides, desk.sides_said = said, edit.number
    elif isinstance(said, AddedFruit):
        one = _same(desk.fruit, said.outline) or _new(desk, said.outline, edit.number, photo_id)
        _redraw(one, said.outline, said.visible_share)
        one.on_this_row, one.row_said = True, edit.number
    elif isinstance(said, ReshapedFruit):
        found = _meant(desk.fruit, said.x_px, said.y_px)
        one = found or _new(desk, said.outline, edit.number, photo_id)
        _redraw(one, said.outline, said.visible_share)
    elif isinstance(said, RemovedFruit | RowOfFruit):
        found = _meant(desk.fruit, said.x_px, said.y_px)
        if found is None:
            desk.lost.append(edit)
        elif isinstance(said, RowOfFruit):
            found.removed, found.on_this_row = False, said.on_this_row
            found.row_said = edit.number
        else:
            found.removed = True


def _meant(fruit: Sequence[_Fruit], x_px: float, y_px: float) -> _Fruit | None:
    """The fruit whose outline, as it was found or as it is now, has the place nearest its middle.

    Those taken out are among them: two people may mean one fruit.
    """
    near = [
        (min(one.outline.reach(x_px, y_px), one.fruit.outline.reach(x_px, y_px)), place)
        for place, one in enumerate(fruit)
    ]
    reach, place = min(near, default=(REACH + 1, -1))
    return fruit[place] if reach <= REACH else None


def _same(fruit: Sequence[_Fruit], drawn: Outline) -> _Fruit | None:
    """The known fruit that an outline is drawn over, if there is one."""
    near = [
        (
            max(
                known.reach(drawn.centre_x_px, drawn.centre_y_px),
                drawn.reach(known.centre_x_px, known.centre_y_px),
            ),
            place,
        )
        for place, one in enumerate(fruit)
        for known in {one.outline, one.fruit.outline}
    ]
    reach, place = min(near, default=(SAME_REACH + 1, -1))
    return fruit[place] if reach <= SAME_REACH else None


def _new(desk: _Desk, outline: Outline, number: int, photo_id: str) -> _Fruit:
    fruit = Fruit(
        photo_id=photo_id,
        fruit_id=f"{HAND}{number}",
        centre_x_px=outline.centre_x_px,
        centre_y_px=outline.centre_y_px,
        width_px=outline.width_px,
        height_px=outline.height_px,
        angle_deg=outline.angle_deg,
        diameter_px=outline.width_px,
        diameter_mm=None,
        diameter_error_mm=None,
        visible_share=1.0,
        score=1.0,
        on_this_row=True,
    )
    new = _Fruit(fruit=fruit, outline=outline, visible_share=1.0, on_this_row=True)
    desk.fruit.append(new)
    return new


def _redraw(one: _Fruit, outline: Outline, visible_share: float) -> None:
    one.outline, one.visible_share = outline, visible_share
    one.drawn, one.removed = True, False


# ---------------------------------------------------------------- what comes of it


def _reviewed(
    measured: MeasuredPhoto, desk: _Desk, standing: Sequence[PhotoEdit], settings: Settings
) -> Reviewed:
    kept = [one for one in desk.fruit if not one.removed]
    width_px = measured.photo.width_px
    fallen = {one.fruit.fruit_id for one in kept if _has_fallen(one, desk, width_px)}
    beside = {one.fruit.fruit_id for one in kept if _hangs_beside(one, desk)}
    away = fallen | beside
    fruit = tuple(
        _fruit_now(one, one.on_this_row and one.fruit.fruit_id not in away, measured, settings)
        for one in kept
    )
    now = replace(measured, fruit=fruit)
    checked = _last_check(standing, measured.made_with.detector)
    if checked is not None or now.fruit_count != measured.fruit_count:
        now = replace(now, doubts=merge_doubts(now.doubts, (Doubt.PUT_RIGHT,)))
    return Reviewed(
        photo=now,
        removed=tuple(one.fruit for one in desk.fruit if one.removed),
        fallen=frozenset(fallen),
        beside=frozenset(beside - fallen),
        drawn=frozenset(one.fruit.fruit_id for one in kept if one.drawn),
        lost=tuple(desk.lost),
        ground=desk.ground,
        sides=desk.sides,
        checked=checked,
    )


def _has_fallen(one: _Fruit, desk: _Desk, width_px: int) -> bool:
    if desk.ground is None or one.row_said > desk.ground_said:
        return False
    outline = one.outline
    return outline.centre_y_px > desk.ground.y_at(outline.centre_x_px, width_px)


def _hangs_beside(one: _Fruit, desk: _Desk) -> bool:
    if desk.sides is None or not one.on_this_row or one.row_said > desk.sides_said:
        return False
    return not desk.sides.left_x_px <= one.outline.centre_x_px <= desk.sides.right_x_px


def _fruit_now(
    one: _Fruit, on_this_row: bool, measured: MeasuredPhoto, settings: Settings
) -> Fruit:
    """The fruit, untouched where nothing about it changed."""
    known = one.fruit
    row_by_hand = one.row_said > 0 and on_this_row
    if not one.drawn and on_this_row == known.on_this_row and not row_by_hand:
        return known
    if not one.drawn and not on_this_row:
        return replace(
            known,
            on_this_row=False,
            diameter_mm=None,
            diameter_error_mm=None,
            doubts=merge_doubts((Doubt.NOT_SIZED,), known.doubts),
        )
    if not one.drawn and known.on_this_row:
        return replace(known, doubts=merge_doubts(known.doubts, (Doubt.BY_HAND,)))
    sized = _sized_anew(one, on_this_row, measured, settings)
    return replace(sized, doubts=merge_doubts(sized.doubts, (Doubt.BY_HAND,)))


def _sized_anew(
    one: _Fruit, on_this_row: bool, measured: MeasuredPhoto, settings: Settings
) -> Fruit:
    known, outline = one.fruit, one.outline
    numbers = (
        outline.centre_x_px,
        outline.centre_y_px,
        outline.width_px,
        outline.height_px,
        outline.angle_deg,
    )
    diameter_px = known.diameter_px
    error_px = known.diameter_error_px
    if one.drawn:
        diameter_px = float(true_diameters_px(np.array([numbers]), measured.photo)[0])
        error_px = HAND_ERROR_PX
    plain = replace(
        known,
        centre_x_px=outline.centre_x_px,
        centre_y_px=outline.centre_y_px,
        width_px=outline.width_px,
        height_px=outline.height_px,
        angle_deg=outline.angle_deg,
        diameter_px=diameter_px,
        diameter_mm=None,
        diameter_error_mm=None,
        visible_share=one.visible_share,
        on_this_row=on_this_row,
        doubts=(),
    )
    error = (HAND_ERROR_PX if error_px is None else error_px) / diameter_px
    sized = sized_fruit(
        plain,
        error,
        fitted=True,
        photo=measured.photo,
        scale=measured.scale,
        settings=settings,
    )
    return _at_its_distance(sized, known, error)


def _at_its_distance(sized: Fruit, known: Fruit, outline_error: float) -> Fruit:
    """A fruit that two views placed keeps its distance: its mm per px stay, its outline is new.

    Its error is the new outline's, and what the known one has beside its own outline's.
    """
    if known.depth_grade is not DepthGrade.TWO_VIEWS or sized.diameter_mm is None:
        return sized
    if known.diameter_mm is None or known.diameter_error_mm is None:
        return sized
    whole = known.diameter_error_mm / known.diameter_mm
    of_outline = (known.diameter_error_px or 0.0) / known.diameter_px
    rest = max(whole**2 - of_outline**2, 0.0) ** 0.5
    diameter_mm = sized.diameter_px * known.diameter_mm / known.diameter_px
    return replace(
        sized,
        diameter_mm=diameter_mm,
        diameter_error_mm=diameter_mm * hypot(rest, outline_error),
        depth_grade=known.depth_grade,
        distance_mm=known.distance_mm,
    )


def _last_check(standing: Sequence[PhotoEdit], detector: str) -> PhotoEdit | None:
    """The last one who checked what this detector found."""
    checks = [
        one
        for one in standing
        if isinstance(one.correction, CheckedPhoto) and one.correction.detector == detector
    ]
    return checks[-1] if checks else None
