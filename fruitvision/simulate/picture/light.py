"""What lights a picture: sun, sky, cloud, or the flash of the phone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fruitvision.simulate.picture.camera import Camera


@dataclass(frozen=True, slots=True, kw_only=True)
class LightDials:
    """Light of a preset. Our choice throughout: a scouting walk on a working day.

    `sun_height_deg` : lowest and highest sun above the horizon; `sun_aside_deg` : smallest and
    largest turn of the sun from straight behind the camera, to either side, so 180 is against the
    sun; `cloud_share` : chance of a white sky.
    """

    sun_height_deg: tuple[float, float] = (32.0, 58.0)
    sun_aside_deg: tuple[float, float] = (0.0, 60.0)
    cloud_share: float = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """Direction to the sun, how bright sun and sky are against a clear day, and thin cloud."""

    to_sun: tuple[float, float, float]
    sun: float
    sky: float
    turbidity: float
    cloud: bool


def choose_light(dials: LightDials, towards: float, rng: np.random.Generator) -> Light:
    """Light of one photo; `towards` is the sign of z on the camera's side of the row."""
    aside_deg = rng.choice((-1.0, 1.0)) * rng.uniform(*dials.sun_aside_deg)
    aside, height = np.radians(aside_deg), np.radians(rng.uniform(*dials.sun_height_deg))
    cloud = rng.random() < dials.cloud_share
    return Light(
        to_sun=(
            float(np.sin(aside) * np.cos(height)),
            float(np.sin(height)),
            float(towards * np.cos(aside) * np.cos(height)),
        ),
        sun=float(rng.uniform(0.40, 0.65)),
        sky=1.25,
        cloud=cloud,
        turbidity=float(rng.uniform(3.0, 6.0)),
    )


def emitters(light: Light, camera: Camera) -> dict[str, Any]:
    """What shines in the scene, as descriptions for Mitsuba (metres, z up)."""
    x, y, z = light.to_sun
    to_sun = np.array([x, -z, y])
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
