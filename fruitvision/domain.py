"""The records that travel from step to step. Frozen, unit in the name, doubt beside the number.

Conventions
-----------
* `Estimate` is always P10, P50, P90: one chance in ten that the truth lies below `p10`, even
  chance for `p50`, one in ten that it lies above `p90`.
* A field that ends in `_error` is one standard error in the unit of its neighbour.
* Pixels: the centre of the top-left pixel is (0, 0), x to the right, y down.
* Dates are given, never read from the clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum


class Doubt(StrEnum):
    """A reason to trust a number less. The value is the code in tables, `words` is for people."""

    # photo
    BLURRED = "blurred"
    TOO_DARK = "too_dark"
    TOO_BRIGHT = "too_bright"
    NO_DATE = "no_date"
    NO_TREE = "no_tree"
    # reference and scale
    NO_MARKER = "no_marker"
    MARKER_CUT = "marker_cut"
    MARKER_TILTED = "marker_tilted"
    MARKER_SMALL = "marker_small"
    MARKERS_DISAGREE = "markers_disagree"
    SCALE_BY_HAND = "scale_by_hand"
    LENS_UNKNOWN = "lens_unknown"
    # fruit
    NOT_SIZED = "not_sized"
    CUT_BY_EDGE = "cut_by_edge"
    PARTLY_HIDDEN = "partly_hidden"
    # tree and block
    FACE_MISSING = "face_missing"
    FEW_TREES = "few_trees"
    NO_HAND_COUNTS = "no_hand_counts"
    FEW_HAND_COUNTS = "few_hand_counts"
    OTHER_PROTOCOL = "other_protocol"
    HAND_BELOW_VISIBLE = "hand_below_visible"
    NO_SIZES = "no_sizes"
    NO_CALIPERS = "no_calipers"
    # forecast
    DEFAULT_GROWTH = "default_growth"
    DEFAULT_WEIGHT = "default_weight"
    ASSUMED_CULLS = "assumed_culls"
    FAR_AHEAD = "far_ahead"

    @property
    def words(self) -> str:
        """One plain sentence for a grower."""
        return _WORDS[self]


_WORDS: dict[Doubt, str] = {
    Doubt.BLURRED: "Blurred: hold still and focus on the fruit, then take it again.",
    Doubt.TOO_DARK: "Too dark: wait for light or step so that the sun is behind you.",
    Doubt.TOO_BRIGHT: "Too bright: turn away from the sun or lower the exposure.",
    Doubt.NO_DATE: "The photo carries no date: check the phone's clock settings.",
    Doubt.NO_TREE: "No tree seen: this photo shows neither fruit nor foliage enough to count.",
    Doubt.NO_MARKER: "No marker found: fruit are counted, not sized.",
    Doubt.MARKER_CUT: "The marker is cut off or half covered: fruit are counted, not sized.",
    Doubt.MARKER_TILTED: "The marker is tilted over 35°: fruit are counted, not sized.",
    Doubt.MARKER_SMALL: "The marker is under 40 px wide: fruit are counted, not sized. Go nearer.",
    Doubt.MARKERS_DISAGREE: "Two markers give different scales: fruit are counted, not sized.",
    Doubt.SCALE_BY_HAND: "The scale was typed in, not measured from a marker.",
    Doubt.LENS_UNKNOWN: "Lens unknown: the stretch of fruit near the picture's edge stays in.",
    Doubt.NOT_SIZED: "Counted, not sized.",
    Doubt.CUT_BY_EDGE: "Cut by the edge of the photo: counted, not sized.",
    Doubt.PARTLY_HIDDEN: "Too little of the fruit is seen to size it: counted, not sized.",
    Doubt.FACE_MISSING: "A tree lacks a usable photo of one face and was left out.",
    Doubt.FEW_TREES: "Fewer than 8 trees: a first look, no promise.",
    Doubt.NO_HAND_COUNTS: "No hand-counted trees: visible fruit only, hidden fruit are not in.",
    Doubt.FEW_HAND_COUNTS: "Fewer than 5 hand-counted trees: the hidden-fruit factor is weak.",
    Doubt.OTHER_PROTOCOL: "Hand counts belong to another way of taking photos: not used.",
    Doubt.HAND_BELOW_VISIBLE: "A hand count is below the visible count: check that tree.",
    Doubt.NO_SIZES: "No fruit could be sized: numbers only, no size classes.",
    Doubt.NO_CALIPERS: "No caliper readings of this walk: photo millimetres are unchecked.",
    Doubt.DEFAULT_GROWTH: "Growth is a textbook rate: measure twice to get this block's own.",
    Doubt.DEFAULT_WEIGHT: "Weight from diameter is a general rule: weigh fruit of this variety.",
    Doubt.ASSUMED_CULLS: "Culls and drop are assumed, not measured here.",
    Doubt.FAR_AHEAD: "More than 60 days ahead: trust the peak classes only.",
}

Doubts = tuple[Doubt, ...]


def merge_doubts(*groups: Doubts) -> Doubts:
    """All doubts once, in the order of the enumeration."""
    found = {doubt for group in groups for doubt in group}
    return tuple(doubt for doubt in Doubt if doubt in found)


class Protocol(StrEnum):
    """How a tree was photographed. A hidden-fruit factor holds for one protocol only."""

    ONE_FACE = "one face"
    TWO_FACES = "two faces"


@dataclass(frozen=True, slots=True)
class Estimate:
    """P10, P50 and P90 of a number. The unit is in the name of the field that holds it."""

    p10: float
    p50: float
    p90: float

    def __post_init__(self) -> None:
        if not self.p10 <= self.p50 <= self.p90:
            raise ValueError(f"need p10 <= p50 <= p90, got {self.p10}, {self.p50}, {self.p90}")


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeWith:
    """What a result was made with: same in, same out."""

    version: str
    detector: str
    settings_sha256: str


# ---------------------------------------------------------------- photo, reference, scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """One photo, upright. `photo_id` is the sha256 of the file's bytes."""

    photo_id: str
    name: str
    width_px: int
    height_px: int
    taken_at: datetime | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    lens: str = ""
    focal_35mm: float | None = None
    sharpness: float
    brightness: float
    doubts: Doubts = ()

    @property
    def focal_px(self) -> float | None:
        """Focal length in px from the 35 mm equivalent (diagonal 43.27 mm, CIPA DCG-001)."""
        if self.focal_35mm is None:
            return None
        diagonal_px = float((self.width_px**2 + self.height_px**2) ** 0.5)
        return self.focal_35mm / 43.2666 * diagonal_px


Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A square marker found in a photo: printed side, corners, tilt, and what is wrong with it."""

    marker_id: int
    side_mm: float
    corners_px: Corners
    side_px: float
    tilt_deg: float
    mm_per_px: float
    mm_per_px_error: float
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Millimetres per pixel in the plane of the reference, and what it rests on."""

    mm_per_px: float
    mm_per_px_error: float
    distance_mm: float | None = None
    doubts: Doubts = ()


