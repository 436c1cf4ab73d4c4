"""What gives a picture its scale: the printed sheet on its cane, and balls of known size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Bools, Camera, Floats, turns_about
from fruitvision.simulate.picture.marker import SHEET_MM, marker_corners_on_sheet_mm
from fruitvision.simulate.picture.meshes import Mesh, tube


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceDials:
    """How the sheet hangs. Our choice.

    `depth_sd_mm` : a person judges the mean depth of the fruit to within some centimetres;
    `tilt_deg` : largest tilt by wind and string.
    """

    depth_sd_mm: float = 35.0
    tilt_deg: float = 15.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """The printed sheet: middle (3,), and the unit vectors right and up (3,) of its face."""

    middle_mm: Floats
    right: Floats
    up: Floats

    def points(self, on_sheet_mm: Floats) -> Floats:
        """(N, 3) world points of (N, 2) places on the sheet."""
        return np.asarray(
            self.middle_mm + on_sheet_mm[:, :1] * self.right + on_sheet_mm[:, 1:] * self.up
        )

    def corners_px(self, camera: Camera) -> Floats:
        """(4, 2) corners of the black square: top left, top right, bottom right, bottom left."""
        return camera.project(self.points(marker_corners_on_sheet_mm()))


def hang_sheet(
    dials: ReferenceDials,
    camera: Camera,
    in_the_way_mm: Floats,
    visible_depth_mm: float,
    rng: np.random.Generator,
) -> Sheet:
    """Hang the sheet beside the tree, about as deep as its visible fruit are on average.

    `in_the_way_mm` : (N, 3) points of fruit, wood and posts that would cover a sheet.
    """
    reach = 2.3 * dials.depth_sd_mm
    error = float(np.clip(rng.normal(0.0, dials.depth_sd_mm), -reach, reach))
    tries = [_one_sheet(dials, camera, visible_depth_mm + error, rng) for _ in range(60)]
    blocked = [int(covers(in_the_way_mm, sheet, camera).sum()) for sheet in tries]
    cut = [0 if _in_frame(sheet, camera) else 10000 for sheet in tries]
    return tries[int(np.argmin(np.add(blocked, cut)))]


def _in_frame(sheet: Sheet, camera: Camera) -> bool:
    corners_px = sheet.corners_px(camera)
    far_px = np.array([camera.width_px, camera.height_px]) - 60.0
    return bool(((corners_px > 60.0) & (corners_px < far_px)).all())


def _one_sheet(
    dials: ReferenceDials, camera: Camera, depth_mm: float, rng: np.random.Generator
) -> Sheet:
    towards = 1.0 if camera.position_mm[2] > 0.0 else -1.0
    aside = rng.choice((-1.0, 1.0)) * rng.uniform(650.0, 790.0)
    # Between two wires, so that none runs across it.
    height = rng.uniform(*((995.0, 1135.0), (1545.0, 1690.0))[int(rng.integers(2))])
    forward = camera.axes()[2]
    line = np.array([aside, height, 0.0]) - np.array(camera.position_mm)
    # Slide towards the camera or away until the middle has the wanted depth.
    line[2] = (depth_mm - line[:2] @ forward[:2]) / forward[2]
    # Tilt about a nearly upright axis, as wind and string do.
    tilt = np.radians(rng.uniform(-dials.tilt_deg, dials.tilt_deg))
    axis = np.array([[rng.normal(0.0, 0.35), 1.0, rng.normal(0.0, 0.1)]])
    turn = turns_about(axis, np.array([tilt]))[0]
    return Sheet(
        middle_mm=np.array(camera.position_mm) + line,
        right=turn @ np.array([towards, 0.0, 0.0]),
        up=turn @ np.array([0.0, 1.0, 0.0]),
    )


def covers(points: Floats, sheet: Sheet, camera: Camera) -> Bools:
    """Which of (N, 3) points lie before the sheet as the camera sees it, or touch it."""
    half = np.array(SHEET_MM) / 2.0
    corners = sheet.points(half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]))
    corners_px, points_px = camera.project(corners), camera.project(points)
    margin_px = 50.0
    inside = (points_px > corners_px.min(axis=0) - margin_px) & (
        points_px < corners_px.max(axis=0) + margin_px
    )
    behind = float(camera.seen_from(corners)[:, 2].max()) + 70.0
    return np.asarray(inside.all(axis=1) & (camera.seen_from(points)[:, 2] < behind))


def cane(sheet: Sheet) -> Mesh:
    """The cane that the sheet is clipped to, just behind it."""
    back = np.cross(sheet.up, sheet.right)
    middle = sheet.middle_mm + back * 10.0
    top, bottom = middle + sheet.up * 210.0, middle - sheet.up * 190.0
    foot = np.array([bottom[0], -20.0, bottom[2]])
    path = np.stack([foot, bottom, middle, top])
    return tube(path, np.array([7.0, 6.0, 5.5, 5.0]), np.array([0.30, 0.24, 0.11]))
