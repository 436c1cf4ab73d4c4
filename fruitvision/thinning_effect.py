"""What taking fruit off brings: by the days after bloom, in size, next year, and for which work."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from fruitvision.crop_load import guide_per_cm2, mass_gain, tends_to_alternate
from fruitvision.domain import Block, Estimate
from fruitvision.settings import Settings

# Days after full bloom up to which taking fruit off brings most size (HortTechnology 23(6):830,
# 2013, after Batjer 1957), and from which it brings little. Our choice for the second: later
# thinning still singles out clusters, and stops fruit pushing each other off (Purdue).
EARLY_DAYS = 40
LATE_DAYS = 50
# From bloom to the last walk, days. Our choice: apples hang up to 200 days; more is the bloom of
# another year.
LONGEST_SEASON_DAYS = 250
# Hours of hand thinning may be so many times the published ones. Our choice: they are of one study.
HOURS_RANGE = (0.5, 1.5)
SQUARE_M_PER_HA = 10_000.0


class Lateness(StrEnum):
    """What taking fruit off still brings, by the days after full bloom."""

    EARLY = "early"
    LATE = "late"
    TOO_LATE = "too_late"
    NO_BLOOM = "no_bloom"
    OTHER_YEAR = "other_year"


class ReturnBloom(StrEnum):
    """How next year's bloom looks in a variety that tends to bear every other year."""

    GOOD = "good"
    UNSURE = "unsure"
    AT_RISK = "at_risk"
    NO_TRUNK = "no_trunk"


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeGain:
    """Mean size at the target's load against that at the load now.

    `mass_ratio` : by published figures, see `crop_load.mass_gain`. `now_mm` : mean diameter that is
    forecast for the pick at the load now, `then_mm` at the target's; None without a forecast.
    """

    mass_ratio: Estimate
    now_mm: float | None = None
    then_mm: Estimate | None = None


def lateness_of(block: Block, walked_on: date, day: date) -> tuple[Lateness, int | None]:
    """What taking fruit off on a day brings, and the days after full bloom."""
    bloom = block.full_bloom_on
    if bloom is None:
        return Lateness.NO_BLOOM, None
    if not 0 <= (walked_on - bloom).days <= LONGEST_SEASON_DAYS:
        return Lateness.OTHER_YEAR, None
    days = (day - bloom).days
    if days > LATE_DAYS:
        return Lateness.TOO_LATE, days
    return (Lateness.LATE if days > EARLY_DAYS else Lateness.EARLY), days


def times(value: Estimate, by: float) -> Estimate:
    """A number with its range, times a known one above 0."""
    return Estimate(value.p10 * by, value.p50 * by, value.p90 * by)


def thinning_hours(block: Block, settings: Settings) -> Estimate | None:
    """Hours of thinning a block by hand, as a rough range; None where its area is not known."""
    hectares = area_ha(block)
    if hectares is None:
        return None
    hours = hectares * settings.hand_thinning_h_per_ha
    return Estimate(HOURS_RANGE[0] * hours, hours, HOURS_RANGE[1] * hours)


def area_ha(block: Block) -> float | None:
    """A block's area, as typed or by its places and spacing."""
    if block.area_ha is not None:
        return block.area_ha
    if block.row_spacing_m is None or block.tree_spacing_m is None:
        return None
    return block.positions * block.row_spacing_m * block.tree_spacing_m / SQUARE_M_PER_HA


def per_cm2(fruit_per_tree: Estimate, block: Block) -> Estimate | None:
    """Fruit per cm² of trunk. The trunk stands as it was measured: its own error is not in."""
    return times(fruit_per_tree, 1 / block.trunk_area_cm2) if block.trunk_area_cm2 else None


def size_gain(
    load: Estimate | None, then_per_cm2: float | None, lateness: Lateness, pick_mm: float | None
) -> SizeGain | None:
    """Mean size at the target's load; None where the trunk is not known, or it is too late."""
    if load is None or then_per_cm2 is None or lateness is Lateness.TOO_LATE:
        return None
    ratio = mass_gain(load.p50, then_per_cm2)
    if lateness is Lateness.LATE:
        # Later than the published trees: from nothing to all of it. Our choice.
        ratio = Estimate(1.0, (1 + ratio.p50) / 2, ratio.p50)
    if pick_mm is None:
        return SizeGain(mass_ratio=ratio)
    # Mass goes with the cube of the diameter.
    low, middle, high = (pick_mm * one ** (1 / 3) for one in (ratio.p10, ratio.p50, ratio.p90))
    return SizeGain(mass_ratio=ratio, now_mm=pick_mm, then_mm=Estimate(low, middle, high))


def return_bloom(
    block: Block, load: Estimate | None, settings: Settings, *, visible_only: bool
) -> ReturnBloom | None:
    """How next year's bloom looks by the load on the trunk; None in a variety that does not
    alternate.

    The fruit that hang stand for those at harvest; what drops before makes the load look higher.
    """
    variety = block.variety
    if not tends_to_alternate(variety, settings):
        return None
    if load is None:
        return ReturnBloom.NO_TRUNK
    guide = guide_per_cm2(variety, settings)
    if load.p10 > guide:
        return ReturnBloom.AT_RISK
    return ReturnBloom.UNSURE if load.p90 > guide or visible_only else ReturnBloom.GOOD
