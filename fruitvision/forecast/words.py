"""What a forecast rests on, in words, and which of its numbers each user works with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from math import expm1

from scipy.special import ndtri

from fruitvision.domain import BlockInputs, Estimate, UseQuantiles
from fruitvision.errors import ForecastError, did_you_mean
from fruitvision.forecast.growth import SEASON_DAYS
from fruitvision.settings import Settings


def use_quantiles(settings: Settings) -> UseQuantiles:
    """The farm's quantiles for promises, labour and bins."""
    return UseQuantiles(
        promise=settings.promise_quantile,
        labour=settings.labour_quantile,
        bins=settings.bins_quantile,
    )


def quantile_of_use(estimate: Estimate, use: str, quantiles: UseQuantiles) -> float:
    """The number that a user works with: `promise`, `labour` or `bins`.

    Between P10, P50 and P90, and beyond them, each half runs as a normal distribution; never below
    0.

    Raises
    ------
    ForecastError
        If there is no such use.
    """
    known = [field.name for field in fields(quantiles)]
    if use not in known:
        raise ForecastError(f"There is no use '{use}'.", fix=did_you_mean(use, known))
    return quantile_at(estimate, getattr(quantiles, use))


def quantile_at(estimate: Estimate, probability: float) -> float:
    """The number that the truth is below with so much chance, from 0 to 1; never below 0.

    Between P10, P50 and P90, and beyond them, each half runs as a normal distribution.
    """
    # Distance from P50 in steps of P50 to P90.
    away = float(ndtri(probability) / ndtri(0.9))
    side = estimate.p90 - estimate.p50 if away > 0 else estimate.p50 - estimate.p10
    return max(0.0, estimate.p50 + away * side)


def rests_on(inputs: Sequence[BlockInputs]) -> str:
    """One sentence on the trees, counts, growth and weights behind a block or a total."""
    trees = sum(one.estimate.trees_seen for one in inputs)
    counted = sum(_hand_counts(one) for one in inputs)
    blocks = f" of {len(inputs)} blocks" if len(inputs) > 1 else ""
    counts = f"{_many(counted, 'hand count')}" if counted else "no hand counts of this season"
    parts = [f"Rests on {_many(trees, 'tree')}{blocks} and {counts}"]
    if any(one.estimate.sizes is not None for one in inputs):
        sources = dict.fromkeys(one.growth.source for one in inputs)
        rules = dict.fromkeys(one.weight.source for one in inputs)
        parts += [_some("growth", list(sources)), _some("weight", list(rules))]
        own = max(len(one.losses.culls_by_class) for one in inputs)
        if own == 1:
            parts.append("culls of 1 class by the farm's own pack-out")
        elif own:
            parts.append(f"culls of {own} classes by the farm's own pack-out")
    return f"{'; '.join([*parts, *_learned(inputs)])}."


def losses_words(inputs: Sequence[BlockInputs]) -> str:
    """What part of the fruit is taken to be lost before a carton, where it is assumed and not
    measured; empty where no block's losses are assumed."""
    doubted = [one.losses for one in inputs if not one.losses.culls_by_class]
    if not doubted:
        return ""
    drop, culls = (
        _percents([getattr(one, name) for one in doubted]) for name in ("drop_share", "cull_share")
    )
    return (
        f"Assumed, not measured: {drop} of the fruit drop before the pick, and {culls} of what is "
        "picked are culled; fruit outside the size table come on top."
    )


def _percents(shares: Sequence[float]) -> str:
    return " or ".join(f"{100 * share:.3g} %" for share in sorted(set(shares)))


def _learned(inputs: Sequence[BlockInputs]) -> list[str]:
    """What was learned of past seasons and accepted, if it was."""
    learned = [one.learned for one in inputs if one.learned is not None]
    if not learned:
        return []
    if len(inputs) > 1:
        return [f"{len(learned)} of {len(inputs)} blocks corrected by packing results"]
    (one,) = learned
    fruit = f"{100 * expm1(one.count.value):+.1f}"
    return [
        f"corrected by packing results of {_many(one.seasons, 'season')}: fruit {fruit} %, size "
        f"{one.size_mm.value:+.1f} mm, culls {100 * one.cull.value:+.1f} points, accepted by "
        f"{one.who}"
    ]


# More sources than this are counted, not named. Our choice: two fit in a line.
NAMED_SOURCES = 2


def _some(what: str, sources: Sequence[str]) -> str:
    if len(sources) > NAMED_SOURCES:
        return f"{what} from {len(sources)} sources"
    return f"{what}: {'; '.join(sources)}"


def _many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _hand_counts(inputs: BlockInputs) -> int:
    """The block's own hand-counted trees of this season."""
    factor = inputs.estimate.factor
    if factor is None:
        return 0
    if factor.counted_on is None:
        return factor.trees
    old = (inputs.estimate.walked_on - factor.counted_on).days > SEASON_DAYS
    return 0 if old else factor.trees
