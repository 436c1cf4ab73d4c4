"""How the surfaces of a picture scatter light, as descriptions for Mitsuba. No Mitsuba here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import SimulationError, did_you_mean
from fruitvision.simulate.picture.marker import draw_sheet

Description = dict[str, Any]


def _per_vertex() -> Description:
    return {"type": "mesh_attribute", "name": "vertex_color"}


def _diffuse() -> Description:
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _per_vertex()}}


def _leaf() -> Description:
    return {
        "type": "principledthin",
        "base_color": _per_vertex(),
        "roughness": 0.45,
        "eta": 1.4,
        "diff_trans": 0.9,
        "spec_trans": 0.0,
    }


def _glossy(roughness: float, specular: float, coat: float, coat_gloss: float) -> Description:
    inner = {
        "type": "principled",
        "base_color": _per_vertex(),
        "roughness": roughness,
        "specular": specular,
        "clearcoat": coat,
        "clearcoat_gloss": coat_gloss,
    }
    return {"type": "twosided", "bsdf": inner}


# Tuned by eye against real photos; our choice.
_MATERIALS: dict[str, Callable[[], Description]] = {
    "fruit": lambda: _glossy(0.42, 0.45, 0.35, 0.75),
    # Water fills the fine roughness of the wax.
    "wet_fruit": lambda: _glossy(0.25, 0.5, 1.0, 0.97),
    # Young fruit are downy.
    "fruitlet": lambda: _glossy(0.6, 0.35, 0.0, 0.5),
    "leaf": _leaf,
    "bark": _diffuse,
    "ground": _diffuse,
    "metal": lambda: _glossy(0.35, 0.8, 0.0, 0.5),
    "concrete": _diffuse,
    # Painted wood or plastic.
    "ball": lambda: _glossy(0.35, 0.5, 0.3, 0.8),
}


def material(name: str) -> Description:
    """How the material of a mesh scatters light.

    Raises
    ------
    SimulationError
        If there is no material of that name.
    """
    if name not in _MATERIALS:
        raise SimulationError(f"There is no material '{name}'.", fix=did_you_mean(name, _MATERIALS))
    return _MATERIALS[name]()


def sheet_grey() -> NDArray[np.float32]:
    """(H, W) reflectance of the printed sheet, 0 to 1: toner 0.03, paper 0.63 (our choice)."""
    return np.asarray(0.03 + 0.60 * draw_sheet() / 255.0, dtype=np.float32)


def sheet_material(grey: object) -> Description:
    """Paper with `grey`, a bitmap of Mitsuba, on both sides."""
    reflectance = {"type": "bitmap", "data": grey, "raw": True}
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": reflectance}}
