"""How well sizes are freed of noise, on simulated truths of several shapes.

Run by hand: python -m tests.bench.bench_sizes [seasons]

One table of the mixture alone (class shares of 5 mm against the truth, beside what was read), one
of a whole walk checked with calipered fruit: share above 85 mm of a true N(75, 5.5).
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.caliper_check import MatchedPair, check_calipers
from fruitvision.domain import CALIPER_ERROR_MM, TreeSample
from fruitvision.settings import Settings
from fruitvision.size_mixture import ReadSizes, share_below, true_sizes
from fruitvision.sizes import points, size_distribution
from tests.records import WALK, tree

Array = NDArray[np.float64]
EDGES_MM = np.arange(40.0, 111.0, 5.0)
TREES = 20
# Fruit that stand for the truth where its shares have no formula.
MANY = 400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Of many walks: total variation, largest gap of a class (means and nine tenths), as read and
    freed; bias and standard deviation of the share above 85 mm; how often P10 to P90 of the trees
    drawn again held a class's true share; ms a fit."""

    read_tv: float
    tv: float
    tv_p90: float
    gap: float
    gap_p90: float
    above: float
    above_bias: float
    above_sd: float
    inside: float
    ms: float


def normal(rng: np.random.Generator, fruit: int) -> Array:
    return rng.normal(75, 5.5, fruit)


def skewed(rng: np.random.Generator, fruit: int) -> Array:
    return 84 - rng.gamma(3.0, 3.2, fruit)


def two_peaks(rng: np.random.Generator, fruit: int) -> Array:
    return np.where(rng.random(fruit) < 0.45, rng.normal(67, 3, fruit), rng.normal(80, 3.2, fruit))


def small_beside(rng: np.random.Generator, fruit: int) -> Array:
    small = rng.random(fruit) < 0.2
    return np.where(small, rng.normal(63, 3.5, fruit), rng.normal(76, 4.5, fruit))


TRUTHS = (normal, skewed, two_peaks, small_beside)


def mixture_row(
    draw: Callable[[np.random.Generator, int], Array],
    *,
    fruit: int,
    noise_mm: float,
    seasons: int,
) -> Row:
    """Many walks of one truth; noise grows with the fruit and differs from fruit to fruit."""
    truth = np.histogram(draw(np.random.default_rng(10**6), MANY), EDGES_MM)[0] / MANY
    off, read_off, inside, seconds = [], [], [], 0.0
    for seed in range(seasons):
        rng = np.random.default_rng(seed)
        true = draw(rng, fruit)
        share = noise_mm / 75 * np.exp(rng.normal(0, 0.25, fruit))
        read = true * (1 + share * rng.standard_normal(fruit))
        start = time.perf_counter()
        found = true_sizes(
            ReadSizes(read_mm=read, errors_mm=share * read, weights=np.ones(fruit),
                      tree=np.arange(fruit) % TREES),
            effective_fruit=float(fruit), resamples=200, rng=rng,
        )  # fmt: skip
        seconds += time.perf_counter() - start
        off.append(np.diff(share_below(found.grid_mm, found.shares, EDGES_MM)) - truth)
        read_off.append(np.histogram(read, EDGES_MM)[0] / fruit - truth)
        drawn = [np.diff(share_below(found.grid_mm, one, EDGES_MM)) for one in found.resampled]
        low, high = np.quantile(drawn, (0.1, 0.9), axis=0)
        inside.append(((low <= truth) & (truth <= high))[truth > 0.03])
    gaps = np.array(off)
    tv, gap = np.abs(gaps).sum(axis=1) / 2, np.abs(gaps).max(axis=1)
    above = gaps[:, EDGES_MM[:-1] >= 85].sum(axis=1)
    return Row(
        read_tv=float(np.abs(read_off).sum(axis=1).mean() / 2),
        tv=float(tv.mean()),
        tv_p90=float(np.quantile(tv, 0.9)),
        gap=float(gap.mean()),
        gap_p90=float(np.quantile(gap, 0.9)),
        above=float(truth[EDGES_MM[:-1] >= 85].sum()),
        above_bias=float(above.mean()),
        above_sd=float(above.std()),
        inside=float(np.mean(inside)),
        ms=1000 * seconds / seasons,
    )


