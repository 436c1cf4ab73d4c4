"""What one photo gives: the photo itself, references, scale and fruit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from math import sqrt

from fruitvision.domain.doubt import Doubts
from fruitvision.domain.estimate import MadeWith
from fruitvision.domain.review import Outline


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """How a photo maps directions to px: pinhole with the distortion k1, k2, p1, p2, k3 of OpenCV.

    `calibrated` : measured with a printed board, not taken from the photo's tags.
    """

    focal_px: float
    middle_x_px: float
    middle_y_px: float
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    calibrated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """One photo, upright. `photo_id` is the sha256 of the file's bytes.

    `calibration` : of the phone that took it, where the farm has one that fits this photo.
    `phone` : make and model; `lens` : with the lens, where its name stands in the photo.
    `focal_35mm` : of the picture as it is, digital zoom included. `focal_mm` : of the lens itself.
    `zoom` : digital, 1 where there is none. `turned_deg` : how far the picture was turned clockwise
    to stand upright, 0, 90, 180 or 270; None where nothing says it.
    """

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
    calibration: Camera | None = None
    phone: str = ""
    focal_mm: float | None = None
    zoom: float = 1.0
    turned_deg: int | None = None

    @property
    def camera(self) -> Camera | None:
        """The calibrated camera, or one from the 35 mm equivalent; None if neither is known.

        35 mm equivalent: the diagonal of the picture is 43.27 mm long (CIPA DCG-001).
        """
        if self.calibration is not None or self.focal_35mm is None:
            return self.calibration
        diagonal_px = float((self.width_px**2 + self.height_px**2) ** 0.5)
        return Camera(
            focal_px=self.focal_35mm / 43.2666 * diagonal_px,
            middle_x_px=(self.width_px - 1) / 2,
            middle_y_px=(self.height_px - 1) / 2,
        )

    @property
    def focal_px(self) -> float | None:
        """Focal length of `camera`, px."""
        camera = self.camera
        return None if camera is None else camera.focal_px


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


class DepthGrade(StrEnum):
    """How the distance of a sized fruit is known, the least known first."""

    ONE_PLANE = "one plane"
    REFERENCES = "references"
    TWO_VIEWS = "two views"


# Nearest part of a slope, as a share of the anchor's depth: beyond it a slope is not followed. Our
# choice: no canopy comes four times nearer within one picture.
_NEAREST_SHARE = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Millimetres per pixel over the picture, and what they rest on.

    One reference: the same everywhere, in a plane through it. Several: a plane that may lean.

    `mm_per_px`, `mm_per_px_error`, `distance_mm` : at `anchor_px` (x, y).
    `slope_per_px` : relative change of mm per px at the anchor for a step of one px in x and in y;
    both 0 where the scale is the same everywhere.
    `slope_variances` : variance of the first, of the second, and their covariance, per px². The
    anchor is the weighted middle of the references, where slopes and level err independently.
    """

    mm_per_px: float
    mm_per_px_error: float
    distance_mm: float | None = None
    doubts: Doubts = ()
    grade: DepthGrade = DepthGrade.ONE_PLANE
    anchor_px: tuple[float, float] = (0.0, 0.0)
    slope_per_px: tuple[float, float] = (0.0, 0.0)
    slope_variances: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def at(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Millimetres per pixel at a point of the picture, and their standard error there.

        Notes
        -----
        1 / depth of a plane is linear in the picture, so mm per px is the anchor's divided by
        1 - slope · step. The error has two independent parts, as shares of it: the anchor's, and
        the slopes' times the step.
        """
        x, y = x_px - self.anchor_px[0], y_px - self.anchor_px[1]
        nearness = 1 - self.slope_per_px[0] * x - self.slope_per_px[1] * y
        # Nearer than a quarter or farther than four times the anchor: no canopy, see above.
        nearness = min(max(nearness, _NEAREST_SHARE), 1 / _NEAREST_SHARE)
        across, down, both = self.slope_variances
        slopes = max(across * x**2 + down * y**2 + 2 * both * x * y, 0.0) / nearness**2
        level = (self.mm_per_px_error / self.mm_per_px) ** 2
        here = self.mm_per_px / nearness
        return here, here * sqrt(level + slopes)

    def distance_at(self, x_px: float, y_px: float) -> float | None:
        """Depth there, mm, along the optical axis; None where the lens is not known."""
        if self.distance_mm is None:
            return None
        return self.distance_mm * self.at(x_px, y_px)[0] / self.mm_per_px


@dataclass(frozen=True, slots=True, kw_only=True)
class Ball:
    """A ball of stated diameter that hangs among the fruit: its outline, and the scale there.

    The outline is an ellipse as in `Fruit`. `found_by` is "colour" or "person".
    """

    diameter_mm: float
    centre_x_px: float
    centre_y_px: float
    width_px: float
    height_px: float
    angle_deg: float
    mm_per_px: float
    mm_per_px_error: float
    found_by: str
    doubts: Doubts = ()


class ReferenceKind(StrEnum):
    """What a reference is."""

    SQUARE = "square"
    BALL = "ball"


@dataclass(frozen=True, slots=True, kw_only=True)
class PointedReference:
    """A reference that a person pointed at: a box (x0, y0, x1, y1) around it, px of the upright
    picture. `size_mm` is the side of a printed square or the diameter of a ball."""

    kind: ReferenceKind
    size_mm: float
    box_px: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fruit:
    """One fruit in one photo: its full outline as an ellipse, hidden parts included.

    `width_px` is the long axis of the outline, `angle_deg` its direction, clockwise from +x;
    `height_px` is the axis at right angles. `diameter_px` is the long axis freed of the off-axis
    stretch, and `diameter_error_px` the standard error of the outline alone. `diameter_mm` is None
    for a fruit that is counted and not sized. `distance_mm` is the depth of its centre along the
    optical axis. `same_as` names the fruit (photo_id and fruit_id) of another photo of this face
    that it is: it is counted there.
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
    depth_grade: DepthGrade = DepthGrade.ONE_PLANE
    distance_mm: float | None = None
    same_as: tuple[str, str] | None = None
    diameter_error_px: float | None = None

    @property
    def outline(self) -> Outline:
        """Its outline alone."""
        return Outline(
            centre_x_px=self.centre_x_px,
            centre_y_px=self.centre_y_px,
            width_px=self.width_px,
            height_px=self.height_px,
            angle_deg=self.angle_deg,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredPhoto:
    """All that one photo gave. `remarks` are sentences about this photo alone.

    `seen_with` : photo_ids of the other photos of its tree face with which it was measured
    together, or was tried to; see `views`.
    """

    photo: Photo
    references: tuple[Reference, ...]
    scale: Scale | None
    fruit: tuple[Fruit, ...]
    doubts: Doubts
    made_with: MadeWith
    remarks: tuple[str, ...] = ()
    balls: tuple[Ball, ...] = ()
    seen_with: tuple[str, ...] = ()

    @property
    def fruit_count(self) -> int:
        """Fruit that hang on this row."""
        return sum(fruit.on_this_row for fruit in self.fruit)