# ---------------------------------------------------------------- fruit


@dataclass(frozen=True, slots=True, kw_only=True)
class Fruit:
    """One fruit in one photo: its full outline as an ellipse, hidden parts included.

    `width_px` is the long axis of the outline, `angle_deg` its direction, clockwise from +x;
    `height_px` is the axis at right angles. `diameter_px` is the long axis freed of the off-axis
    stretch. `diameter_mm` is None for a fruit that is counted and not sized.
    """

    photo_id: str
    fruit_id: str
    centre_x_px: float
    centre_y_px: float
    width_px: float
    height_px: float
    angle_deg: float
    diameter_px: float
    diameter_mm: float | None
    diameter_error_mm: float | None
    visible_share: float
    score: float
    on_this_row: bool
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredPhoto:
    """All that one photo gave. `remarks` are sentences about this photo alone."""

    photo: Photo
    references: tuple[Reference, ...]
    scale: Scale | None
    fruit: tuple[Fruit, ...]
    doubts: Doubts
    made_with: MadeWith
    remarks: tuple[str, ...] = ()

    @property
    def fruit_count(self) -> int:
        """Fruit that hang on this row."""
        return sum(fruit.on_this_row for fruit in self.fruit)


# ---------------------------------------------------------------- field data


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

    @property
    def bearing_trees(self) -> int:
        """Positions less missing trees and pollinizers."""
        return self.positions - self.missing - self.pollinizers


