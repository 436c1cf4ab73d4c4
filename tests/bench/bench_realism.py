"""Rendered photos held against real ones: run by hand, not part of the tests.

    python -m tests.bench.bench_realism --real DIR --annotations FILE \\
        --rendered FOLDER [--rendered FOLDER ...] [--json OUT] [--page OUT.png] [--plots OUT.png]

`--annotations` is a COCO file with human boxes; a photo may say `split` and `fruit`, a box
`truncated` = 1 (not measured). Areas of flat grey are taken as missing. A rendered FOLDER holds
`truth_photos.csv` and `truth_markers.csv`; `NAME=FOLDER` gives it another name, and
folders of one name are one set. Every photo is
coded as the real ones are, and reduced to the same median fruit width. Prints one table a set: 10,
50 and 90 % of each number, its Wasserstein distance from the real set, the same in standard
deviations of the real set, and how well classifiers tell patches apart (50 %: they cannot).

A judge gets better the more it has to learn from: compare rendered sets of one size, `--photos N`.
`--yardstick` compares the real photos of two stages with each other, and every other real photo
with the rest: what "different orchard and weather" and "no difference" look like in these numbers.
`--detector` scores the classical detector on every set, to see which is easier for it.
`--page` shows real and rendered crops side by side; it holds real photos and is refused inside the
repository. `--plots` shows rendered crops beside histograms.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np
from PIL import Image

from fruitvision.fruit.classical import ClassicalDetector
from tests.bench.bench_detector import score_photo
from tests.bench.realism_classifier import Learner
from tests.bench.realism_compare import (
    Comparison,
    PhotoSet,
    compare,
    green_fruit,
    measure_set,
    red_fruit,
)
from tests.bench.realism_page import Plot, cut_crops, plots_page, side_by_side, stack
from tests.bench.realism_photos import (
    FRUIT_PX,
    Bools,
    Floats,
    Labelled,
    real_photos,
    rendered_photos,
    usable,
)
from tests.bench.realism_samples import FRUIT_COLUMNS, PATCH_COLUMNS

# Photos the detector is tried on: some 2 s each. Our choice.
DETECTOR_PHOTOS = 40
REPOSITORY = Path(__file__).resolve().parents[2]
# Plots of the page: title, which fruit (or patches), column, from, to.
FRUIT_PLOTS: tuple[tuple[str, Callable[[Floats], Bools] | None, str, float, float], ...] = (
    ("red fruit, L*", red_fruit, "fruit L*", 0, 100),
    ("red fruit, a*", red_fruit, "fruit a*", 10, 70),
    ("red fruit, b*", red_fruit, "fruit b*", -10, 60),
    ("green fruit, L*", green_fruit, "fruit L*", 0, 100),
    ("green fruit, a*", green_fruit, "fruit a*", -30, 10),
    ("green fruit, b*", green_fruit, "fruit b*", -10, 60),
    ("leaf near fruit, L*", None, "leaf L*", 0, 100),
    ("leaf near fruit, a*", None, "leaf a*", -40, 0),
    ("leaf near fruit, b*", None, "leaf b*", 0, 60),
)
PATCH_PLOTS = (
    ("sd of L* in 8 px", "sd of L* in 8 px", 0, 20),
    ("slope of the spectrum", "slope of the spectrum", -4, -1.5),
    ("noise floor, L*", "noise floor, L*", 0, 2.5),
)


def main(argv: Sequence[str] | None = None) -> None:
    """Measure, print, and write what was asked for."""
    given = _arguments(argv)
    if given.page is not None and given.page.resolve().is_relative_to(REPOSITORY):
        sys.exit("--page holds real photos: give a path outside the repository.")
    real_ones = real_photos(given.real, given.annotations, fruit="apple", split="train")
    by_name = {"real": real_ones, **_by_name(given.rendered)}
    for name, photos in by_name.items():
        if given.photos is not None and name != "real":
            photos[:] = _thinned(photos, given.photos)
        if not usable(photos):
            sys.exit(f"{name}: no photo has 5 fruit with a median width of {FRUIT_PX:.0f} px.")
    real, *rendered = (_set(name, photos) for name, photos in by_name.items())
    learners = {} if given.no_network else {"network on pixels": _network()}
    found = [compare(real, one, learners) for one in rendered]
    if given.yardstick:
        found += _yardsticks(real, learners)
    sys.stdout.write("\n\n".join(_table(one) for one in found) + "\n")
    if given.detector:
        sys.stdout.write("\n".join(_detector_line(one) for one in (real, *rendered)) + "\n")
    if given.json is not None:
        record = [asdict(one) for one in found]
        given.json.write_text(json.dumps(record, indent=1), encoding="utf-8")
    if given.page is not None:
        _page(real, rendered).save(given.page)
    if given.plots is not None:
        # 256 colours: a third of the size, and hard to tell from all of them.
        _plots(real, rendered).quantize(256).save(given.plots, optimize=True)


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--real", type=Path, required=True, help="folder of the real photos")
    parser.add_argument("--annotations", type=Path, required=True)
    parser.add_argument("--rendered", action="append", required=True)
    parser.add_argument("--photos", type=int, help="at most so many photos of a rendered set")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--page", type=Path)
    parser.add_argument("--plots", type=Path)
    parser.add_argument("--yardstick", action="store_true")
    parser.add_argument("--detector", action="store_true")
    parser.add_argument("--no-network", action="store_true", help="numbers only: no torch")
    return parser.parse_args(argv)


def _by_name(given: Sequence[str]) -> dict[str, list[Labelled]]:
    found: dict[str, list[Labelled]] = {}
    for one in given:
        name, _, folder = one.rpartition("=")
        found.setdefault(name or Path(folder).name, []).extend(rendered_photos(Path(folder)))
    return found


def _thinned(photos: list[Labelled], most: int) -> list[Labelled]:
    """At most so many of the photos that can be used, spread evenly."""
    kept = usable(photos)
    places = np.linspace(0, len(kept) - 1, min(most, len(kept))).round().astype(int)
    return [kept[place] for place in places]


def _set(name: str, photos: list[Labelled]) -> PhotoSet:
    kept = usable(photos)
    return measure_set(name, kept, left_out=len(photos) - len(kept))


def _network() -> Learner:
    from tests.bench.realism_network import network

    return network


def _yardsticks(real: PhotoSet, learners: dict[str, Learner]) -> list[Comparison]:
    groups = sorted({photo.group for photo in real.photos})
    by_group = [
        measure_set(group, [photo for photo in real.photos if photo.group == group])
        for group in groups
    ]
    halves = [
        measure_set(f"real photos {start + 1}, {start + 3} ...", real.photos[start::2])
        for start in (0, 1)
    ]
    return [compare(one, other, learners) for one, other in (by_group, halves)]


def _table(found: Comparison) -> str:
    lines = [
        f"{found.name}: {found.photos} photos ({found.left_out} left out), {found.fruit} fruit",
        f"{'':44s}{'real 10/50/90 %':>26s}{'rendered 10/50/90 %':>26s}{'shift':>9s}{'gap':>7s}",
    ]
    for one in found.numbers:
        sides = [
            f"{side.p10:8.3g}{side.p50:9.3g}{side.p90:9.3g}" for side in (one.real, one.rendered)
        ]
        lines.append(f"{one.name:44s}{sides[0]}{sides[1]}{one.shift:9.3g}{one.gap:7.2f}")
    lines += [
        f"chroma histogram, {name:27s}{distance:.3f}" for name, distance in found.histograms.items()
    ]
    lines.append(f"mean gap of the patches' numbers: {found.mean_gap:.3f} sd")
    for judged in found.judged:
        told = judged.told
        lines.append(
            f"told apart by {judged.classifier:18s}{judged.view:16s}{told.accuracy:7.1%} "
            f"± {told.accuracy_error:.1%}   AUC {told.auc:.3f} ± {told.auc_error:.3f}"
        )
    return "\n".join(lines)


def _detector_line(one: PhotoSet) -> str:
    """F1 on at most `DETECTOR_PHOTOS` photos, spread over the set; scale unknown on all."""
    some = one.photos[:: -(-len(one.photos) // DETECTOR_PHOTOS)]
    scored = [score_photo(photo.path, _flagged(photo), one.name) for photo in some]
    threshold = ClassicalDetector().threshold
    hits = sum(int(photo.right[photo.scores >= threshold].sum()) for photo in scored)
    called = sum(int((photo.scores >= threshold).sum()) for photo in scored)
    boxes = sum(photo.boxes for photo in scored)
    return (
        f"classical detector on {one.name}: {len(scored)} photos, {boxes} fruit, "
        f"F1 {2 * hits / (called + boxes):.3f} "
        f"(precision {hits / max(called, 1):.3f}, recall {hits / boxes:.3f})"
    )


def _flagged(photo: Labelled) -> Floats:
    """(N, 5) boxes as the detector's bench takes them: 1 where a fruit is not to be scored."""
    boxes = np.vstack([photo.boxes_px, photo.other_px])
    return np.column_stack([boxes, np.arange(len(boxes)) >= len(photo.boxes_px)])


