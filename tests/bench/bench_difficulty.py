"""What is hard for the detector: figures by class of difficulty. Run by hand, not a test.

    python -m tests.bench.bench_difficulty [--every N] [--coco FILE --images DIR --split val]

Prints tables in Markdown: the kinds of block of tests/orchards; with `--coco`, groups of real
photos by the first letters of their names; then, of all rendered fruit, by width as the network
sees it and by visible share; then the same photos made smaller and larger, without scale. Recall
is at the detector's threshold.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.evaluate.figures import Figures, figures_of
from fruitvision.evaluate.matching import NOTHING, USUAL
from fruitvision.evaluate.outlines import ellipse_overlaps
from fruitvision.evaluate.run import Looking, PhotoResult, photo_path, photo_result
from fruitvision.evaluate.truth import TruthPhoto, read_truth
from fruitvision.fruit.detector import DEFAULT_DETECTOR, Detections, Image, choose_detector
from fruitvision.fruit.learned import LearnedDetector
from fruitvision.photo import read_photo

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ORCHARDS = Path(__file__).parents[1] / "orchards"
# What each kind of block stands for; see tests/orchards/README.md.
STANDS_FOR = {
    "easy-wall": "striped red, soft light",
    "leafy-spindle": "clusters, dense leaves, sun flecks",
    "green-early": "green on green, 30 to 45 mm",
    "low-sun": "yellow, low sun, backlight",
    "night-flash": "dark red, night, flash",
    "frost-hit": "to 95 mm, fallen fruit, balls",
}
# As the network sees them, px; the classes asked for most often, and what lies beyond.
WIDTHS_PX = ((12, 20), (20, 30), (30, 45), (45, 70), (70, 100), (100, 1000))
SHARES = ((0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.001))
# A fruit seen at least this far: what width alone does, without leaves. Our choice.
MOSTLY_SEEN = 0.6
ZOOMS = (0.25, 0.35, 0.5, 1.0, 1.5)
# Photos of each kind of block that are looked at in other sizes. Our choice: for time.
ZOOMED_PHOTOS = 1


@dataclass(frozen=True, slots=True, eq=False)
class Fruits:
    """Wanted fruit, one row each: what they are, and what was made of them.

    `widths_px` : long sides as the network sees them; `shares` : visible, nan if unknown;
    `overlap`, `share_error` : of outline and visible share, nan if missed or unknown.
    """

    widths_px: Floats
    shares: Floats
    found: Flags
    overlap: Floats
    share_error: Floats


@dataclass(slots=True, eq=False)
class Once:
    """A learned detector that keeps its last answer, so that a photo is looked at once."""

    detector: LearnedDetector
    threshold: float = 0.0
    limits: str = ""
    facts: tuple[str, ...] = ()
    last: Detections | None = None
    seconds: float = 0.0
    zooms: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.threshold = self.detector.threshold

    @property
    def name(self) -> str:
        """As that of the detector."""
        return self.detector.name

    @property
    def version(self) -> str:
        """As that of the detector."""
        return self.detector.version

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """Looks anew."""
        start = time.perf_counter()
        self.last = self.detector.detect_all(image, mm_per_px=mm_per_px)
        self.seconds = time.perf_counter() - start
        return self.last.take(self.last.scores >= self.threshold)

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """What the look before found."""
        assert self.last is not None
        return self.last


def main(argv: list[str] | None = None) -> None:
    """Look at photos and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=4, help="of tests/orchards: every n-th photo")
    parser.add_argument("--detector", default=DEFAULT_DETECTOR)
    parser.add_argument("--coco", type=Path)
    parser.add_argument("--images", type=Path)
    parser.add_argument("--split")
    given = parser.parse_args(argv)
    chosen = choose_detector(given.detector)
    if not isinstance(chosen, LearnedDetector):
        parser.error("only a learned detector knows at which scale it looks")
    once = Once(chosen)
    _say([f"{once.name}, version {once.version}, every {given.every}th rendered photo", ""])
    rendered = {}
    for name in STANDS_FOR:
        truths = read_truth(ORCHARDS / name / "truth_coco.json")[:: given.every]
        rendered[name] = [_looked_at(once, one, ORCHARDS / name) for one in truths]
    _say(_groups({f"{name}: {STANDS_FOR[name]}": some for name, some in rendered.items()}, once))
    pairs = [pair for some in rendered.values() for pair in some]
    _say(_by_width([fruits for _, fruits in pairs]))
    _say(_by_share([fruits for _, fruits in pairs]))
    if given.coco and given.images:
        groups: dict[str, list[tuple[PhotoResult, Fruits]]] = {}
        for truth in read_truth(given.coco, split=given.split):
            key = truth.name.split("_")[0]
            groups.setdefault(key, []).append(_looked_at(once, truth, given.images))
        _say(_groups(groups, once))
        _say(_by_width([fruits for some in groups.values() for _, fruits in some]))
    _say(_by_zoom(once))


