"""Fruit read from a network's cells, with numbers worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.fruit.cells import (
    BOX,
    CHANNELS,
    OUTLINE,
    ROW_BEHIND,
    SAME_CENTRE,
    SAME_WIDTH,
    THIS_ROW,
    VISIBLE_SHARE,
    Cells,
    Peaks,
    decode,
    distinct,
    drop_duplicates,
    joined,
    overlaps,
)


def no_cells(height: int = 8, width: int = 8) -> Cells:
    cells = np.zeros((CHANNELS, height, width), dtype=np.float32)
    cells[[THIS_ROW, ROW_BEHIND]] = -9.0
    return cells


def one_fruit() -> Cells:
    cells = no_cells()
    cells[THIS_ROW, 2, 3] = 2.0
    return cells


def test_a_box_is_the_exponential_of_its_distances_from_the_cells_centre():
    cells = one_fruit()
    # In cells of 4 px: 2 to the left, 1 up, 4 to the right, 0.5 down.
    cells[BOX, 2, 3] = np.log([2.0, 1.0, 4.0, 0.5])
    # The centre of row 2, column 3 is (4 * 3 + 1.5, 4 * 2 + 1.5) = (13.5, 9.5).
    found = decode(cells, least_score=0.5)
    assert found.boxes[0] == pytest.approx([5.5, 5.5, 29.5, 11.5], abs=1e-5)
    assert found.cells.tolist() == [[2, 3]]


def test_an_outline_is_read_from_its_logarithmic_matrix():
    cells = one_fruit()
    # Half axes of 6 and 1.5 cells: the mean of their logarithms is log 3, half their difference
    # log 2. The long axis points 30 degrees down from +x: (c, d) = log 2 (cos 60°, sin 60°).
    turn = np.radians(60.0)
    cells[OUTLINE, 2, 3] = (
        *(0.5, -0.25, np.log(3.0)),
        *(np.log(2.0) * np.cos(turn), np.log(2.0) * np.sin(turn)),
    )
    outline = decode(cells, least_score=0.5).outlines[0]
    # Centre 0.5 cells right of 13.5 and 0.25 up from 9.5; full axes 2 * 4 * 6 and 2 * 4 * 1.5.
    assert outline == pytest.approx([15.5, 8.5, 48.0, 12.0, 30.0], abs=1e-4)


def test_scores_and_shares_are_logistic_and_rows_are_kept_apart():
    cells = one_fruit()
    cells[VISIBLE_SHARE, 2, 3] = np.log(3.0)
    cells[ROW_BEHIND, 6, 6] = np.log(4.0)
    found = decode(cells, least_score=0.5)
    # logistic(2) = 0.8808, logistic(log 4) = 4/5, logistic(log 3) = 3/4.
    assert found.scores == pytest.approx([0.8808, 0.0001], abs=1e-4)
    assert found.behind_scores == pytest.approx([0.0001, 0.8], abs=1e-4)
    assert found.visible_shares[0] == pytest.approx(0.75)


def test_of_neighbouring_cells_the_highest_is_the_peak_and_two_apart_are_two():
    cells = one_fruit()
    cells[THIS_ROW, 2, 4] = 1.5
    cells[ROW_BEHIND, 3, 3] = 1.9
    cells[THIS_ROW, 2, 5] = 1.6
    assert decode(cells, least_score=0.5).cells.tolist() == [[2, 3], [2, 5]]


def test_peaks_below_the_least_score_are_dropped():
    # logistic(2) = 0.8808.
    assert len(decode(one_fruit(), least_score=0.88)) == 1
    assert len(decode(one_fruit(), least_score=0.89)) == 0


def test_wild_values_stay_finite():
    cells = one_fruit()
    cells[2:, 2, 3] = 1e4
    found = decode(cells, least_score=0.5)
    assert np.isfinite(found.boxes).all()
    assert (found.outlines[:, 2:4] > 0).all()


def test_overlap_of_two_boxes():
    # 4 x 4 and 4 x 4, 2 x 4 in common: 8 / (16 + 16 - 8).
    box = np.array([0.0, 0.0, 4.0, 4.0])
    others = np.array([[2.0, 0.0, 6.0, 4.0], [4.0, 0.0, 8.0, 4.0], [0.0, 0.0, 4.0, 4.0]])
    assert overlaps(box, others) == pytest.approx([1 / 3, 0.0, 1.0])


def test_a_worse_box_that_overlaps_too_much_is_dropped():
    # Moved by 2 of 10 px: 80 / 120 = 0.667. By 4: 60 / 140 = 0.43.
    boxes = np.array([[0.0, 0, 10, 10], [2, 0, 12, 10], [6, 0, 16, 10]])
    kept = drop_duplicates(boxes, np.array([0.8, 0.9, 0.7]), most_overlap=0.5)
    assert kept.tolist() == [1, 2]


def peaks(*fruit: tuple[float, float, float, float], boxes: list[list[float]]) -> Peaks:
    """Fruit of x, y, width, score, with their visible boxes."""
    rows = np.array(fruit)
    n = len(rows)
    outlines = np.column_stack([rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 2], np.zeros(n)])
    return Peaks(
        boxes=np.array(boxes, dtype=float),
        outlines=outlines,
        visible_shares=np.ones(n),
        scores=rows[:, 3],
        behind_scores=np.zeros(n),
        cells=np.column_stack([rows[:, 1] // 4, rows[:, 0] // 4]).astype(np.int64),
    )


def test_two_parts_of_a_fruit_behind_a_twig_are_one_fruit():
    # Both parts say that the whole fruit is 40 px wide, with centres 5 px apart.
    found = peaks(
        (100.0, 50.0, 40.0, 0.9),
        (105.0, 50.0, 42.0, 0.8),
        boxes=[[80.0, 30, 97, 70], [103, 30, 120, 70]],
    )
    assert distinct(found, most_overlap=0.5).tolist() == [0]


def test_touching_and_half_hidden_fruit_stay_apart():
    # Centres 20 px apart, half a width; boxes do not meet.
    found = peaks(
        (100.0, 50.0, 40.0, 0.8),
        (120.0, 50.0, 40.0, 0.9),
        boxes=[[80.0, 30, 100, 70], [100, 30, 140, 70]],
    )
    assert distinct(found, most_overlap=0.5).tolist() == [1, 0]


def test_a_fruit_just_behind_another_stays() -> None:
    # Centres 10 px apart, a quarter of the width, as where one hides most of the other.
    found = peaks(
        (100.0, 50.0, 40.0, 0.9),
        (110.0, 50.0, 40.0, 0.8),
        boxes=[[80.0, 30, 120, 70], [118, 30, 130, 70]],
    )
    assert distinct(found, most_overlap=0.5).tolist() == [0, 1]


def one_by_one(found: Peaks, most_overlap: float) -> list[int]:
    """`distinct` as it reads: each peak against all better ones that stay."""
    kept: list[int] = []
    for index in np.argsort(-np.maximum(found.scores, found.behind_scores), kind="stable"):
        x, y, width = found.outlines[index, :3]
        for other in kept:
            there_x, there_y, there_width = found.outlines[other, :3]
            near = np.hypot(there_x - x, there_y - y) < SAME_CENTRE * min(width, there_width)
            alike = abs(np.log(there_width / width)) < np.log(SAME_WIDTH)
            box = overlaps(found.boxes[other], found.boxes[[index]])[0]
            if (near and alike) or box > most_overlap:
                break
        else:
            kept.append(int(index))
    return kept


@pytest.mark.parametrize("seed", range(6))
def test_crowded_peaks_are_told_apart_as_if_compared_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 150
    centres, widths = rng.uniform(0, 300, (n, 2)), rng.uniform(10, 60, n)
    # Boxes of parts, so that some outlines reach far beyond them; scores of few steps have ties.
    corners = np.sort(
        centres[:, None] + rng.uniform(-0.5, 0.5, (n, 2, 2)) * widths[:, None, None], 1
    )
    boxes = corners.reshape(n, 4) + np.array([0, 0, 1, 1])
    fruit = [
        (*centre, width, score)
        for centre, width, score in zip(centres, widths, rng.integers(1, 20, n) / 20, strict=True)
    ]
    found = peaks(*fruit, boxes=boxes.tolist())
    kept = distinct(found, most_overlap=0.4).tolist()
    assert kept == one_by_one(found, 0.4)
    assert 60 < len(kept) < n
    # Without outlines: the same by boxes alone.
    order = np.maximum(found.scores, found.behind_scores)
    alone = drop_duplicates(found.boxes, order, most_overlap=0.2)
    apart = replace(found, outlines=found.outlines * [1, 1, 1e-9, 1e-9, 1])
    assert alone.tolist() == one_by_one(apart, 0.2)


def test_no_peaks_at_all_are_none() -> None:
    none = peaks((0.0, 0.0, 1.0, 0.5), boxes=[[0.0, 0, 1, 1]]).take(np.zeros(0, np.int64))
    assert distinct(none, most_overlap=0.5).tolist() == []


def test_a_small_fruit_before_a_large_one_stays():
    found = peaks(
        (100.0, 50.0, 60.0, 0.9),
        (102.0, 50.0, 30.0, 0.8),
        boxes=[[70.0, 20, 130, 80], [87, 35, 117, 65]],
    )
    # The small box covers 900 of 3600 px: overlap 0.25.
    assert distinct(found, most_overlap=0.5).tolist() == [0, 1]


def test_parts_are_joined_best_first_and_even_ones_from_top_to_bottom():
    low = peaks((10.0, 80.0, 20.0, 0.5), (10.0, 40.0, 20.0, 0.9), boxes=[[0.0, 0, 1, 1]] * 2)
    high = peaks((10.0, 20.0, 20.0, 0.5), boxes=[[0.0, 0, 1, 1]])
    assert joined([low, high]).outlines[:, 1].tolist() == [40.0, 20.0, 80.0]
