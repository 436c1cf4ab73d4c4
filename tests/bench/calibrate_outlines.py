"""Fit what tells a rim from another edge: writes `fruitvision/fruit/rim_fitted.py`.

    python -m tests.bench.calibrate_outlines FOLDER... [--keep DIR]

Each folder is one that `fruitvision simulate block` made. Never fit on tests/orchards.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from fruitvision.evaluate.kept import KeptDetector
from fruitvision.evaluate.matching import NOTHING, match
from fruitvision.evaluate.sizing import LEAST_OVERLAP, outline_overlaps, read_sizing_truth
from fruitvision.fruit import rim_fitted
from fruitvision.fruit.detector import Detector, choose_detector
from fruitvision.fruit.edge import FEATURES, find_edges
from fruitvision.fruit.rim import rim_radii
from fruitvision.fruit.strips import frames_of
from fruitvision.photo import read_photo
from fruitvision.reference import find_references, sheet_px
from fruitvision.scale import scale_from_references
from fruitvision.settings import Settings
from fruitvision.whole_file import write_whole

Floats = NDArray[np.float64]

# An edge is the rim within this share of the radius, and another one beyond that.
RIM_WITHIN, OTHER_BEYOND = 0.025, 0.05
# Rays count that see their own fruit just inside; fruit of which a fifth or more is seen.
LEAST_OWN, LEAST_SHARE = 0.3, 0.2
# Pull of the weights towards 0, so that what tells nothing gets none.
PULL = 1e-4


def ellipse_numbers(frame: tuple[Floats, Floats], wanted: tuple[Floats, Floats]) -> Floats:
    """(N, 5) numbers of `rim` that make the wanted ellipses of the frames."""
    inverse = np.linalg.inv(frame[1])
    shape = inverse @ wanted[1]
    square = shape @ shape.transpose(0, 2, 1)
    root = np.sqrt(np.linalg.det(square))
    trace = np.trace(square, axis1=1, axis2=2)
    even = (square + root[:, None, None] * np.eye(2)) / np.sqrt(trace + 2 * root)[:, None, None]
    shift = np.einsum("nij,nj->ni", inverse, wanted[0] - frame[0])
    middle = (even[:, 0, 0] + even[:, 1, 1]) / 2
    flat = (even[:, 0, 0] - even[:, 1, 1]) / 2
    return np.column_stack([middle - 1, shift, flat, even[:, 0, 1]])


def edges_of(folder: Path, detector: Detector) -> tuple[Floats, NDArray[np.bool_]]:
    """Features of edges (K, F) of one folder, and which of them are rims (K,)."""
    features, rims = [], []
    for name, truth in read_sizing_truth(folder).items():
        image, photo = read_photo(folder / name)
        references = find_references(image, photo, side_mm=Settings().printed_side_mm)
        scale, _ = scale_from_references(references, photo)
        found = detector.detect(image, mm_per_px=scale.mm_per_px if scale else None)
        found = found.outside([sheet_px(one) for one in references])
        found = found.take(found.on_this_row)
        hidden = truth.visible_shares < LEAST_SHARE
        stands = match(
            outline_overlaps(found.outlines, truth.outlines),
            found.scores,
            hidden,
            np.zeros(len(hidden), dtype=np.bool_),
            least_overlap=LEAST_OVERLAP,
        ).fruit
        keep = np.flatnonzero((stands != NOTHING) & (truth.on_this_row & ~hidden)[stands])
        if not len(keep):
            continue
        edges = find_edges(image, found)
        numbers = ellipse_numbers(
            (edges.centres[keep], edges.matrices[keep]), frames_of(truth.outlines[stands[keep]])
        )
        off = np.abs(edges.radii[keep] - rim_radii(numbers)[..., None])
        used = edges.there[keep] & (edges.own[keep] > LEAST_OWN)[..., None]
        used &= (off < RIM_WITHIN) | (off > OTHER_BEYOND)
        features.append(edges.features[keep][used].astype(np.float64))
        rims.append(off[used] < RIM_WITHIN)
    return np.concatenate(features), np.concatenate(rims)


def logistic_fit(features: Floats, rims: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Means, spreads, and intercept and weights of the scaled features."""
    means, spreads = features.mean(axis=0), features.std(axis=0)
    scaled = np.column_stack([np.ones(len(features)), (features - means) / spreads])
    signs = np.where(rims, 1.0, -1.0)

    def loss(weights: Floats) -> tuple[float, Floats]:
        margin = signs * (scaled @ weights)
        slope = -signs / (1 + np.exp(np.clip(margin, -30, 30)))
        pull = np.r_[0.0, weights[1:]]
        return (
            float(np.logaddexp(0, -margin).mean() + PULL * pull @ pull),
            scaled.T @ slope / len(signs) + 2 * PULL * pull,
        )

    found = minimize(loss, np.zeros(scaled.shape[1]), jac=True, method="L-BFGS-B")
    sys.stdout.write(f"{len(rims):,} edges, {rims.mean():.1%} rims; log loss {found.fun:.4f}\n")
    return means, spreads, np.asarray(found.x, dtype=np.float64)


def module_text(means: Floats, spreads: Floats, weights: Floats) -> str:
    """The fitted numbers as a module."""

    def array(values: Floats) -> str:
        lines = "\n".join(
            f"        {value:.5f},  # {name}" for value, name in zip(values, FEATURES, strict=True)
        )
        return f"np.array(\n    [\n{lines}\n    ]\n)"

    return (
        '"""Numbers of `rim.py`, written by `python -m tests.bench.calibrate_outlines`.\n\n'
        "A logistic regression on edges along rays: which is the rim? See `edge.FEATURES`.\n"
        '"""\n\nfrom __future__ import annotations\n\nimport numpy as np\n\n'
        f"FEATURE_MEANS = {array(means)}\nFEATURE_SPREADS = {array(spreads)}\n"
        f"FEATURE_WEIGHTS = {array(weights[1:])}\nINTERCEPT = {weights[0]:.5f}\n"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--keep", type=Path, help="keep what the detector finds here")
    parser.add_argument("--detector", default="learned")
    given = parser.parse_args(arguments)
    detector: Detector = choose_detector(given.detector)
    if given.keep is not None:
        detector = KeptDetector(detector, given.keep)
    parts = [edges_of(folder, detector) for folder in given.folders]
    fitted = logistic_fit(
        np.concatenate([features for features, _ in parts]),
        np.concatenate([rims for _, rims in parts]),
    )
    path = Path(rim_fitted.__file__)
    write_whole(path, module_text(*fitted).encode())
    sys.stdout.write(f"Written: {path}\n")


if __name__ == "__main__":
    main()
