"""Presets: an invented block and how its photos look, by name."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.errors import SimulationError, did_you_mean
from fruitvision.simulate.picture.camera import CameraDials
from fruitvision.simulate.picture.ground import GroundDials
from fruitvision.simulate.picture.light import LightDials
from fruitvision.simulate.picture.phone import PhoneDials
from fruitvision.simulate.picture.references import ReferenceDials
from fruitvision.simulate.picture.shot import Look
from fruitvision.simulate.picture.skin import SkinDials
from fruitvision.simulate.picture.tree import TreeDials
from fruitvision.simulate.preset_plans import (
    EASY_WALL,
    FROST_HIT,
    FRUITLETS,
    GREEN_EARLY,
    LEAFY_SPINDLE,
    LOW_SUN,
    NIGHT_FLASH,
)
from fruitvision.simulate.season.plan import PLANS, BlockPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class Preset:
    """One kind of block. `words` : one sentence of what is hard or easy about it.

    `plans` : its blocks; all but the sample farm have one.
    """

    name: str
    words: str
    plans: tuple[BlockPlan, ...]
    look: Look


PRESETS = (
    Preset(
        name="easy-wall",
        words="Flat fruiting wall with thin leaves and striped red Gala of 68 mm in soft light: "
        "what is missed here is missed everywhere.",
        plans=(EASY_WALL,),
        look=Look(
            tree=TreeDials(
                width_mm=1500.0,
                depth_mm=480.0,
                taper=0.8,
                crossing_limbs=0.0,
                water_shoots=1,
                leaves=1500,
                gaps=0.3,
                cluster_shares=(0.8, 0.2),
            ),
            skin=SkinDials(kind="red_striped", russet_share=0.05, dust=0.0),
            ground=GroundDials(weeds=1500, tall_grass=0, fallen_per_tree=0.3),
            light=LightDials(cloud_share=1.0, cloud_sun=(0.1, 0.5)),
        ),
    ),
    Preset(
        name="leafy-spindle",
        words="Dense spindles with blushed Fuji of 74 mm in clusters, half behind leaves in sun "
        "flecks, and limbs of the neighbours across the trunk.",
        plans=(LEAFY_SPINDLE,),
        look=Look(
            tree=TreeDials(
                leaves=3900,
                gaps=0.08,
                crossing_limbs=3.0,
                water_shoots=8,
                cluster_shares=(0.30, 0.35, 0.20, 0.10, 0.05),
            ),
            skin=SkinDials(kind="Fuji"),
            light=LightDials(
                sun_height_deg=(42.0, 55.0), sun_aside_deg=(30.0, 80.0), cloud_share=0.0
            ),
        ),
    ),
    Preset(
        name="green-early",
        words="Green Braeburn of 30 to 45 mm on green leaves in July, wet from the night: colour "
        "tells nothing.",
        plans=(GREEN_EARLY,),
        look=Look(
            tree=TreeDials(
                leaves=2700,
                leaf_mm=(35.0, 92.0),
                yellow_leaves=0.0,
                cluster_shares=(0.35, 0.35, 0.18, 0.08, 0.04),
            ),
            skin=SkinDials(kind="green", russet_share=0.03, sunburn_share=0.0, dust=0.0, wet=True),
            ground=GroundDials(dry_grass=0.08, litter=60, fallen_per_tree=3.0, post="concrete"),
            light=LightDials(sun_height_deg=(35.0, 60.0), cloud_share=0.5),
        ),
    ),
    Preset(
        name="low-sun",
        words="Yellow fruit in an evening sun 8 to 18 degrees high, from the side and against it, "
        "with glare and a lens that bends lines.",
        plans=(LOW_SUN,),
        look=Look(
            tree=TreeDials(leaves=2100, yellow_leaves=0.06),
            skin=SkinDials(kind="yellow", russet_share=0.25, sunburn_share=0.06),
            ground=GroundDials(dry_grass=0.45, post="steel", backdrop="rows"),
            light=LightDials(
                sun_height_deg=(8.0, 18.0), sun_aside_deg=(60.0, 165.0), cloud_share=0.0
            ),
            camera=CameraDials(k1=0.02, k2=-0.01),
            phone=PhoneDials(exposure_stops=(0.0, 0.35), warm_stops=(0.12, 0.06), veil=0.05),
        ),
    ),
    Preset(
        name="night-flash",
        words="Dark red fruit by the flash of the phone: black behind, shiny spots before, noise "
        "in between.",
        plans=(NIGHT_FLASH,),
        look=Look(
            tree=TreeDials(leaves=2300),
            skin=SkinDials(kind="dark_red", bloom=0.2),
            light=LightDials(night=True),
            phone=PhoneDials(
                noise=4.0, smoothing_px=(0.7, 1.0), motion_px=(0.0, 2.0), exposure_stops=(-0.7, 0.3)
            ),
        ),
    ),
    Preset(
        name="frost-hit",
        words="Uneven load after a frost, few fruit up to 95 mm, dusty and spotted, with weeds and "
        "fallen fruit under a white sky, and balls of known size in the tree.",
        plans=(FROST_HIT,),
        look=Look(
            tree=TreeDials(leaves=2500, cluster_shares=(0.75, 0.2, 0.05), eaten_leaves=0.2),
            skin=SkinDials(
                kind="Braeburn", spots=1.6, russet_share=0.4, sunburn_share=0.08, dust=0.55
            ),
            ground=GroundDials(
                weeds=16000,
                tall_grass=700,
                dandelions=300,
                fallen_per_tree=12.0,
                bare_half_mm=250.0,
                backdrop="rows",
            ),
            references=ReferenceDials(balls=4, ball_mm=60.0, ball_colours=("white", "orange")),
            light=LightDials(cloud_share=1.0, cloud_sun=(0.0, 0.3)),
        ),
    ),
    Preset(
        name="fruitlets",
        words="Green fruitlets of 20 to 28 mm two weeks after the June drop, next to the leaves "
        "hardly to be seen.",
        plans=(FRUITLETS,),
        look=Look(
            tree=TreeDials(
                leaves=2400,
                leaf_mm=(30.0, 85.0),
                yellow_leaves=0.0,
                cluster_shares=(0.30, 0.35, 0.22, 0.09, 0.04),
                stalk_mm=26.0,
            ),
            skin=SkinDials(kind="green_blush", russet_share=0.02, sunburn_share=0.0, dust=0.0),
            ground=GroundDials(dry_grass=0.05, litter=30, fallen_per_tree=25.0),
            light=LightDials(sun_height_deg=(40.0, 62.0)),
            camera=CameraDials(distance_mm=1900.0),
        ),
    ),
    Preset(
        name="sample-farm",
        words="The two blocks of the demo, Gala and Fuji in August: nothing made hard on purpose.",
        plans=PLANS,
        look=Look(),
    ),
)


def preset_names() -> tuple[str, ...]:
    """Names of all presets."""
    return tuple(preset.name for preset in PRESETS)


def preset_of(name: str) -> Preset:
    """The preset of that name.

    Raises
    ------
    SimulationError
        If there is none; the valid names are listed.
    """
    by_name = {preset.name: preset for preset in PRESETS}
    if name not in by_name:
        raise SimulationError(f"There is no preset '{name}'.", fix=did_you_mean(name, by_name))
    return by_name[name]
