"""What it costs to leave a lens's distortion out, in percent of a diameter.

    python -m tests.bench.bench_lens tests/orchards/low-sun

For a folder with truth: the true outlines of its fruit and the true corners of its markers are
turned into millimetres with the lens and as if it were a pinhole. Then the same for a phone's main
camera that draws the corner of the picture 0.5 to 2 % too far in or out.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import drawn_outlines, drawn_px, ideal_outlines, ideal_px
from fruitvision.domain import Camera
from fruitvision.scale import remove_off_axis_stretch

Floats = NDArray[np.float64]

# Fruit that are seen enough to be sized.
LEAST_SHARE = 0.7
# A phone held across, main camera of 26 mm, photos of 12 megapixels; fruit of 75 mm at 2.3 m.
WIDTH_PX, HEIGHT_PX, FOCAL_PX, FRUIT_PX = 4000, 3000, 3004.6, 98.0
RINGS = ((0.0, 1 / 3), (1 / 3, 2 / 3), (2 / 3, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """Relative error of diameters, and how far out the fruit are: 1 is the picture's corner."""

    errors: Floats
    out: Floats

    def __str__(self) -> str:
        parts = [self.errors[(self.out >= low) & (self.out < high)] for low, high in RINGS]
        rings = "  ".join(f"{part.mean():+7.2%}" if len(part) else "      –" for part in parts)
        return (
            f"{self.errors.mean():+7.2%}  {self.errors.std():6.2%}  "
            f"{np.abs(self.errors).max():6.2%}  {rings}"
        )


HEAD = "   mean      sd    most   inner  middle   outer third"


def diameters_px(outlines: Floats, camera: Camera) -> Floats:
    """Diameters that a camera gives to drawn outlines, as discs on the axis."""
    return remove_off_axis_stretch(
        ideal_outlines(outlines, camera),
        focal_px=camera.focal_px,
        principal_point_px=(camera.middle_x_px, camera.middle_y_px),
    )


def marker_px(corners: Floats, camera: Camera) -> float:
    """Side of a marker that a camera gives to its drawn corners: the root of its area."""
    x, y = ideal_px(corners, camera).T
    return float(np.sqrt(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2))


def effect(outlines: Floats, corners: Floats, camera: Camera, size_px: tuple[int, int]) -> Effect:
    """Error of fruit whose outlines and marker are read as if the lens were a pinhole."""
    pinhole = replace(camera, distortion=(0.0,) * 5)
    fruit = diameters_px(outlines, pinhole) / diameters_px(outlines, camera)
    scale = marker_px(corners, camera) / marker_px(corners, pinhole)
    from_middle = outlines[:, :2] - [camera.middle_x_px, camera.middle_y_px]
    out = np.hypot(*from_middle.T) / np.hypot(*size_px) * 2
    return Effect(errors=fruit * scale - 1, out=out)


def of_folder(folder: Path) -> tuple[Effect, Floats]:
    """The effect in a folder's photos, and the error left when lens and depth are the true ones."""
    cameras = {row["photo"]: row for row in _rows(folder / "truth_markers.csv")}
    fruit: dict[str, list[dict[str, str]]] = {}
    for row in _rows(folder / "truth_photos.csv"):
        seen = float(row["visible_share"]) >= LEAST_SHARE and row["on_this_row"] == "true"
        if seen and row["category"] == "hanging fruit":
            fruit.setdefault(row["photo"], []).append(row)
    effects, left = [], []
    for name, rows in fruit.items():
        camera = _camera(cameras[name])
        outlines = _floats(rows, "x_px", "y_px", "width_px", "height_px", "angle_deg")
        corners = [[float(cameras[name][f"{axis}{n}_px"]) for axis in "xy"] for n in (1, 2, 3, 4)]
        size = (
            int(cameras[name]["image_width_px"]),
            int(cameras[name]["image_height_px"]),
        )
        effects.append(effect(outlines, np.array(corners), camera, size))
        truth = _floats(rows, "diameter_mm", "depth_mm")
        left.append(
            diameters_px(outlines, camera) * truth[:, 1] / camera.focal_px / truth[:, 0] - 1
        )
    both = Effect(
        errors=np.concatenate([one.errors for one in effects]),
        out=np.concatenate([one.out for one in effects]),
    )
    return both, np.concatenate(left)


