"""What stands out from its like in load, size or growth: where to go and look, without a diagnosis.

Every comparison is one group against the rest of its like. All comparisons of a list are judged
together, so that a long list does not grow false alarms (Benjamini and Hochberg 1995, J. R. Stat.
Soc. B 57: 289).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from fruitvision.domain import (
    Attention,
    BlockEstimate,
    Doubt,
    Estimate,
    GrowthRate,
    TreeCount,
)
from fruitvision.strata import StratumSample
from fruitvision.survey import add_errors

# Trees on either side of a comparison. Common practice: two can't show their own spread.
FEWEST_TREES = 3
# Sized fruit of a tree whose mean diameter is compared. Our choice.
FEWEST_SIZED = 5
# Chance of noise up to which something is listed, and the difference that is worth a walk: a
# tenth of the load, 3 % of the diameter (2 mm, half a class), a fifth of the growth. Our choice.
LARGEST_CHANCE = 0.10
SMALLEST_EFFECT = {"load": 0.10, "size": 0.03, "growth": 0.20}
# A group that stands out by less than this chance over all groups is no like for the others: they
# would stand out against it. Common practice.
OUTLIER_CHANCE = 0.05
# Walks whose sizes are compared lie within so many days. Our choice: fruit gain 2 mm in a week.
SAME_DAYS = 7
# Degrees of freedom of an error that is taken for known.
KNOWN = 1000.0
# Growth that was not measured in the block itself says nothing of the block.
_BORROWED_GROWTH = {Doubt.DEFAULT_GROWTH, Doubt.SISTER_GROWTH, Doubt.FARM_GROWTH}


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One group against its like, before all comparisons are judged together.

    `effect` is the relative difference, `chance` the two-sided chance that noise alone gives one
    as large.
    """

    block_id: str
    where: str
    what: str
    effect: Estimate
    chance: float


def attention_list(comparisons: Sequence[Comparison]) -> tuple[Attention, ...]:
    """What is worth a walk, the surest first, with the chance of noise over the whole list."""
    if not comparisons:
        return ()
    # Two thirds of a second of import that only a page of the app or a list asks for.
    from scipy import stats

    chances = stats.false_discovery_control([one.chance for one in comparisons])
    listed = [
        Attention(
            block_id=one.block_id,
            where=one.where,
            what=one.what,
            effect=one.effect,
            noise_chance=float(chance),
        )
        for one, chance in zip(comparisons, chances, strict=True)
        if chance <= LARGEST_CHANCE and abs(one.effect.p50) >= SMALLEST_EFFECT[one.what]
    ]
    return tuple(sorted(listed, key=lambda one: (one.noise_chance, -abs(one.effect.p50))))


# ---------------------------------------------------------------- rows and strata


def compare_rows(trees: Sequence[TreeCount]) -> tuple[Comparison, ...]:
    """Rows of one block against its other rows, by visible fruit and mean diameter of the trees.

    Rows with fewer than `FEWEST_TREES` photographed trees are not compared.
    """
    rows = sorted({tree.tree.row for tree in trees})
    parts = {row: [tree for tree in trees if tree.tree.row == row] for row in rows}
    return _compare_trees(
        {
            f"{of_row[0].tree.block_id} row {row}": (
                [tree.visible_per_tree for tree in of_row],
                of_row,
            )
            for row, of_row in parts.items()
        }
    )


def compare_strata(strata: Sequence[StratumSample]) -> tuple[Comparison, ...]:
    """Strata of one block against its other strata; replants count by their bearing share."""
    return _compare_trees(
        {
            f"{part.trees[0].tree.block_id}, {part.stratum.name or 'rest of the block'}": (
                part.per_full_tree,
                part.trees,
            )
            for part in strata
            if part.is_sampled
        }
    )


