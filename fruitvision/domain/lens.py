"""What a farm knows of a phone's lens, from photos of a printed board."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fruitvision.domain.photo import Camera


@dataclass(frozen=True, slots=True, kw_only=True)
class LensCalibration:
    """A phone's lens, measured with a printed board.

    `phone`, `lens`, `focal_35mm`, `focal_mm` : as in `Photo`. `width_px`, `height_px`, `camera` :
    of the picture as the sensor gives it, not turned. `focal_error_px` : one standard error.
    `reprojection_px` : root mean square distance between the board's corners as seen and as the
    camera would draw them. `distance_mm` : mean distance of the board, to which the lens was
    focused. `remarks` : what weakens it, in words.
    """

    phone: str
    lens: str
    focal_35mm: float | None
    focal_mm: float | None
    width_px: int
    height_px: int
    camera: Camera
    focal_error_px: float
    reprojection_px: float
    distance_mm: float
    square_mm: float
    photos: int
    corners: int
    made_on: date
    remarks: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Phone, lens and size of the picture: a later calibration of these takes its place."""
        tags = ((self.focal_mm, "mm"), (self.focal_35mm, "mm (35 mm equivalent)"))
        focal = [f"{value:g} {unit}" for value, unit in tags if value is not None]
        return ", ".join(
            [self.lens or "Phone without a name", *focal, f"{self.width_px} × {self.height_px} px"]
        )