def _looked_at(once: Once, truth: TruthPhoto, folder: Path) -> tuple[PhotoResult, Fruits]:
    image, photo = read_photo(photo_path(folder, truth.name))
    result = photo_result(once, truth, image, photo, Looking())
    result = replace(result, seconds=once.seconds)
    zoom = once.detector.working_zoom(image, mm_per_px=result.mm_per_px)
    sys.stderr.write(f"{truth.name}: {once.seconds:.1f} s, zoom {zoom:.2f}\n")
    return result, _fruits(once, result, zoom)


def _fruits(once: Once, result: PhotoResult, zoom: float) -> Fruits:
    truth, matches = result.truth, result.matches[USUAL]
    wanted = np.flatnonzero(~truth.ignored)
    known = np.isfinite(truth.outlines).all(axis=1)
    sides = (truth.boxes[:, 2:] - truth.boxes[:, :2]).max(axis=1)
    widths = np.where(known, truth.outlines[:, 2], sides)
    found = np.zeros(len(truth.boxes), dtype=np.bool_)
    overlap, error = (np.full(len(truth.boxes), np.nan) for _ in range(2))
    right = np.flatnonzero(result.sure & matches.right)
    fruit = matches.fruit[right]
    assert (fruit != NOTHING).all()
    found[fruit] = True
    outlined = known[fruit]
    right, fruit = right[outlined], fruit[outlined]
    if len(fruit) and once.last is not None:
        own = _same_rows(once.last, result.boxes[right])
        overlap[fruit] = ellipse_overlaps(own.outlines, truth.outlines[fruit])
        error[fruit] = own.visible_shares - truth.visible_shares[fruit]
    return Fruits(
        widths[wanted] * zoom,
        truth.visible_shares[wanted],
        found[wanted],
        overlap[wanted],
        error[wanted],
    )


def _same_rows(found: Detections, boxes: Floats) -> Detections:
    """Detections that have these boxes, counted at edges of pixels."""
    apart = np.abs(found.boxes[None] + 0.5 - boxes[:, None]).max(axis=2)
    return found.take(np.asarray(apart.argmin(axis=1), dtype=np.int64))


def _groups(groups: dict[str, list[tuple[PhotoResult, Fruits]]], once: Once) -> list[str]:
    lines = [
        "| class | photos, fruit | AP50 | F1 @ 0.5 | F1 @ 0.2 | precision | recall | "
        "count, abs / bias | outline IoU | share error | row right | balls as fruit |",
        "|" + "---|" * 12,
    ]
    for name, pairs in groups.items():
        lines.append(_row(name, figures_of([result for result, _ in pairs], once.threshold)))
    return [*lines, ""]


def _row(name: str, of: Figures) -> str:
    own, count, outlines = of.usual.own, of.count, of.outlines
    cells = [
        name,
        f"{of.photos}, {of.wanted:,}",
        _share(of.ap50),
        _share(own.f1),
        _share(of.there.own.f1),
        _share(own.precision),
        _share(own.recall),
        f"{_percent(count.mean_absolute_percent).lstrip('+')} / {_percent(count.bias_percent)}",
        _share(outlines and outlines.outline_overlap),
        _share(outlines and outlines.visible_share_error),
        _share(outlines and outlines.row_told_right),
        f"{_share(outlines.balls_called_fruit)} of {outlines.balls}"
        if outlines and outlines.balls
        else "–",
    ]
    return f"| {' | '.join(cells)} |"


def _classes(
    title: str, labels: Sequence[str], parts: Sequence[Fruits], extra: Sequence[Fruits] | None
) -> list[str]:
    head = [title, "fruit", "recall", "outline IoU", "share error, mean abs / bias"]
    if extra is not None:
        head.append(f"recall where {MOSTLY_SEEN:.0%} or more is seen")
    lines = [f"| {' | '.join(head)} |", "|" + "---|" * len(head)]
    for index, (label, of) in enumerate(zip(labels, parts, strict=True)):
        cells = [
            label,
            f"{len(of.found):,}",
            _share(_mean(of.found)),
            _share(_mean(of.overlap)),
            f"{_share(_mean(np.abs(of.share_error)))} / {_share(_mean(of.share_error), sign=True)}",
        ]
        if extra is not None:
            cells.append(f"{_share(_mean(extra[index].found))} of {len(extra[index].found):,}")
        lines.append(f"| {' | '.join(cells)} |")
    return [*lines, ""]


