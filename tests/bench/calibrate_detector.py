"""Threshold, calibration and count error of a learned detector, from rows kept apart for choosing.

python -m tests.bench.calibrate_detector --models DIR --images DIR --coco FILE --split val

Prints the lines for `card_facts.toml`. The threshold is the one at which as many fruit are found as
are marked; the calibration is logistic in the score's logit (Platt 1999, Probabilistic outputs for
support vector machines), fitted by likelihood; the count error is the standard deviation of a
photo's count at the threshold, as a share of the count.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from fruitvision.evaluate.matching import USUAL
from fruitvision.evaluate.run import Looking, evaluate
from fruitvision.evaluate.truth import read_truth
from fruitvision.fruit.calibration import Calibration
from fruitvision.fruit.learned import learned_detector

Floats = NDArray[np.float64]
# Reliability is shown in so many bins.
BINS = 10
# Score from which fruit tell the scale while nothing is calibrated. Our choice.
FIRST_THRESHOLD = 0.35


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--models", type=Path)
    parser.add_argument("--images", type=Path, required=True)
    parser.add_argument("--coco", type=Path, required=True)
    parser.add_argument("--split", default="val")
    parser.add_argument("--weights", default="")
    options = parser.parse_args()
    detector = learned_detector("learned", options.weights, models=options.models)
    # Scores as the network gives them.
    plain = replace(
        detector, card=replace(detector.card, calibration=Calibration()), threshold=FIRST_THRESHOLD
    )
    photos = read_truth(options.coco, split=options.split)
    results, _ = evaluate(
        plain, photos, options.images, looking=Looking(), on_progress=lambda *_: None
    )
    scores, right, wanted = [], [], []
    for result in results:
        matches = result.matches[USUAL]
        kept = ~matches.ignored
        scores.append(result.scores[kept])
        right.append(matches.right[kept])
        wanted.append(result.truth.wanted)
    every, hits = np.concatenate(scores), np.concatenate(right)
    threshold = np.sort(every)[::-1][sum(wanted)]
    slope, offset = platt(every, hits)
    calibration = Calibration(slope=slope, offset=offset)
    chances = calibration.chance_of(every)
    found = np.array([(one >= threshold).sum() for one in scores])
    marked = np.array(wanted, dtype=float)
    enough = marked >= 10
    errors = (found[enough] - marked[enough]) / marked[enough]
    _say(f"score_threshold = {float(calibration.chance_of(np.array([threshold]))[0]):.3f}")
    _say(f"count_error = {float(np.std(errors, ddof=1)):.3f}")
    _say(f"[calibration]\nslope = {slope:.3f}\noffset = {offset:.3f}")
    _say(f"# raw threshold {threshold:.3f}, mean absolute count error {np.abs(errors).mean():.3f}")
    for low in np.arange(BINS) / BINS:
        inside = (chances >= low) & (chances < low + 1 / BINS)
        if inside.any():
            told, true = chances[inside].mean(), hits[inside].mean()
            _say(f"# chance {told:.2f} told, {true:.2f} true, {int(inside.sum())} candidates")


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")


def platt(scores: Floats, right: NDArray[np.bool_]) -> tuple[float, float]:
    """Slope and offset of greatest likelihood."""
    logit = np.log(scores / (1 - scores))

    def cost(values: Floats) -> float:
        total = values[0] * logit + values[1]
        return float(np.logaddexp(0, np.where(right, -total, total)).sum())

    found = minimize(cost, np.array([1.0, 0.0]), method="Nelder-Mead")
    return float(found.x[0]), float(found.x[1])


if __name__ == "__main__":
    main()
