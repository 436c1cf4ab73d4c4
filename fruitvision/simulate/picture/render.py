"""From triangles to light with Mitsuba 3 (extra `simulate`), and which fruit each ray meets.

One scene serves both: `load_stage` builds it, `light_of` gathers its light, `labels_of` asks what
stands at given places of the picture. The world is bent for the lens beforehand (see
`Camera.bent`), so that every renderer's plain pinhole sees what the lens would.
"""

from __future__ import annotations

import gc
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import SettingsError
from fruitvision.simulate.picture.camera import Camera, Floats
from fruitvision.simulate.picture.light import Light, emitters
from fruitvision.simulate.picture.marker import SHEET_MM
from fruitvision.simulate.picture.materials import material, sheet_grey, sheet_material
from fruitvision.simulate.picture.meshes import Mesh, grid_faces
from fruitvision.simulate.picture.references import Sheet

# Rays of one pass. Our choice: 2^26 take about 4 GB on an accelerator, so that several processes
# can share one.
RAYS_AT_ONCE = 1 << 26
# Bounces. Measured: a tree comes out within 0.1 % of the light of 16 bounces.
MAX_DEPTH, ROULETTE_DEPTH = 5, 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """A loaded scene seen by a camera; `face_labels` : label of each triangle, by shape id."""

    scene: Any
    camera: Camera
    face_labels: dict[str, NDArray[np.int32]]


def choose_variant(name: str) -> None:
    """Switch Mitsuba to a variant: scalar_rgb, llvm_ad_rgb or cuda_ad_rgb.

    Raises
    ------
    SettingsError
        If Mitsuba is not installed or lacks the variant.
    """
    try:
        import mitsuba
    except ImportError as err:
        raise SettingsError(
            "Rendering needs Mitsuba.", fix="Install it: pip install 'fruitvision[simulate]'."
        ) from err
    if name not in mitsuba.variants():
        raise SettingsError(
            f"Mitsuba has no variant '{name}'.", fix=f"Known: {', '.join(mitsuba.variants())}."
        )
    mitsuba.set_variant(name)
    # Each single ray that gives no number is a warning otherwise.
    mitsuba.set_log_level(mitsuba.LogLevel.Error)


def load_stage(
    meshes: list[Mesh], sheet: Sheet | None, camera: Camera, light: Light | None = None
) -> Stage:
    """Load everything once, for light and labels. Without a light only labels can be asked."""
    mi = _mitsuba()
    # All scenes number their parts alike if the last one is gone and they are loaded in order: then
    # the code that was compiled for one serves the next. Scalar rays are not compiled.
    if not mi.variant().startswith("scalar"):
        gc.collect()
    scene: dict[str, Any] = {"type": "scene"}
    for name, lamp in {} if light is None else emitters(light, camera).items():
        # A lamp with a direction of its own takes no further placing.
        placed = {"to_world": mi.ScalarTransform4f(lamp["to_world"])} if "to_world" in lamp else {}
        scene[name] = {**lamp, **placed}
    face_labels = {}
    for number, mesh in enumerate(meshes):
        name = f"mesh{number}"
        scene[name] = _shape(name, mesh, camera)
        vertex_labels = np.zeros(len(mesh.points_mm)) if mesh.labels is None else mesh.labels
        face_labels[name] = vertex_labels[mesh.faces[:, 0]].astype(np.int32)
    if sheet is not None:
        scene["sheet"] = _sheet_shape(sheet, camera)
    return Stage(scene=mi.load_dict(scene, parallel=False), camera=camera, face_labels=face_labels)


