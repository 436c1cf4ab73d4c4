"""Records of a tree and its dials. Numpy only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.errors import SimulationError
from fruitvision.simulate.picture.camera import Bools, Floats
from fruitvision.simulate.picture.dials import check_number, check_span
from fruitvision.simulate.picture.meshes import Ints

LARGEST_CLUSTER = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeDials:
    """Shape of the trees. Our choice throughout, after slender trees on wires.

    `height_mm` : of the leader; `spacing_mm` : from tree to tree in the row; `width_mm`,
    `depth_mm` : of the crown at its lowest limbs, along and across the row, from limb tip to limb
    tip (a small depth is a fruiting wall); `taper` : reach of the highest limbs as a share of the
    lowest; `lowest_limb_mm` : height of the lowest limb; `limbs` : how many; `limb_mm`,
    `trunk_mm` : diameters at their foot; `crossing_limbs` : mean number of limbs that reach into
    the neighbour's place; `water_shoots` : upright shoots.

    `leaves` : per tree; `gaps` : share of the crown without leaves; `leaf_mm` : shortest and
    longest; `leaf_curl` : 0 flat, 1 as usual; `yellow_leaves`, `eaten_leaves` : shares.

    `cluster_shares` : of clusters of 1, 2 ... 5 fruit; `press_mm` : how far fruit of a cluster
    press into each other; `stalk_mm` : mean length; `tilt_deg` : spread of the hanging angle
    around the pull of the stalk.
    """

    height_mm: float = 2550.0
    spacing_mm: float = 1750.0
    width_mm: float = 1100.0
    depth_mm: float = 1100.0
    taper: float = 0.5
    lowest_limb_mm: float = 620.0
    limbs: int = 28
    limb_mm: float = 21.0
    trunk_mm: float = 62.0
    crossing_limbs: float = 0.5
    water_shoots: int = 3
    leaves: int = 2350
    gaps: float = 0.2
    leaf_mm: tuple[float, float] = (38.0, 100.0)
    leaf_curl: float = 1.0
    yellow_leaves: float = 0.025
    eaten_leaves: float = 0.08
    cluster_shares: tuple[float, ...] = (0.45, 0.30, 0.15, 0.07, 0.03)
    press_mm: float = 1.0
    stalk_mm: float = 22.0
    tilt_deg: float = 12.0

    def __post_init__(self) -> None:
        """Refuse impossible trees.

        Raises
        ------
        SimulationError
            Naming the dial and its valid values.
        """
        check_number("height_mm", self.height_mm, 1200.0, 5000.0)
        check_number("spacing_mm", self.spacing_mm, 400.0, 6000.0)
        check_number("width_mm", self.width_mm, 200.0, 4000.0)
        check_number("depth_mm", self.depth_mm, 200.0, 4000.0)
        check_number("taper", self.taper, 0.1, 1.5)
        check_number("lowest_limb_mm", self.lowest_limb_mm, 300.0, self.height_mm - 600.0)
        check_number("limbs", self.limbs, 4, 120)
        check_number("limb_mm", self.limb_mm, 4.0, 80.0)
        check_number("trunk_mm", self.trunk_mm, 15.0, 300.0)
        check_number("crossing_limbs", self.crossing_limbs, 0.0, 10.0)
        check_number("water_shoots", self.water_shoots, 0, 60)
        self._check_leaves_and_fruit()

    def _check_leaves_and_fruit(self) -> None:
        check_number("leaves", self.leaves, 0, 20000)
        check_number("gaps", self.gaps, 0.0, 0.8)
        check_span("leaf_mm", self.leaf_mm, 10.0, 200.0)
        check_number("leaf_curl", self.leaf_curl, 0.0, 3.0)
        check_number("yellow_leaves", self.yellow_leaves, 0.0, 1.0)
        check_number("eaten_leaves", self.eaten_leaves, 0.0, 1.0)
        _check_clusters(self.cluster_shares)
        check_number("press_mm", self.press_mm, 0.0, 3.0)
        check_number("stalk_mm", self.stalk_mm, 5.0, 60.0)
        check_number("tilt_deg", self.tilt_deg, 0.0, 60.0)


def _check_clusters(shares: tuple[float, ...]) -> None:
    right = 1 <= len(shares) <= LARGEST_CLUSTER and min(shares) >= 0.0
    if not right or abs(sum(shares) - 1.0) > 1e-6:
        raise SimulationError(
            f"The dial cluster_shares is {', '.join(f'{share:g}' for share in shares)}.",
            fix=f"Valid: 1 to {LARGEST_CLUSTER} shares of 0 or more that sum to 1.",
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fruits:
    """Fruit of a tree, in the order of their diameters as given.

    `centres_mm`, `spots_mm` : (N, 3) middle of the fruit and the place on the limb it hangs from;
    `turns` : (N, 3, 3) from fruit axes to world; `diameters_mm`, `heights_mm` : (N,).
    """

    centres_mm: Floats
    spots_mm: Floats
    turns: Floats
    diameters_mm: Floats
    heights_mm: Floats

    def where(self, keep: Bools | Ints) -> Fruits:
        """The fruit for which `keep` is true, or those of these numbers."""
        return Fruits(
            centres_mm=self.centres_mm[keep],
            spots_mm=self.spots_mm[keep],
            turns=self.turns[keep],
            diameters_mm=self.diameters_mm[keep],
            heights_mm=self.heights_mm[keep],
        )

    def moved(self, by_mm: Floats) -> Fruits:
        """The same fruit, `by_mm` (3,) away."""
        return Fruits(
            centres_mm=self.centres_mm + by_mm,
            spots_mm=self.spots_mm + by_mm,
            turns=self.turns,
            diameters_mm=self.diameters_mm,
            heights_mm=self.heights_mm,
        )


def joined_fruits(groups: list[Fruits]) -> Fruits:
    """All fruit of the groups, one group after another."""
    groups = groups or [no_fruits()]
    return Fruits(
        centres_mm=np.concatenate([group.centres_mm for group in groups]),
        spots_mm=np.concatenate([group.spots_mm for group in groups]),
        turns=np.concatenate([group.turns for group in groups]),
        diameters_mm=np.concatenate([group.diameters_mm for group in groups]),
        heights_mm=np.concatenate([group.heights_mm for group in groups]),
    )


def no_fruits() -> Fruits:
    """No fruit."""
    return Fruits(
        centres_mm=np.zeros((0, 3)),
        spots_mm=np.zeros((0, 3)),
        turns=np.zeros((0, 3, 3)),
        diameters_mm=np.zeros(0),
        heights_mm=np.zeros(0),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leaves:
    """Leaves of a tree.

    `bases_mm` : (N, 3) where each starts; `frames` : (N, 3, 3), columns length, up, side;
    `lengths_mm` : (N,); `kinds` : (N,) index into the shapes of `foliage`; `colours`, `rims` :
    (N, 3) linear reflectance of the upper side and of its rim.
    """

    bases_mm: Floats
    frames: Floats
    lengths_mm: Floats
    kinds: Ints
    colours: Floats
    rims: Floats

    def where(self, keep: Bools | Ints) -> Leaves:
        """The leaves for which `keep` is true, or those of these numbers."""
        return Leaves(
            bases_mm=self.bases_mm[keep],
            frames=self.frames[keep],
            lengths_mm=self.lengths_mm[keep],
            kinds=self.kinds[keep],
            colours=self.colours[keep],
            rims=self.rims[keep],
        )

    def middles_mm(self) -> Floats:
        """(N, 3) middles of the leaves."""
        return np.asarray(self.bases_mm + 0.5 * self.lengths_mm[:, None] * self.frames[:, :, 0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tree:
    """`trunk_mm` : (P, 3); `limbs_mm`, `twigs_mm` : (L, Q, 3) paths from the trunk outwards."""

    trunk_mm: Floats
    limbs_mm: Floats
    twigs_mm: Floats
    fruits: Fruits
    leaves: Leaves
