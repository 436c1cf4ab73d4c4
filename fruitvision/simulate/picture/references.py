"""What gives a picture its scale: the printed sheet on its cane, and balls of known size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.balls import (
    BALL_COLOURS,
    Ball,
    Obstacles,
    Room,
    ball_meshes,
    hang_ball,
)
from fruitvision.simulate.picture.camera import Bools, Camera, Floats, turns_about
from fruitvision.simulate.picture.dials import check_choice, check_number, check_span
from fruitvision.simulate.picture.marker import SHEET_MM, marker_corners_on_sheet_mm
from fruitvision.simulate.picture.meshes import Mesh, tube


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceDials:
    """The sheet and the balls. Our choice.

    `sheet` : whether one hangs; `aside_mm` : how far from the trunk, to either side;
    `depth_sd_mm` : a person judges the mean depth of the fruit to within some centimetres;
    `depth_off_mm` : how much too far away it is hung on purpose; `tilt_deg` : largest tilt by wind
    and string, up to 35.
    `balls`, `ball_mm`, `ball_colours` : how many, how wide, and in which colours by turns;
    `ball_depth_mm` : nearest and farthest, against the mean depth of the visible fruit.
    """

    sheet: bool = True
    aside_mm: tuple[float, float] = (650.0, 790.0)
    depth_sd_mm: float = 35.0
    depth_off_mm: float = 0.0
    tilt_deg: float = 15.0
    balls: int = 0
    ball_mm: float = 60.0
    ball_colours: tuple[str, ...] = ("white",)
    ball_depth_mm: tuple[float, float] = (-180.0, 60.0)

    def __post_init__(self) -> None:
        check_span("references.aside_mm", self.aside_mm, 0.0, 2000.0)
        check_number("references.depth_sd_mm", self.depth_sd_mm, 0.0, 300.0)
        check_number("references.depth_off_mm", self.depth_off_mm, -800.0, 800.0)
        check_number("references.tilt_deg", self.tilt_deg, 0.0, 35.0)
        check_number("references.balls", self.balls, 0, 12)
        check_number("references.ball_mm", self.ball_mm, 20.0, 150.0)
        check_span("references.ball_depth_mm", self.ball_depth_mm, -800.0, 800.0)
        check_number("the number of references.ball_colours", len(self.ball_colours), 1, 12)
        for colour in self.ball_colours:
            check_choice("references.ball_colours", colour, tuple(BALL_COLOURS))


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class References:
    """All that gives a picture its scale. The label of a ball follows those of all fruit."""

    sheet: Sheet | None
    balls: tuple[Ball, ...] = ()

    def covered_by(self, camera: Camera, points_mm: Floats) -> Bools:
        """Which of (N, 3) middles of leaves would hide a reference."""
        found: Bools = np.zeros(len(points_mm), dtype=np.bool_)
        if self.sheet is not None:
            found |= covers(points_mm, self.sheet, camera)
        for ball in self.balls:
            found |= ball.covered_by(camera, points_mm)
        return found

    def meshes(self, first_label: int) -> list[Mesh]:
        """Cane, balls and strings; the sheet itself is no mesh of colours but a printed bitmap."""
        parts = [] if self.sheet is None else [cane(self.sheet)]
        return parts + ball_meshes(self.balls, first_label)


def hang_references(
    dials: ReferenceDials,
    camera: Camera,
    obstacles: Obstacles,
    visible_depth_mm: float,
    rngs: tuple[np.random.Generator, np.random.Generator],
) -> References:
    """Hang the sheet, then the balls, where nothing solid hides or touches them.

    `visible_depth_mm` : mean depth of the fruit that are seen; `rngs` : for sheet and balls.
    """
    sheet = None
    if dials.sheet:
        sheet = hang_sheet(dials, camera, obstacles.centres_mm, visible_depth_mm, rngs[0])
        grid = np.stack(np.meshgrid(np.linspace(-105, 105, 8), np.linspace(-148, 148, 11)), axis=-1)
        obstacles = _with(obstacles, sheet.points(grid.reshape(-1, 2)), 25.0)
    balls: list[Ball] = []
    near, far = dials.ball_depth_mm
    room = Room(
        aside_mm=(-620.0, 620.0),
        height_mm=(800.0, 1900.0),
        depth_mm=(visible_depth_mm + near, visible_depth_mm + far),
    )
    for number in range(dials.balls):
        colour = dials.ball_colours[number % len(dials.ball_colours)]
        ball = hang_ball(dials.ball_mm, colour, camera, room, obstacles, rngs[1])
        if ball is not None:
            balls.append(ball)
            obstacles = _with(obstacles, np.array([ball.centre_mm]), ball.diameter_mm / 2.0)
    return References(sheet=sheet, balls=tuple(balls))


def _with(obstacles: Obstacles, points_mm: Floats, radius_mm: float) -> Obstacles:
    return Obstacles(
        centres_mm=np.concatenate([obstacles.centres_mm, points_mm]),
        radii_mm=np.concatenate([obstacles.radii_mm, np.full(len(points_mm), radius_mm)]),
    )


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
    error = float(np.clip(rng.normal(0.0, dials.depth_sd_mm), -reach, reach)) + dials.depth_off_mm
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
    aside = rng.choice((-1.0, 1.0)) * rng.uniform(*dials.aside_mm)
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