def light_of(stage: Stage, *, samples: int, seed: int = 0) -> NDArray[np.float32]:
    """The picture as (H, W, 3) linear radiance, at least `samples` rays per px.

    `seed` : of the noise that so few rays leave.
    """
    mi = _mitsuba()
    camera = stage.camera
    sensor = _sensor(camera)
    pixels = camera.width_px * camera.height_px
    passes = -(-samples // max(RAYS_AT_ONCE // pixels, 1))
    integrator = mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "rr_depth": ROULETTE_DEPTH})
    total = np.zeros((camera.height_px, camera.width_px, 3), dtype=np.float32)
    for number in range(passes):
        picture = mi.render(
            stage.scene,
            sensor=sensor,
            integrator=integrator,
            spp=-(-samples // passes),
            seed=seed + number,
        )
        # A ray along an edge may give no number.
        total += np.nan_to_num(np.array(picture, dtype=np.float32), posinf=0.0, neginf=0.0)
    total /= passes
    return total


def labels_of(stage: Stage, *, per_side: int = 2) -> NDArray[np.int32]:
    """What stands at the middles of a fixed grid of `per_side` x `per_side` places per px.

    Returns
    -------
    (H * per_side, W * per_side) int32
        Fruit number + 1 that the ray through each place meets, or 0. `per_side` 1 asks at the
        centres of the pixels.
    """
    rays = _directions(stage.camera, per_side)
    origin = _metres(np.array([stage.camera.position_mm]))[0]
    found = np.zeros(len(rays), dtype=np.int32)
    for start in range(0, len(rays), RAYS_AT_ONCE):
        part = slice(start, start + RAYS_AT_ONCE)
        found[part] = _met(stage, origin, rays[part])
    height, width = stage.camera.height_px * per_side, stage.camera.width_px * per_side
    return found.reshape(height, width)


def labels_at(stage: Stage, pixels: Floats) -> NDArray[np.int32]:
    """(N,) what stands at (N, 2) places of the picture, x and y in px, inside the frame or not."""
    origin = _metres(np.array([stage.camera.position_mm]))[0]
    return _met(stage, origin, _through(stage.camera, pixels[:, 0], pixels[:, 1]))


def render_labels(
    meshes: list[Mesh], sheet: Sheet | None, camera: Camera, *, per_side: int = 2
) -> NDArray[np.int32]:
    """`load_stage` and `labels_of` in one."""
    return labels_of(load_stage(meshes, sheet, camera), per_side=per_side)


def _mitsuba() -> Any:
    import mitsuba

    return mitsuba


def _up_is_z(points: Floats) -> Floats:
    """From y up to z up, which the sky of Mitsuba wants."""
    return np.stack([points[:, 0], -points[:, 2], points[:, 1]], axis=1)


def _metres(points_mm: Floats) -> Floats:
    return _up_is_z(points_mm) / 1000.0


def _directions(camera: Camera, per_side: int) -> Floats:
    """(H * per_side * W * per_side, 3) unit vectors through the places, row by row, z up."""
    x = (np.arange(camera.width_px * per_side) + 0.5) / per_side - 0.5
    y = (np.arange(camera.height_px * per_side) + 0.5) / per_side - 0.5
    return _through(camera, x[None, :], y[:, None])


def _through(camera: Camera, x_px: Floats, y_px: Floats) -> Floats:
    """(N, 3) unit vectors through places of the picture, z up."""
    right, down, forward = _up_is_z(camera.axes())
    middle_x, middle_y = camera.matrix()[:2, 2]
    rays = forward + (
        ((x_px - middle_x) / camera.focal_px)[..., None] * right
        + ((y_px - middle_y) / camera.focal_px)[..., None] * down
    )
    rays = rays.reshape(-1, 3)
    return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))


def _met(stage: Stage, origin: Floats, rays: Floats) -> NDArray[np.int32]:
    """(N,) label of the first triangle on each ray."""
    if _mitsuba().variant().startswith("scalar"):
        return _met_one_by_one(stage, origin, rays)
    return _met_at_once(stage, origin, rays)


def _met_one_by_one(stage: Stage, origin: Floats, rays: Floats) -> NDArray[np.int32]:
    mi = _mitsuba()
    found = np.zeros(len(rays), dtype=np.int32)
    start = mi.Point3f(origin.tolist())
    for number, ray in enumerate(rays.tolist()):
        hit = stage.scene.ray_intersect_preliminary(mi.Ray3f(start, mi.Vector3f(ray)))
        if hit.is_valid():
            labels = stage.face_labels.get(hit.shape.id())
            if labels is not None:
                found[number] = labels[hit.prim_index]
    return found


