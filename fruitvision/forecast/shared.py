"""Errors of one simulation: those that all blocks share, and streams of their own for the rest."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.settings import Settings

Array = NDArray[np.float64]

# A drawn share of drop, culls or fruit left is cut to this. Our choice.
LARGEST_SHARE = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class SharedErrors:
    """Standard normal draws that all blocks have in common, each (draws,)."""

    scale: Array
    growth: Array
    season: Array
    mass: Array
    drop: Array
    culls: Array
    dates: Array
    left: Array


def draw_shared(settings: Settings) -> SharedErrors:
    """The shared errors of one forecast, reproducible by the seed."""
    rng = np.random.default_rng(settings.seed)
    return SharedErrors(*rng.standard_normal((8, settings.draws)))


def named_rng(settings: Settings, *names: str) -> np.random.Generator:
    """A stream of its own for a purpose and a name: a new stream moves no other."""
    return np.random.default_rng([settings.seed, *(zlib.crc32(name.encode()) for name in names)])


def named_normal(settings: Settings, *names: str) -> Array:
    """Standard normal draws of a purpose and a name, (draws,)."""
    return named_rng(settings, *names).standard_normal(settings.draws)


def drawn_share(mid: float | Array, error: float | Array, normal: Array) -> Array:
    """A share with its error, kept from 0 to `LARGEST_SHARE`; a share known to be larger stays."""
    return np.clip(mid + error * normal, 0.0, np.maximum(mid, LARGEST_SHARE))
