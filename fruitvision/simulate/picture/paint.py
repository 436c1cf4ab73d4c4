"""Colours of the skin of apples: ground, blush, stripes, spots, russet, sunburn, dust.

All numbers are our choice, by eye against photos of apples; linear reflectance throughout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Ints
from fruitvision.simulate.picture.skins import Colour, Skin

# Half the width of all other arrays: skins are most of the work.
Singles = NDArray[np.float32]
Numbers = NDArray[np.floating[Any]]

DUST: Colour = (0.30, 0.25, 0.18)
RUSSET: Colour = (0.30, 0.20, 0.09)
BURNT: Colour = (0.50, 0.34, 0.13)
BLOOM: Colour = (0.50, 0.51, 0.53)
# Streaks around a fruit; the waves of one picture are the same for all fruit, their places not.
STREAK_RATES = (13, 19, 29, 37, 45)
# Vertices of the mesh that a spot may sit on, as a share. Real spots are closer and smaller.
SPOT_SHARE = 0.035


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FruitLooks:
    """What makes each of N fruit look its own way.

    `cover`, `ripe`, `deep`, `russet`, `burnt` : (N,); `sunny` : (N, 3) unit vectors in fruit axes;
    `burn_at` : (N, 3) middle of the sunburn in fruit axes; `stripe_phases`, `stripe_sizes` :
    (N, 5); `cloud_waves` : (N, 3, 3) and `cloud_phases` : (N, 3); `spots_seed` : (N,) int.
    """

    cover: Floats
    ripe: Floats
    deep: Floats
    russet: Floats
    burnt: Floats
    sunny: Floats
    burn_at: Floats
    stripe_phases: Floats
    stripe_sizes: Floats
    cloud_waves: Floats
    cloud_phases: Floats
    spots_seed: Ints

    def where(self, keep: Ints) -> FruitLooks:
        """Those of these fruit."""
        return FruitLooks(
            **{name: getattr(self, name)[keep] for name in FruitLooks.__dataclass_fields__}
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """What lies on all skins of a photo, 0 none to 1 heavy."""

    spots: float
    dust: float
    bloom: float


def draw_looks(
    skin: Skin, shares: tuple[float, float, float], sunny: Floats, rng: np.random.Generator
) -> FruitLooks:
    """Looks of fruit whose sunny sides are `sunny` (N, 3) in fruit axes.

    `shares` : change of the mean cover, share of fruit with russet, share with sunburn.
    """
    count = len(sunny)
    change, russet, burnt = shares
    blush_rng, wave_rng, fault_rng = rng.spawn(3)
    mean = float(np.clip(skin.cover + change, 0.0, 0.98))
    cover = np.clip(blush_rng.normal(mean, skin.cover_sd, count), 0.0, 0.98)
    burn_at = sunny + fault_rng.normal(0.0, 0.2, (count, 3))
    rates = np.array([2.5, 4.0, 6.5])[None, :, None]
    return FruitLooks(
        cover=cover,
        ripe=np.clip(blush_rng.normal(0.5, 0.25, count), 0.0, 1.0),
        deep=blush_rng.uniform(0.72, 1.25, count),
        russet=fault_rng.uniform(0.3, 1.0, count) * (fault_rng.random(count) < russet),
        burnt=fault_rng.uniform(0.4, 0.95, count) * (fault_rng.random(count) < burnt),
        sunny=sunny,
        burn_at=burn_at / np.linalg.norm(burn_at, axis=1, keepdims=True),
        stripe_phases=wave_rng.uniform(0.0, 6.28, (count, 5)),
        stripe_sizes=wave_rng.uniform(0.15, 0.6, (count, 5)),
        cloud_waves=wave_rng.normal(0.0, 1.0, (count, 3, 3)) * rates,
        cloud_phases=wave_rng.uniform(0.0, 6.28, (count, 3)),
        spots_seed=wave_rng.integers(0, 1 << 20, count),
    )


def paint(looks: FruitLooks, skin: Skin, film: Film, directions: Floats, upward: Floats) -> Floats:
    """(N, V, 3) colours at V directions given in the fruits' own axes.

    `upward` : (N, V) upward part of the normals, which dust lies on.
    """
    d = directions.astype(np.float32)
    cloud = _clouds(looks, d)
    blush = _blush(looks, skin, d, cloud)
    ripe, deep = looks.ripe[:, None, None], looks.deep[:, None, None]
    ground = ripe * np.array(skin.ground) + (1.0 - ripe) * np.array(skin.greener)
    colours = ground.astype(np.float32) + blush[..., None] * (
        np.array(skin.blush) * deep - ground
    ).astype(np.float32)
    burn = looks.burnt[:, None] * _soft((looks.burn_at @ directions.T - 0.82) / 0.06)
    colours = _over(colours, burn, BURNT)
    _spot(colours, looks, film.spots * skin.spots, d)
    net = looks.russet[:, None] * _soft(4.0 * (cloud - 0.55) + 6.0 * (d[None, :, 1] - 0.62))
    colours = _over(colours, net, RUSSET)
    colours = _ends(colours, d)
    waxy = film.bloom * (0.22 + 0.10 * cloud)
    colours = _over(colours, np.clip(waxy, 0.0, 0.8), BLOOM)
    dusty = film.dust * (0.25 + 0.55 * np.clip(upward, 0.0, 1.0)) * (1.0 + 0.35 * cloud)
    return np.clip(_over(colours, np.clip(dusty, 0.0, 0.85), DUST), 0.008, 0.9)


def _over(colours: Singles, share: Numbers, other: Colour) -> Singles:
    """`other` laid over the colours, covering (N, V) shares of them."""
    thick = share.astype(np.float32)[..., None]
    return np.asarray(colours + thick * (np.array(other, dtype=np.float32) - colours))


def _soft(x: Numbers) -> Singles:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -20.0, 20.0))))


def _blush(looks: FruitLooks, skin: Skin, directions: Singles, cloud: Singles) -> Singles:
    """(N, V) share of blush: a soft edge, broken up by stripes from stem to calyx."""
    facing = looks.sunny.astype(np.float32) @ directions.T
    # Half of the sphere faces the sunny side at 0; a cover of c has its edge at 1 - 2 c.
    amount = (facing - (1.0 - 2.0 * looks.cover[:, None])) / 0.5 + 0.45 * cloud
    share = _soft(2.6 * amount)
    if skin.stripes > 0.0:
        # Streaks of a deeper red in the blush, that reach a little beyond its edge.
        streak = skin.stripes * _streaks(looks, directions)
        edge = np.exp(-((amount + 0.15) ** 2) / 0.9)
        share = share + 0.17 * streak * edge - 0.09 * skin.stripes * (1.0 - streak) * share
        share = np.clip(share, 0.0, 1.0)
    return np.asarray(share * (looks.cover > 0.0)[:, None], dtype=np.float32)


def _streaks(looks: FruitLooks, directions: Singles) -> Singles:
    """(N, V) about -1 to 1: fine streaks from stem to calyx, each of them broken here and there.

    Each wave around the axis comes and goes along it. Waves too fine for the mesh are left out.
    """
    azimuth = np.arctan2(directions[:, 2], directions[:, 0])
    along = np.arcsin(np.clip(directions[:, 1], -1.0, 1.0))
    total = np.zeros((len(looks.cover), len(directions)), dtype=np.float32)
    # As many segments around as twice the rings.
    finest = np.sqrt(2.0 * len(directions)) / 2.5
    for index, rate in enumerate(STREAK_RATES):
        if rate > finest:
            break
        phase, size = looks.stripe_phases[:, index, None], looks.stripe_sizes[:, index, None]
        breaks = (2.5 + 1.3 * index) * along + (1 + index % 3) * azimuth
        come = _wave(breaks, looks.stripe_phases[:, index - 1, None])
        # A streak does not run quite straight.
        total += (
            size
            * _wave(rate * azimuth + 0.6 * np.sin(5.0 * along + index), phase)
            * (0.55 + 0.45 * come)
        )
    return np.asarray(np.clip(total, -1.2, 1.2))


def _wave(angles: Numbers, phases: Floats) -> Singles:
    """(N, V) sines of (V,) angles moved by (N, 1) phases."""
    cosine, sine = np.cos(phases).astype(np.float32), np.sin(phases).astype(np.float32)
    return np.asarray(cosine * np.sin(angles) + sine * np.cos(angles))


def _clouds(looks: FruitLooks, directions: Singles) -> Singles:
    """(N, V) soft patches, about -1 to 1."""
    waves = looks.cloud_waves.astype(np.float32) @ directions.T
    return np.asarray(np.sin(waves + looks.cloud_phases[..., None].astype(np.float32)).sum(1) / 2.0)


def _spot(colours: Singles, looks: FruitLooks, strength: float, directions: Singles) -> None:
    """Pale lenticels, denser and smaller towards the calyx; works in place."""
    if strength <= 0.0:
        return
    vertices = colours.shape[1]
    pattern = np.random.default_rng(vertices).random(2 * vertices).astype(np.float32)
    start = looks.spots_seed[:, None] % vertices
    here = pattern[start + np.arange(vertices)[None]]
    # The rings of the mesh get shorter towards the ends, so fewer of their vertices are taken.
    ring = np.sqrt(np.clip(1.0 - directions[:, 1] ** 2, 0.0, 1.0))
    wanted = SPOT_SHARE * ring * (1.0 - 0.5 * directions[:, 1])
    fruit, vertex = np.nonzero(here < wanted[None])
    pale = np.array([0.58, 0.52, 0.34], dtype=np.float32)
    strong = np.float32(0.5 * strength) * (0.4 + 0.6 * here[fruit, vertex] / wanted[vertex])
    colours[fruit, vertex] += strong[:, None] * (pale - colours[fruit, vertex])


def _ends(colours: Singles, directions: Singles) -> Singles:
    """The brown of the stem cavity and the dry calyx."""
    near_stem = 0.75 * np.exp(-(((1.0 - directions[:, 1]) / 0.022) ** 2))[None]
    near_calyx = np.exp(-(((1.0 + directions[:, 1]) / 0.009) ** 2))[None]
    return _over(_over(colours, near_stem, (0.22, 0.18, 0.07)), near_calyx, (0.07, 0.055, 0.03))
