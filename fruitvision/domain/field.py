"""What people enter: blocks, the tree register, walks, counts, calipers, weights, picks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class Protocol(StrEnum):
    """How a tree was photographed. A hidden-fruit factor holds for one protocol only.

    A panel is all trees between two posts, or so many neighbours, in one photo a face.
    """

    ONE_FACE = "one face"
    TWO_FACES = "two faces"
    PANEL_ONE_FACE = "panel, one face"
    PANEL = "panel"


@dataclass(frozen=True, slots=True, order=True)
class TreeId:
    """A position in a block: row and place along the row, as the register numbers them."""

    block_id: str
    row: int
    position: int

    def __str__(self) -> str:
        return f"{self.block_id} row {self.row} tree {self.position}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Trees of one variety that are picked and recorded together."""

    block_id: str
    variety: str
    positions: int
    missing: int = 0
    pollinizers: int = 0
    pick_date: date | None = None
    row_spacing_m: float | None = None
    tree_spacing_m: float | None = None
    area_ha: float | None = None
    # Blocks alike in variety, age and system share a name here; empty stands for the variety.
    group: str = ""
    # What the block is wanted to bear: fruit a tree, and their mean diameter at the pick.
    target_fruit_per_tree: float | None = None
    target_diameter_mm: float | None = None
    # Mean cross-section of a trunk, 30 cm above ground or above the graft.
    trunk_area_cm2: float | None = None
    # Day on which about four of five flowers were open.
    full_bloom_on: date | None = None

    @property
    def bearing_trees(self) -> int:
        """Positions less missing trees and pollinizers."""
        return self.positions - self.missing - self.pollinizers


@dataclass(frozen=True, slots=True, kw_only=True)
class TreePhoto:
    """Which tree and which face a photo shows, and the day of the walk. `face` is A or B.

    A photo of a panel shows so many bearing `trees`, and is named after the first of them. `vigour`
    is a class or the trunk's girth or section, in one measure for the whole walk. `place` : 1 for
    the first photo of the face, 2, 3, ... for others from places a step apart.
    """

    tree: TreeId
    face: str
    photo_id: str
    walked_on: date
    trees: int = 1
    vigour: float | None = None
    place: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class HandCount:
    """Every fruit of one tree, or of a whole panel, counted by hand, and the photo protocol that it
    is paired with. A panel's count stands at the panel's first tree."""

    tree: TreeId
    fruit_count: int
    counted_on: date
    protocol: Protocol = Protocol.TWO_FACES


# Standard error of a reading across the cheeks, mm. Common practice: a dial caliper on fruit that
# are not quite round.
CALIPER_ERROR_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class CaliperReading:
    """One fruit of a tree, measured by hand across the cheeks."""

    tree: TreeId
    measured_on: date
    diameter_mm: float
    fruit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaliperedFruit:
    """A fruit that was measured by hand and can be found in a photo: a place inside its outline."""

    photo_id: str
    x_px: float
    y_px: float
    diameter_mm: float


class TreeKind(StrEnum):
    """What stands at a position of the register."""

    BEARING = "bearing"
    REPLANT = "replant"
    POLLINIZER = "pollinizer"
    MISSING = "missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisteredTree:
    """One position of the tree register.

    `stratum` names a part of the block that bears alike (low ground, on-trees, old rows); empty
    is the rest of the block. `bearing_share` is the crop against a full tree: 0 to 1. `variety`
    is a pollinizer's; empty stands for the block's. Latitude and longitude are WGS 84, where known.
    """

    tree: TreeId
    kind: TreeKind = TreeKind.BEARING
    stratum: str = ""
    bearing_share: float = 1.0
    variety: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """One line of a register: the places of a part of the block that bears alike.

    `bearing_trees` are full-tree equivalents: the sum of the bearing shares of `bearing` trees and
    `replants`. Pollinizers and missing trees have none.
    """

    name: str
    bearing: int
    replants: int
    pollinizers: int
    missing: int
    bearing_trees: float

    @property
    def positions(self) -> int:
        """All places."""
        return self.bearing + self.replants + self.pollinizers + self.missing


@dataclass(frozen=True, slots=True, kw_only=True)
class Pollinizers:
    """Pollinizers of one variety in a block; an empty variety is one that nobody wrote down."""

    variety: str
    trees: int


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitedPlace:
    """What a walk found at a drawn position; gaps are recorded, not replaced."""

    tree: TreeId
    visited_on: date
    found: TreeKind


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighedFruit:
    """Diameter and mass of one fruit of a variety."""

    variety: str
    weighed_on: date
    diameter_mm: float
    mass_g: float
    fruit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VarietyCull:
    """Share of the picked fruit of a variety's size class that is not packed.

    An empty variety stands for every variety that has no lines of its own. `cull_share_error` is
    one standard error; None stands for the farm's setting.
    """

    variety: str
    size_class: str
    cull_share: float
    cull_share_error: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VarietyGrade:
    """Share of the packed fruit of a variety's size class that is of a grade.

    An empty variety stands for every variety that has no lines of its own. The grades of a class
    add up to 1.
    """

    variety: str
    size_class: str
    grade: str
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """One pass through a block: its middle day, and how sure that day is (standard error)."""

    pick_date: date
    date_error_days: float = 0.0
    # Share of the harvest that this pass takes; all passes of a plan add up to 1.
    share: float = 1.0


# Grams more that double the odds of being picked, in a plan made by hand: that of
# `settings.pick_doubling_g`, with its source there.
USUAL_DOUBLING_G = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PickPlan:
    """The passes of a block. Several passes pick by colour, the largest fruit first.

    `doubling_g` : the odds that a fruit is picked double with so many grams more; 0 in a plan of
    the office stands for the farm's setting. `left_share` : share of the fruit at the last pass
    that stays on the tree.
    """

    picks: tuple[Pick, ...]
    doubling_g: float = USUAL_DOUBLING_G
    left_share: float = 0.0
    left_share_error: float = 0.0
