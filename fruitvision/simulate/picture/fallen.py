"""Fruit on the ground under a tree. Numpy only."""

from __future__ import annotations

import numpy as np

from fruitvision.simulate.picture.camera import Floats, turns_about
from fruitvision.simulate.picture.hang import fruit_heights
from fruitvision.simulate.picture.parts import Fruits, no_fruits


def drop_fruit(mean: float, like_mm: Floats, foot_mm: Floats, rng: np.random.Generator) -> Fruits:
    """A random number of fallen fruit around a tree, `mean` on average.

    `like_mm` : (N,) diameters of the fruit that the tree bears; without any, none has fallen.
    Fallen fruit stopped growing some weeks ago, so they are a little smaller. Our choice.
    """
    count = int(rng.poisson(mean))
    if not count or not len(like_mm):
        return no_fruits()
    diameters = rng.choice(like_mm, count) * rng.uniform(0.78, 0.98, count)
    heights = fruit_heights(diameters, rng)
    places = _apart(rng.normal(0.0, 1.0, (count, 2)) * (430.0, 300.0), diameters)
    # They lie any way round, pressed a little into the grass.
    turns = turns_about(rng.normal(size=(count, 3)), rng.uniform(0.0, 3.14, count))
    half_up = (
        np.sqrt((turns[:, 1, 1] * heights) ** 2 + (1.0 - turns[:, 1, 1] ** 2) * diameters**2) / 2.0
    )
    centres = np.column_stack([places[:, 0], half_up - 4.0, places[:, 1]])
    centres = centres + foot_mm * (1.0, 0.0, 1.0)
    return Fruits(
        centres_mm=centres,
        spots_mm=centres,
        turns=turns,
        diameters_mm=diameters,
        heights_mm=heights,
    )


def _apart(places: Floats, diameters: Floats) -> Floats:
    """Pushed apart on the ground until none lies in another."""
    touch = (diameters[:, None] + diameters) / 2.0
    np.fill_diagonal(touch, 0.0)
    for _ in range(60):
        away = places[:, None] - places[None]
        gap = np.sqrt((away**2).sum(axis=2)) + 1e-9
        over = np.clip(touch - gap, 0.0, None)
        if over.max() < 0.2:
            break
        places = places + (0.45 * (over / gap)[..., None] * away).sum(axis=1)
    return places
