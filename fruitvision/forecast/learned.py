"""What was learned of past seasons, as it enters a simulation.

An accepted correction moves the middle, and its own error is added to those that the forecast has
anyway: learning never narrows a range below what this season's walk allows. That counts a part of
the forecast's error twice, which is on the safe side.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import BlockInputs, LearnedNumber
from fruitvision.forecast.shared import named_normal
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Natural logarithms of factors on the number of fruit beyond these are no correction but a fault in
# the papers. Our choice: half and double.
MOST_COUNT_LOG = 0.7


def count_factor(inputs: BlockInputs, settings: Settings) -> Array | float:
    """Factor on the fruit that come in, (draws,), with its error.

    1 where nothing was accepted, and where visible fruit are all that is known: what was learned is
    about all fruit.
    """
    learned = inputs.learned
    if learned is None or inputs.estimate.factor is None:
        return 1.0
    drawn = _drawn(learned.count, inputs, settings, "learned count")
    return np.asarray(np.exp(np.clip(drawn, -MOST_COUNT_LOG, MOST_COUNT_LOG)))


def size_offset_mm(inputs: BlockInputs, settings: Settings) -> Array | float:
    """Added to every diameter at the pick, (draws,), mm."""
    if inputs.learned is None:
        return 0.0
    return _drawn(inputs.learned.size_mm, inputs, settings, "learned size")


def expected_offset_mm(inputs: BlockInputs) -> float:
    """The same without its error."""
    return 0.0 if inputs.learned is None else inputs.learned.size_mm.value


def cull_offset(inputs: BlockInputs, settings: Settings) -> Array | float:
    """Added to the share that is not packed of every class, (draws, 1)."""
    if inputs.learned is None:
        return 0.0
    drawn = _drawn(inputs.learned.cull, inputs, settings, "learned culls")
    return np.asarray(drawn[:, np.newaxis])


def _drawn(number: LearnedNumber, inputs: BlockInputs, settings: Settings, what: str) -> Array:
    """Draws of a correction: one part of its error is the farm's, the rest the block's own."""
    own = max(number.error**2 - number.common_error**2, 0.0) ** 0.5
    name = inputs.estimate.block.block_id
    return np.asarray(
        number.value
        + number.common_error * named_normal(settings, what)
        + own * named_normal(settings, what, name)
    )