def _compare_trees(
    groups: Mapping[str, tuple[Sequence[float], Sequence[TreeCount]]],
) -> tuple[Comparison, ...]:
    """Groups of trees of one block: load, then size."""
    if not groups:
        return ()
    block_id = next(iter(groups.values()))[1][0].tree.block_id
    load = {where: loads for where, (loads, _) in groups.items()}
    size = {
        where: [
            tree.mean_mm
            for tree in trees
            if tree.mean_mm is not None and tree.sized >= FEWEST_SIZED
        ]
        for where, (_, trees) in groups.items()
    }
    return (
        *compare_groups(load, block_id=block_id, what="load"),
        *compare_groups(size, block_id=block_id, what="size"),
    )


def compare_groups(
    groups: Mapping[str, Sequence[float]], *, block_id: str, what: str
) -> tuple[Comparison, ...]:
    """Each group of values, one a tree, against all other values, by Student's t-test."""
    enough = [name for name, values in groups.items() if len(values) >= FEWEST_TREES]

    def against(where: str, others: Sequence[str]) -> Comparison | None:
        gone = set(enough) - {where, *others}
        rest = [x for name, more in groups.items() if name not in {where, *gone} for x in more]
        if len(rest) < FEWEST_TREES or np.mean(rest) <= 0:
            return None
        effect, chance = difference(groups[where], rest)
        return Comparison(block_id=block_id, where=where, what=what, effect=effect, chance=chance)

    return _peeled(enough, against)


def _peeled(
    names: Sequence[str], against: Callable[[str, Sequence[str]], Comparison | None]
) -> tuple[Comparison, ...]:
    """Every group once against the others; clear outliers first, who are then no like any more."""
    left, found = list(names), list[Comparison]()
    while True:
        made = [
            one
            for name in left
            if (one := against(name, [other for other in left if other != name])) is not None
        ]
        if not made:
            return tuple(found)
        oddest = min(made, key=lambda one: one.chance)
        if oddest.chance >= OUTLIER_CHANCE / len(names):
            return (*found, *made)
        found.append(oddest)
        left.remove(oddest.where)


def difference(values: Sequence[float], rest: Sequence[float]) -> tuple[Estimate, float]:
    """Relative difference of two means with its range (delta method), and the chance of noise.

    Raises
    ------
    ValueError
        If a side has fewer than 2 values, or the rest's mean is not above 0.
    """
    mean, like = float(np.mean(values)), float(np.mean(rest))
    if min(len(values), len(rest)) < 2 or like <= 0:
        raise ValueError(f"need 2 or more values on both sides and a mean above 0, got {like}")
    freedom = len(values) + len(rest) - 2
    spread = float(np.var(values)) * len(values) + float(np.var(rest)) * len(rest)
    variance = spread / freedom
    if variance <= 0:
        chance = 1.0 if mean == like else 0.0
    else:
        t = (mean - like) / (variance * (1 / len(values) + 1 / len(rest))) ** 0.5
        chance = 2 * float(stdtr(freedom, -abs(t)))
    error = (variance / len(values) + (mean / like) ** 2 * variance / len(rest)) ** 0.5 / like
    return _range(mean / like - 1, error, freedom), chance


def _range(middle: float, error: float, freedom: float) -> Estimate:
    half = float(stdtrit(freedom, 0.9)) * error
    return Estimate(middle - half, middle, middle + half)


# ---------------------------------------------------------------- blocks


@dataclass(frozen=True, slots=True, kw_only=True)
class _Value:
    """A block's number with its standard error."""

    block_id: str
    value: float
    error: float
    degrees_of_freedom: float = KNOWN


def compare_blocks(
    estimates: Sequence[BlockEstimate], growth: Mapping[str, GrowthRate] | None = None
) -> tuple[Comparison, ...]:
    """Blocks against the mean of their like (group, else variety) in load, size and growth.

    Load is compared where hidden fruit are known, size between walks of the same week, growth
    where it was measured in the block (`growth` by block name). Noise is the error of the numbers:
    that like blocks differ a little is what the smallest listed effect is for.
    """
    found: list[Comparison] = []
    for like in _kinds(estimates):
        found += _compare_values(_known(map(_load, like)), "load")
        for week in _weeks(like):
            found += _compare_values(_known(map(_size, week)), "size")
        rates = [_growth(e.block.block_id, (growth or {}).get(e.block.block_id)) for e in like]
        found += _compare_values(_known(rates), "growth")
    return tuple(found)


