"""What simulated photos hold, counted from the truth in their folders."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import SimulationError
from fruitvision.simulate.picture.truth import HANGING
from fruitvision.simulate.picture.truth_files import MARKER_FILE, PHOTO_FILE
from fruitvision.whole_file import write_whole

Floats = NDArray[np.float64]

# A fruit counts as seen if so much of its outline is. Our choice: less is a sliver.
SEEN_SHARE = 0.2

# The numbers of a page stand between these.
PAGE_START, PAGE_END = "<!-- numbers -->", "<!-- end of numbers -->"

HEADER = (
    "| folder | photos | MB | fruit of the trees | of these seen | all seen, rows behind too "
    "| mm, P10–P50–P90 | share visible, median | width px, median | mm per px |"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlbumNumbers:
    """Numbers of one folder.

    `hanging` : fruit of the photographed trees, once a photo; `seen` : those of which
    `SEEN_SHARE` or more is visible; `all_seen` : with those of neighbours and rows behind.
    `diameters_mm` : P10, P50, P90 of `hanging`; `share` : their median visible share; `width_px` :
    median width of `seen`; `mm_per_px` : mean scale at the marker, NaN where none hangs.
    """

    name: str
    photos: int
    megabytes: float
    hanging: int
    seen: int
    all_seen: int
    diameters_mm: tuple[float, float, float]
    share: float
    width_px: float
    mm_per_px: float

    def line(self) -> str:
        """A row under `HEADER`."""
        sizes = "–".join(f"{value:.0f}" for value in self.diameters_mm)
        cells = (
            *(self.name, self.photos, f"{self.megabytes:.1f}"),
            *(f"{self.hanging:,}", f"{self.seen:,}", f"{self.all_seen:,}"),
            *(sizes, f"{self.share:.2f}", f"{self.width_px:.0f}", f"{self.mm_per_px:.2f}"),
        )
        return f"| {' | '.join(map(str, cells))} |"


def album_lines(folder: Path) -> list[str]:
    """A Markdown table of a simulated folder, or of all those in a folder, and their sum.

    Raises
    ------
    SimulationError
        If none is there.
    """
    folders = (
        [folder]
        if (folder / PHOTO_FILE).is_file()
        else sorted(path.parent for path in folder.glob(f"*/{PHOTO_FILE}"))
    )
    if not folders:
        raise SimulationError(
            f"{folder} holds no simulated photos.",
            fix="Make some: fruitvision simulate block --preset easy-wall --out DIR.",
        )
    found = [read_numbers(one) for one in folders]
    lines = [HEADER, f"|{'---|' * (HEADER.count('|') - 1)}", *(item.line() for item in found)]
    photos, megabytes = sum(item.photos for item in found), sum(item.megabytes for item in found)
    return [*lines, "", f"{photos} photos, {megabytes:.1f} MB."]


def fill_page(page: Path, lines: Sequence[str]) -> None:
    """Put lines between the two marks of a page.

    Raises
    ------
    SimulationError
        If the page lacks them.
    """
    text = page.read_text(encoding="utf-8") if page.is_file() else ""
    before, start, rest = text.partition(PAGE_START)
    _, end, after = rest.partition(PAGE_END)
    if not start or not end:
        raise SimulationError(
            f"{page} has no place for numbers.",
            fix=f"Write the lines {PAGE_START} and {PAGE_END} where they belong.",
        )
    content = "\n".join([before + start, *lines, end + after])
    write_whole(page, content.encode())


def read_numbers(folder: Path) -> AlbumNumbers:
    """Numbers of one simulated folder."""
    photos = _rows(folder / MARKER_FILE)
    fruit = [row for row in _rows(folder / PHOTO_FILE) if row["category"] == HANGING]
    own = [row for row in fruit if row["own_tree"] == "true"]
    seen = [row for row in own if float(row["visible_share"]) >= SEEN_SHARE]
    scales = [float(row["depth_mm"]) / float(row["focal_px"]) for row in photos if row["depth_mm"]]
    low, middle, high = _quantiles(_column(own, "diameter_mm"), (0.1, 0.5, 0.9))
    return AlbumNumbers(
        name=folder.name,
        photos=len(photos),
        megabytes=sum((folder / row["photo"]).stat().st_size for row in photos) / 1e6,
        hanging=len(own),
        seen=len(seen),
        all_seen=int((_column(fruit, "visible_share") >= SEEN_SHARE).sum()),
        diameters_mm=(low, middle, high),
        share=_quantiles(_column(own, "visible_share"), (0.5,))[0],
        width_px=_quantiles(_column(seen, "width_px"), (0.5,))[0],
        mm_per_px=float(np.mean(scales)) if scales else float("nan"),
    )


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def _column(rows: list[dict[str, str]], name: str) -> Floats:
    return np.array([float(row[name]) for row in rows])


def _quantiles(values: Floats, at: tuple[float, ...]) -> tuple[float, ...]:
    if not len(values):
        return (float("nan"),) * len(at)
    return tuple(float(value) for value in np.quantile(values, at))