def above_85(*, pairs: int, stated_mm: float, factor: float, seasons: int) -> tuple[float, float]:
    """Mean and standard deviation of the share above 85 mm; 4 mm noise, 20 trees of 50 fruit."""
    settings = Settings()
    found = []
    for seed in range(seasons):
        rng = np.random.default_rng(seed)
        trees = [_tree(rng, number, factor, stated_mm) for number in range(TREES)]
        check = check_calipers(_pairs(rng, pairs, factor, stated_mm), settings)
        sizes = size_distribution(trees, [], walked_on=WALK, settings=settings, check=check)
        if sizes is not None:
            at = points(len(sizes.quantiles_mm))
            found.append(1 - float(np.interp(85, sizes.quantiles_mm, at)))
    return float(np.mean(found)), float(np.std(found))


def _tree(rng: np.random.Generator, number: int, factor: float, stated_mm: float) -> TreeSample:
    read = factor * normal(rng, 50) + rng.normal(0, 4, 50)
    return replace(tree(number, 60, diameters_mm=read), diameter_errors_mm=(stated_mm,) * 50)


def _pairs(
    rng: np.random.Generator, number: int, factor: float, stated_mm: float
) -> list[MatchedPair]:
    true = normal(rng, number)
    read = factor * true + rng.normal(0, 4, number)
    by_hand = true + rng.normal(0, CALIPER_ERROR_MM, number)
    return [
        MatchedPair(photo_id=f"{i % 5}", fruit_id=f"{i}", photo_mm=float(read[i]),
                    photo_error_mm=stated_mm, caliper_mm=float(by_hand[i]))
        for i in range(number)
    ]  # fmt: skip


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main(arguments: list[str]) -> None:
    seasons = int(arguments[0]) if arguments else 40
    say("truth, fruit, noise: TV read; TV freed (p90); largest gap (p90); above 85 mm true, bias,")
    say("sd; true share within P10-P90 of trees drawn again; ms. All in points of a share.")
    for draw in TRUTHS:
        for fruit, noise_mm in ((500, 4.0), (500, 1.8), (2000, 4.0)):
            row = mixture_row(draw, fruit=fruit, noise_mm=noise_mm, seasons=seasons)
            say(
                f"{draw.__name__:13s}{fruit:5d} {noise_mm:.1f} mm: {100 * row.read_tv:5.1f};"
                f"{100 * row.tv:5.1f} ({100 * row.tv_p90:.1f});"
                f"{100 * row.gap:5.1f} ({100 * row.gap_p90:.1f});"
                f"{100 * row.above:5.1f} {100 * row.above_bias:+.1f} ± {100 * row.above_sd:.1f};"
                f"{100 * row.inside:4.0f} %;{row.ms:4.0f}"
            )
    say("\nTrue N(75, 5.5), 3.5 % above 85 mm, 4 mm noise, 20 trees of 50 fruit:")
    for pairs, stated_mm, factor in (
        *((0, 4.0, 1.0), (25, 4.0, 1.0), (25, 3.0, 1.0), (25, 5.0, 1.0), (25, 4.0, 1.03)),
        *((100, 4.0, 1.0), (100, 3.0, 1.03)),
    ):
        mean, sd = above_85(pairs=pairs, stated_mm=stated_mm, factor=factor, seasons=seasons)
        say(
            f"{pairs:4d} pairs, {stated_mm:.0f} mm stated, photos × {factor:.2f}: "
            f"{100 * mean:.1f} % ± {100 * sd:.1f}"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