def of_phone(corner_share: float, marker_out: float) -> Effect:
    """The effect in a phone's photo with fruit all over it.

    `corner_share` : how much too far out the corner is drawn; `marker_out` : how far out the marker
    hangs, 1 is the middle of the long side.
    """
    corner_slope = np.hypot(WIDTH_PX, HEIGHT_PX) / 2 / FOCAL_PX
    camera = Camera(
        focal_px=FOCAL_PX,
        middle_x_px=(WIDTH_PX - 1) / 2,
        middle_y_px=(HEIGHT_PX - 1) / 2,
        distortion=(corner_share / corner_slope**2, 0.0, 0.0, 0.0, 0.0),
    )
    outlines = drawn_outlines(_upright_fruit(camera), camera)
    middle = np.array([camera.middle_x_px * (1 + marker_out), camera.middle_y_px])
    square = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * 98.0
    return effect(outlines, drawn_px(middle + square, camera), camera, (WIDTH_PX, HEIGHT_PX))


def _upright_fruit(camera: Camera) -> Floats:
    """Outlines of fruit all over an ideal picture, 0.88 as high as wide, with the lens's stretch.

    The stretch is 1 / cos t away from the middle, as `remove_off_axis_stretch` takes it out.
    """
    x, y = np.meshgrid(np.linspace(60, WIDTH_PX - 60, 40), np.linspace(60, HEIGHT_PX - 60, 30))
    centres = np.column_stack([x.ravel(), y.ravel()])
    outward = centres - [camera.middle_x_px, camera.middle_y_px]
    off_px = np.linalg.norm(outward, axis=1)
    outward /= off_px[:, None]
    stretch = np.hypot(1, off_px / FOCAL_PX) - 1
    grown = np.eye(2) + stretch[:, None, None] * outward[:, :, None] * outward[:, None, :]
    directions, axes, _ = np.linalg.svd(grown @ np.diag([FRUIT_PX, 0.88 * FRUIT_PX]))
    angles = np.degrees(np.arctan2(directions[:, 1, 0], directions[:, 0, 0]))
    return np.column_stack([centres, axes, angles])


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def main(folders: list[str]) -> None:
    for folder in folders:
        both, left = of_folder(Path(folder))
        say(f"{folder}: {len(left)} true outlines read as if the lens were a pinhole")
        say(f"{'':24}{HEAD}\n{'':24}{both}")
        say(f"with the lens and the true depth: {left.mean():+.2%}, sd {left.std():.2%}")
    say("a phone's main camera, fruit all over the picture")
    say(f"{'corner':>8}{'marker':>14}  {HEAD}")
    for corner_share in (-0.02, -0.01, -0.005, 0.005, 0.01, 0.02):
        for marker_out, words in ((0.0, "middle"), (0.6, "at the side")):
            say(f"{corner_share:+8.1%}{words:>14}  {of_phone(corner_share, marker_out)}")


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def _floats(rows: list[dict[str, str]], *names: str) -> Floats:
    return np.array([[float(row[name]) for name in names] for row in rows])


def _camera(row: dict[str, str]) -> Camera:
    return Camera(
        focal_px=float(row["focal_px"]),
        middle_x_px=float(row["middle_x_px"]),
        middle_y_px=float(row["middle_y_px"]),
        distortion=tuple(float(row[name]) for name in ("k1", "k2", "p1", "p2", "k3")),
    )


if __name__ == "__main__":
    main(sys.argv[1:])
