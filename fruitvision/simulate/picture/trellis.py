"""Posts, wires and the drip line of the rows. Numpy only."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Mesh, tube, tubes

# Half of the stretch of a row that is drawn, mm. Our choice: more than a phone sees of row 4.
HALF_LENGTH_MM = 9000.0
POST_TOP_MM = 2750.0


def wires(heights_mm: tuple[float, ...], rows: int, row_spacing_mm: float) -> list[Mesh]:
    """Steel wires of 3 mm along all rows; they sag a little."""
    if not heights_mm:
        return []
    # Short pieces: rays meet triangles of 18 m by 3 mm with rounding errors.
    x = np.linspace(-HALF_LENGTH_MM, HALF_LENGTH_MM, 150)
    paths = [
        np.column_stack([x, height + x / 1200.0, np.full(150, -row * row_spacing_mm)])
        for row in range(rows)
        for height in heights_mm
    ]
    grey = np.full(3, 0.42)
    return [tubes(np.stack(paths), np.array([1.5]), grey, sides=5, material="metal")]


def drip_line(height_mm: float, rows: int, row_spacing_mm: float) -> list[Mesh]:
    """The black hose along the two nearest rows; none at height 0."""
    if height_mm <= 0.0:
        return []
    x = np.linspace(-HALF_LENGTH_MM, HALF_LENGTH_MM, 150)
    sag = 14.0 * np.sin(x / 410.0) * np.sin(x / 130.0)
    paths = [
        np.column_stack([x, height_mm + sag, np.full(150, 25.0 - row * row_spacing_mm)])
        for row in range(min(rows, 2))
    ]
    return [tubes(np.stack(paths), np.array([8.0]), np.full(3, 0.022), sides=6)]


def _wood_post(x: float, z: float, rng: np.random.Generator) -> Mesh:
    height = np.linspace(-20.0, POST_TOP_MM, 40)
    path = np.column_stack([np.full(40, x), height, np.full(40, z)])
    grey = np.array([0.30, 0.255, 0.20]) * rng.uniform(0.8, 1.2)
    # Long grain: each side of the pole has its own tone, and weather runs down from the top.
    post = tube(path, np.full(40, 42.0), grey, sides=28)
    grain = rng.uniform(0.75, 1.2, 28)[None, :] * rng.uniform(0.92, 1.08, (40, 28))
    return _painted(post, post.colours * grain.reshape(-1, 1), "bark")


def _concrete_post(x: float, z: float, rng: np.random.Generator) -> Mesh:
    height = np.linspace(-20.0, POST_TOP_MM, 60)
    path = np.column_stack([np.full(60, x), height, np.full(60, z)])
    # Four sides; 60 mm from the axis to an edge make a pole of 85 mm.
    post = tube(path, np.full(60, 60.0), np.array([0.40, 0.39, 0.36]), sides=4)
    stains = np.clip(1.0 + 0.10 * rng.normal(size=(len(post.points_mm), 1)), 0.7, 1.3)
    flat = _painted(post, post.colours * stains, "concrete")
    return Mesh(
        material=flat.material, points_mm=flat.points_mm, faces=flat.faces, colours=flat.colours
    )


def _steel_post(x: float, z: float, rng: np.random.Generator) -> Mesh:
    height = np.linspace(-20.0, POST_TOP_MM, 60)
    path = np.column_stack([np.full(60, x), height, np.full(60, z)])
    grey = np.array([0.40, 0.41, 0.42]) * rng.uniform(0.85, 1.1)
    return _painted(tube(path, np.full(60, 26.0), grey, sides=6), None, "metal")


def _painted(mesh: Mesh, colours: Floats | None, material: str) -> Mesh:
    return Mesh(
        material=material,
        points_mm=mesh.points_mm,
        faces=mesh.faces,
        colours=mesh.colours if colours is None else np.clip(colours, 0.0, 0.9),
        normals=mesh.normals,
    )


# One post at x, z.
POSTS: dict[str, Callable[[float, float, np.random.Generator], Mesh]] = {
    "wood": _wood_post,
    "concrete": _concrete_post,
    "steel": _steel_post,
}


def posts(kind: str, at_mm: Floats, z: float, rng: np.random.Generator) -> list[Mesh]:
    """Posts of a row at those places along it."""
    inside = at_mm[np.abs(at_mm) <= HALF_LENGTH_MM]
    return [POSTS[kind](float(x), z, rng) for x in inside]
