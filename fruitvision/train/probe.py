"""Pictures drawn for the proof that a network gives the same everywhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]

# Foliage, and fruit of several sorts: sRGB (our choice).
GROUND = (70.0, 95.0, 50.0)
FRUIT = ((175.0, 40.0, 45.0), (150.0, 170.0, 70.0), (215.0, 190.0, 80.0))


def probe_picture() -> Image:
    """(128, 160, 3): shaded discs of 18 to 60 px before uneven green."""
    return _drawn(160, 128, seed=1)


def odd_picture() -> Image:
    """(160, 96, 3): of another shape, higher than wide."""
    return _drawn(96, 160, seed=2)


def _drawn(width: int, height: int, *, seed: int) -> Image:
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    leaves = np.kron(rng.uniform(0.3, 1.7, (height // 8, width // 8)), np.ones((8, 8)))
    picture = leaves[..., None] * np.array(GROUND)
    for number in range(width * height // 5000):
        radius = rng.uniform(9, 30)
        u = (x - rng.uniform(0, width)) / radius
        v = (y - rng.uniform(0, height)) / radius
        # Lit from the upper left.
        light = 0.5 + 0.5 * np.sqrt(np.clip(1 - (u + 0.3) ** 2 - (v + 0.3) ** 2, 0, 1))
        colour = np.array(FRUIT[number % len(FRUIT)])
        picture = np.where((u**2 + v**2 < 1)[..., None], colour * light[..., None], picture)
    grain = rng.normal(0, 6, picture.shape)
    return np.asarray(np.clip(np.rint(picture + grain), 0, 255), dtype=np.uint8)