@dataclass(frozen=True, slots=True, kw_only=True)
class TreePhoto:
    """Which tree and which face a photo shows, and the day of the walk. `face` is A or B."""

    tree: TreeId
    face: str
    photo_id: str
    walked_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class HandCount:
    """Every fruit of one tree, counted by hand, and the photo protocol it is paired with."""

    tree: TreeId
    fruit_count: int
    counted_on: date
    protocol: Protocol = Protocol.TWO_FACES


@dataclass(frozen=True, slots=True, kw_only=True)
class CaliperReading:
    """One fruit of a tree, measured by hand across the cheeks."""

    tree: TreeId
    measured_on: date
    diameter_mm: float
    fruit: str = ""


# ---------------------------------------------------------------- tree and block


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeSample:
    """One photographed tree: visible fruit summed over its faces, and the diameters seen."""

    tree: TreeId
    walked_on: date
    protocol: Protocol
    visible_count: int
    diameters_mm: tuple[float, ...] = ()
    diameter_errors_mm: tuple[float, ...] = ()
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenFruitFactor:
    """Fruit on the tree per visible fruit: ratio of sums over the hand-counted trees."""

    factor: float
    factor_error: float
    trees: int
    protocol: Protocol
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeDistribution:
    """Diameters of a block's fruit on one day, freed of measuring noise.

    `quantiles_mm` are equally probable diameters, smallest first. `mean_error_mm` is the
    tree-to-tree sampling error of the mean; `shared_error` is the relative error of the scale that
    is common to all photos of the walk; `spread_error` is the relative error of the spread.
    """

    measured_on: date
    quantiles_mm: tuple[float, ...]
    mean_mm: float
    sd_mm: float
    mean_error_mm: float
    shared_error: float
    spread_error: float
    fruit: int
    trees: int
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthRate:
    """Gain of the cubed diameter per day, with its error and where it comes from."""

    mm3_per_day: float
    mm3_per_day_error: float
    source: str
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockEstimate:
    """What a walk says about a block on the day of the walk.

    `fruit_per_tree_error` and `degrees_of_freedom` belong to `fruit_per_tree_mean`; the finite
    number of trees is already in.
    """

    block: Block
    walked_on: date
    trees: int
    visible_per_tree: float
    factor: HiddenFruitFactor | None
    fruit_per_tree_mean: float
    fruit_per_tree_error: float
    degrees_of_freedom: int
    sampling_error: float
    fruit_per_tree: Estimate
    fruit_total: Estimate
    sizes: SizeDistribution | None
    doubts: Doubts


# ---------------------------------------------------------------- forecast


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeClass:
    """One class of a size table: half-open range, and how it fills a carton."""

    name: str
    low: float
    high: float
    fruit_per_carton: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeTable:
    """Classes by mass (g) or diameter (mm), touching each other, smallest first."""

    name: str
    unit: str
    carton_kg: float
    classes: tuple[SizeClass, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassForecast:
    """One size class at the pick: share of the picked fruit, and packed cartons."""

    size_class: str
    share: Estimate
    cartons: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class CropForecast:
    """A crop at the pick: a block, all blocks of a variety, or the farm.

    `fruit`, `bins` and `tonnes` are what comes in, culls included; `cartons` is what is packed.
    What can't be said honestly is None: sizes where no fruit was sized, bins, tonnes and cartons
    where also hidden fruit are unknown.
    """

    name: str
    variety: str
    pick_date: date | None
    fruit: Estimate
    diameter_mm: Estimate | None
    bins: Estimate | None
    tonnes: Estimate | None
    cartons: Estimate | None
    classes: tuple[ClassForecast, ...]
    doubts: Doubts


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """One published forecast: never changed afterwards, a correction is a new one."""

    forecast_id: str
    farm: str
    made_on: date
    size_table: str
    blocks: tuple[CropForecast, ...]
    varieties: tuple[CropForecast, ...]
    total: CropForecast
    next_action: str
    made_with: MadeWith