def _page(real: PhotoSet, rendered: Sequence[PhotoSet]) -> Image.Image:
    pages = []
    for index, one in enumerate(rendered):
        rng = np.random.default_rng(index)
        crops = [cut_crops(side.photos, 12, rng) for side in (real, one)]
        captions = ("real", f"rendered: {one.name}")
        pages.append(side_by_side(crops[0], crops[1], captions))
    return stack([*pages, _plots(real, rendered)])


def _plots(real: PhotoSet, rendered: Sequence[PhotoSet]) -> Image.Image:
    sets = (real, *rendered)
    plots = [
        Plot(
            title=title,
            values=tuple(_column(one.sample.fruit, chosen, column) for one in sets),
            low=low,
            high=high,
        )
        for title, chosen, column, low, high in FRUIT_PLOTS
    ]
    for title, column, low, high in PATCH_PLOTS:
        place = PATCH_COLUMNS.index(column)
        values = tuple(one.patch_numbers[:, place] for one in sets)
        plots.append(Plot(title=title, values=values, low=low, high=high))
    last = rendered[-1]
    crops = cut_crops(last.photos, 6, np.random.default_rng(5))
    return plots_page(crops, plots, tuple(one.name for one in sets), f"rendered: {last.name}")


def _column(fruit: Floats, chosen: Callable[[Floats], Bools] | None, column: str) -> Floats:
    rows = fruit if chosen is None else fruit[chosen(fruit)]
    return np.asarray(rows[:, FRUIT_COLUMNS.index(column)])


if __name__ == "__main__":
    main()
