"""Balls of known size that hang among the fruit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Bools, Camera, Floats, Vector
from fruitvision.simulate.picture.meshes import Ints, Mesh, grid_faces, tube
from fruitvision.simulate.picture.sight import before

# Linear reflectances of paints. Our choice.
BALL_COLOURS: dict[str, Vector] = {
    "white": (0.78, 0.78, 0.75),
    "orange": (0.72, 0.20, 0.02),
    "blue": (0.03, 0.10, 0.45),
    "yellow": (0.75, 0.55, 0.03),
    "red": (0.50, 0.02, 0.02),
    "green": (0.06, 0.33, 0.06),
    "pink": (0.72, 0.20, 0.32),
}
# Gap that a ball keeps from fruit and wood, and length of its string, mm. Our choice.
GAP_MM, STRING_MM = 8.0, 140.0
# Rings of the mesh: its flat faces lie within 0.05 % of the radius.
RINGS = 49
TRIES = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Ball:
    """A ball in the world; `colour` : a name of `BALL_COLOURS`."""

    centre_mm: Vector
    diameter_mm: float
    colour: str

    def covered_by(self, camera: Camera, points_mm: Floats) -> Bools:
        """Which of (N, 3) middles of leaves would hide a part of the ball, or touch it."""
        centre, radius = np.array(self.centre_mm), self.diameter_mm / 2.0
        # Leaves are up to 95 mm long: half of that from their middle.
        return before(camera, points_mm, centre, radius, margin_mm=48.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Obstacles:
    """Spheres that stand for fruit, wood and posts: (N, 3) centres and (N,) radii, mm."""

    centres_mm: Floats
    radii_mm: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Where balls may hang: x, y and depth from the camera, lowest and highest, mm."""

    aside_mm: tuple[float, float]
    height_mm: tuple[float, float]
    depth_mm: tuple[float, float]


def hang_ball(
    ball_mm: float,
    colour: str,
    camera: Camera,
    room: Room,
    obstacles: Obstacles,
    rng: np.random.Generator,
) -> Ball | None:
    """A ball in full view that touches nothing; None if `TRIES` places were all taken."""
    for _ in range(TRIES):
        place = _place(camera, room, rng)
        if _in_frame(camera, place, ball_mm) and _free(camera, place, ball_mm, obstacles):
            x, y, z = place.tolist()
            return Ball(centre_mm=(x, y, z), diameter_mm=ball_mm, colour=colour)
    return None


def _place(camera: Camera, room: Room, rng: np.random.Generator) -> Floats:
    depth = rng.uniform(*room.depth_mm)
    forward = camera.axes()[2]
    line = np.array([rng.uniform(*room.aside_mm), rng.uniform(*room.height_mm), 0.0])
    line = line - np.array(camera.position_mm)
    line[2] = (depth - line[:2] @ forward[:2]) / forward[2]
    return np.asarray(np.array(camera.position_mm) + line)


def _in_frame(camera: Camera, place: Floats, ball_mm: float) -> bool:
    middle = camera.project(place[None])[0]
    depth = float(camera.seen_from(place[None])[0, 2])
    margin = 1.2 * ball_mm / 2.0 * camera.focal_px / depth + 4.0
    size = np.array([camera.width_px, camera.height_px])
    return bool((middle > margin).all() and (middle < size - 1 - margin).all())


def _free(camera: Camera, place: Floats, ball_mm: float, obstacles: Obstacles) -> bool:
    radius = ball_mm / 2.0
    gaps = np.linalg.norm(obstacles.centres_mm - place, axis=1) - obstacles.radii_mm - radius
    if (gaps < GAP_MM).any():
        return False
    near = gaps < 1500.0
    centres, radii = obstacles.centres_mm[near], obstacles.radii_mm[near]
    for size in np.unique(np.ceil(radii / 5.0) * 5.0):
        same = np.ceil(radii / 5.0) * 5.0 == size
        if before(camera, centres[same], place, radius, margin_mm=float(size)).any():
            return False
    return True


def ball_meshes(balls: tuple[Ball, ...], first_label: int) -> list[Mesh]:
    """The balls, labelled one after another from `first_label`, and their strings."""
    meshes = []
    for number, ball in enumerate(balls):
        meshes.append(_ball_mesh(ball, first_label + number))
        x, y, z = ball.centre_mm
        top = y + ball.diameter_mm / 2.0 - 1.0
        path = np.array([[x, top, z], [x + 1.0, top + STRING_MM / 2.0, z], [x, top + STRING_MM, z]])
        meshes.append(tube(path, np.full(3, 0.8), np.array([0.55, 0.52, 0.45]), sides=5))
    return meshes


def _ball_mesh(ball: Ball, label: int) -> Mesh:
    polar, around = np.meshgrid(
        np.linspace(0.0, np.pi, RINGS), np.linspace(0.0, 2.0 * np.pi, 2 * RINGS), indexing="ij"
    )
    unit = np.stack(
        [np.sin(polar) * np.cos(around), np.cos(polar), np.sin(polar) * np.sin(around)], axis=-1
    ).reshape(-1, 3)
    labels: Ints = np.full(len(unit), label)
    return Mesh(
        material="ball",
        points_mm=unit * ball.diameter_mm / 2.0 + np.array(ball.centre_mm),
        faces=grid_faces(RINGS, 2 * RINGS)[:, [0, 2, 1]],
        colours=np.tile(BALL_COLOURS[ball.colour], (len(unit), 1)),
        normals=unit,
        labels=labels,
    )