def like_weeks(estimates: Sequence[BlockEstimate]) -> tuple[tuple[BlockEstimate, ...], ...]:
    """Blocks alike (group, else variety) that were walked within `SAME_DAYS`, together."""
    return tuple(tuple(week) for like in _kinds(estimates) for week in _weeks(like))


def _kinds(estimates: Sequence[BlockEstimate]) -> list[list[BlockEstimate]]:
    """Blocks alike, together."""
    kinds = sorted({_kind(estimate) for estimate in estimates})
    return [[one for one in estimates if _kind(one) == kind] for kind in kinds]


def _known(values: Iterable[_Value | None]) -> list[_Value]:
    return [value for value in values if value is not None]


def _weeks(estimates: Sequence[BlockEstimate]) -> list[list[BlockEstimate]]:
    """Walks within `SAME_DAYS` of the first of them, together."""
    weeks: list[list[BlockEstimate]] = []
    for one in sorted(estimates, key=lambda estimate: estimate.walked_on):
        if weeks and (one.walked_on - weeks[-1][0].walked_on).days < SAME_DAYS:
            weeks[-1].append(one)
        else:
            weeks.append([one])
    return weeks


def _growth(block_id: str, rate: GrowthRate | None) -> _Value | None:
    if rate is None or _BORROWED_GROWTH.intersection(rate.doubts):
        return None
    return _Value(block_id=block_id, value=rate.mm3_per_day, error=rate.mm3_per_day_error)


def _kind(estimate: BlockEstimate) -> str:
    return estimate.block.group or estimate.block.variety


def _load(estimate: BlockEstimate) -> _Value | None:
    if estimate.factor is None:
        return None
    return _Value(
        block_id=estimate.block.block_id,
        value=estimate.fruit_per_tree_mean,
        error=estimate.fruit_per_tree_error,
        degrees_of_freedom=estimate.degrees_of_freedom,
    )


def _size(estimate: BlockEstimate) -> _Value | None:
    sizes = estimate.sizes
    if sizes is None:
        return None
    return _Value(
        block_id=estimate.block.block_id,
        value=sizes.mean_mm,
        error=float(np.hypot(sizes.mean_error_mm, sizes.shared_error * sizes.mean_mm)),
        degrees_of_freedom=sizes.freedom,
    )


def _compare_values(values: Sequence[_Value], what: str) -> tuple[Comparison, ...]:
    """Each value against the mean of the others."""
    by_name = {value.block_id: value for value in values}

    def against(name: str, others: Sequence[str]) -> Comparison | None:
        return _compare_value(by_name[name], [by_name[other] for other in others], what)

    return _peeled(list(by_name), against)


def _compare_value(one: _Value, others: Sequence[_Value], what: str) -> Comparison | None:
    like = float(np.mean([other.value for other in others])) if others else 0.0
    if like <= 0:
        return None
    of_mean, freedom_of_mean = add_errors(
        [(other.error / len(others)) ** 2 for other in others],
        [other.degrees_of_freedom for other in others],
    )
    error, freedom = add_errors(
        [one.error**2, of_mean**2], [one.degrees_of_freedom, freedom_of_mean]
    )
    t = abs(one.value - like) / error if error > 0 else np.inf
    ratio = one.value / like
    return Comparison(
        block_id=one.block_id,
        where=one.block_id,
        what=what,
        effect=_range(ratio - 1, float(np.hypot(one.error, ratio * of_mean)) / like, freedom),
        chance=2 * float(stdtr(freedom, -t)) if one.value != like else 1.0,
    )
