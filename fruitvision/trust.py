"""How far a block's numbers are to be trusted, and why: a grade, and the reasons behind it.

The grade is that of the weakest part. It says how much may hang on the numbers today; the ranges
say how wide they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from fruitvision.advice import Advice
from fruitvision.domain import BlockEstimate, Doubt, Doubts, GrowthRate, merge_doubts

# Beyond this half-range of the crop, relative, a block is a first look. Our choice: a quarter of a
# promise may then be missing, one time in ten.
ROUGH_HALF_RANGE = 0.25
# A walk this old says so, days. Our choice: two visits of a usual season lie two to four weeks
# apart, and fruit gain 6 to 10 mm in four.
OLD_WALK_DAYS = 28


class Grade(StrEnum):
    """How much may hang on a block's numbers."""

    SOUND = "sound"
    CARE = "with care"
    FIRST_LOOK = "first look"


class Why(StrEnum):
    """What stands against a block's numbers. The value names it in the texts of an interface."""

    NO_HAND_COUNTS = "no_hand_counts"
    NO_SIZES = "no_sizes"
    REGISTER_DIFFERS = "register_differs"
    FEW_TREES = "few_trees"
    WIDE_RANGE = "wide_range"
    OTHER_DETECTOR = "other_detector"
    OLD_FACTOR = "old_factor"
    POOLED_FACTOR = "pooled_factor"
    FEW_HAND_COUNTS = "few_hand_counts"
    OTHER_PROTOCOL = "other_protocol"
    SUSPECT_PAIRS = "suspect_pairs"
    SHEET_SCALE = "sheet_scale"
    NOT_SPREAD = "not_spread"
    STRATUM_NOT_SAMPLED = "stratum_not_sampled"
    NO_CALIPERS = "no_calipers"
    DEFAULT_GROWTH = "default_growth"
    OLD_WALK = "old_walk"
    FACE_MISSING = "face_missing"
    LIKE_GROWTH = "like_growth"
    PAST_GROWTH = "past_growth"
    TREES_ALL_EQUAL = "trees_all_equal"
    PANELS = "panels"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One reason: the best grade that it allows, a number that belongs to it (trees, counts, days,
    percent) and names (blocks, trees)."""

    why: Why
    allows: Grade
    number: int = 0
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """The grade of a block and its reasons, the gravest first."""

    grade: Grade
    half_range: float
    reasons: tuple[Reason, ...]


_ORDER = tuple(Grade)

# Doubts that are a reason as they stand, the best grade that each allows. Our choice: what misses a
# part of the crop allows a first look; what leans on other blocks or years, or on a look at some of
# the trees only, care; a doubt that has its place in the range already, no lower grade.
_DOUBTED: tuple[tuple[Doubt, Why, Grade], ...] = (
    (Doubt.NO_SIZES, Why.NO_SIZES, Grade.FIRST_LOOK),
    (Doubt.REGISTER_DIFFERS, Why.REGISTER_DIFFERS, Grade.FIRST_LOOK),
    (Doubt.OTHER_DETECTOR, Why.OTHER_DETECTOR, Grade.CARE),
    (Doubt.OTHER_PROTOCOL, Why.OTHER_PROTOCOL, Grade.CARE),
    (Doubt.SHEET_SCALE, Why.SHEET_SCALE, Grade.CARE),
    (Doubt.NOT_SPREAD, Why.NOT_SPREAD, Grade.CARE),
    (Doubt.STRATUM_NOT_SAMPLED, Why.STRATUM_NOT_SAMPLED, Grade.CARE),
    (Doubt.NO_CALIPERS, Why.NO_CALIPERS, Grade.CARE),
    (Doubt.DEFAULT_GROWTH, Why.DEFAULT_GROWTH, Grade.CARE),
    (Doubt.FACE_MISSING, Why.FACE_MISSING, Grade.SOUND),
    (Doubt.SISTER_GROWTH, Why.LIKE_GROWTH, Grade.SOUND),
    (Doubt.FARM_GROWTH, Why.PAST_GROWTH, Grade.SOUND),
    (Doubt.TREES_ALL_EQUAL, Why.TREES_ALL_EQUAL, Grade.CARE),
    (Doubt.PANEL_MIXED, Why.PANELS, Grade.CARE),
    (Doubt.PANEL_UNCLEAR, Why.PANELS, Grade.CARE),
    (Doubt.PANELS_AND_TREES, Why.PANELS, Grade.CARE),
)


def trust_of(
    estimate: BlockEstimate, growth: GrowthRate, advice: Advice, *, on: date | None = None
) -> Trust:
    """How far a block's numbers are to be trusted.

    Parameters
    ----------
    on : date
        The day on which they are used: an old walk is then a reason. None leaves its age out.
    """
    doubts = merge_doubts(estimate.doubts, growth.doubts)
    found = [
        *_range_reasons(advice),
        *_count_reasons(estimate, doubts),
        *_plain_reasons(doubts),
        *_age_reasons(estimate, on),
    ]
    reasons = sorted(found, key=_gravity, reverse=True)
    grade = reasons[0].allows if reasons else Grade.SOUND
    return Trust(grade=grade, half_range=advice.half_range, reasons=tuple(reasons))


def _gravity(reason: Reason) -> tuple[int, int]:
    """The gravest grade first, then the order of `Why`."""
    return _ORDER.index(reason.allows), -list(Why).index(reason.why)


def _range_reasons(advice: Advice) -> list[Reason]:
    if advice.half_range <= advice.wanted:
        return []
    rough = advice.half_range > ROUGH_HALF_RANGE
    return [
        Reason(
            why=Why.WIDE_RANGE,
            allows=Grade.FIRST_LOOK if rough else Grade.CARE,
            number=round(100 * advice.half_range),
        )
    ]


def _count_reasons(estimate: BlockEstimate, doubts: Doubts) -> list[Reason]:
    """Reasons that have a number or names to tell."""
    factor = estimate.factor
    counts = factor.trees if factor else 0
    age = factor.counted_on if factor else None
    days = (estimate.walked_on - age).days if age else 0
    suspects = tuple(str(tree) for tree in factor.suspects) if factor else ()
    pooled = factor.pooled_blocks if factor else ()
    reasons = {
        Doubt.NO_HAND_COUNTS: Reason(why=Why.NO_HAND_COUNTS, allows=Grade.FIRST_LOOK),
        Doubt.FEW_TREES: Reason(why=Why.FEW_TREES, allows=Grade.FIRST_LOOK, number=estimate.trees),
        Doubt.POOLED_FACTOR: Reason(
            why=Why.POOLED_FACTOR, allows=Grade.CARE, number=len(pooled), names=pooled
        ),
        Doubt.OLD_FACTOR: Reason(why=Why.OLD_FACTOR, allows=Grade.CARE, number=days),
        Doubt.FEW_HAND_COUNTS: Reason(why=Why.FEW_HAND_COUNTS, allows=Grade.CARE, number=counts),
        Doubt.SUSPECT_PAIRS: Reason(
            why=Why.SUSPECT_PAIRS, allows=Grade.CARE, number=len(suspects), names=suspects
        ),
    }
    return [reason for doubt, reason in reasons.items() if doubt in doubts]


def _plain_reasons(doubts: Doubts) -> list[Reason]:
    found = [Reason(why=why, allows=allows) for doubt, why, allows in _DOUBTED if doubt in doubts]
    return list(dict.fromkeys(found))


def _age_reasons(estimate: BlockEstimate, on: date | None) -> list[Reason]:
    days = (on - estimate.walked_on).days if on else 0
    if days <= OLD_WALK_DAYS:
        return []
    return [Reason(why=Why.OLD_WALK, allows=Grade.CARE, number=days)]
