"""What of past errors lasts: block within variety within farm, and a year that passes.

The error y of a forecast of block b of variety v, made at stage s of season t, is

    y = farm + variety[v] + block[b] + stage[s] + season[t] + block_season[b, t] + e.

The first four last and are what is learned: their mean given the data corrects the next forecast.
A season and what a block had in one season pass: they take up what one odd year did, so that it is
not chased. Every effect is normal with mean 0, e has the stated standard errors of forecast and
result. With few years the mean is drawn to that of the variety and the farm, and to none at all
(hierarchical normal model; Gelman et al., Bayesian Data Analysis, chapter 5).

How large lasting and passing effects are is learned too, but with a word before the data: two
factors, one on all lasting spreads but the stage's (looks at one season agree, and would make the
others small) and one on all passing ones, log-normal about 1. Both are integrated over on a grid
(same chapter), not fixed at their likeliest values: three years can't tell them, and the errors
given here say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import LearnedNumber, Stage
from fruitvision.learning.prediction import predict

Array = NDArray[np.float64]

# Standard deviation of the logarithm of either factor. Our choice: a spread half or twice as large
# as we think is nothing special, three times as large is.
FACTOR_LOG_SD = 0.5
# Steps of either factor's logarithm: to three standard deviations, nine steps. Our choice: eighteen
# change a correction by less than a hundredth of itself.
FACTOR_LOGS = np.linspace(-3 * FACTOR_LOG_SD, 3 * FACTOR_LOG_SD, 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of the effects before any data, in the unit of what is learned."""

    farm: float
    variety: float
    block: float
    stage: float
    season: float
    block_season: float


