"""What one photo gives: the photo itself, references, scale and fruit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fruitvision.domain.doubt import Doubts
from fruitvision.domain.estimate import MadeWith


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """One photo, upright. `photo_id` is the sha256 of the file's bytes."""

    photo_id: str
    name: str
    width_px: int
    height_px: int
    taken_at: datetime | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    lens: str = ""
    focal_35mm: float | None = None
    sharpness: float
    brightness: float
    doubts: Doubts = ()

    @property
    def focal_px(self) -> float | None:
        """Focal length in px from the 35 mm equivalent (diagonal 43.27 mm, CIPA DCG-001)."""
        if self.focal_35mm is None:
            return None
        diagonal_px = float((self.width_px**2 + self.height_px**2) ** 0.5)
        return self.focal_35mm / 43.2666 * diagonal_px


Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A square marker found in a photo: printed side, corners, tilt, and what is wrong with it."""

    marker_id: int
    side_mm: float
    corners_px: Corners
    side_px: float
    tilt_deg: float
    mm_per_px: float
    mm_per_px_error: float
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Millimetres per pixel in the plane of the reference, and what it rests on."""

    mm_per_px: float
    mm_per_px_error: float
    distance_mm: float | None = None
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fruit:
    """One fruit in one photo: its full outline as an ellipse, hidden parts included.

    `width_px` is the long axis of the outline, `angle_deg` its direction, clockwise from +x;
    `height_px` is the axis at right angles. `diameter_px` is the long axis freed of the off-axis
    stretch. `diameter_mm` is None for a fruit that is counted and not sized.
    """

    photo_id: str
    fruit_id: str
    centre_x_px: float
    centre_y_px: float
    width_px: float
    height_px: float
    angle_deg: float
    diameter_px: float
    diameter_mm: float | None
    diameter_error_mm: float | None
    visible_share: float
    score: float
    on_this_row: bool
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredPhoto:
    """All that one photo gave. `remarks` are sentences about this photo alone."""

    photo: Photo
    references: tuple[Reference, ...]
    scale: Scale | None
    fruit: tuple[Fruit, ...]
    doubts: Doubts
    made_with: MadeWith
    remarks: tuple[str, ...] = ()

    @property
    def fruit_count(self) -> int:
        """Fruit that hang on this row."""
        return sum(fruit.on_this_row for fruit in self.fruit)