def _by_width(fruits: Sequence[Fruits]) -> list[str]:
    whole = _joined(fruits)
    parts = [
        _taken(whole, (whole.widths_px >= low) & (whole.widths_px < high))
        for low, high in WIDTHS_PX
    ]
    labels = [f"{low}–{high}" for low, high in WIDTHS_PX[:-1]] + ["100 and more"]
    seen = [_taken(one, one.shares >= MOSTLY_SEEN) for one in parts]
    return _classes("width, px for the network", labels, parts, seen)


def _by_share(fruits: Sequence[Fruits]) -> list[str]:
    whole = _joined(fruits)
    parts = [_taken(whole, (whole.shares >= low) & (whole.shares < high)) for low, high in SHARES]
    labels = [f"{low:.1f}–{min(high, 1.0):.1f}" for low, high in SHARES]
    return _classes("visible share", labels, parts, None)


def _by_zoom(once: Once) -> list[str]:
    """Photos of all kinds made smaller and larger, without scale: by width in the photo."""
    lines = [
        "| photo made larger by | widths in the photo, px, P10–P50–P90 | F1 @ 0.5 | recall | "
        "precision | widths for the network, median |",
        "|" + "---|" * 6,
    ]
    for zoom in ZOOMS:
        results, widths, seen = [], [], []
        for name in STANDS_FOR:
            folder = ORCHARDS / name
            for truth in read_truth(folder / "truth_coco.json")[:ZOOMED_PHOTOS]:
                result, fruits, factor = _zoomed(once, truth, folder, zoom)
                results.append(result)
                widths.append(fruits.widths_px / factor)
                seen.append(fruits.widths_px)
        own = figures_of(results, once.threshold).usual.own
        low, mid, high = np.percentile(np.concatenate(widths), (10, 50, 90))
        lines.append(
            f"| {zoom:g} | {low:.0f}–{mid:.0f}–{high:.0f} | {_share(own.f1)} | "
            f"{_share(own.recall)} | {_share(own.precision)} | "
            f"{np.median(np.concatenate(seen)):.0f} |"
        )
    return [*lines, ""]


def _zoomed(
    once: Once, truth: TruthPhoto, folder: Path, zoom: float
) -> tuple[PhotoResult, Fruits, float]:
    image, photo = read_photo(photo_path(folder, truth.name))
    how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_LINEAR
    image = np.asarray(cv2.resize(image, None, fx=zoom, fy=zoom, interpolation=how), np.uint8)
    outlines = truth.outlines.copy()
    outlines[:, :2] = (outlines[:, :2] + 0.5) * zoom - 0.5
    outlines[:, 2:4] *= zoom
    truth = replace(truth, boxes=truth.boxes * zoom, balls=truth.balls * zoom, outlines=outlines)
    result = photo_result(once, truth, image, photo, Looking(scale=False))
    factor = once.detector.working_zoom(image, mm_per_px=None)
    return result, _fruits(once, result, factor), factor


def _joined(fruits: Sequence[Fruits]) -> Fruits:
    def all_of(value: Callable[[Fruits], NDArray[np.generic]]) -> NDArray[np.generic]:
        return np.concatenate([value(one) for one in fruits])

    return Fruits(
        np.asarray(all_of(lambda one: one.widths_px), np.float64),
        np.asarray(all_of(lambda one: one.shares), np.float64),
        np.asarray(all_of(lambda one: one.found), np.bool_),
        np.asarray(all_of(lambda one: one.overlap), np.float64),
        np.asarray(all_of(lambda one: one.share_error), np.float64),
    )


def _taken(of: Fruits, keep: Flags) -> Fruits:
    return Fruits(
        of.widths_px[keep],
        of.shares[keep],
        of.found[keep],
        of.overlap[keep],
        of.share_error[keep],
    )


def _mean(values: NDArray[np.generic]) -> float | None:
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    return float(known.mean()) if len(known) else None


def _share(value: float | None, *, sign: bool = False) -> str:
    return "–" if value is None else f"{value:{'+' if sign else ''}.3f}"


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{value:+.1f} %"


def _say(lines: Sequence[str]) -> None:
    for line in lines:
        sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
