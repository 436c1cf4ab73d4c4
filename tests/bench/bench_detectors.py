"""All detectors side by side on photos with known fruit: run by hand, not part of the tests.

    python -m tests.bench.bench_detectors --images DIR --coco FILE [--split val] [--peers DIR]

Prints one table, one column a detector; where the file knows several kinds of fruit, one more table
a kind. `--peers` names a folder with the weights of general-purpose detectors (see peers.py).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path

from fruitvision.errors import FruitVisionError
from fruitvision.evaluate.figures import Figures
from fruitvision.evaluate.report import NOTES, by_kind, document, table_lines
from fruitvision.evaluate.run import Looking, evaluate, threshold_of
from fruitvision.evaluate.truth import read_truth
from fruitvision.fruit.detector import Detector, choose_detector, detector_names
from tests.bench.peers import load_peers


def main(argv: list[str] | None = None) -> None:
    """Look at all photos with all detectors and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--images", type=Path, required=True)
    parser.add_argument("--coco", type=Path, required=True)
    parser.add_argument("--split")
    parser.add_argument("--peers", type=Path)
    parser.add_argument("--threads", type=int, default=2, help="of the peers")
    parser.add_argument("--only", nargs="*", help="names of detectors; all if left out")
    parser.add_argument("--every", type=int, default=1, help="take every n-th photo")
    parser.add_argument("--json", type=Path, help="folder for one file of figures a detector")
    given = parser.parse_args(argv)
    photos = read_truth(given.coco, split=given.split)[:: given.every]
    tables: dict[str, dict[str, Figures]] = {}
    for detector in _detectors(given.peers, given.threads):
        if given.only and detector.name not in given.only:
            continue
        threshold = threshold_of(detector)
        results, left_out = evaluate(
            detector, photos, given.images, looking=Looking(), on_progress=lambda _done, _of: None
        )
        _say([f"{detector.name}, {one}" for one in left_out])
        for kind, figures in by_kind(results, threshold).items():
            tables.setdefault(kind, {})[detector.name] = figures
        if given.json:
            given.json.mkdir(parents=True, exist_ok=True)
            about = {"name": detector.name, "version": detector.version}
            text = document(about, results, left_out, threshold)
            (given.json / f"{detector.name}.json").write_text(text, encoding="utf-8")
    for kind, columns in tables.items():
        _say([kind, *table_lines(columns), ""])
    _say(NOTES)


def _detectors(peers: Path | None, threads: int) -> list[Detector]:
    detectors: list[Detector] = []
    for name in detector_names():
        try:
            detectors.append(choose_detector(name))
        except FruitVisionError as err:
            _say([f"{name} is left out: {err}"])
    if peers is not None:
        loaded, missing = load_peers(peers, threads)
        _say([f"A peer is left out: {err}" for err in missing])
        detectors += loaded
    return detectors


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
