"""Triangle meshes with a colour per vertex: fruit, leaves, tubes, grass. Numpy only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.picture.camera import Floats

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Triangles of one material.

    `points_mm` : (V, 3); `faces` : (F, 3) int; `colours` : (V, 3) linear reflectance, 0 to 1;
    `normals` : (V, 3) or None for flat faces; `labels` : (V,) int, fruit number + 1, 0 for others.
    """

    material: str
    points_mm: Floats
    faces: Ints
    colours: Floats
    normals: Floats | None = None
    labels: Ints | None = None


def copies(template_faces: Ints, vertices: int, count: int) -> Ints:
    """Faces of `count` copies of a template with `vertices` vertices, laid one after another."""
    shift = np.arange(count)[:, None, None] * vertices
    return (template_faces[None] + shift).reshape(-1, 3)


def grid_faces(rows: int, columns: int, *, closed: bool = False) -> Ints:
    """Two triangles per cell of a grid of vertices; `closed` joins the last column to the first."""
    last = columns if closed else columns - 1
    row, column = np.meshgrid(np.arange(rows - 1), np.arange(last), indexing="ij")
    right = (column + 1) % columns
    a, b = row * columns + column, row * columns + right
    c, d = a + columns, b + columns
    return np.stack([a, c, b, b, c, d], axis=-1).reshape(-1, 3).astype(np.int64)


def lathe(rows: int, columns: int, *, hollow: float = 1.0) -> tuple[Floats, Floats, Floats, Ints]:
    """A fruit of half axes 1: points, normals, directions (V, 3) and faces; y runs to the stem.

    An ellipsoid all round, except for the stem cavity and the calyx basin: `hollow` 0 has none, 1
    those of a mature apple. Both have a raised rim, so that seen from the side the outline stays
    that of the ellipsoid, within 0.012 of its half height where there are 20 rings or more.
    """
    polar = np.pi * np.arange(rows) / (rows - 1)
    polar = np.clip(polar, 0.003, np.pi - 0.003)
    azimuth = 2.0 * np.pi * np.arange(columns) / columns
    radius, height = np.sin(polar), np.cos(polar)
    # Depth, width, and the rim that keeps the outline nearest to the ellipsoid's (fitted).
    stem = 0.42 * _ring(radius, 0.0, 0.12) - 0.126 * _ring(radius, 0.115, 0.064)
    calyx = 0.20 * _ring(radius, 0.0, 0.12) - 0.058 * _ring(radius, 0.127, 0.05)
    height = height - hollow * np.where(height > 0.0, stem, -calyx)
    slope_radius, slope_height = np.gradient(radius), np.gradient(height)
    around = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    points = _turned(radius, height, around)
    normals = _turned(-slope_height, slope_radius, around)
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    directions = _turned(np.sin(polar), np.cos(polar), around)
    return points, normals, directions, grid_faces(rows, columns, closed=True)[:, [0, 2, 1]]


def _ring(radius: Floats, middle: float, width: float) -> Floats:
    return np.asarray(np.exp(-(((radius - middle) / width) ** 2)))


def _turned(radius: Floats, height: Floats, around: Floats) -> Floats:
    points = np.empty((len(radius), len(around), 3))
    points[..., 0] = radius[:, None] * around[None, :, 0]
    points[..., 1] = height[:, None]
    points[..., 2] = radius[:, None] * around[None, :, 1]
    return points.reshape(-1, 3)


def tube(path_mm: Floats, radii_mm: Floats, colour: Floats, *, sides: int = 9) -> Mesh:
    """A round stick along (P, 3) points with (P,) radii."""
    return tubes(path_mm[None], radii_mm[None], colour[None, None], sides=sides)


def tubes(
    paths_mm: Floats, radii_mm: Floats, colours: Floats, *, sides: int, material: str = "bark"
) -> Mesh:
    """Round sticks along (N, P, 3) points.

    `radii_mm` : (N, P), or shapes that spread to it; `colours` : (N, P, 3), or shapes that do.
    """
    count, points = paths_mm.shape[:2]
    along = np.gradient(paths_mm, axis=1)
    along = along / (np.linalg.norm(along, axis=2, keepdims=True) + 1e-12)
    # Any axis across the stick will do, if it is not along it at any point.
    upright = np.abs(along[..., 1]) > 0.8
    first = _across(along, upright)
    second = np.cross(along, first)
    turn = 2.0 * np.pi * np.arange(sides) / sides
    outward = (
        first[:, :, None, :] * np.cos(turn)[:, None] + second[:, :, None, :] * np.sin(turn)[:, None]
    )
    radii = np.broadcast_to(radii_mm, (count, points))[:, :, None, None]
    painted = np.broadcast_to(colours, (count, points, 3))
    return Mesh(
        material=material,
        points_mm=(paths_mm[:, :, None, :] + outward * radii).reshape(-1, 3),
        faces=copies(grid_faces(points, sides, closed=True), points * sides, count),
        colours=np.repeat(painted.reshape(-1, 3), sides, axis=0),
        normals=outward.reshape(-1, 3),
    )


def _across(along: Floats, upright: NDArray[np.bool_]) -> Floats:
    """Unit vectors at right angles to `along` and to x where it is upright, to y elsewhere."""
    x, y, z = along[..., 0], along[..., 1], along[..., 2]
    zero = np.zeros_like(x)
    first = np.where(
        upright[..., None], np.stack([zero, z, -y], axis=-1), np.stack([-z, zero, x], axis=-1)
    )
    return np.asarray(first / (np.linalg.norm(first, axis=-1, keepdims=True) + 1e-12))


def blades(feet_mm: Floats, tips_mm: Floats, widths_mm: Floats, colours: Floats) -> Mesh:
    """Grass as one triangle per blade, from (N, 3) feet to (N, 3) tips."""
    lean = tips_mm - feet_mm
    side = np.stack([lean[:, 1], np.zeros(len(lean)), 0.3 * lean[:, 1]], axis=1)
    side = side / np.linalg.norm(side, axis=1, keepdims=True) * widths_mm[:, None] / 2.0
    points = np.stack([feet_mm - side, feet_mm + side, tips_mm], axis=1)
    return Mesh(
        material="leaf",
        points_mm=points.reshape(-1, 3),
        faces=np.arange(3 * len(feet_mm)).reshape(-1, 3),
        colours=np.repeat(colours, 3, axis=0),
    )


def merged(meshes: list[Mesh]) -> list[Mesh]:
    """One mesh per material and kind of shading."""
    kinds: dict[tuple[str, bool, bool], list[Mesh]] = {}
    for mesh in meshes:
        if len(mesh.faces):
            key = (mesh.material, mesh.normals is not None, mesh.labels is not None)
            kinds.setdefault(key, []).append(mesh)
    return [_joined(group) for group in kinds.values()]


def _joined(group: list[Mesh]) -> Mesh:
    starts = np.cumsum([0] + [len(mesh.points_mm) for mesh in group[:-1]])
    normals = [mesh.normals for mesh in group if mesh.normals is not None]
    labels = [mesh.labels for mesh in group if mesh.labels is not None]
    return Mesh(
        material=group[0].material,
        points_mm=np.concatenate([mesh.points_mm for mesh in group]),
        faces=np.concatenate(
            [mesh.faces + start for mesh, start in zip(group, starts, strict=True)]
        ),
        colours=np.concatenate([mesh.colours for mesh in group]),
        normals=np.concatenate(normals) if normals else None,
        labels=np.concatenate(labels) if labels else None,
    )