# Our choices, because no record of several years of photo forecasts against pack-outs is at hand:
# trade forecasts by experienced people moved by 2 to 11 % in a year, and missed by 28 to 40 % when
# their base was wrong; counting studies err by 5 to 13 % an orchard. Natural logarithm of actual
# over forecast number:
COUNT_SPREADS = Spreads(
    farm=0.06, variety=0.03, block=0.06, stage=0.02, season=0.05, block_season=0.05
)
# mm of diameter at the pick. What passes with a season follows from the errors that the settings
# say all blocks share: 4 % of mass, read as 1.0 mm, and 0.025 mm a day of projection.
SIZE_SPREADS = Spreads(farm=0.8, variety=0.5, block=0.6, stage=0.3, season=1.3, block_season=0.5)
# Share of the fruit that is not packed: 15 to 25 % between years in a Washington project (2003),
# which is the settings' error of 0.04.
CULL_SPREADS = Spreads(
    farm=0.03, variety=0.02, block=0.02, stage=0.0, season=0.04, block_season=0.02
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One forecast's error.

    Attributes
    ----------
    value : float
        Actual against forecast: how far the forecast must be moved.
    result_error : float
        Standard error of the result, and of what this stage's forecast alone can't know.
    forecast_error : float
        The forecast's own standard error; forecasts of one block and season share it.
    """

    block_id: str
    variety: str
    season: int
    stage: Stage
    value: float
    result_error: float
    forecast_error: float


@dataclass(frozen=True, slots=True, order=True)
class Target:
    """What a correction is wanted for."""

    block_id: str
    variety: str
    stage: Stage


def learn(
    observations: Sequence[Observation], targets: Sequence[Target], spreads: Spreads
) -> tuple[LearnedNumber, ...]:
    """What each target's forecast is to be corrected by, with its error.

    A target without observations of its own gets those of its variety and farm. Without any, the
    correction is 0 with the spread before the data.
    """
    if not targets:
        return ()
    model = _Model(observations, targets)
    logs, means, covariances = [], [], []
    for lasting in FACTOR_LOGS:
        for passing in FACTOR_LOGS:
            mean, covariance, likelihood = model.given(
                spreads, lasting=float(np.exp(lasting)), passing=float(np.exp(passing))
            )
            before = -0.5 * (lasting**2 + passing**2) / FACTOR_LOG_SD**2
            logs.append(likelihood + before)
            means.append(mean)
            covariances.append(covariance)
    chances = np.exp(np.array(logs) - max(logs))
    chances /= chances.sum()
    mean = np.einsum("g,gi->i", chances, np.array(means))
    away = np.array(means) - mean
    covariance = np.einsum("g,gij->ij", chances, np.array(covariances))
    covariance += np.einsum("g,gi,gj->ij", chances, away, away)
    return _numbers(mean, covariance, targets)


def _numbers(
    mean: Array, covariance: Array, targets: Sequence[Target]
) -> tuple[LearnedNumber, ...]:
    """Corrections; what blocks share of their errors is the mean covariance at their stage."""
    found = []
    for index, target in enumerate(targets):
        others = [
            number
            for number, other in enumerate(targets)
            if other.stage is target.stage and other.block_id != target.block_id
        ]
        variance = float(covariance[index, index])
        shared = float(covariance[index, others].mean()) if others else variance
        found.append(
            LearnedNumber(
                value=float(mean[index]),
                error=variance**0.5,
                common_error=min(max(shared, 0.0), variance) ** 0.5,
            )
        )
    return tuple(found)


class _Model:
    """Design of the observations and of the targets; the effects are the same for both."""

    def __init__(self, observations: Sequence[Observation], targets: Sequence[Target]) -> None:
        rows: tuple[Observation | Target, ...] = (*observations, *targets)
        self._varieties = list(dict.fromkeys(one.variety for one in rows))
        self._blocks = list(dict.fromkeys(one.block_id for one in rows))
        self._stages = list(dict.fromkeys(one.stage for one in rows))
        self._seasons = list(dict.fromkeys(one.season for one in observations))
        pairs = dict.fromkeys((one.block_id, one.season) for one in observations)
        self._block_seasons = list(pairs)
        self._y = np.array([one.value for one in observations], dtype=np.float64)
        self._noise = np.array([one.result_error for one in observations], dtype=np.float64)
        # What all forecasts of a block and season share is that of the surest of them.
        self._shared = np.array(
            [
                min(
                    one.forecast_error for one in observations if (one.block_id, one.season) == pair
                )
                for pair in pairs
            ],
            dtype=np.float64,
        )
        self._extra = self._own_part(observations)
        self._design = np.array([self._row(one) for one in observations]).reshape(
            len(observations), self._lasting + self._passing
        )
        self._wanted = np.array([self._row(one) for one in targets])

    @property
    def _lasting(self) -> int:
        return 1 + len(self._varieties) + len(self._blocks) + len(self._stages)

    @property
    def _passing(self) -> int:
        return len(self._seasons) + len(self._block_seasons)

    def _own_part(self, observations: Sequence[Observation]) -> Array:
        """What a forecast errs beyond the surest one of its block and season, squared."""
        least = dict(zip(self._block_seasons, self._shared, strict=True))
        return np.array(
            [one.forecast_error**2 - least[one.block_id, one.season] ** 2 for one in observations],
            dtype=np.float64,
        )

    def _row(self, one: Observation | Target) -> Array:
        row = np.zeros(self._lasting + self._passing)
        row[0] = 1.0
        row[1 + self._varieties.index(one.variety)] = 1.0
        at = 1 + len(self._varieties)
        row[at + self._blocks.index(one.block_id)] = 1.0
        at += len(self._blocks)
        row[at + self._stages.index(one.stage)] = 1.0
        at += len(self._stages)
        if isinstance(one, Observation):
            row[at + self._seasons.index(one.season)] = 1.0
            at += len(self._seasons)
            row[at + self._block_seasons.index((one.block_id, one.season))] = 1.0
        return row

    def given(
        self, spreads: Spreads, *, lasting: float, passing: float
    ) -> tuple[Array, Array, float]:
        """Mean and covariance of the targets' corrections, and the log-likelihood."""
        effect_sd = np.concatenate(
            [
                [lasting * spreads.farm],
                np.full(len(self._varieties), lasting * spreads.variety),
                np.full(len(self._blocks), lasting * spreads.block),
                np.full(len(self._stages), spreads.stage),
                np.full(len(self._seasons), passing * spreads.season),
                np.hypot(passing * spreads.block_season, self._shared),
            ]
        )
        noise = np.sqrt(self._noise**2 + self._extra)
        found = predict(self._y, self._design, effect_sd=effect_sd, noise_sd=noise)
        mean = self._wanted @ found.mean
        return mean, self._wanted @ found.covariance @ self._wanted.T, found.log_likelihood
