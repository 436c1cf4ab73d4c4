"""The table of references that a person pointed at: rows understood, rows refused in words."""

from pathlib import Path

import pytest

from fruitvision.domain import PointedReference, ReferenceKind
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable
from fruitvision.reference_table import (
    ReferenceRow,
    in_known_photos,
    pointed_reference,
    read_references,
)

HEADER = "photo,kind,size_mm,size_in,x0,y0,x1,y1\n"


def table_of(tmp_path: Path, *lines: str) -> FieldTable[ReferenceRow]:
    path = tmp_path / "references.csv"
    path.write_text(HEADER + "\n".join(lines) + "\n", encoding="utf-8")
    return read_references(path)


def test_balls_and_squares_are_read(tmp_path: Path) -> None:
    table = table_of(tmp_path, "a.jpg,Ball,60,,10,20,70,81", "sub\\b.jpg,square,150,,5,5,90,92")
    assert table.refused == ()
    assert [row.photo for row in table.rows] == ["a.jpg", "sub/b.jpg"]
    assert table.rows[0].reference == PointedReference(
        kind=ReferenceKind.BALL, size_mm=60.0, box_px=(10.0, 20.0, 70.0, 81.0)
    )


def test_inches_in_their_own_column_and_corners_in_any_order(tmp_path: Path) -> None:
    (row,) = table_of(tmp_path, "a.jpg,ball,,2.5,70,81,10,20").rows
    assert row.reference.size_mm == pytest.approx(63.5)
    assert row.reference.box_px == (10.0, 20.0, 70.0, 81.0)


@pytest.mark.parametrize(
    ("line", "what", "fix"),
    [
        ("a.jpg,ball,2.4,,10,20,70,80", "looks like inches", "size_in"),
        ("a.jpg,ball,0,,10,20,70,80", "size_mm is 0", "Measure"),
        ("a.jpg,ball,-60,,10,20,70,80", "size_mm is -60", "Measure"),
        ("a.jpg,ball,6000,,10,20,70,80", "20 to 250 mm", "Measure"),
        ("a.jpg,ball,60,2.4,10,20,70,80", "Both size_mm", "Keep one"),
        ("a.jpg,ball,,,10,20,70,80", "size_mm is empty", "Fill"),
        ("a.jpg,cube,60,,10,20,70,80", "kind is 'cube'", "square"),
        ("a.jpg,ball,60,,10,20,12,80", "2 px wide and 60 px high", "close around"),
        ("a.jpg,ball,60,,10,20,x,80", "x1 is 'x'", "digits"),
        (",ball,60,,10,20,70,80", "photo is empty", "Fill"),
    ],
)
def test_what_makes_no_sense_is_refused(tmp_path: Path, line: str, what: str, fix: str) -> None:
    table = table_of(tmp_path, line, "a.jpg,ball,60,,10,20,70,80")
    assert len(table.rows) == 1
    (refused,) = table.refused
    assert what in refused.what
    assert fix in refused.fix


def test_a_photo_that_is_not_there_is_named(tmp_path: Path) -> None:
    table = table_of(tmp_path, "a.jpg,ball,60,,10,20,70,80", "b.jpg,ball,60,,10,20,70,80")
    table = in_known_photos(table, {"a.jpg"})
    assert [row.photo for row in table.rows] == ["a.jpg"]
    assert "no photo b.jpg" in table.refused[0].what


def test_a_table_without_sizes_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "references.csv"
    path.write_text("photo,kind,x0,y0,x1,y1\n", encoding="utf-8")
    with pytest.raises(FieldDataError, match="size_mm and size_in"):
        read_references(path)


def test_a_box_that_begins_outside_the_photo_is_refused() -> None:
    with pytest.raises(FieldDataError, match="begins at -3 px"):
        pointed_reference(ReferenceKind.BALL, 70.0, (-3, 20, 57, 80))
