"""What a block bears and how large its fruit are, against what it is wanted to bear.

Size is asked in days. A block reaches its target if the mean cube of its fruit, which gains a
constant amount a day (see `forecast.growth`), arrives at the target's on the day of the pick; days
behind are the days that it takes to get there at the block's own rate, less the days that are left.
They do not change from day to day as long as the fruit grow at that rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from scipy.special import stdtrit

from fruitvision.domain import (
    Block,
    BlockEstimate,
    Estimate,
    GrowthRate,
    PickPlan,
    SizeDistribution,
)
from fruitvision.forecast.growth import growing_mm, growth_shift_mm, is_own
from fruitvision.settings import Settings
from fruitvision.survey import add_errors

# A range that holds the target is called on target if it is no wider than this to either side, and
# its middle no farther off than half of it. Our choice: a week, since picks, crews and orders are
# moved by weeks; 15 % of the load, since hand thinning and the fruit drop after it do not steer a
# load much closer than that.
NEAR_DAYS = 7.0
NEAR_SHARE = 0.15
# Less than this, a fruit or a day, is no difference: it is shown in whole ones.
LEAST = 0.5
# Degrees of freedom of an error that is taken for known.
KNOWN = 1000.0
# Quantile of P90.
P90 = 0.9


class Standing(StrEnum):
    """Where a number with a range stands against its target."""

    BELOW = "below"
    ON_TARGET = "on target"
    ABOVE = "above"
    CANT_TELL = "can't tell yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadAgainstTarget:
    """Fruit per tree now against the target.

    `visible_only` : hidden fruit are not in the number, so that it can be too low only.
    """

    fruit_per_tree: Estimate
    target: float
    visible_only: bool
    standing: Standing

    @property
    def above(self) -> float:
        """Fruit per tree above the target at even chance; below it with a minus."""
        return self.fruit_per_tree.p50 - self.target


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeAgainstTarget:
    """Mean diameter on the day of the walk against what the block needs then.

    `needed_mm` : mean diameter on the day of the walk from which the block just reaches the target
    on `pick_day`. `expected_mm` : what it reaches. `behind_days` : days that the block is behind,
    ahead with a minus; None if growth is not known well enough to give a range. A standing of ABOVE
    is ahead.
    """

    measured_on: date
    pick_day: date
    mean_mm: Estimate
    needed_mm: float
    target_mm: float
    expected_mm: float
    behind_days: Estimate | None
    standing: Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveDay:
    """Mean diameters of one day: what the target needs, and what is expected, mm."""

    day: date
    needed_mm: float
    expected_mm: float


# ---------------------------------------------------------------- load


def load_against(estimate: BlockEstimate, target: float) -> LoadAgainstTarget:
    """Fruit per tree against the block's target; visible fruit where hidden ones are not known.

    Raises
    ------
    ValueError
        If the target is not above 0.
    """
    if target <= 0:
        raise ValueError(f"target must be above 0, got {target}")
    now, visible_only = estimate.fruit_per_tree, estimate.factor is None
    above = Estimate(now.p10 - target, now.p50 - target, now.p90 - target)
    standing = _standing(above, near=NEAR_SHARE * target)
    if visible_only and standing is not Standing.ABOVE:
        # Hidden fruit come on top: only too many can be told.
        standing = Standing.CANT_TELL
    return LoadAgainstTarget(
        fruit_per_tree=now, target=target, visible_only=visible_only, standing=standing
    )


def _standing(above: Estimate, *, near: float) -> Standing:
    """`above` is the number less its target; `near` : see `NEAR_DAYS`."""
    middling = abs(above.p50) <= near / 2 and above.p90 - above.p10 <= 2 * near
    if middling and abs(above.p50) < LEAST:
        return Standing.ON_TARGET
    if above.p10 > 0:
        return Standing.ABOVE
    if above.p90 < 0:
        return Standing.BELOW
    return Standing.ON_TARGET if middling else Standing.CANT_TELL


# ---------------------------------------------------------------- size


def mean_pick_day(block: Block, plan: PickPlan | None = None) -> date | None:
    """The day on which the middle fruit is picked: passes weighted by their shares.

    The block's pick date where no passes are planned; None where no pick is planned at all.
    """
    if plan is None:
        return block.pick_date
    first = plan.picks[0].pick_date
    days = sum(pick.share * (pick.pick_date - first).days for pick in plan.picks)
    return first + timedelta(days=round(days / sum(pick.share for pick in plan.picks)))


def size_against(
    sizes: SizeDistribution,
    growth: GrowthRate,
    *,
    target_mm: float,
    pick_day: date,
    settings: Settings,
) -> SizeAgainstTarget:
    """The block's mean diameter against what it needs to reach the target at the pick.

    With C(x) = x³ + 3σ²x the mean cube of fruit of mean x and spread σ, g the rate and d the days
    left, the block needs today the x with C(x) = C(target) − g·d, and is behind by
    (C(target) − C(mean)) / g − d days. Where the rate was measured on other fruit than the block's
    mean, both are shifted by how much those are larger, as the forecast does.

    The range in days is Fieller's for a ratio of two normal numbers (1954, J. R. Stat. Soc. B 16:
    175), with the errors of the mean, of the rate, and of a projection beyond its rate.

    Parameters
    ----------
    target_mm : float
        Mean diameter wanted on the day of the pick, mm.

    Raises
    ------
    ValueError
        If the pick is before the walk, or the target is not above 0.
    """
    days_left = (pick_day - sizes.measured_on).days
    if days_left < 0:
        raise ValueError(f"the pick {pick_day} is before the walk {sizes.measured_on}")
    if target_mm <= 0:
        raise ValueError(f"target_mm must be above 0, got {target_mm}")
    larger_mm = growing_mm(growth, sizes, sd_mm=sizes.sd_mm) - sizes.mean_mm
    start_mm, end_mm = sizes.mean_mm + larger_mm, target_mm + larger_mm
    behind = _behind_days(sizes, growth, (start_mm, end_mm), days_left, settings)
    grown_mm = growth_shift_mm(start_mm, sizes.sd_mm, growth.mm3_per_day * days_left)
    return SizeAgainstTarget(
        measured_on=sizes.measured_on,
        pick_day=pick_day,
        mean_mm=mean_range_mm(sizes),
        needed_mm=target_mm
        + float(growth_shift_mm(end_mm, sizes.sd_mm, -growth.mm3_per_day * days_left)),
        target_mm=target_mm,
        expected_mm=sizes.mean_mm + float(grown_mm),
        behind_days=behind,
        standing=_standing_of_days(behind),
    )


def mean_range_mm(sizes: SizeDistribution) -> Estimate:
    """The block's mean diameter with its P10 and P90, mm."""
    error, freedom = _mean_error_mm(sizes)
    half = float(stdtrit(freedom, P90)) * error
    return Estimate(sizes.mean_mm - half, sizes.mean_mm, sizes.mean_mm + half)