def _met_at_once(stage: Stage, origin: Floats, rays: Floats) -> NDArray[np.int32]:
    import drjit

    mi = _mitsuba()
    ray = mi.Ray3f(mi.Point3f(origin.tolist()), mi.Vector3f(rays.T.astype(np.float32)))
    hit = stage.scene.ray_intersect_preliminary(ray, coherent=True)
    valid, triangle = np.array(hit.is_valid()), np.array(hit.prim_index)
    shape = np.array(drjit.reinterpret_array(mi.UInt32, hit.shape))
    found = np.zeros(len(rays), dtype=np.int32)
    for one in stage.scene.shapes():
        labels = stage.face_labels.get(one.id())
        if labels is not None and labels.any():
            number = np.array(drjit.reinterpret_array(mi.UInt32, mi.ShapePtr(one)))[0]
            here = valid & (shape == number)
            found[here] = labels[triangle[here]]
    return found


def _sensor(camera: Camera) -> Any:
    mi = _mitsuba()
    origin = np.array([camera.position_mm])
    axes = camera.axes()
    target = origin + 1000.0 * axes[2:]
    across = 2.0 * np.degrees(np.arctan(camera.width_px / 2.0 / camera.focal_px))
    return mi.load_dict(
        {
            "type": "perspective",
            "fov": float(across),
            "fov_axis": "x",
            "near_clip": 0.05,
            "far_clip": 2000.0,
            "to_world": mi.ScalarTransform4f().look_at(
                origin=_metres(origin)[0].tolist(),
                target=_metres(target)[0].tolist(),
                up=_up_is_z(-axes[1:2])[0].tolist(),
            ),
            "film": {
                "type": "hdrfilm",
                "width": camera.width_px,
                "height": camera.height_px,
                "pixel_format": "rgb",
                "component_format": "float32",
                # A pixel of the sensor gathers the light of its own square.
                "rfilter": {"type": "box"},
            },
            "sampler": {"type": "independent"},
        }
    )


def _shape(name: str, mesh: Mesh, camera: Camera) -> Any:
    mi = _mitsuba()
    shape = mi.Mesh(
        name,
        vertex_count=len(mesh.points_mm),
        face_count=len(mesh.faces),
        has_vertex_normals=mesh.normals is not None,
        has_vertex_texcoords=False,
        props=_scattering(material(mesh.material)),
    )
    shape.add_attribute("vertex_color", 3, mesh.colours.astype(np.float32).ravel())
    inside = mi.traverse(shape)
    _fill(inside, camera.bent(mesh.points_mm), mesh.faces)
    if mesh.normals is not None:
        inside["vertex_normals"] = _up_is_z(mesh.normals).astype(np.float32).ravel()
    inside.update()
    return shape


def _sheet_shape(sheet: Sheet, camera: Camera) -> Any:
    mi = _mitsuba()
    # Mitsuba counts the rows of a bitmap from the bottom.
    grey = mi.TensorXf(sheet_grey()[::-1].copy()[:, :, None])
    # Cells of about 20 mm, so that a bent world bends the sheet too.
    across, upwards = np.linspace(0.0, 1.0, 11), np.linspace(0.0, 1.0, 16)
    places = np.stack(np.meshgrid(across, upwards), axis=-1).reshape(-1, 2)
    points = sheet.points((places - 0.5) * np.array(SHEET_MM))
    shape = mi.Mesh(
        "sheet",
        vertex_count=len(points),
        face_count=2 * 10 * 15,
        has_vertex_normals=False,
        has_vertex_texcoords=True,
        props=_scattering(sheet_material(grey)),
    )
    inside = mi.traverse(shape)
    _fill(inside, camera.bent(points), grid_faces(16, 11))
    inside["vertex_texcoords"] = places.astype(np.float32).ravel()
    inside.update()
    return shape


def _scattering(bsdf: dict[str, Any]) -> Any:
    mi = _mitsuba()
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(bsdf)
    return properties


def _fill(inside: Any, points_mm: Floats, faces: NDArray[np.int64]) -> None:
    inside["vertex_positions"] = _metres(points_mm).astype(np.float32).ravel()
    inside["faces"] = faces.astype(np.uint32).ravel()
