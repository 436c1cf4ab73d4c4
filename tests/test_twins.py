"""Twins of two photos against the truth: right, wrong, missed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.domain import DepthGrade, MeasuredPhoto
from fruitvision.evaluate.sizing import SizedPhoto, SizingTruth, sized_photo
from fruitvision.evaluate.sizing_report import Together, report_lines
from fruitvision.evaluate.twins import TwinFigures, twin_figures
from tests.records import fruit, measured


def _truth(photo: MeasuredPhoto, names: tuple[str, ...], shares: tuple[float, ...]) -> SizingTruth:
    """Every find is a fruit of that name, just where it was found."""
    outlines = [
        (one.centre_x_px, one.centre_y_px, one.width_px, one.height_px, one.angle_deg)
        for one in photo.fruit
    ]
    return SizingTruth(
        fruit_ids=names,
        outlines=np.array(outlines),
        diameters_mm=np.full(len(names), 69.0),
        visible_shares=np.array(shares),
        depths_mm=np.full(len(names), 2200.0),
        on_this_row=np.ones(len(names), dtype=np.bool_),
    )


@pytest.fixture
def pair() -> tuple[tuple[MeasuredPhoto, ...], tuple[SizedPhoto, ...], tuple[SizingTruth, ...]]:
    """Four fruit in the first photo; in the second one right twin, one wrong, one missed."""
    first = measured("a", [fruit(number) for number in range(1, 5)])
    found = [
        replace(
            fruit(number, photo_id="b"), same_as=twin and ("a", twin), depth_grade=DepthGrade(grade)
        )
        for number, twin, grade in (
            (1, "f001", "two views"),
            (2, "f003", "two views"),
            (3, None, "one plane"),
        )
    ]
    second = measured("b", found)
    truths = (
        _truth(first, ("p", "q", "r", "s"), (0.9, 0.9, 0.9, 0.1)),
        _truth(second, ("p", "q", "r"), (0.9, 0.15, 0.9)),
    )
    sized = tuple(
        sized_photo(name, photo, truth)
        for name, photo, truth in zip("ab", (first, second), truths, strict=True)
    )
    return (first, second), sized, truths


def test_twins_are_counted_right_wrong_and_missed(
    pair: tuple[tuple[MeasuredPhoto, ...], tuple[SizedPhoto, ...], tuple[SizingTruth, ...]],
) -> None:
    figures = twin_figures(*pair)
    assert figures == TwinFigures(
        pairs=1, joined=1, matched=2, wrong=1, found_twice=3, seen_twice=2
    )
    assert figures.matched_share == pytest.approx(1 / 3)
    assert figures.matched_of_seen == pytest.approx(1 / 2)
    assert figures.wrong_share == pytest.approx(1 / 2)
    both = figures + figures
    assert (both.pairs, both.matched, both.wrong) == (2, 4, 2)
    assert TwinFigures().matched_share is None
    assert TwinFigures().wrong_share is None


def test_the_report_shows_two_views_and_how_well_twins_were_found(
    pair: tuple[tuple[MeasuredPhoto, ...], tuple[SizedPhoto, ...], tuple[SizingTruth, ...]],
) -> None:
    _, sized, _ = pair
    together = Together(blocks={"wall": sized}, twins=twin_figures(*pair), seconds_per_pair=0.25)
    lines = report_lines({"block": sized}, together)
    assert any(line.startswith("two views, by true visible share") for line in lines)
    at = lines.index("two views, by block")
    assert [line.split()[0] for line in lines[at + 1 : at + 3]] == ["block", "wall"]
    (said,) = (line for line in lines if line.startswith("Pairs of photos"))
    assert "1 of 1 measured together, 0.25 s each" in said
    assert "Of 3 fruit found in both 33 % matched (of 2 seen in both 50 %)" in said
    assert "1 of 2 matches wrong" in said
    assert not any(line.startswith("Pairs of photos") for line in report_lines({"block": sized}))
