"""Edits of people applied to what was measured: which fruit they mean, and what comes of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import hypot

import pytest

from fruitvision.domain import (
    AddedFruit,
    CheckedPhoto,
    Correction,
    DepthGrade,
    Doubt,
    GroundLine,
    MeasuredPhoto,
    Outline,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.errors import FieldDataError
from fruitvision.fruit.measure import scatter_gain
from fruitvision.review import (
    HAND_ERROR_PX,
    PARTLY_SEEN,
    Reviewed,
    apply_edits,
    drawn_outline,
    drawn_sides,
)
from fruitvision.rows_behind import without_rows_behind
from fruitvision.settings import Settings
from tests import records

WHEN = datetime(2026, 8, 14, 9, 30, tzinfo=UTC)
SETTINGS = Settings()


def edit(
    number: int, correction: Correction, *, by: str = "Ana", undone: bool = False
) -> PhotoEdit:
    return PhotoEdit(
        number=number,
        photo_id="a",
        correction=correction,
        made_by=by,
        made_at=WHEN + timedelta(minutes=number),
        undone_by="Ben" if undone else None,
        undone_at=WHEN if undone else None,
    )


def circle(x: float, y: float, across: float = 60.0) -> Outline:
    return Outline(centre_x_px=x, centre_y_px=y, width_px=across, height_px=across, angle_deg=0.0)


def photo(count: int = 3) -> MeasuredPhoto:
    """Fruit at x = 100, 200, ... and y = 200, 50 by 46 px, in a photo of 1500 by 2000 px."""
    return records.measured("a", [records.fruit(n) for n in range(1, count + 1)])


def after(*corrections: Correction, of: MeasuredPhoto | None = None) -> Reviewed:
    edits = [edit(number, one) for number, one in enumerate(corrections, start=1)]
    return apply_edits(of or photo(), edits, SETTINGS)


def numbers(found: Reviewed, *, on_this_row: bool = True) -> list[str]:
    return [one.fruit_id for one in found.photo.fruit if one.on_this_row is on_this_row]


def test_without_edits_the_photo_is_the_same_one() -> None:
    kept = photo()
    assert apply_edits(kept, [], SETTINGS).photo is kept
    undone = edit(1, RemovedFruit(x_px=100, y_px=200), undone=True)
    assert apply_edits(kept, [undone], SETTINGS).photo is kept


def test_a_fruit_is_taken_out_by_a_place_in_it_and_the_others_stay_as_they_are() -> None:
    kept = photo()
    found = after(RemovedFruit(x_px=205, y_px=195), of=kept)
    assert numbers(found) == ["f001", "f003"]
    assert [one.fruit_id for one in found.removed] == ["f002"]
    assert found.photo.fruit == (kept.fruit[0], kept.fruit[2])
    assert found.photo.fruit_count == 2
    assert Doubt.PUT_RIGHT in found.photo.doubts


def test_an_edit_whose_fruit_is_gone_is_reported() -> None:
    # 25 px are one half axis: 20 px off the middle is farther than 0.7 of it.
    found = after(RemovedFruit(x_px=221, y_px=200), RowOfFruit(x_px=900, y_px=9, on_this_row=True))
    assert numbers(found) == ["f001", "f002", "f003"]
    assert [one.number for one in found.lost] == [1, 2]
    assert found.photo.doubts == ()


def test_an_edit_survives_a_new_measurement_with_other_numbers_and_outlines() -> None:
    first, second, third = photo().fruit
    moved = replace(second, fruit_id="f011", centre_x_px=208.0, width_px=56.0)
    again = replace(photo(), fruit=(third, moved, first))
    found = after(RemovedFruit(x_px=200, y_px=200), of=again)
    assert numbers(found) == ["f003", "f001"]


def test_an_added_fruit_that_is_whole_is_sized_by_the_scale_of_the_photo() -> None:
    outline = Outline(
        centre_x_px=600.0, centre_y_px=900.0, width_px=60.0, height_px=52.0, angle_deg=20.0
    )
    found = after(AddedFruit(outline=outline, visible_share=1.0))
    (new,) = found.photo.fruit[3:]
    assert new.fruit_id == "hand1"
    assert found.drawn == {"hand1"}
    assert new.on_this_row
    # 60 px times 1.4 mm, less what depths around one plane add: (140 / 2300)².
    gain = scatter_gain(SETTINGS.canopy_depth_sd_mm, 2300.0)
    assert new.diameter_mm == pytest.approx(60 * 1.4 / (1 + gain))
    # The outline's 3 px of 60, the scale's 0.01 of 1.4, the depth's 140 of 2300.
    share = hypot(HAND_ERROR_PX / 60, 0.01 / 1.4, 140 / 2300)
    assert new.diameter_error_mm == pytest.approx(60 * 1.4 * share)
    assert new.diameter_error_px == pytest.approx(HAND_ERROR_PX)
    assert Doubt.BY_HAND in new.doubts


def test_an_added_fruit_that_is_partly_hidden_is_counted_and_not_sized() -> None:
    found = after(AddedFruit(outline=circle(600, 900), visible_share=PARTLY_SEEN))
    new = found.photo.fruit[-1]
    assert found.photo.fruit_count == 4
    assert new.diameter_mm is None
    assert Doubt.PARTLY_HIDDEN in new.doubts


def test_a_drawn_outline_of_few_pixels_is_counted_and_not_sized() -> None:
    # 3 px of 40 are 7.5 %, more than an outline may err.
    found = after(AddedFruit(outline=circle(600, 900, across=40.0), visible_share=1.0))
    assert found.photo.fruit[-1].diameter_mm is None
    assert (
        after(AddedFruit(outline=circle(600, 900), visible_share=1.0)).photo.fruit[-1].diameter_mm
    )


def test_an_added_fruit_without_a_scale_or_over_the_edge_is_counted_only() -> None:
    bare = replace(photo(), scale=None)
    assert after(AddedFruit(outline=circle(600, 900), visible_share=1.0), of=bare).photo.fruit[
        -1
    ].doubts == (Doubt.NOT_SIZED, Doubt.BY_HAND)
    cut = after(AddedFruit(outline=circle(20, 900), visible_share=1.0)).photo.fruit[-1]
    assert (cut.diameter_mm, cut.doubts) == (None, (Doubt.CUT_BY_EDGE, Doubt.BY_HAND))


def test_a_fruit_that_is_added_and_found_later_counts_once() -> None:
    again = replace(photo(), fruit=(*photo().fruit, replace(records.fruit(6), centre_y_px=905.0)))
    found = after(AddedFruit(outline=circle(604, 900), visible_share=1.0), of=again)
    assert numbers(found) == ["f001", "f002", "f003", "f006"]
    assert found.photo.fruit[-1].outline == circle(604, 900)
    # Two people who add the same one: the later outline stands.
    twice = after(
        AddedFruit(outline=circle(604, 900), visible_share=1.0),
        AddedFruit(outline=circle(600, 903), visible_share=PARTLY_SEEN),
    )
    assert [one.outline for one in twice.photo.fruit[3:]] == [circle(600, 903)]
    # A neighbour in a cluster, a whole half axis away, is another fruit.
    beside = after(AddedFruit(outline=circle(225, 205, across=50), visible_share=1.0))
    assert beside.photo.fruit_count == 4


def test_an_added_fruit_can_be_taken_out_again() -> None:
    added = AddedFruit(outline=circle(600, 900), visible_share=1.0)
    assert after(added, RemovedFruit(x_px=600, y_px=900)).photo.fruit_count == 3


def test_a_new_outline_gives_a_new_size_and_keeps_the_number() -> None:
    found = after(
        ReshapedFruit(x_px=200, y_px=200, outline=circle(204, 198, 64), visible_share=1.0)
    )
    new = found.photo.fruit[1]
    gain = scatter_gain(SETTINGS.canopy_depth_sd_mm, 2300.0)
    assert new.fruit_id == "f002"
    assert new.diameter_mm == pytest.approx(64 * 1.4 / (1 + gain))
    assert (new.centre_x_px, new.centre_y_px, new.width_px) == (204.0, 198.0, 64.0)
    # Nothing was put in or out: the count stands unchanged, and no doubt about it.
    assert found.photo.doubts == ()


def test_a_fruit_placed_by_two_views_keeps_its_distance_when_its_outline_changes() -> None:
    first = replace(
        records.fruit(1, diameter_mm=75.0),
        diameter_error_mm=1.5,
        diameter_error_px=0.5,
        depth_grade=DepthGrade.TWO_VIEWS,
        distance_mm=2000.0,
    )
    of = records.measured("a", [first])
    correction = ReshapedFruit(x_px=100, y_px=200, outline=circle(100, 200, 60), visible_share=1.0)
    (new,) = after(correction, of=of).photo.fruit
    # 75 mm on 50 px are 1.5 mm per px: 90 mm on 60.
    assert new.diameter_mm == pytest.approx(90.0)
    # Known: 2 % in all, 1 % of it the outline's; now 3 px of 60.
    rest = (0.02**2 - 0.01**2) ** 0.5
    assert new.diameter_error_mm == pytest.approx(90.0 * hypot(rest, 3 / 60))
    assert (new.depth_grade, new.distance_mm) == (DepthGrade.TWO_VIEWS, 2000.0)


def test_an_outline_whose_fruit_is_found_no_more_stands_by_itself() -> None:
    bare = replace(photo(), fruit=())
    found = after(
        ReshapedFruit(x_px=200, y_px=200, outline=circle(204, 198), visible_share=1.0), of=bare
    )
    assert numbers(found) == ["hand1"]
    assert found.lost == ()


def test_a_fruit_is_put_off_this_row_and_on_it() -> None:
    behind = records.fruit(2, on_this_row=False, diameter_mm=None)
    of = records.measured("a", [records.fruit(1), replace(behind, diameter_error_px=2.0)])
    off = after(RowOfFruit(x_px=100, y_px=200, on_this_row=False), of=of)
    assert numbers(off) == []
    assert off.photo.fruit[0].diameter_mm is None
    assert Doubt.NOT_SIZED in off.photo.fruit[0].doubts
    on = after(RowOfFruit(x_px=200, y_px=200, on_this_row=True), of=of)
    assert numbers(on) == ["f001", "f002"]
    # It is sized with the error of the detector's own outline, 2 px of 50.
    share = hypot(2 / 50, 0.01 / 1.4, 140 / 2300)
    assert on.photo.fruit[1].diameter_error_mm == pytest.approx(50 * 1.4 * share)
    # What counts is the last word.
    both = after(
        RowOfFruit(x_px=100, y_px=200, on_this_row=False),
        RowOfFruit(x_px=100, y_px=200, on_this_row=True),
        of=of,
    )
    assert numbers(both) == ["f001"]


def test_the_later_of_two_edits_of_one_fruit_counts() -> None:
    out = RemovedFruit(x_px=200, y_px=200)
    shape = ReshapedFruit(x_px=200, y_px=200, outline=circle(230, 200), visible_share=1.0)
    assert after(out, shape).photo.fruit[1].outline == circle(230, 200)
    # It is meant by where it was as well as by where it is now.
    assert after(shape, out).photo.fruit_count == 2
    assert after(shape, RemovedFruit(x_px=230, y_px=200)).photo.fruit_count == 2
    assert after(out, shape).lost == after(shape, out).lost == ()


def test_the_order_is_that_of_the_numbers_and_undone_edits_do_not_count() -> None:
    on = edit(7, RowOfFruit(x_px=100, y_px=200, on_this_row=True))
    off = edit(3, RowOfFruit(x_px=100, y_px=200, on_this_row=False))
    assert apply_edits(photo(), [on, off], SETTINGS).photo.fruit_count == 3
    undone = replace(on, undone_by="Ben", undone_at=WHEN)
    assert apply_edits(photo(), [undone, off], SETTINGS).photo.fruit_count == 2


def test_fruit_below_the_ground_line_have_fallen() -> None:
    low = replace(records.fruit(4), centre_y_px=1700.0)
    high = replace(records.fruit(5), centre_y_px=1690.0)
    of = records.measured("a", [records.fruit(1), low, high])
    # From 1600 at x = 0 to 1899.8 at x = 1499: 0.2 px down for each px to the right.
    line = GroundLine(left_y_px=1600.0, right_y_px=1899.8)
    assert line.y_at(400, 1500) == pytest.approx(1680.0)
    found = after(line, of=of)
    assert numbers(found) == ["f001", "f005"]
    assert found.fallen == {"f004"}
    assert found.ground == line
    assert not found.removed
    # The last line counts.
    assert after(line, GroundLine(left_y_px=100.0, right_y_px=100.0), of=of).fallen == {
        "f001", "f004", "f005",
    }  # fmt: skip


def test_fruit_outside_the_sides_hang_on_neighbours() -> None:
    found = after(SideLimits(left_x_px=150, right_x_px=250))
    assert numbers(found) == ["f002"]
    assert found.beside == {"f001", "f003"}
    # One of a row behind stays one.
    behind = records.measured("a", [records.fruit(9, on_this_row=False, diameter_mm=None)])
    assert not after(SideLimits(left_x_px=150, right_x_px=250), of=behind).beside
    both = after(
        SideLimits(left_x_px=150, right_x_px=250),
        GroundLine(left_y_px=190.0, right_y_px=190.0),
    )
    assert numbers(both) == []
    assert both.fallen == {"f001", "f002", "f003"}
    assert not both.beside


def test_a_later_word_on_one_fruit_counts_more_than_a_line() -> None:
    sides = SideLimits(left_x_px=150, right_x_px=250)
    on = RowOfFruit(x_px=300, y_px=200, on_this_row=True)
    assert numbers(after(sides, on)) == ["f002", "f003"]
    assert numbers(after(on, sides)) == ["f002"]


def test_what_somebody_put_on_the_row_is_not_taken_for_a_row_behind() -> None:
    small = replace(records.fruit(9), width_px=24.0, height_px=22.0, diameter_px=24.0)
    walk = [
        records.measured(name, [records.fruit(n, photo_id=name) for n in range(1, 6)] + [small])
        for name in "abc"
    ]
    on = edit(1, RowOfFruit(x_px=900, y_px=200, on_this_row=True))
    put_right = [apply_edits(walk[0], [on], SETTINGS).photo, *walk[1:]]
    assert [one.fruit_count for one in without_rows_behind(put_right)] == [6, 5, 5]


def test_a_check_belongs_to_the_detector_that_was_looked_at() -> None:
    here = edit(1, CheckedPhoto(detector=records.MADE_WITH.detector))
    found = apply_edits(photo(), [here], SETTINGS)
    assert found.checked == here
    # Nothing was wrong: it is put right like those in which something was.
    assert (found.photo.fruit, found.photo.doubts) == (photo().fruit, (Doubt.PUT_RIGHT,))
    other = edit(2, CheckedPhoto(detector="learned 9"))
    assert apply_edits(photo(), [other], SETTINGS).checked is None
    assert apply_edits(photo(), [other], SETTINGS).photo == photo()


def test_a_drawn_outline_has_its_long_axis_first() -> None:
    of = photo().photo
    found = drawn_outline(of, 600, 900, 40, 60, 10)
    assert (found.width_px, found.height_px) == (60, 40)
    # 10° + 90° = 100°, the same line as -80°.
    assert found.angle_deg == pytest.approx(-80.0)
    assert drawn_outline(of, 600, 900, 60, 40, 190).angle_deg == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("place", "axes", "words"),
    [
        ((600, 900), (60, 1), "smaller than 4 px"),
        ((600, 900), (float("nan"), 9), "smaller than 4 px"),
        ((1500, 900), (60, 50), "outside the photo"),
        ((600, -1), (60, 50), "outside the photo"),
    ],
)
def test_an_impossible_outline_is_refused(
    place: tuple[float, float], axes: tuple[float, float], words: str
) -> None:
    with pytest.raises(FieldDataError, match=words):
        drawn_outline(photo().photo, *place, *axes, 0.0)


def test_sides_may_be_drawn_in_either_order_but_not_on_one_another() -> None:
    assert drawn_sides(900, 200) == SideLimits(left_x_px=200, right_x_px=900)
    with pytest.raises(FieldDataError, match="nothing between"):
        drawn_sides(200, 201)


def test_a_place_is_measured_in_half_axes_along_a_turned_outline() -> None:
    # Long axis 40 px, pointing down; short axis 20 px.
    tall = Outline(centre_x_px=0, centre_y_px=0, width_px=40, height_px=20, angle_deg=90)
    assert tall.reach(0, 20) == pytest.approx(1.0)
    assert tall.reach(5, 0) == pytest.approx(0.5)
    assert tall.half_box_px == pytest.approx((10.0, 20.0))
