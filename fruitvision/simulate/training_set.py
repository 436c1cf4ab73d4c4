"""The recipe of the rendered training set: many small groups of photos, each with its own look.

No group shares a seed, and so no tree, with the benchmark or the samples.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from fruitvision.errors import SimulationError
from fruitvision.simulate.album import Album, truths_of
from fruitvision.simulate.picture.skins import SKINS
from fruitvision.simulate.picture.truth_files import write_truth
from fruitvision.simulate.presets import Preset
from fruitvision.simulate.season.orchard import LoadDials, SizeDials
from fruitvision.simulate.season.plan import BlockPlan, StraightGrowth
from fruitvision.simulate.training_looks import (
    GREEN_SKINS,
    GROWN_MM,
    LIGHTS,
    YOUNG_GREEN,
    YOUNG_MM,
    YOUNG_OTHER,
    Kind,
    draw_look,
)
from fruitvision.simulate.work import Pictures, Work

# Seed of the first group. The benchmark has 41 to 46, samples 2026 to 2028, tests small ones.
FIRST_SEED = 5000
# Skins and lights by turns: as 9 and 8 have no common factor, each meets each in 72 groups.
GROUPS = len(SKINS) * len(LIGHTS)
MOST_GROUPS = 2000
# Young groups are small green fruit, the hardest to find. Their seeds follow those of the others,
# and their photos have a phone's px: from fewer, fruit come to the network larger than they are.
FIRST_YOUNG_SEED = FIRST_SEED + MOST_GROUPS
YOUNG_WIDTH_PX, YOUNG_HEIGHT_PX = 1800, 2400
# Every so many groups are (almost) without fruit: about 5 %.
BARREN_EVERY = 19
# Of the groups. Our choice.
LANDSCAPE_SHARE, BALL_SHARE = 0.25, 0.5
TREES = 2
# Our choice: four megapixels less than a phone's, of fruit about 40 px wide at 2.3 m; half the rays
# of the benchmark, as what is learned from may have a little more grain.
SAMPLES, JPEG_QUALITY = 32, 88


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Every `of`-th group from the `number`-th (from 1): work for one of several machines."""

    number: int = 1
    of: int = 1

    @classmethod
    def parse(cls, text: str) -> Part:
        """The part that is written like 1/2.

        Raises
        ------
        SimulationError
            If it is not.
        """
        number, _, of = text.partition("/")
        if not (number.isdecimal() and of.isdecimal() and 1 <= int(number) <= int(of)):
            raise SimulationError(
                f"--part is '{text}'.", fix="Give the part and how many there are, like 1/2."
            )
        return cls(number=int(number), of=int(of))


WHOLE = Part()


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """Which groups: so many from the `first` on, of any kind or `young` green ones alone."""

    count: int = GROUPS
    first: int = 0
    young: bool = False

    def __post_init__(self) -> None:
        if self.count < 1 or self.count > MOST_GROUPS:
            raise SimulationError(
                f"--groups is {self.count}.", fix=f"Give a whole number from 1 to {MOST_GROUPS}."
            )
        most = MOST_GROUPS - self.count
        if not 0 <= self.first <= most:
            raise SimulationError(
                f"--first is {self.first}.",
                fix=f"Give a whole number from 0 to {most}: there are {MOST_GROUPS} groups.",
            )

    def numbers(self, part: Part) -> range:
        """Their numbers, of that part of the work."""
        return range(self.first + part.number - 1, self.first + self.count, part.of)


def training_albums(
    out: Path, groups: Groups, part: Part = WHOLE, *, pictures: Pictures | None = None
) -> tuple[Album, ...]:
    """A folder under `out` for each group of that part, named by the group's number.

    `pictures` : of another size or with other rays, to look at; a landscape swaps their sides.
    """
    name = "young" if groups.young else "group"
    return tuple(
        Album(
            work=group_work(number, pictures, young=groups.young),
            folder=out / f"{name}-{number:03d}",
        )
        for number in groups.numbers(part)
    )


