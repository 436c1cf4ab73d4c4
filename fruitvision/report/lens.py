"""A calibrated lens in words."""

from __future__ import annotations

from fruitvision.domain import LensCalibration
from fruitvision.lens.fitting import FOCUSED_MM, refocused
from fruitvision.report.words import many


def lens_lines(lens: LensCalibration) -> list[str]:
    """A calibration in words, with what weakens it."""
    camera, focused = lens.camera, refocused(lens)
    lines = [
        f"{lens.name}: calibrated {lens.made_on.isoformat()} from {many(lens.photos, 'photo')}, "
        f"{lens.corners:,} corners.",
        f"  focal length {camera.focal_px:.1f} px (± {lens.focal_error_px:.1f}), middle "
        f"{camera.middle_x_px:.1f}, {camera.middle_y_px:.1f}; corners fit to "
        f"{lens.reprojection_px:.2f} px",
        "  distortion k1, k2, p1, p2, k3: "
        + ", ".join(f"{value:.5f}" for value in camera.distortion),
        f"  board {lens.distance_mm / 1000:.2f} m away in the middle, by squares of "
        f"{lens.square_mm:g} mm: if it was not, measure a square again",
    ]
    if focused.focal_px != camera.focal_px:
        lines.append(
            f"  focused on the board; before a tree, at {FOCUSED_MM / 1000:g} m, the focal length "
            f"is {focused.focal_px:.1f} px"
        )
    return lines + [f"  ! {remark}" for remark in lens.remarks]
