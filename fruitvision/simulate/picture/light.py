"""What lights a picture: sun and sky, a white sky, or at night the flash of the phone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fruitvision.simulate.picture.camera import Camera, Vector
from fruitvision.simulate.picture.dials import check_number, check_span

KINDS = ("sun", "cloud", "flash")
# Of the lamp beside the lens: along the axis at 1 m it lights as much as the picture's unit of
# radiance on white paper, times this. Our choice; the exposure follows.
FLASH_POWER = 16.0
# The lamp's reflector: full light to this angle from the axis, none from that, degrees. At the
# corner of a 26 mm picture, 40 degrees off, this leaves about half. Our choice.
FLASH_FULL_DEG, FLASH_END_DEG = 18.0, 62.0
# From the lens to the lamp, mm to the right. From memory of phones.
FLASH_ASIDE_MM = 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LightDials:
    """Light of a preset. Our choice throughout: a scouting walk on a working day.

    `sun_height_deg` : lowest and highest sun above the horizon; `sun_aside_deg` : smallest and
    largest turn of the sun from straight behind the camera, to either side, so 180 is against the
    sun; `cloud_share` : chance of a white sky; `cloud_sun` : weakest and strongest sun through
    white cloud, 1 casts soft but clear shadows; `sun_strength` : likewise in a clear sky, of a sun
    without haze; `sky_strength` : of a clear sky; `turbidity` : clearest and haziest air, 2 is a
    clear mountain day, 10 a haze; `night` : only the flash of the phone; `night_sky` : what is left
    of the sky then, of the flash's light at 1 m.
    """

    sun_height_deg: tuple[float, float] = (32.0, 58.0)
    sun_aside_deg: tuple[float, float] = (0.0, 60.0)
    cloud_share: float = 0.25
    cloud_sun: tuple[float, float] = (0.3, 1.0)
    sun_strength: tuple[float, float] = (0.55, 0.95)
    sky_strength: float = 1.05
    turbidity: tuple[float, float] = (3.0, 6.0)
    night: bool = False
    night_sky: float = 0.001

    def __post_init__(self) -> None:
        # Lower suns give light below 0 in the sky model.
        check_span("light.sun_height_deg", self.sun_height_deg, 5.0, 85.0)
        check_span("light.sun_aside_deg", self.sun_aside_deg, 0.0, 180.0)
        check_number("light.cloud_share", self.cloud_share, 0.0, 1.0)
        check_span("light.cloud_sun", self.cloud_sun, 0.0, 2.0)
        check_span("light.sun_strength", self.sun_strength, 0.0, 2.0)
        check_number("light.sky_strength", self.sky_strength, 0.1, 5.0)
        # The sky model is made for 1 to 10 (Hosek and Wilkie 2012).
        check_span("light.turbidity", self.turbidity, 1.0, 10.0)
        check_number("light.night_sky", self.night_sky, 0.0, 0.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """Light of one photo.

    `kind` : one of `KINDS`; `to_sun` : direction to the sun, unit length; `sun`, `sky` : how bright
    they are against a clear day, for a white sky against a bright one.
    """

    kind: str
    to_sun: Vector
    sun: float
    sky: float
    turbidity: float

    def words(self, towards: float) -> str:
        """The light in words; `towards` is the sign of z on the camera's side of the row."""
        if self.kind == "flash":
            return "night, flash"
        height = np.degrees(np.arcsin(self.to_sun[1]))
        aside = np.degrees(np.arctan2(abs(self.to_sun[0]), towards * self.to_sun[2]))
        cloud = "white sky, " if self.kind == "cloud" else ""
        return f"{cloud}sun {height:.0f} degrees high, {aside:.0f} from behind the camera"


def choose_light(dials: LightDials, towards: float, rng: np.random.Generator) -> Light:
    """Light of one photo; `towards` is the sign of z on the camera's side of the row."""
    aside_deg = rng.choice((-1.0, 1.0)) * rng.uniform(*dials.sun_aside_deg)
    aside, height = np.radians(aside_deg), np.radians(rng.uniform(*dials.sun_height_deg))
    cloud = rng.random() < dials.cloud_share
    sun, turbidity = rng.uniform(*dials.sun_strength), rng.uniform(*dials.turbidity)
    through_cloud = rng.uniform(*dials.cloud_sun)
    to_sun = (
        float(np.sin(aside) * np.cos(height)),
        float(np.sin(height)),
        float(towards * np.cos(aside) * np.cos(height)),
    )
    if dials.night:
        kind, sun, sky = "flash", FLASH_POWER, dials.night_sky
    elif cloud:
        kind, sun, sky = "cloud", through_cloud, 1.0
    else:
        kind, sky = "sun", dials.sky_strength
    return Light(kind=kind, to_sun=to_sun, sun=float(sun), sky=sky, turbidity=float(turbidity))


def emitters(light: Light, camera: Camera) -> dict[str, Any]:
    """What shines in the scene, as descriptions for Mitsuba (metres, z up)."""
    x, y, z = light.to_sun
    to_sun = [x, -z, y]
    if light.kind == "flash":
        return _flash(light, camera)
    if light.kind == "cloud":
        # A sun at full strength gives a third of the light. Our choice.
        return {
            "sky": _even_sky((0.93, 0.97, 1.0), light.sky),
            "sun": {
                "type": "directional",
                "direction": [-part for part in to_sun],
                "irradiance": _rgb((1.6, 1.5, 1.35), light.sun),
            },
        }
    return {
        "sky": {
            "type": "sunsky",
            "sun_direction": to_sun,
            "turbidity": light.turbidity,
            "sun_scale": light.sun,
            "sky_scale": light.sky,
            # Wider than the sun's 0.53 degrees: haze softens shadows and calms the noise.
            "sun_aperture": 1.5,
        }
    }


def _flash(light: Light, camera: Camera) -> dict[str, Any]:
    """A lamp beside the lens that shines where the phone looks, and a dark blue sky."""
    right, down, forward = camera.axes()
    x, y, z = (np.array(camera.position_mm) + FLASH_ASIDE_MM * right) / 1000.0
    turn = np.stack([-right, -down, forward], axis=1)[[0, 2, 1]] * [[1.0], [-1.0], [1.0]]
    to_world = np.eye(4)
    to_world[:3, :3], to_world[:3, 3] = turn, (x, -z, y)
    return {
        # The blue of a sky without a sun; our choice.
        "sky": _even_sky((0.30, 0.45, 1.0), light.sky),
        "flash": {
            "type": "spot",
            "to_world": to_world,
            "intensity": _rgb((1.0, 0.96, 0.90), light.sun),
            "cutoff_angle": FLASH_END_DEG,
            "beam_width": FLASH_FULL_DEG,
        },
    }


def _even_sky(colour: Vector, strength: float) -> dict[str, Any]:
    return {"type": "constant", "radiance": _rgb(colour, strength)}


def _rgb(colour: Vector, strength: float) -> dict[str, Any]:
    return {"type": "rgb", "value": [part * strength for part in colour]}
