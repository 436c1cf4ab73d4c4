"""Figures of sizing as tables to read and as a document to keep."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace

from fruitvision.domain import DepthGrade
from fruitvision.evaluate.sizing import SizedFruit, SizedPhoto
from fruitvision.evaluate.sizing_figures import (
    BlockFigures,
    SizingFigures,
    block_figures,
    by_band,
    by_grade,
    figures_of,
    this_row,
)
from fruitvision.evaluate.twins import TwinFigures

NOTES = (
    "Of this row's fruit of which a fifth or more is seen, those that were found. Errors in mm: "
    "mean absolute, mean, root mean square; z is the error over its stated error: its mean should "
    "be 0, its sd 1.",
    "Block: mean of the sized fruit against the same fruit, and against all fruit of this row in "
    "the photos, hidden ones too. Classes of 5 mm, as sized, against the same fruit: largest gap "
    "of a share, total variation; freed: of the distribution behind them, freed of their stated "
    "errors.",
)
_HEADS = ("", "found", "sized", "share", "MAE", "bias", "RMSE", "z mean", "z sd", "stated")
_BLOCK_HEADS = (
    *("block", "photos", "seen", "found", "sized", "MAE", "bias", "against all", "z sd"),
    *("class gap", "TV", "freed gap", "freed TV"),
    *("of other rows", "no fruit", "s per photo"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Photos of faces measured from two places, by block, and how well twins were found."""

    blocks: Mapping[str, Sequence[SizedPhoto]] = field(default_factory=dict)
    twins: TwinFigures = field(default_factory=TwinFigures)
    seconds_per_pair: float = 0.0

    @property
    def photos(self) -> list[SizedPhoto]:
        """Those of all blocks."""
        return [photo for found in self.blocks.values() for photo in found]

    def block_figures(self) -> list[BlockFigures]:
        """Of the fruit that two places show, by block."""
        return [
            block_figures(name, [_seen_twice(photo) for photo in found])
            for name, found in self.blocks.items()
        ]


def _seen_twice(photo: SizedPhoto) -> SizedPhoto:
    both = tuple(one for one in photo.fruit if one.grade is DepthGrade.TWO_VIEWS)
    return replace(photo, fruit=both)


def _graded(
    blocks: Mapping[str, Sequence[SizedPhoto]], together: Together
) -> dict[DepthGrade, list[SizedFruit]]:
    """Finds by grade: of photos by themselves, and those that two places show."""
    alone = by_grade(this_row([photo for found in blocks.values() for photo in found]))
    seen_twice = by_grade(this_row(together.photos)).get(DepthGrade.TWO_VIEWS, [])
    return alone | ({DepthGrade.TWO_VIEWS: seen_twice} if seen_twice else {})


def report_lines(
    blocks: Mapping[str, Sequence[SizedPhoto]], together: Together | None = None
) -> list[str]:
    """Tables by grade and visible share, and by block."""
    together = together or Together()
    lines: list[str] = []
    for grade, fruit in _graded(blocks, together).items():
        rows = [figures_of("all", fruit), *by_band(fruit, lambda one: one.true_share)]
        stated = by_band(fruit, lambda one: one.stated_share)
        lines += [f"{grade}, by true visible share"]
        lines += _aligned([_HEADS, *(_cells(one) for one in rows)])
        lines += ["", f"{grade}, by the visible share that the detector states"]
        lines += [*_aligned([_HEADS, *(_cells(one) for one in stated)]), ""]
    figures = [block_figures(name, found) for name, found in blocks.items()]
    lines += _aligned([_BLOCK_HEADS, *(_block_cells(one) for one in figures)])
    seen_twice = [one for one in together.block_figures() if one.figures.sized]
    if seen_twice:
        lines += ["", "two views, by block"]
        lines += _aligned([_BLOCK_HEADS, *(_block_cells(one) for one in seen_twice)])
    return [*lines, *_twin_lines(together), "", *NOTES]


def _twin_lines(together: Together) -> list[str]:
    twins = together.twins
    if not twins.pairs:
        return []
    return [
        "",
        f"Pairs of photos from two places: {twins.joined} of {twins.pairs} measured together, "
        f"{together.seconds_per_pair:.2f} s each. Of {twins.found_twice:,} fruit found in both "
        f"{_percent(twins.matched_share)} matched (of {twins.seen_twice:,} seen in both "
        f"{_percent(twins.matched_of_seen)}); {twins.wrong} of {twins.matched:,} matches wrong.",
    ]


def document(
    blocks: Mapping[str, Sequence[SizedPhoto]],
    about: Mapping[str, object],
    together: Together | None = None,
) -> str:
    """All figures, and every find with its truth, as JSON text."""
    together = together or Together()
    content = {
        "about": dict(about),
        "notes": list(NOTES),
        "grades": {
            grade.value: {
                "all": asdict(figures_of("all", fruit)),
                "by_true_share": [asdict(one) for one in by_band(fruit, lambda f: f.true_share)],
                "by_stated_share": [
                    asdict(one) for one in by_band(fruit, lambda f: f.stated_share)
                ],
            }
            for grade, fruit in _graded(blocks, together).items()
        },
        "pairs": {**asdict(together.twins), "seconds_per_pair": together.seconds_per_pair},
        "blocks": [asdict(block_figures(name, found)) for name, found in blocks.items()],
        "blocks_two_views": [asdict(one) for one in together.block_figures()],
        "photos": {
            name: [
                {"name": photo.name, "fruit": [asdict(one) for one in photo.fruit]}
                for photo in found
            ]
            for name, found in blocks.items()
        },
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _cells(one: SizingFigures) -> tuple[str, ...]:
    return (
        one.name,
        f"{one.matched:,}",
        f"{one.sized:,}",
        _percent(one.sized_share),
        _number(one.mae_mm),
        _signed(one.bias_mm),
        _number(one.rmse_mm),
        _signed(one.z_mean),
        _number(one.z_sd),
        _number(one.stated_mm),
    )


def _block_cells(one: BlockFigures) -> tuple[str, ...]:
    return (
        one.name,
        f"{one.photos}",
        f"{one.seen:,}",
        f"{one.found:,}",
        f"{one.figures.sized:,}",
        _number(one.figures.mae_mm),
        _signed(one.bias_mm),
        _signed(one.against_all_mm),
        _number(one.figures.z_sd),
        _percent(one.classes.largest_gap if one.classes else None),
        _number(one.classes.total_variation if one.classes else None),
        _percent(one.freed_classes.largest_gap if one.freed_classes else None),
        _number(one.freed_classes.total_variation if one.freed_classes else None),
        f"{one.other_rows}",
        f"{one.no_fruit}",
        f"{one.seconds_per_photo:.1f}",
    )


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[index]) for row in rows) for index in range(len(rows[0]))]
    return [
        "  ".join(
            [row[0].ljust(widths[0])]
            + [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
        ).rstrip()
        for row in rows
    ]


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{value * 100:.0f} %"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _signed(value: float | None) -> str:
    return "–" if value is None else f"{value:+.2f}"
