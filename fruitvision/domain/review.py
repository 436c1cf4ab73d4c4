"""What people put right in a photo: one record an edit, and who made it when.

A fruit is meant by a place inside its outline, not by its number, so that an edit stays true when
the photo is measured again. Places and outlines are px of the upright photo.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import cos, hypot, isfinite, radians, sin


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A fruit's full outline as an ellipse, as in `Fruit`: full axes, the long one is `width_px`.

    `angle_deg` : direction of the long axis, degrees clockwise from +x.
    """

    centre_x_px: float
    centre_y_px: float
    width_px: float
    height_px: float
    angle_deg: float

    def __post_init__(self) -> None:
        numbers = (self.centre_x_px, self.centre_y_px, self.width_px, self.height_px)
        if not all(map(isfinite, (*numbers, self.angle_deg))) or min(numbers[2:]) <= 0:
            raise ValueError(f"need finite places and axes above 0, got {self}")

    def reach(self, x_px: float, y_px: float) -> float:
        """How far a place is from the middle, in half axes: 1 on the outline."""
        turn = radians(self.angle_deg)
        x, y = x_px - self.centre_x_px, y_px - self.centre_y_px
        along, across = x * cos(turn) + y * sin(turn), y * cos(turn) - x * sin(turn)
        return hypot(along / (self.width_px / 2), across / (self.height_px / 2))

    @property
    def half_box_px(self) -> tuple[float, float]:
        """Half the width and half the height of the upright box around it."""
        turn = radians(self.angle_deg)
        half_long, half_short = self.width_px / 2, self.height_px / 2
        return (
            hypot(half_long * cos(turn), half_short * sin(turn)),
            hypot(half_long * sin(turn), half_short * cos(turn)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RemovedFruit:
    """What was found at a place is no fruit."""

    x_px: float
    y_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RowOfFruit:
    """The fruit at a place hangs on this row, or does not."""

    x_px: float
    y_px: float
    on_this_row: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedFruit:
    """A fruit of this row that was not found. `visible_share` : 1 where all of it is seen."""

    outline: Outline
    visible_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReshapedFruit:
    """The fruit at a place has this outline."""

    x_px: float
    y_px: float
    outline: Outline
    visible_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundLine:
    """A straight line over the photo, by its height at the left and the right edge.

    Fruit whose middle lies below it have fallen.
    """

    left_y_px: float
    right_y_px: float

    def y_at(self, x_px: float, width_px: int) -> float:
        """Height of the line over a column of a photo that is so wide."""
        return self.left_y_px + (self.right_y_px - self.left_y_px) * x_px / max(width_px - 1, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SideLimits:
    """Two upright lines; fruit whose middle lies outside them hang on neighbouring trees."""

    left_x_px: float
    right_x_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedPhoto:
    """Somebody looked at all that this detector found in the photo and put right what was wrong."""

    detector: str


Correction = (
    RemovedFruit | RowOfFruit | AddedFruit | ReshapedFruit | GroundLine | SideLimits | CheckedPhoto
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoEdit:
    """One correction of a photo, by whom and when (UTC).

    `number` runs over all photos of a farm, the later the higher. An edit is never changed; one
    that was undone says by whom and when, and stays.
    """

    number: int
    photo_id: str
    correction: Correction
    made_by: str
    made_at: datetime
    undone_by: str | None = None
    undone_at: datetime | None = None

    @property
    def stands(self) -> bool:
        """Whether it counts."""
        return self.undone_at is None
