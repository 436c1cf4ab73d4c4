"""Looks drawn at random around those of the presets, for photos that a network learns from.

All ranges are our choice: those of the presets and somewhat beyond, so that what is met in an
orchard lies inside them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fruitvision.simulate.picture.backdrop import BACKDROPS
from fruitvision.simulate.picture.balls import BALL_COLOURS
from fruitvision.simulate.picture.camera import CameraDials
from fruitvision.simulate.picture.ground import GroundDials
from fruitvision.simulate.picture.light import LightDials
from fruitvision.simulate.picture.phone import PhoneDials
from fruitvision.simulate.picture.references import ReferenceDials
from fruitvision.simulate.picture.shot import Look
from fruitvision.simulate.picture.skin import SkinDials
from fruitvision.simulate.picture.tree import TreeDials
from fruitvision.simulate.picture.trellis import POSTS

Span = tuple[float, float]

# Kinds of skin whose fruit are green however large they are.
GREEN_SKINS = ("green", "green_blush")
# Chance that green fruit are young ones, and that others are: those are green too in an orchard,
# but a ripe skin on a small fruit teaches that size tells nothing. Our choice.
YOUNG_GREEN, YOUNG_OTHER = 0.6, 0.12
# Diameters of young and of grown fruit, mm. Our choice: from after the June drop to large and ripe.
YOUNG_MM, GROWN_MM = (20.0, 48.0), (50.0, 92.0)
# Distance to the trunk of grown fruit, and of young ones, which nobody sees from far, mm.
DISTANCE_MM, YOUNG_DISTANCE_MM = (1700.0, 3200.0), (1700.0, 2200.0)

# Kinds of light by name. In the shade of a hill or a net the sky alone lights the row.
LIGHTS: dict[str, LightDials] = {
    "white sky": LightDials(cloud_share=1.0, cloud_sun=(0.0, 0.4)),
    "bright cloud": LightDials(cloud_share=1.0, cloud_sun=(0.6, 1.6)),
    "high sun": LightDials(sun_height_deg=(45.0, 68.0), sun_aside_deg=(0.0, 60.0), cloud_share=0.0),
    "side sun": LightDials(
        sun_height_deg=(22.0, 50.0), sun_aside_deg=(50.0, 115.0), cloud_share=0.0
    ),
    "low sun": LightDials(sun_height_deg=(7.0, 20.0), sun_aside_deg=(0.0, 110.0), cloud_share=0.0),
    "backlight": LightDials(
        sun_height_deg=(12.0, 48.0), sun_aside_deg=(120.0, 178.0), cloud_share=0.0
    ),
    "shade": LightDials(
        cloud_share=0.0, sun_strength=(0.0, 0.02), sky_strength=0.9, turbidity=(2.5, 8.0)
    ),
    "night flash": LightDials(night=True),
}
# What goes with a light: middle of the exposure in stops, of the balance in stops of red against
# blue, and factor of the noise.
_EXPOSURE: dict[str, Span] = {"night flash": (-1.2, 0.2), "shade": (-1.2, 0.4)}
_WARMTH: dict[str, Span] = {"low sun": (0.0, 0.3), "shade": (-0.25, 0.05)}
_NOISE: dict[str, Span] = {"night flash": (1.5, 6.0), "shade": (1.0, 4.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What is given of a group; the rest of its look is drawn.

    `skin` : a name of `SKINS`; `light` : one of `LIGHTS`; `balls` : whether some hang;
    `landscape` : how the phone is held; `young` : small fruit; `diameter_mm` : their mean.
    """

    skin: str
    light: str
    balls: bool
    landscape: bool
    young: bool
    diameter_mm: float