def _mean_error_mm(sizes: SizeDistribution) -> tuple[float, int]:
    return add_errors(
        [sizes.mean_error_mm**2, (sizes.shared_error * sizes.mean_mm) ** 2],
        [sizes.freedom, KNOWN],
    )


def _cube(mean_mm: float, sd_mm: float) -> float:
    """Mean cube of fruit of a symmetric distribution, mm³."""
    return mean_mm**3 + 3 * sd_mm**2 * mean_mm


def _mm3_per_mm(mean_mm: float, sd_mm: float) -> float:
    """By how much the mean cube grows with the mean diameter."""
    return 3 * (mean_mm**2 + sd_mm**2)


def _behind_days(
    sizes: SizeDistribution,
    growth: GrowthRate,
    between_mm: tuple[float, float],
    days_left: int,
    settings: Settings,
) -> Estimate | None:
    """Days to the target less the days left, with their range; None if the rate may be none."""
    start_mm, end_mm = between_mm
    sd_mm = sizes.sd_mm
    missing = _cube(end_mm, sd_mm) - _cube(start_mm, sd_mm)
    mean_error_mm, freedom = _mean_error_mm(sizes)
    # A rate of the block's own stands for its measured fruit: if the mean is larger than it seems,
    # the same mm are grown, and fewer are missing at the end. Another rate starts from the mean.
    moved_mm = end_mm if is_own(growth) else start_mm
    projection_mm = settings.projection_error_mm_per_day * days_left
    error, freedom = add_errors(
        [
            (_mm3_per_mm(moved_mm, sd_mm) * mean_error_mm) ** 2,
            (_mm3_per_mm(end_mm, sd_mm) * projection_mm) ** 2,
        ],
        [freedom, KNOWN],
    )
    days = ratio_range(
        (missing, error),
        (growth.mm3_per_day, growth.mm3_per_day_error),
        half_width=float(stdtrit(freedom, P90)),
    )
    if days is None:
        return None
    return Estimate(days.p10 - days_left, days.p50 - days_left, days.p90 - days_left)


def ratio_range(
    above: tuple[float, float], below: tuple[float, float], *, half_width: float
) -> Estimate | None:
    """Range of a ratio of two independent normal numbers, each with its standard error.

    The ends are the k at which above − k·below is `half_width` standard errors from 0 (Fieller).

    Returns
    -------
    Estimate or None
        None if the number below may be 0 within `half_width` errors: the ratio has no range then.
    """
    (top, top_error), (bottom, bottom_error) = above, below
    z2 = half_width**2
    square = bottom**2 - z2 * bottom_error**2
    if bottom <= 0 or square <= 0:
        return None
    inside = (
        top**2 * bottom_error**2 + bottom**2 * top_error**2 - z2 * top_error**2 * bottom_error**2
    )
    half = half_width * max(0.0, inside) ** 0.5
    low, high = (top * bottom - half) / square, (top * bottom + half) / square
    middle = top / bottom
    return Estimate(min(low, middle), middle, max(high, middle))


def _standing_of_days(behind: Estimate | None) -> Standing:
    """Behind is below the target, ahead above it."""
    if behind is None:
        return Standing.CANT_TELL
    ahead = Estimate(-behind.p90, -behind.p50, -behind.p10)
    return _standing(ahead, near=NEAR_DAYS)


def size_curve(
    found: SizeAgainstTarget, sizes: SizeDistribution, growth: GrowthRate
) -> tuple[CurveDay, ...]:
    """Both lines from the walk to the pick, one point a day."""
    larger_mm = growing_mm(growth, sizes, sd_mm=sizes.sd_mm) - sizes.mean_mm
    days = (found.pick_day - found.measured_on).days
    rate = growth.mm3_per_day

    def grown(start_mm: float, ahead: int) -> float:
        shift = growth_shift_mm(start_mm + larger_mm, sizes.sd_mm, rate * ahead)
        return start_mm + float(shift)

    return tuple(
        CurveDay(
            day=found.measured_on + timedelta(days=ahead),
            needed_mm=grown(found.needed_mm, ahead),
            expected_mm=grown(sizes.mean_mm, ahead),
        )
        for ahead in range(days + 1)
    )
