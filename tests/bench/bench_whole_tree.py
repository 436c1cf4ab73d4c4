"""How often the check of a photo is right about the whole tree, the sides and the light.

    python -m tests.bench.bench_whole_tree FOLDER ... [--real PHOTO ...]

FOLDER is a rendered one with its truth (`samples`, `tests/orchards/*`). Its photos are cut at the
top and at both sides by known shares, and the fruit of the tree that are then out of the picture
are counted by the truth. Of real photos, which have no truth, it is told how many are called cut.
Each photo is measured once; what is cut away is taken out of its result.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.capture import LOOKED_AT_PX, cut_at_sides, cut_at_top, is_into_sun
from fruitvision.domain import MeasuredPhoto
from fruitvision.fruit.detector import Image, choose_detector
from fruitvision.photo import read_small
from fruitvision.pipeline.photos import measure_photo
from fruitvision.settings import Settings
from fruitvision.simulate.presets import preset_of

TOPS = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4)
SIDES = (0.0, 0.1, 0.2, 0.25, 0.3, 0.35, 0.4)
# More of a tree's fruit out of the picture than this is a loss. Our choice.
LOSS = 0.03
# Preset of a folder whose name is not the preset's.
PRESETS = {"samples": "sample-farm"}


@dataclass(frozen=True)
class Case:
    """A photo or a part of it: what was cut away, fruit of the tree out of it, what was said."""

    cut: str
    lost: float
    flagged: bool

    @property
    def kind(self) -> str:
        if self.lost > LOSS:
            return f"over {LOSS:.0%} of its fruit lost"
        if self.lost > 0:
            return f"up to {LOSS:.0%} of its fruit lost"
        return "whole photo" if self.cut == "none" else "a part, no fruit lost"


def measured(path: Path) -> MeasuredPhoto:
    return measure_photo(path, detector=choose_detector(), settings=Settings())


def part_of(photo: MeasuredPhoto, top: float, side: float) -> MeasuredPhoto:
    """The result without what lies in the cut parts; the scale stays that of the middle."""
    width, height = photo.photo.width_px, photo.photo.height_px
    left, up = side * width, top * height
    kept = tuple(
        replace(one, centre_x_px=one.centre_x_px - left, centre_y_px=one.centre_y_px - up)
        for one in photo.fruit
        if one.centre_y_px >= up and left <= one.centre_x_px <= width - left
    )
    size = replace(photo.photo, width_px=round(width - 2 * left), height_px=round(height - up))
    return replace(photo, photo=size, fruit=kept)


def cut_picture(small: Image, top: float, side: float) -> Image:
    height, width = small.shape[:2]
    margin = round(side * width)
    return small[round(top * height) :, margin : width - margin]


def truth_of(folder: Path) -> dict[str, NDArray[np.float64]]:
    """Centres (N, 2) of the fruit of each photo's own tree, px."""
    with (folder / "walk.csv").open(encoding="utf-8") as file:
        trees = {row["photo"]: (row["row"], row["position"]) for row in csv.DictReader(file)}
    found: dict[str, list[tuple[float, float]]] = defaultdict(list)
    with (folder / "truth_photos.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if trees.get(row["photo"]) == (row["row"], row["position"]):
                found[row["photo"]].append((float(row["x_px"]), float(row["y_px"])))
    return {name: np.array(centres) for name, centres in found.items()}


def cases_of(folder: Path) -> Iterator[tuple[str, Case]]:
    """What is said of each photo of a folder and of its parts."""
    spacing_m = preset_of(PRESETS.get(folder.name, folder.name)).look.tree.spacing_mm / 1000
    for name, fruit in truth_of(folder).items():
        photo = measured(folder / name)
        small = read_small(folder / name, LOOKED_AT_PX)
        width, height = photo.photo.width_px, photo.photo.height_px
        for top in TOPS:
            lost = float((fruit[:, 1] < top * height).mean())
            said = cut_at_top(part_of(photo, top, 0.0), cut_picture(small, top, 0.0))
            yield "top", Case(f"{top:.0%}" if top else "none", lost, said)
        for side in SIDES:
            out = (fruit[:, 0] < side * width) | (fruit[:, 0] > (1 - side) * width)
            wide = cut_at_sides(part_of(photo, 0.0, side), spacing_m)
            if wide is not None:
                yield "sides", Case(f"{side:.0%}" if side else "none", float(out.mean()), wide)
        yield "light", Case("none", 0.0, is_into_sun(small))


def report(title: str, cases: list[tuple[str, Case]]) -> None:
    _say(title)
    for what in ("top", "sides", "light"):
        by_kind: dict[str, list[bool]] = defaultdict(list)
        for name, case in cases:
            if name == what:
                by_kind[case.kind].append(case.flagged)
        for kind, flags in sorted(by_kind.items()):
            _say(f"  {what:6} {kind:28} called bad {sum(flags):4} of {len(flags)}")


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--real", nargs="*", type=Path, default=[])
    given = parser.parse_args(argv)
    everything: list[tuple[str, Case]] = []
    for folder in given.folders:
        cases = list(cases_of(folder))
        everything += cases
        report(folder.name, cases)
    report("all", everything)
    if given.real:
        found = [(measured(path), read_small(path, LOOKED_AT_PX)) for path in given.real]
        top = sum(cut_at_top(photo, small) for photo, small in found)
        sun = sum(is_into_sun(small) for _, small in found)
        _say(f"real photos: {top} of {len(found)} called cut at the top, {sun} into the sun")


def _say(words: str) -> None:
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