def draw_look(kind: Kind, rng: np.random.Generator) -> Look:
    """A look of that kind; the same stream gives the same look."""
    tree, skin, ground, references, light, camera, phone = rng.spawn(7)
    cameras = _camera(kind, camera)
    return Look(
        tree=_tree(kind, tree),
        skin=_skin(kind, skin),
        ground=_ground(kind, ground),
        references=_references(kind, cameras, references),
        light=_light(kind, light),
        camera=cameras,
        phone=_phone(kind, phone),
    )


def _tree(kind: Kind, rng: np.random.Generator) -> TreeDials:
    # From a thin wall to a dense bush; walls are wide and flat.
    wall = rng.random() < 0.3
    width_mm = rng.uniform(1200.0, 1700.0) if wall else rng.uniform(800.0, 1500.0)
    depth_mm = rng.uniform(350.0, 600.0) if wall else rng.uniform(700.0, 1400.0)
    young_leaves = 0.88 if kind.young else 1.0
    return TreeDials(
        height_mm=rng.uniform(2200.0, 3000.0),
        spacing_mm=rng.uniform(1100.0, 2100.0),
        width_mm=width_mm,
        depth_mm=depth_mm,
        taper=rng.uniform(0.4, 0.95),
        lowest_limb_mm=rng.uniform(450.0, 850.0),
        limbs=int(rng.integers(20, 38)),
        trunk_mm=rng.uniform(40.0, 90.0),
        crossing_limbs=0.0 if wall else rng.uniform(0.0, 3.0),
        water_shoots=int(rng.integers(0, 9)),
        leaves=int(rng.triangular(900.0, 2600.0, 4600.0)),
        gaps=rng.uniform(0.05, 0.4),
        leaf_mm=(
            young_leaves * rng.uniform(30.0, 45.0),
            young_leaves * rng.uniform(82.0, 112.0),
        ),
        leaf_curl=rng.uniform(0.6, 1.6),
        yellow_leaves=0.0 if kind.young else rng.uniform(0.0, 0.12) * rng.integers(2),
        eaten_leaves=rng.uniform(0.0, 0.3),
        cluster_shares=_cluster_shares(rng),
        press_mm=rng.uniform(0.2, 2.0),
        stalk_mm=rng.uniform(16.0, 30.0),
        tilt_deg=rng.uniform(6.0, 20.0),
    )


def _cluster_shares(rng: np.random.Generator) -> tuple[float, ...]:
    """Shares of clusters of 1 to 5, from thinned to singles to five at each spur."""
    falling = rng.uniform(0.12, 0.85) ** np.arange(5)
    shares = np.round(falling / falling.sum(), 3)
    shares[0] = 1.0 - shares[1:].sum()
    return tuple(float(share) for share in shares)


def _skin(kind: Kind, rng: np.random.Generator) -> SkinDials:
    return SkinDials(
        kind=kind.skin,
        cover_change=0.0 if kind.skin == "green" else rng.uniform(-0.25, 0.25),
        spots=rng.uniform(0.2, 1.7),
        russet_share=rng.uniform(0.0, 0.35),
        sunburn_share=0.0 if kind.young else rng.uniform(0.0, 0.1),
        dust=rng.uniform(0.0, 0.5) * rng.integers(2),
        bloom=rng.uniform(0.0, 0.7),
        wet=bool(rng.random() < 0.15),
    )


def _ground(kind: Kind, rng: np.random.Generator) -> GroundDials:
    heights = (800.0, 1350.0, 1900.0, 2450.0)
    kept = int(rng.integers(0, 5))
    return GroundDials(
        weeds=int(rng.choice((800, 4000, 9000, 16000))),
        tall_grass=int(rng.choice((0, 0, 150, 700))),
        grass_mm=(rng.uniform(15.0, 60.0), rng.uniform(90.0, 260.0)),
        dry_grass=rng.uniform(0.02, 0.6),
        dandelions=int(rng.choice((0, 100, 350))),
        litter=int(rng.integers(20, 600)),
        bare_half_mm=float(rng.choice((0.0, 250.0, 550.0, 800.0))),
        fallen_per_tree=float(min(rng.exponential(5.0), 30.0)),
        post=str(rng.choice(tuple(POSTS))),
        trees_per_post=int(rng.integers(2, 8)),
        wire_heights_mm=heights[:kept],
        drip_mm=float(rng.choice((0.0, 350.0, 480.0, 600.0))),
        rows_behind=int(rng.choice((1, 2, 3, 3, 3))),
        backdrop=str(rng.choice(BACKDROPS)),
    )


