"""What is fixed about a block before its season is drawn: every dial with unit and source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from fruitvision.errors import SimulationError
from fruitvision.simulate.season.dial import check_dials, dial, refuse
from fruitvision.simulate.season.growth import Growth, StraightGrowth, Weather
from fruitvision.simulate.season.orchard import JuneDropDials, LoadDials, RegisterDials, SizeDials
from fruitvision.simulate.season.picking import CullDials, DropDials, MassDials, PickDials

__all__ = ["PLANS", "BlockPlan", "Growth", "OfficeNotes", "StraightGrowth", "check_farm"]

# A bound on what one process draws at once, trees. Our choice: 100 ha at 3,000 trees.
MOST_TREES = 300_000


@dataclass(frozen=True, slots=True, kw_only=True)
class OfficeNotes:
    """What the office wrote down of a block beside its places; none of it moves a draw."""

    row_spacing_m: float
    tree_spacing_m: float
    target_fruit_per_tree: float
    target_diameter_mm: float
    trunk_area_cm2: float
    full_bloom_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockPlan:
    """What is fixed about a block before the season is drawn. All numbers are our invention.

    `letter` : starts the ids of the fruit and names the block's random streams. `pick_date` : of
    the first pick. `photographed`, `hand_counted`, `calipered` : trees; the last two among the
    first. `fruit_per_tree`, `diameter_mm` : means of full trees on the day of the walk.

    Raises
    ------
    SimulationError
        If a dial is out of its range, or two contradict each other.
    """

    block_id: str
    letter: str
    variety: str
    rows: int = dial(6, unit="rows", low=1, high=1000, source="our choice")
    trees_per_row: int = dial(54, unit="positions", low=1, high=2000, source="our choice")
    missing: int = dial(0, unit="positions", low=0, high=MOST_TREES, source="our choice")
    pollinizers: int = dial(0, unit="positions", low=0, high=MOST_TREES, source="our choice")
    walked_on: date
    pick_date: date
    earlier_calipers_on: date
    photographed: int = dial(20, unit="trees", low=1, high=MOST_TREES, source="our choice")
    hand_counted: int = dial(8, unit="trees", low=0, high=MOST_TREES, source="our choice")
    calipered: int = dial(8, unit="trees", low=0, high=MOST_TREES, source="our choice")
    tagged_fruit: int = dial(
        10, unit="fruit on a calipered tree", low=1, high=10_000, source="common practice"
    )
    fruit_per_tree: float = dial(75.0, unit="fruit", low=0.0, high=3000.0, source="our choice")
    diameter_mm: float = dial(66.0, unit="mm", low=5.0, high=120.0, source="our choice")
    growth: Growth | StraightGrowth
    register: RegisterDials = field(default_factory=RegisterDials)
    load: LoadDials = field(default_factory=LoadDials)
    june_drop: JuneDropDials = field(default_factory=JuneDropDials)
    sizes: SizeDials = field(default_factory=SizeDials)
    weather: Weather = field(default_factory=Weather)
    drop: DropDials = field(default_factory=DropDials)
    picking: PickDials = field(default_factory=PickDials)
    mass: MassDials = field(default_factory=MassDials)
    culls: CullDials = field(default_factory=CullDials)
    office: OfficeNotes | None = None

    def __post_init__(self) -> None:
        check_dials(self)
        self._check_names()
        self._check_days()
        self._check_trees()
        low, high = self.sizes.size_between_mm
        if not low <= self.diameter_mm <= high:
            refuse(
                "diameter_mm",
                self.diameter_mm,
                f"{low:g} to {high:g} mm, the dial 'size_between_mm' of sizes; or widen that",
            )

    def _check_names(self) -> None:
        if len(self.letter) != 1 or not (self.letter.isascii() and self.letter.isalpha()):
            refuse("letter", repr(self.letter), "one letter, A to Z or a to z")
        for name in ("block_id", "variety"):
            if not getattr(self, name).strip():
                refuse(name, "empty", "a name")

    def _check_days(self) -> None:
        if self.earlier_calipers_on > self.walked_on:
            refuse("earlier_calipers_on", self.earlier_calipers_on, f"up to {self.walked_on}")
        if self.pick_date < self.walked_on:
            refuse("pick_date", self.pick_date, f"{self.walked_on}, the walk, or later")

    def _check_trees(self) -> None:
        if self.positions > MOST_TREES:
            refuse("trees_per_row", self.trees_per_row, f"up to {MOST_TREES} positions in all")
        if self.missing + self.pollinizers >= self.positions:
            refuse("missing", self.missing, "fewer than the positions without pollinizers")
        bearing = self.positions - self.missing - self.pollinizers
        bounds = {
            "replants": (self.register.replants, bearing, "bearing"),
            "photographed": (self.photographed, bearing, "bearing"),
            "hand_counted": (self.hand_counted, self.photographed, "photographed"),
            "calipered": (self.calipered, self.photographed, "photographed"),
        }
        for name, (value, most, kind) in bounds.items():
            if value > most:
                refuse(name, value, f"up to {most}, the {kind} trees")
        for stratum in self.register.strata:
            if stratum.rows[1] > self.rows or stratum.positions[1] > self.trees_per_row:
                refuse(
                    f"strata: {stratum.name}",
                    f"rows {stratum.rows}, positions {stratum.positions}",
                    f"rows 1 to {self.rows}, positions 1 to {self.trees_per_row}",
                )

    @property
    def positions(self) -> int:
        """Places for a tree, bearing or not."""
        return self.rows * self.trees_per_row

    @property
    def pick_dates(self) -> tuple[date, ...]:
        """Day of each pick."""
        return tuple(self.pick_date + timedelta(days=d) for d in self.picking.days_after_first)


def check_farm(plans: Sequence[BlockPlan]) -> None:
    """Refuse blocks that would share fruit ids and random streams.

    Raises
    ------
    SimulationError
        If there is no block, or a letter or name comes twice.
    """
    if not plans:
        raise SimulationError("The farm has no block.", fix="Give one plan or more.")
    for name in ("letter", "block_id"):
        used = [getattr(plan, name) for plan in plans]
        if len(set(used)) < len(used):
            raise SimulationError(
                f"Two blocks have the same {name}: {', '.join(used)}.",
                fix="Give each block its own.",
            )


# Range of the diameters of the sample farm, mm.
_SAMPLE_SIZES = SizeDials(size_between_mm=(45.0, 90.0))

PLANS = (
    BlockPlan(
        block_id="Gala North",
        letter="G",
        variety="Gala",
        rows=6,
        trees_per_row=54,
        missing=9,
        pollinizers=12,
        walked_on=date(2026, 8, 12),
        pick_date=date(2026, 9, 3),
        earlier_calipers_on=date(2026, 7, 22),
        photographed=14,
        hand_counted=10,
        calipered=8,
        fruit_per_tree=75.0,
        diameter_mm=66.0,
        sizes=_SAMPLE_SIZES,
        growth=Growth(
            grams_per_day=1.50,
            relative_rate_per_day=0.085,
            linear_from=date(2026, 6, 4),
            power=2.85,
        ),
        office=OfficeNotes(
            row_spacing_m=3.5,
            tree_spacing_m=1.75,
            target_fruit_per_tree=65,
            target_diameter_mm=72,
            trunk_area_cm2=11.4,
            full_bloom_on=date(2026, 4, 28),
        ),
    ),
    BlockPlan(
        block_id="Fuji Slope",
        letter="F",
        variety="Fuji",
        rows=5,
        trees_per_row=64,
        missing=8,
        pollinizers=11,
        walked_on=date(2026, 8, 13),
        pick_date=date(2026, 10, 2),
        earlier_calipers_on=date(2026, 7, 22),
        photographed=6,
        hand_counted=4,
        calipered=0,
        fruit_per_tree=60.0,
        diameter_mm=70.0,
        sizes=_SAMPLE_SIZES,
        growth=Growth(
            grams_per_day=1.72,
            relative_rate_per_day=0.080,
            linear_from=date(2026, 6, 1),
            power=2.85,
        ),
        office=OfficeNotes(
            row_spacing_m=3.5,
            tree_spacing_m=1.75,
            target_fruit_per_tree=56,
            target_diameter_mm=82,
            trunk_area_cm2=14.0,
            full_bloom_on=date(2026, 4, 26),
        ),
    ),
)