def group_work(number: int, pictures: Pictures | None = None, *, young: bool = False) -> Work:
    """Photos of one group."""
    seed = (FIRST_YOUNG_SEED if young else FIRST_SEED) + number
    kind_rng, plan_rng, look_rng = np.random.default_rng(seed).spawn(3)
    kind = young_kind(number, kind_rng) if young else group_kind(number, kind_rng)
    barren = number % BARREN_EVERY == BARREN_EVERY - 1
    preset = Preset(
        name=f"training-{'young-' * young}{number:03d}",
        words=f"{kind.skin}, {kind.diameter_mm:.0f} mm, {kind.light}{', no fruit' * barren}",
        plans=(_plan(kind, barren, plan_rng),),
        look=draw_look(kind, look_rng),
    )
    wanted = pictures or Pictures(
        samples=SAMPLES,
        jpeg_quality=JPEG_QUALITY,
        width_px=YOUNG_WIDTH_PX if young else None,
        height_px=YOUNG_HEIGHT_PX if young else None,
    )
    if kind.landscape:
        wanted = replace(wanted, width_px=wanted.height_px, height_px=wanted.width_px)
    return Work(preset=preset, seed=seed, trees=TREES, pictures=wanted)


def young_kind(number: int, rng: np.random.Generator) -> Kind:
    """Kind of a young group: light by turns, green without and with a first blush by turns."""
    return Kind(
        skin=GREEN_SKINS[number // len(LIGHTS) % len(GREEN_SKINS)],
        light=tuple(LIGHTS)[number % len(LIGHTS)],
        balls=bool(rng.random() < BALL_SHARE),
        landscape=bool(rng.random() < LANDSCAPE_SHARE),
        young=True,
        diameter_mm=float(rng.uniform(*YOUNG_MM)),
    )


def group_kind(number: int, rng: np.random.Generator) -> Kind:
    """Kind of a group: skin and light by turns, the rest drawn."""
    skin = tuple(SKINS)[number % len(SKINS)]
    young = bool(rng.random() < (YOUNG_GREEN if skin in GREEN_SKINS else YOUNG_OTHER))
    diameter_mm = float(rng.uniform(*(YOUNG_MM if young else GROWN_MM)))
    return Kind(
        skin=skin,
        light=tuple(LIGHTS)[number % len(LIGHTS)],
        balls=bool(rng.random() < BALL_SHARE),
        landscape=bool(rng.random() < LANDSCAPE_SHARE),
        young=young,
        diameter_mm=diameter_mm,
    )


def _plan(kind: Kind, barren: bool, rng: np.random.Generator) -> BlockPlan:
    """A small block. Of its season only the day of the walk is used."""
    walked_on = date(2026, 6, 20) if kind.young else date(2026, 9, 1)
    diameter_mm = kind.diameter_mm
    fruit = rng.uniform(50.0, 160.0) if kind.young else rng.uniform(25.0, 130.0)
    return BlockPlan(
        block_id="Training",
        letter="Q",
        variety="Gala",
        rows=5,
        trees_per_row=14,
        missing=2,
        pollinizers=2,
        walked_on=walked_on,
        pick_date=walked_on + timedelta(days=20),
        earlier_calipers_on=walked_on - timedelta(days=14),
        photographed=TREES,
        hand_counted=0,
        calipered=0,
        fruit_per_tree=float(rng.uniform(0.0, 1.5)) if barren else float(fruit),
        diameter_mm=diameter_mm,
        load=LoadDials(tree_cv=float(rng.uniform(0.15, 0.4))),
        # Within a tree as in the presets, a sixteenth of the diameter and more.
        sizes=SizeDials(
            tree_sd_mm=0.025 * diameter_mm,
            fruit_sd_mm=float(rng.uniform(0.05, 0.09)) * diameter_mm,
            load_mm_per_fruit=-0.0003 * diameter_mm,
            size_between_mm=(max(0.7 * diameter_mm, 18.0), min(1.3 * diameter_mm, 100.0)),
        ),
        growth=StraightGrowth(),
    )


def gather_truth(albums: tuple[Album, ...], out: Path) -> int:
    """Write the truth of all finished photos of all groups into `out`; returns how many.

    Names of photos are relative to `out`.
    """
    truths = [
        replace(truth, name=f"{album.folder.name}/{truth.name}")
        for album in albums
        for truth in truths_of(album)
    ]
    write_truth(truths, out)
    return len(truths)