def _references(kind: Kind, camera: CameraDials, rng: np.random.Generator) -> ReferenceDials:
    # So far from the trunk that the sheet still is in the picture of a phone so near.
    half_mm = 0.5 * camera.distance_mm * camera.width_px / _focal_px(camera)
    farthest_mm = min(0.75 * half_mm, 850.0)
    colours = tuple(str(colour) for colour in rng.permutation(tuple(BALL_COLOURS)))
    return ReferenceDials(
        sheet=bool(rng.random() < 0.75),
        aside_mm=(0.7 * farthest_mm, farthest_mm),
        tilt_deg=rng.uniform(3.0, 25.0),
        balls=int(rng.integers(1, 6)) if kind.balls else 0,
        ball_mm=rng.uniform(40.0, 80.0),
        ball_colours=colours,
    )


def _focal_px(camera: CameraDials) -> float:
    # A 35 mm film's diagonal, mm: see `camera.hold_camera`.
    return camera.focal_35mm / 43.2666 * float(np.hypot(camera.width_px, camera.height_px))


def _light(kind: Kind, rng: np.random.Generator) -> LightDials:
    light = LIGHTS[kind.light]
    if kind.light == "night flash":
        return replace(light, night_sky=float(10.0 ** rng.uniform(-3.5, -1.3)))
    if kind.light == "shade":
        return light
    low = rng.uniform(0.35, 0.75)
    return replace(light, sun_strength=(low, low + 0.3), sky_strength=rng.uniform(0.8, 1.4))


def _camera(kind: Kind, rng: np.random.Generator) -> CameraDials:
    width_px, height_px = (1800, 1350) if kind.landscape else (1350, 1800)
    bent = rng.random() < 0.3
    return CameraDials(
        width_px=width_px,
        height_px=height_px,
        focal_35mm=rng.uniform(24.0, 29.0),
        k1=rng.uniform(-0.02, 0.02) if bent else 0.0,
        k2=rng.uniform(-0.01, 0.01) if bent else 0.0,
        distance_mm=rng.uniform(*(YOUNG_DISTANCE_MM if kind.young else DISTANCE_MM)),
        height_mm=rng.uniform(1150.0, 1700.0),
        place_sd_mm=(120.0, 60.0, 60.0),
        turn_sd_deg=(3.0, 2.5, 1.5),
    )


def _phone(kind: Kind, rng: np.random.Generator) -> PhoneDials:
    sharp, still = rng.random() < 0.65, rng.random() < 0.65
    smoothing_px = rng.uniform(0.3, 0.9)
    against_sun = kind.light in ("backlight", "low sun")
    return PhoneDials(
        exposure_stops=(rng.uniform(*_EXPOSURE.get(kind.light, (-1.0, 0.6))), 0.12),
        warm_stops=(rng.uniform(*_WARMTH.get(kind.light, (-0.15, 0.2))), 0.04),
        saturation=rng.uniform(0.85, 1.3),
        veil=rng.uniform(0.01, 0.07 if against_sun else 0.03),
        defocus_px=(0.0, 0.0) if sharp else (0.2, rng.uniform(0.3, 1.1)),
        motion_px=(0.0, 0.0) if still else (0.0, rng.uniform(0.8, 4.0)),
        noise=rng.uniform(*_NOISE.get(kind.light, (0.3, 2.5))),
        smoothing_px=(smoothing_px, smoothing_px + 0.2),
        sharpening=rng.uniform(0.0, 0.6),
    )
