"""A hidden-fruit factor once it is there: whether later photos may use it, and words on it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from fruitvision.domain import Doubt, Estimate, HiddenFruitFactor, Protocol, merge_doubts
from fruitvision.errors import FieldDataError
from fruitvision.hidden_pool import ASSUMED_BETWEEN, ASSUMED_BETWEEN_BLOCKS
from fruitvision.survey import Sampled, add_errors, estimate_from

# From this age on hand counts are called old. Common practice: count again at each later walk.
OLD_FACTOR_DAYS = 30
# Photos of these show some fruit twice, once from each side.
TWO_SIDED = (Protocol.TWO_FACES, Protocol.PANEL)


def use_factor(
    factor: HiddenFruitFactor,
    *,
    protocol: Protocol,
    detector: str,
    walked_on: date,
    confirmed: bool = False,
    count_error: float = 0.0,
) -> HiddenFruitFactor:
    """An earlier factor for the photos of `walked_on`, with the doubts that come with its age.

    An old one gets the assumed change of `ASSUMED_BETWEEN` into its error. One of another detector
    gets both detectors' errors of counts, which no longer cancel: `count_error` (standard deviation
    as a share of the count) is the present one's, and the other's is taken to be as large.

    Raises
    ------
    FieldDataError
        If it belongs to another photo protocol, or to another detector and that is not confirmed.
    """
    if factor.protocol != protocol:
        raise FieldDataError(
            f"{factor.factor:.2f} fruit on the tree for each one seen is of photos of "
            f"{factor.protocol.value}, these show {protocol.value}.",
            fix=f"Count some trees by hand whose photos show {protocol.value}.",
        )
    other = factor.detector != detector
    if other and not confirmed:
        raise FieldDataError(
            f"{factor.factor:.2f} fruit on the tree for each one seen was told with the detector "
            f"'{factor.detector}', these photos are measured with '{detector}'.",
            fix="Measure the photos of the hand-counted trees again, or confirm that number.",
        )
    age = factor_age_days(factor, walked_on)
    old = age is None or age > OLD_FACTOR_DAYS
    more = ASSUMED_BETWEEN * factor.factor if old else 0.0
    counts = count_error * factor.factor if other else 0.0
    error, freedom = add_errors(
        [factor.factor_error**2, more**2, 2 * counts**2],
        [factor.degrees_of_freedom, ASSUMED_BETWEEN_BLOCKS, ASSUMED_BETWEEN_BLOCKS],
    )
    return replace(
        factor,
        factor_error=error,
        degrees_of_freedom=freedom,
        doubts=merge_doubts(
            factor.doubts,
            (Doubt.OLD_FACTOR,) if old else (),
            (Doubt.OTHER_DETECTOR,) if other else (),
        ),
    )


def factor_age_days(factor: HiddenFruitFactor, walked_on: date) -> int | None:
    """Days from the hand counts to the photos; None if the day of the counts is not known."""
    return None if factor.counted_on is None else (walked_on - factor.counted_on).days


def factor_words(factor: HiddenFruitFactor, walked_on: date) -> tuple[str, ...]:
    """Plain sentences on what a factor rests on, for whoever must trust it."""
    span = factor_range(factor)
    words = [
        f"{factor.factor:.2f} ({span.p10:.2f} to {span.p90:.2f}) fruit on the tree for each "
        f"visible one, from {factor.trees} hand counts of this block."
    ]
    if factor.factor < 1 and factor.protocol in TWO_SIDED:
        words.append("Both sides are added, so that fruit seen from both count twice.")
    if factor.pooled_blocks:
        words.append(f"Counts of like blocks are in: {', '.join(factor.pooled_blocks)}.")
    age = factor_age_days(factor, walked_on)
    if age is not None and age > OLD_FACTOR_DAYS:
        words.append(f"The hand counts are {age} days older than the photos: count again.")
    if factor.suspects:
        without = factor.factor_without_suspects
        words.append(
            f"Look at {', '.join(str(tree) for tree in factor.suspects)}: "
            + (f"without them the factor is {without:.2f}." if without else "no others are left.")
        )
    if factor.model == "line":
        words.append("Hidden fruit follow a line through the hand counts, which predicts better.")
    if factor.model == "vigour":
        words.append("Hidden fruit follow the vigour of the trees, which predicts better.")
    return tuple(words)


def factor_range(factor: HiddenFruitFactor) -> Estimate:
    """P10, P50, P90 of a factor."""
    return estimate_from(
        Sampled(
            value=factor.factor,
            error=factor.factor_error,
            degrees_of_freedom=factor.degrees_of_freedom,
        )
    )
