"""From the sampled trees to the block on the day of its walk, and how it grows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fruitvision.domain.doubt import Doubts
from fruitvision.domain.estimate import Estimate
from fruitvision.domain.field import Block, PickPlan, Protocol, TreeId
from fruitvision.domain.learned import Learned


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenFruitFactor:
    """Fruit on the tree per visible fruit: ratio of sums over the hand-counted trees.

    `trees` are the block's own hand-counted trees; `pooled_blocks` names like blocks whose counts
    moved the factor. `suspects` are trees whose pair looks wrong; they are in `factor`, and
    `factor_without_suspects` tells what it would be without them.
    """

    factor: float
    factor_error: float
    trees: int
    protocol: Protocol
    doubts: Doubts = ()
    counted_on: date | None = None
    detector: str = ""
    pooled_blocks: tuple[str, ...] = ()
    suspects: tuple[TreeId, ...] = ()
    factor_without_suspects: float | None = None
    # Of `factor_error`; and how hidden fruit were worked out: "ratio", or from 15 pairs on and
    # where it predicts better "line" (regression on the visible count) or "vigour" (of the trees).
    degrees_of_freedom: int = 1
    model: str = "ratio"
    # Part of `factor_error` that the pooled blocks share; None: all of it.
    common_error: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterCheck:
    """What a walk found at its places against what the register says.

    `missing_share` is the register's, over all places of the block. `chance` is the probability
    of a find at least as odd if the register were right. `bearing_trees` (full-tree equivalents)
    with its standard error is what the forecast counts on: the register's number, or the walk's
    where the two differ by more than chance.
    """

    block_id: str
    visited: int
    missing_found: int
    missing_share: float
    chance: float
    differs: bool
    register_trees: float
    bearing_trees: float
    bearing_trees_error: float

    @property
    def words(self) -> str:
        """One or two plain sentences."""
        found = self.missing_found / self.visited if self.visited else 0.0
        text = (
            f"{self.block_id}: found {self.missing_found} of {self.visited} missing = "
            f"{100 * found:.1f} %, register says {100 * self.missing_share:.3g} %"
        )
        if not self.differs:
            return f"{text}. The difference may be chance."
        return (
            f"{text}. That is more than chance: {self.bearing_trees:,.0f} instead of "
            f"{self.register_trees:,.0f} bearing trees are counted on until the register is put "
            "right."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StratumEstimate:
    """A part of a block that bears alike. `bearing_trees` are full-tree equivalents."""

    name: str
    bearing_trees: float
    sampled: int
    fruit_per_tree: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class CaliperCheck:
    """Photo millimetres of a walk against the calipers, on fruit found in both.

    A photo reads a true diameter as true_mm + bias_mm + (slope - 1) * (true_mm - middle_mm), with
    noise of `noise_factor` times the error that the fruit states; `noise_mm` is that of the pairs.
    `correlation` is that of the errors of bias and slope, `noise_factor_error` relative.
    `left_out` pairs can't be one fruit. `printed_scale` is the share of its size at which the
    marker sheet seems to be printed; None without a sign of it. Without pairs nothing is corrected.
    """

    pairs: int = 0
    left_out: int = 0
    photos: int = 0
    middle_mm: float = 0.0
    bias_mm: float = 0.0
    slope: float = 1.0
    bias_error_mm: float = 0.0
    slope_error: float = 0.0
    correlation: float = 0.0
    noise_factor: float = 1.0
    noise_factor_error: float = 0.0
    noise_mm: float = 0.0
    printed_scale: float | None = None
    doubts: Doubts = ()

    @property
    def offset_mm(self) -> float:
        """What the line reads where the true diameter is 0, mm."""
        return self.bias_mm - (self.slope - 1) * self.middle_mm

    def photo_mm(self, true_mm: float) -> float:
        """What photos read of a true diameter."""
        return true_mm + self.bias_mm + (self.slope - 1) * (true_mm - self.middle_mm)

    def true_mm(self, photo_mm: float) -> float:
        """The true diameter behind what a photo reads."""
        return (photo_mm - self.offset_mm) / self.slope

    def error_mm(self, true_mm: float) -> float:
        """Standard error of the correction of fruit of a diameter."""
        away = true_mm - self.middle_mm
        slope_part = self.slope_error * away
        together = 2 * self.correlation * self.bias_error_mm * slope_part
        return float(max(0.0, self.bias_error_mm**2 + slope_part**2 + together) ** 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSize:
    """Mean diameter of a block's fruit on one day and their spread, as in `SizeDistribution`: all
    that growth needs of a walk."""

    measured_on: date
    mean_mm: float
    sd_mm: float
    mean_error_mm: float
    shared_error: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeDistribution:
    """Diameters of a block's fruit on one day, freed of measuring noise.

    `quantiles_mm` are equally probable diameters, smallest first. `mean_error_mm` is the error of
    the mean by the trees and fruit drawn, with its degrees of freedom (trees less one if None);
    `shared_error` is the relative error of the scale that is common to all photos of the walk;
    `spread_error` is the relative error of the spread. `noise_mm` is the measuring noise that was
    taken out. `bends_mm` are ways in which the shape errs beside mean and spread, each one standard
    error at `BEND_POINTS` equally probable diameters.
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
    degrees_of_freedom: int | None = None
    noise_mm: float = 0.0
    bends_mm: tuple[tuple[float, ...], ...] = ()
    caliper_check: CaliperCheck | None = None

    @property
    def freedom(self) -> int:
        """Degrees of freedom of `mean_error_mm`, at least 1."""
        given = self.degrees_of_freedom
        return max(1, self.trees - 1 if given is None else given)


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthRate:
    """Gain of the cubed diameter per day, with its error and where it comes from.

    `measured_mm` is the mean diameter on `measured_on` of the fruit that grew so; None if they are
    the block's own mean fruit, or of other blocks.
    """

    mm3_per_day: float
    mm3_per_day_error: float
    source: str
    doubts: Doubts = ()
    measured_mm: float | None = None
    measured_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockEstimate:
    """What a walk says about a block on the day of the walk.

    `trees` are the photographed places: trees, or panels of `trees_per_place` trees on average.
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
    # Full-tree equivalents by the register, and their standard error; None: the block's own count.
    bearing_trees: float | None = None
    bearing_trees_error: float = 0.0
    strata: tuple[StratumEstimate, ...] = ()
    trees_per_place: float = 1.0

    @property
    def trees_seen(self) -> int:
        """All photographed trees, those of panels one by one."""
        return round(self.trees * self.trees_per_place)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attention:
    """Something that stands out from its like: a prompt to go and look, no diagnosis.

    `what` is load, size or growth; `effect` the relative difference from its like (-0.25 is a
    quarter less); `noise_chance` the chance that noise alone looks like this, all comparisons of
    the list considered.
    """

    block_id: str
    where: str
    what: str
    effect: Estimate
    noise_chance: float

    @property
    def words(self) -> str:
        """What stands out, by how much, and what to do."""
        mid, low, high = (100 * x for x in (self.effect.p50, self.effect.p10, self.effect.p90))
        chance = max(1, round(100 * self.noise_chance))
        return (
            f"{self.where}: {_ATTENTION[self.what]} {abs(mid):.0f} % "
            f"{'above' if mid > 0 else 'below'} its like ({low:+.0f} to {high:+.0f} %; chance of "
            f"noise {'under ' if self.noise_chance < 0.01 else ''}{chance} %). Go and look."
        )


_ATTENTION = {"load": "load", "size": "fruit diameter", "growth": "growth"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightRule:
    """Mass from diameter: mass_g = factor * diameter_mm ** power, with what is not known of it.

    `factor_error` : relative standard error of the rule's mean mass, shared by all fruit;
    `scatter` : coefficient of variation of mass among fruit of one diameter.
    """

    factor: float
    power: float
    factor_error: float
    scatter: float
    source: str
    fruit: int = 0
    doubts: Doubts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassCull:
    """Share of the picked fruit of one size class that is not packed.

    Without an error of its own it has that of all classes.
    """

    size_class: str
    cull_share: float
    cull_share_error: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassGrade:
    """Share of the packed fruit of one size class that is of a grade."""

    size_class: str
    grade: str
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Losses:
    """Shares of the fruit that never reach a carton, each with its standard error.

    `culls_by_class` replaces `cull_share` for the classes it names.
    """

    drop_share: float
    drop_share_error: float
    cull_share: float
    cull_share_error: float
    culls_by_class: tuple[ClassCull, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockInputs:
    """All that a block's forecast is drawn from: the same inputs and seed give the same numbers."""

    estimate: BlockEstimate
    growth: GrowthRate
    weight: WeightRule
    losses: Losses
    plan: PickPlan
    # How packed fruit part into grades; empty where the farm does not say.
    grades: tuple[ClassGrade, ...] = ()
    # What past seasons say of such forecasts, where somebody accepted it.
    learned: Learned | None = None
