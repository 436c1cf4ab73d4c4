"""The next best action in words: what would narrow a block's range most for the work it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitvision.domain import BlockEstimate, Doubt

# Minutes of work. Common practice: two photos and the way to the next tree take 2 minutes, a hand
# count by two people 12.
MINUTES_PER_PHOTO_TREE = 2.0
MINUTES_PER_HAND_COUNT = 12.0
# The steps that are offered. Our choice: what a scout does in half an hour, or two people in one.
MORE_TREES = 10
MORE_COUNTS = 5
# A relative error of fruit per tree at which the count is good enough: a range of about ±10 %.
GOOD_ENOUGH = 0.06
# Half-width of a P10-P90 range in standard errors.
HALF_RANGE = 1.28


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing to do, and the gain in relative error per minute that it brings."""

    words: str
    gain_per_minute: float


def next_action(estimates: Sequence[BlockEstimate]) -> str:
    """One or two sentences: the action with the most gain per minute over all blocks."""
    actions = [action for estimate in estimates for action in _actions(estimate)]
    if not actions:
        return "Nothing to do: every block's count is known to about ±10 %."
    return max(actions, key=lambda action: action.gain_per_minute).words


def _actions(estimate: BlockEstimate) -> list[Action]:
    name = estimate.block.block_id
    if estimate.factor is None:
        return [
            Action(
                words=f"{name}: count every fruit on 5 of the photographed trees by hand. Without "
                "hand counts hidden fruit are not in, and no cartons can be forecast.",
                gain_per_minute=np.inf,
            )
        ]
    if estimate.sizes is None:
        return [
            Action(
                words=f"{name}: photograph again with the marker in view: no fruit could be sized.",
                gain_per_minute=np.inf,
            )
        ]
    actions = _count_actions(estimate)
    if not actions and Doubt.NO_CALIPERS in estimate.doubts:
        actions = [
            Action(
                words=f"{name}: caliper 10 fruit on each of 5 trees: the photo millimetres are "
                "unchecked.",
                gain_per_minute=0.0,
            )
        ]
    return actions


def _count_actions(estimate: BlockEstimate) -> list[Action]:
    """More photographed trees, or more hand counts, with what each would bring."""
    mean = max(estimate.fruit_per_tree_mean, 1e-9)
    now = estimate.fruit_per_tree_error / mean
    if now <= GOOD_ENOUGH:
        return []
    sampling = estimate.sampling_error / mean
    calibration = max(0.0, now**2 - sampling**2) ** 0.5
    counted = estimate.factor.trees if estimate.factor else 0
    return [
        _action(
            estimate,
            f"photograph {MORE_TREES} more trees, from the same faces as before",
            now=now,
            then=float(np.hypot(sampling * _shrink(estimate.trees, MORE_TREES), calibration)),
            minutes=MORE_TREES * MINUTES_PER_PHOTO_TREE,
        ),
        _action(
            estimate,
            f"count the fruit on {MORE_COUNTS} more of the photographed trees by hand",
            now=now,
            then=float(np.hypot(sampling, calibration * _shrink(counted, MORE_COUNTS))),
            minutes=MORE_COUNTS * MINUTES_PER_HAND_COUNT,
        ),
    ]


def _shrink(have: int, more: int) -> float:
    """Factor on a standard error when `more` units are added to `have`."""
    return float((have / (have + more)) ** 0.5)


def _action(
    estimate: BlockEstimate, what: str, *, now: float, then: float, minutes: float
) -> Action:
    return Action(
        words=f"{estimate.block.block_id}: {what}. The range of fruit per tree would narrow from "
        f"±{100 * HALF_RANGE * now:.0f} % to about ±{100 * HALF_RANGE * then:.0f} %.",
        gain_per_minute=(now - then) / minutes,
    )
