"""One slender tree: wood, where its fruit hang and where its leaves grow. Numpy only."""

from __future__ import annotations

import numpy as np

from fruitvision.simulate.picture.camera import Bools, Floats
from fruitvision.simulate.picture.foliage import leaf_out
from fruitvision.simulate.picture.hang import hang_fruit
from fruitvision.simulate.picture.limbs import (
    cross_limbs,
    grow_limbs,
    grow_shoots,
    grow_trunk,
    grow_twigs,
)
from fruitvision.simulate.picture.parts import (
    Fruits,
    Leaves,
    Tree,
    TreeDials,
    joined_fruits,
    no_fruits,
)

__all__ = ["Fruits", "Leaves", "Tree", "TreeDials", "grow_tree", "joined_fruits", "no_fruits"]

# Leaves of one leafy twig. Our choice, after counts on a few real shoots.
LEAVES_PER_TWIG = 14


def grow_tree(
    dials: TreeDials, diameters_mm: Floats, foot_mm: Floats, rng: np.random.Generator
) -> Tree:
    """A tree that stands at `foot_mm` (3,) and bears fruit of those diameters.

    The same `rng` state and diameters give the same tree from whichever side it is seen. Each part
    has its own stream, so that more leaves move no fruit.
    """
    trunk_rng, limb_rng, cross_rng, shoot_rng, fruit_rng, twig_rng, leaf_rng = rng.spawn(7)
    trunk = grow_trunk(dials, trunk_rng)
    limbs = cross_limbs(dials, trunk, grow_limbs(dials, trunk, limb_rng), cross_rng)
    fruits = hang_fruit(dials, diameters_mm, limbs, trunk, fruit_rng)
    shoots = grow_shoots(dials, limbs, shoot_rng)
    twigs = grow_twigs(limbs, trunk, max(dials.leaves // LEAVES_PER_TWIG, 4), twig_rng)
    # Shoots as paths of as many points as twigs have.
    twigs = np.concatenate([twigs, shoots[:, ::2]]) if len(shoots) else twigs
    leaves = leaf_out(dials, twigs, trunk, fruits, leaf_rng)
    return Tree(
        trunk_mm=trunk + foot_mm,
        limbs_mm=limbs + foot_mm,
        twigs_mm=twigs[_clear(twigs, fruits)] + foot_mm,
        fruits=fruits.moved(foot_mm),
        leaves=Leaves(
            bases_mm=leaves.bases_mm + foot_mm,
            frames=leaves.frames,
            lengths_mm=leaves.lengths_mm,
            kinds=leaves.kinds,
            colours=leaves.colours,
            rims=leaves.rims,
        ),
    )


def _clear(twigs: Floats, fruits: Fruits) -> Bools:
    """Twigs that run through no fruit."""
    if not len(fruits.centres_mm):
        return np.ones(len(twigs), dtype=np.bool_)
    (x, y, z), (u, v, w) = twigs.transpose(2, 0, 1)[..., None], fruits.centres_mm.T
    inside = (x - u) ** 2 + (y - v) ** 2 + (z - w) ** 2 < (fruits.diameters_mm / 2.0) ** 2
    return np.asarray(~inside.any(axis=(1, 2)))
