"""Fruit calipered in photos: the table that people type, which fruit it is, into the farm."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fruitvision.caliper_pairs import (
    CaliperPairRow,
    fruit_at,
    match_pairs,
    place_in_photos,
    read_caliper_pairs,
)
from fruitvision.cli import main
from fruitvision.domain import CaliperedFruit, Doubt, MadeWith, MeasuredPhoto
from fruitvision.errors import FieldDataError
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline import estimate_blocks
from fruitvision.pipeline.calipers import add_caliper_pairs, walk_checks
from fruitvision.pipeline.photos import made_with
from fruitvision.report import block_lines
from fruitvision.report.calipers import caliper_check_lines
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests import records

SETTINGS = Settings()


def _table(folder: Path, text: str) -> Path:
    path = folder / "caliper_pairs.csv"
    path.write_text(text, encoding="utf-8")
    return path


def _photo(photo_id: str = "a", *, mm: float = 70.0, fruit: int = 12) -> MeasuredPhoto:
    """Fruit at (100, 200), (200, 200), ..., 50 by 46 px; the last one is not sized."""
    sized = [records.fruit(i, photo_id=photo_id, diameter_mm=mm + i) for i in range(1, fruit)]
    hidden = replace(
        records.fruit(fruit, photo_id=photo_id, diameter_mm=None),
        doubts=(Doubt.NOT_SIZED, Doubt.PARTLY_HIDDEN),
    )
    return records.measured(photo_id, [*sized, hidden])


# ---------------------------------------------------------------- the table


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ("photo,x_px,y_px,diameter_mm\na.jpg,100,200,71.2\n", ("a.jpg", (100, 200), "", 71.2)),
        ("Photo;X px;Y px;Diameter mm\na.jpg;100;200;71,2\n", ("a.jpg", (100, 200), "", 71.2)),
        ("file,fruit,caliper_mm\na.jpg,f003,70\n", ("a.jpg", None, "f003", 70.0)),
        ("picture\tnumber\tdiameter_in\na.jpg\t3\t2.79\n", ("a.jpg", None, "3", 70.866)),
        ("photo,x,y,diameter (mm)\na.jpg,1,2,\"70,8\"\n", ("a.jpg", (1, 2), "", 70.8)),
    ],
    ids=["plain", "semicolon and comma", "numbers", "inches", "units in brackets"],
)  # fmt: skip
def test_headers_and_numbers_as_people_type_them(
    tmp_path: Path, text: str, row: tuple[str, tuple[float, float] | None, str, float]
) -> None:
    table = read_caliper_pairs(_table(tmp_path, text))
    assert table.refused == ()
    photo, place, fruit, mm = row
    wanted = CaliperPairRow(photo=photo, place_px=place, fruit_id=fruit, diameter_mm=mm)
    assert replace(table.rows[0], diameter_mm=mm) == wanted
    assert table.rows[0].diameter_mm == pytest.approx(mm, abs=0.001)


def test_scenario_33_inches_among_millimetres_are_proposed_and_nothing_is_changed(
    tmp_path: Path,
) -> None:
    text = 'photo,fruit_id,diameter_mm\na.jpg,1,71.2\na.jpg,2,"70,8"\na.jpg,3,2.79\na.jpg,4,700\n'
    table = read_caliper_pairs(_table(tmp_path, text))
    assert [row.diameter_mm for row in table.rows] == [71.2, 70.8]
    inches, far = map(str, table.refused)
    assert "line 4: 2.79 looks like inches (70.9 mm). Move it to a column diameter_in" in inches
    assert "line 5: diameter_mm is 700. Fruit are 10 to 150 mm" in far


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (",1,2,70", "photo is empty"),
        ("a.jpg,1,,70", "does not say which fruit"),
        ("a.jpg,,,70", "does not say which fruit"),
        ("a.jpg,1,2,", "diameter_mm is empty"),
        ("a.jpg,one,2,70", "x_px"),
    ],
)
def test_a_row_without_photo_fruit_or_diameter_is_refused(
    tmp_path: Path, row: str, words: str
) -> None:
    table = read_caliper_pairs(_table(tmp_path, f"photo,x_px,y_px,diameter_mm\n{row}\n"))
    assert table.rows == ()
    assert words in str(table.refused[0])


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("x_px,y_px,diameter_mm", "no column of the photo"),
        ("photo,diameter_mm", "no column of the fruit's place or number"),
        ("photo,fruit_id", "no column of the diameter"),
    ],
)
def test_a_table_without_a_needed_column_is_refused(
    tmp_path: Path, header: str, words: str
) -> None:
    with pytest.raises(FieldDataError, match=words) as caught:
        read_caliper_pairs(_table(tmp_path, f"{header}\n1,2,3\n"))
    assert "photo, x_px, y_px, diameter_mm" in caught.value.fix


def test_two_diameters_of_one_fruit_are_both_refused(tmp_path: Path) -> None:
    text = "photo,fruit_id,diameter_mm\na.jpg,1,70\na.jpg,1,75\nA.jpg,2,70\n"
    table = read_caliper_pairs(_table(tmp_path, text))
    assert [row.fruit_id for row in table.rows] == ["2"]
    assert len(table.refused) == 2


# ---------------------------------------------------------------- which fruit


def test_a_fruit_is_found_by_place_or_number_and_unknown_ones_are_refused(tmp_path: Path) -> None:
    text = (
        "photo,x_px,y_px,fruit_id,diameter_mm\nwalk/A.JPG,210,205,,70\na.jpg,,,f003,71\n"
        "a.jpg,,,4,72\na.jpg,,,f099,73\nb.jpg,1,1,,74\na.jpg,1500,3000,,75\n"
    )
    fruit, kept = place_in_photos(read_caliper_pairs(_table(tmp_path, text)), {"a.jpg": _photo()})
    assert [(one.x_px, one.diameter_mm) for one in fruit] == [(210, 70), (300, 71), (400, 72)]
    number, photo, outside = map(str, kept.refused)
    assert "a.jpg has no fruit f099. Its numbers are f001 to f012." in number
    assert "no measured photo 'b.jpg'. Did you mean 'a.jpg'?" in photo
    assert "lies outside a.jpg. The upright photo is 1500 by 2000 px." in outside


def test_a_place_means_the_fruit_whose_outline_holds_it() -> None:
    photo = _photo()
    found = fruit_at(photo, 222.0, 202.0)
    assert found is not None
    assert found.fruit_id == "f002"
    assert fruit_at(photo, 250.0, 200.0) is None
    behind = replace(photo, fruit=tuple(replace(one, on_this_row=False) for one in photo.fruit))
    assert fruit_at(behind, 200.0, 200.0) is None


def test_pairs_are_matched_and_what_has_no_size_is_said() -> None:
    at = [(100, 68.0), (200, 69.0), (201, 69.0), (300, 70.0), (303, 60.0), (650, 70), (1200, 70)]
    calipered = [CaliperedFruit(photo_id="a", x_px=x, y_px=200, diameter_mm=mm) for x, mm in at]
    stranger = CaliperedFruit(photo_id="z", x_px=1, y_px=1, diameter_mm=70)
    pairs, unmatched = match_pairs([*calipered, stranger], {"a": _photo()})
    assert [(one.fruit_id, one.photo_mm, one.caliper_mm) for one in pairs] == [
        ("f001", 71.0, 68.0),
        ("f002", 72.0, 69.0),
    ]
    empty, hidden, twice = unmatched
    assert "No fruit of this row was found there." in empty.what
    assert "Too little of the fruit is seen" in hidden.what
    assert twice.what == "It was calipered as 60.0 mm and 70.0 mm."


def test_of_a_photo_without_marker_the_marker_is_said() -> None:
    blind = replace(
        _photo(),
        scale=None,
        doubts=(Doubt.NO_MARKER,),
        fruit=(replace(records.fruit(1, diameter_mm=None), doubts=(Doubt.NOT_SIZED,)),),
    )
    one = CaliperedFruit(photo_id="a", x_px=100, y_px=200, diameter_mm=70)
    pairs, (unmatched,) = match_pairs([one], {"a": blind})
    assert pairs == ()
    assert "No marker found" in unmatched.what


# ---------------------------------------------------------------- in the farm


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    """Ten trees of one photo each with 24 sized fruit, which read 4 mm large."""
    origin: MadeWith = made_with(choose_detector("classical"), SETTINGS)
    with open_farm(tmp_path / "farm") as store:
        store.save_blocks([records.block()])
        for position in range(1, 11):
            photo = replace(
                _photo(f"p{position}", mm=62 + position / 5, fruit=25), made_with=origin
            )
            store.save_measured_photo(photo)
            store.save_tree_photos([records.tree_photo(position, "A", photo.photo.photo_id)])
        yield store


def _pairs_csv(folder: Path) -> Path:
    rows = [
        f"p{position}.jpg,f{number:03d},{62 + position / 5 + number - 4:.1f}"
        for position in range(1, 11)
        for number in (3, 9, 15, 21)
    ]
    return _table(folder, "photo,fruit_id,diameter_mm\n" + "\n".join(rows) + "\nq.jpg,f001,70\n")


def test_calipered_fruit_move_the_block_and_are_said(farm: FarmStore, tmp_path: Path) -> None:
    (before,), _ = estimate_blocks(farm, SETTINGS, detector_name="classical")
    added = add_caliper_pairs(_pairs_csv(tmp_path), farm, SETTINGS, detector_name="classical")
    assert (added.rows, len(added.refused)) == (40, 1)
    (after,), _ = estimate_blocks(farm, SETTINGS, detector_name="classical")
    assert before.estimate.sizes is not None
    assert after.estimate.sizes is not None
    assert after.estimate.sizes.mean_mm == pytest.approx(before.estimate.sizes.mean_mm - 4, abs=0.3)
    assert Doubt.NO_CALIPERS in before.estimate.doubts
    assert Doubt.NO_CALIPERS not in after.estimate.doubts
    said = "\n".join(block_lines(after))
    assert "photos and calipers     by 40 fruit photos read 4.0 large (± 0." in said
    assert "photos and calipers" not in "\n".join(block_lines(before))
    (one,) = walk_checks(farm, SETTINGS, detector_name="classical")
    assert one.check.pairs == 40
    lines = caliper_check_lines([one])
    assert lines[0] == "Gala North, walk of 2026-08-12"
    assert "40 calipered fruit in 10 photos. Photos read 4." in lines[1]
    assert "mm large at" in lines[1]


def test_the_farm_keeps_replaces_and_forgets_calipered_fruit(farm: FarmStore) -> None:
    one = CaliperedFruit(photo_id="p1", x_px=100.2, y_px=200.4, diameter_mm=70)
    farm.save_calipered_fruit([one])
    farm.save_calipered_fruit([replace(one, diameter_mm=71)])
    kept = CaliperedFruit(photo_id="p1", x_px=100, y_px=200, diameter_mm=71)
    assert farm.calipered_fruit() == (kept,)
    assert farm.calipered_fruit(records.BLOCK_ID) == (kept,)
    assert farm.calipered_fruit("another") == ()
    farm.forget_calipered_fruit(kept)
    farm.forget_calipered_fruit(kept)
    assert farm.calipered_fruit() == ()


def test_the_command_adds_a_table_checks_and_draws(
    farm: FarmStore, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, plot = _pairs_csv(tmp_path), tmp_path / "dots.svg"
    command = ["calipers", "check", str(path), "--detector", "classical", "--plot", str(plot)]
    assert main(command) == 2
    assert "--farm FOLDER" in capsys.readouterr().err
    assert main([*command, "--farm", str(farm.folder)]) == 1
    out = capsys.readouterr().out
    assert "40 calipered fruit kept." in out
    assert "Left out: caliper_pairs.csv, line 42: The farm has no measured photo 'q.jpg'" in out
    assert plot.read_text().count("<circle") == 40
    assert main(["calipers", "check", str(farm.folder), "--detector", "classical"]) == 0
    assert main(["calipers", "check", str(tmp_path / "nowhere")]) == 2
