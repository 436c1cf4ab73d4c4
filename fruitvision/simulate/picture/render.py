"""From triangles to light with Mitsuba 3 (extra `simulate`), and which fruit each ray meets."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import SettingsError
from fruitvision.simulate.picture.camera import Camera, Floats
from fruitvision.simulate.picture.light import Light
from fruitvision.simulate.picture.marker import SHEET_MM, draw_sheet
from fruitvision.simulate.picture.meshes import Mesh
from fruitvision.simulate.picture.references import Sheet

# Labels are drawn as grey levels label / LABEL_STEPS, exact in 32-bit floats.
LABEL_STEPS = 16384.0


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


def render_light(
    meshes: list[Mesh], sheet: Sheet, camera: Camera, light: Light, *, samples: int
) -> NDArray[np.float32]:
    """The picture as (H, W, 3) linear radiance, `samples` rays per px."""
    mi = _mitsuba()
    scene = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 7, "rr_depth": 5},
        **_sky(light),
        "sheet": _sheet(sheet),
    }
    for index, mesh in enumerate(meshes):
        scene[f"mesh{index}"] = _mesh(mesh, mesh.colours, _material(mesh.material))
    loaded = mi.load_dict(scene)
    at_once = min(samples, 16)
    total = np.zeros((camera.height_px, camera.width_px, 3), dtype=np.float32)
    passes = max(samples // at_once, 1)
    for seed in range(passes):
        sensor = _sensor(camera)
        picture = mi.render(loaded, sensor=sensor, spp=at_once, seed=seed)
        # A ray along an edge may give no number.
        total += np.nan_to_num(np.array(picture, dtype=np.float32)[..., :3])
    return np.asarray(total / passes, dtype=np.float32)


def _sky(light: Light) -> dict[str, Any]:
    to_sun = _up_is_z(np.array([light.to_sun]))[0]
    if light.cloud:
        # A white sky, and a sun that gives a third of the light. Our choice.
        return {
            "sky": {"type": "constant", "radiance": {"type": "rgb", "value": [0.93, 0.97, 1.0]}},
            "sun": {
                "type": "directional",
                "direction": (-to_sun).tolist(),
                "irradiance": {"type": "rgb", "value": [1.6, 1.5, 1.35]},
            },
        }
    return {
        "sky": {
            "type": "sunsky",
            "sun_direction": to_sun.tolist(),
            "turbidity": light.turbidity,
            "sun_scale": light.sun,
            "sky_scale": light.sky,
            # Wider than the sun's 0.53 degrees: haze softens shadows and calms the noise.
            "sun_aperture": 1.5,
        }
    }


def render_labels(
    meshes: list[Mesh], sheet: Sheet | None, camera: Camera, *, passes: int = 4
) -> NDArray[np.int32]:
    """(passes, H, W) label that one ray per px meets: fruit number + 1, or 0."""
    mi = _mitsuba()
    scene: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "aov", "aovs": "label:albedo"},
        "sky": {"type": "constant"},
    }
    for index, mesh in enumerate(meshes):
        labels = np.zeros(len(mesh.points_mm)) if mesh.labels is None else mesh.labels
        grey = np.repeat(labels[:, None] / LABEL_STEPS, 3, axis=1)
        scene[f"mesh{index}"] = _mesh(mesh, grey, _flat())
    if sheet is not None:
        scene["sheet"] = {**_sheet(sheet), "bsdf": {"type": "diffuse", "reflectance": 0.0}}
    loaded = mi.load_dict(scene)
    found = []
    for seed in range(passes):
        picture = mi.render(loaded, sensor=_sensor(camera), spp=1, seed=seed)
        grey = np.array(picture, dtype=np.float64)[..., -3]
        grey = np.where(np.isfinite(grey), grey, 0.0)
        found.append(np.rint(grey * LABEL_STEPS).astype(np.int32))
    return np.stack(found)


def _mitsuba() -> Any:
    import mitsuba

    return mitsuba


def _up_is_z(points: Floats) -> Floats:
    """From y up to z up, which the sky of Mitsuba wants."""
    return np.stack([points[:, 0], -points[:, 2], points[:, 1]], axis=1)


def _metres(points_mm: Floats) -> Floats:
    return _up_is_z(points_mm) / 1000.0


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
            "far_clip": 200.0,
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


def _mesh(mesh: Mesh, colours: Floats, bsdf: dict[str, Any]) -> Any:
    mi = _mitsuba()
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(bsdf)
    smooth = mesh.normals is not None
    shape = mi.Mesh(
        mesh.material,
        vertex_count=len(mesh.points_mm),
        face_count=len(mesh.faces),
        has_vertex_normals=smooth,
        has_vertex_texcoords=False,
        props=properties,
    )
    shape.add_attribute("vertex_color", 3, colours.astype(np.float32).ravel())
    inside = mi.traverse(shape)
    inside["vertex_positions"] = _metres(mesh.points_mm).astype(np.float32).ravel()
    inside["faces"] = mesh.faces.astype(np.uint32).ravel()
    if mesh.normals is not None:
        inside["vertex_normals"] = _up_is_z(mesh.normals).astype(np.float32).ravel()
    inside.update()
    return shape


def _sheet(sheet: Sheet) -> dict[str, Any]:
    mi = _mitsuba()
    # Mitsuba counts the rows of a bitmap from the bottom.
    grey = 0.03 + 0.60 * draw_sheet()[::-1].copy().astype(np.float32)[:, :, None] / 255.0
    sides = np.stack([sheet.right * SHEET_MM[0], sheet.up * SHEET_MM[1]]) / 2000.0
    across, upwards = _up_is_z(sides)
    facing = np.cross(across, upwards)
    facing = facing / np.linalg.norm(facing)
    middle = _metres(sheet.middle_mm[None])[0]
    to_world = np.eye(4)
    to_world[:3] = np.column_stack([across, upwards, facing, middle])
    return {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f(to_world),
        "bsdf": {
            "type": "twosided",
            "bsdf": {
                "type": "diffuse",
                "reflectance": {"type": "bitmap", "data": mi.TensorXf(grey), "raw": True},
            },
        },
    }


def _flat() -> dict[str, Any]:
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _per_vertex()}}


def _per_vertex() -> dict[str, Any]:
    return {"type": "mesh_attribute", "name": "vertex_color"}


def _material(name: str) -> dict[str, Any]:
    """How a material scatters light. Our choice, tuned by eye."""
    if name == "leaf":
        return {
            "type": "principledthin",
            "base_color": _per_vertex(),
            "roughness": 0.45,
            "eta": 1.4,
            "diff_trans": 0.7,
            "spec_trans": 0.0,
        }
    if name == "fruit":
        inner = {
            "type": "principled",
            "base_color": _per_vertex(),
            "roughness": 0.42,
            "specular": 0.45,
            "clearcoat": 0.35,
            "clearcoat_gloss": 0.75,
        }
        return {"type": "twosided", "bsdf": inner}
    return _flat()
