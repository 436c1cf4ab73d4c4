"""What comes in from the orchard and the office: photos, hand work, tables."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import cv2
import pytest
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import Selectbox, TextInput

from app.charts import picture_to_draw_in
from app.forms.references import drawn_sides
from fruitvision.pipeline.additions import (
    NamedFile,
    match_files,
    walk_rows,
)
from fruitvision.share import shared_folder
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from fruitvision.walk_data import WalkPhoto
from tests import records
from tests.app.pages import (
    FEW_PIXELS,
    PAGES,
    block_page,
    page,
    photo_of,
    press,
    text,
    upload,
)

pytestmark = pytest.mark.usefixtures("season_over")


@pytest.fixture(scope="module")
def row_photo() -> bytes:
    """A marker and a few apples: part of a sample photo, without a date.

    By the samples' truth seven fruit of this row lie in it with a tenth or more seen, four of them
    to a third or more; two are cut in half by its edge, and of three others it has a sliver.
    """
    photo = cv2.imread(str(shared_folder("samples") / "photos" / "gala_r1_t12_A.jpg"))
    assert photo is not None
    return bytes(cv2.imencode(".png", photo[1000:1400, 150:900])[1])


def test_a_tree_is_measured_and_a_bad_file_does_not_stop_it(folder: Path, row_photo: bytes) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block()])
    app = page("photos")
    counts = {item.label: item for item in app.number_input}
    counts["Row"].set_value(2)
    counts["Tree in the row"].set_value(17)
    counts["Trees in each photo, from this one on"].set_value(3)
    counts["Vigour or trunk, if you note it"].set_value(2.5)
    next(item for item in app.date_input if "no date" in item.label).set_value(records.WALK)
    upload(app, "Photo of face A", ("../row 2.png", row_photo))
    upload(app, "Photo of face B", ("note.jpg", b"Bring the ladder."))
    press(app, "Measure this tree")
    assert not app.exception
    found = int(app.table[0].value["Fruit"].tolist()[0])
    assert 4 <= found <= 9
    assert "**note.jpg**" in app.warning[0].value
    with open_farm(folder) as store:
        (photo,) = store.tree_photos()
        assert [item.fruit_count for item in store.measured_photos()] == [found]
        assert (photo.tree.row, photo.tree.position, photo.face) == (2, 17, "A")
        assert (photo.trees, photo.vigour) == (3, 2.5)
        assert store.photo_path(photo.photo_id).read_bytes() == row_photo


def test_a_walk_is_measured_by_its_list(folder: Path, row_photo: bytes) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block()])
    app = page("photos")
    lines = "photo,block,row,position,face\nphotos/x.png,Gala North,1,4,b\n"
    upload(app, "Walk list", ("walk.csv", lines.encode()))
    upload(app, "Photos of the walk", ("x.png", row_photo), ("y.png", row_photo))
    press(app, "Measure this walk")
    assert not app.exception
    assert any("**y.png**" in item.value and "does not name" in item.value for item in app.warning)
    # The picture carries no date, and no day of the walk was given.
    assert any("carries no date" in item.value for item in app.warning)


def test_hand_counts_and_calipers_come_in_by_file_and_by_form(filled: Path) -> None:
    app = page("papers")
    table = (
        b"block,row,position,measured_on,diameter_mm\n"
        b"Gala North,1,1,2026-08-12,71.5\nGala North,1,1,2026-08-12,700\n"
    )
    upload(app, "Table", ("calipers.csv", table))
    assert "700" in app.warning[0].value
    press(app, "Take this 1 row in")
    assert "calipers.csv: 1 row is in." in app.success[0].value
    app = page("photos")
    counts = {item.label: item for item in app.number_input}
    counts["Place in the row"].set_value(9)
    counts["Fruit on the tree"].set_value(61)
    press(app, "Save hand count")
    with open_farm(filled) as store:
        assert [reading.diameter_mm for reading in store.caliper_readings()] == [71.5]
        assert store.hand_counts()[-1].fruit_count == 61


def test_a_count_far_from_its_photos_is_told_where_it_is_typed_and_on_its_block(
    filled: Path,
) -> None:
    app = page("photos")
    counts = {item.label: item for item in app.number_input}
    counts["Place in the row"].set_value(7)
    counts["Fruit on the tree"].set_value(61)
    next(item for item in app.date_input if item.label == "Counted on").set_value(
        records.WALK - timedelta(days=40)
    )
    press(app, "Save hand count")
    (warning,) = (item.value for item in app.warning)
    assert "enters no number yet" in warning
    assert "12 Aug 2026, 40 days away" in warning
    shown = text(block_page())
    assert "1 hand count of this block is kept and enters no number" in shown
    assert "row 1, tree 7, 61 fruit counted on 3 Jul 2026 (two faces)" in shown


def test_a_count_of_a_day_to_come_is_refused_where_it_is_typed(filled: Path) -> None:
    app = page("photos")
    counts = {item.label: item for item in app.number_input}
    counts["Place in the row"].set_value(7)
    counts["Fruit on the tree"].set_value(61)
    with open_farm(filled) as store:
        before = store.hand_counts()
    tomorrow = date.today() + timedelta(days=1)  # noqa: DTZ011 - the app's own day is this computer's
    next(item for item in app.date_input if item.label == "Counted on").set_value(tomorrow)
    press(app, "Save hand count")
    assert any("is a day to come" in one.value for one in app.error)
    with open_farm(filled) as store:
        assert store.hand_counts() == before


def test_a_count_of_a_tree_without_photos_is_told_also_in_a_table(filled: Path) -> None:
    app = page("papers")
    table = b"block,row,position,fruit_count,counted_on\nGala North,1,55,61,2026-08-12\n"
    upload(app, "Table", ("hand_counts.csv", table))
    press(app, "Take this 1 row in")
    assert "1 hand count of the farm enters no number yet" in app.warning[0].value
    assert "this tree has no photo" in text(block_page())


def test_a_used_count_is_told_nowhere(filled: Path) -> None:
    assert "no number" not in text(block_page())
    app = page("photos")
    counts = {item.label: item for item in app.number_input}
    counts["Place in the row"].set_value(7)
    counts["Fruit on the tree"].set_value(40)
    next(item for item in app.date_input if item.label == "Counted on").set_value(records.WALK)
    press(app, "Save hand count")
    assert len(app.success) == 1
    assert not app.warning


def test_a_kept_count_is_taken_out_with_who_did_it(filled: Path) -> None:
    app = page("photos")
    (box,) = (item for item in app.selectbox if item.label == "Hand count to take out")
    box.set_value(box.options[0]).run()
    press(app, "Take this count out")
    assert "Taken out: row 1, tree 1, 21 fruit" in app.success[0].value
    with open_farm(filled) as store:
        assert [one.tree.position for one in store.hand_counts()] == [2, 3, 4, 5]
        (change,) = store.changes()
    assert change.after is None


@pytest.mark.parametrize(
    ("label", "value", "words"),
    [
        ("Row", 0, "A number is too small: row 0."),
        ("Tree in the row", -2, "A number is too small: place in the row -2."),
        ("Trees in each photo, from this one on", 40, "trees is 40."),
        ("Vigour or trunk, if you note it", 0.0, "vigour is 0."),
    ],
)
def test_a_number_out_of_reason_is_refused_in_words_and_kept_in_its_box(
    filled: Path, row_photo: bytes, label: str, value: float, words: str
) -> None:
    app = page("photos")
    (box,) = (item for item in app.number_input if item.label == label)
    box.set_value(value)
    upload(app, "Photo of face A", ("row.png", row_photo))
    press(app, "Measure this tree")
    assert not app.exception
    assert words in errors(app)
    assert next(item.value for item in app.number_input if item.label == label) == value
    with open_farm(filled) as store:
        assert all(photo.tree.row == 1 for photo in store.tree_photos())
        assert store.jobs() == ()


def test_no_number_box_has_a_limit_that_only_it_knows(filled: Path) -> None:
    for name in PAGES:
        boxes = [item.proto for item in page(name).number_input]
        boxes += [item.proto for item in block_page().number_input] if name == "blocks" else []
        assert [box.label for box in boxes if box.has_min or box.has_max] == []


def errors(app: AppTest) -> str:
    return "\n".join(item.value for item in app.error)


def test_a_ball_that_a_person_points_at_is_kept_and_its_photo_measured_again(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    again: list[dict[str, str] | None] = []

    def measure(store: FarmStore, names: dict[str, str] | None = None) -> None:
        again.append(names)

    monkeypatch.setattr("app.session.plain_photo", lambda photo_id: (FEW_PIXELS, (1500, 2000)))
    monkeypatch.setattr("app.forms.references.measure_again", measure)
    app = page("photos")
    assert not any(item.label == "Measure with it" for item in app.button)
    next(item for item in app.toggle if "Point at" in item.label).set_value(True).run()
    size = "Its diameter or side, mm"

    def type_in(label: str, value: str) -> None:
        next(item for item in app.text_input if item.label == label).set_value(value)

    type_in(size, "60")
    press(app, "Measure with it")
    assert "0 px wide" in errors(app)
    for label, value in (("Left", 864), ("Top", 1404), ("Right", 924), ("Bottom", 1464)):
        next(item for item in app.number_input if item.label == label).set_value(value)
    type_in(size, "2.4")
    press(app, "Measure with it")
    assert "2.4 mm" in errors(app)
    assert again == []
    type_in(size, "60,5")
    press(app, "Measure with it")
    photo = photo_of(1, "A").photo
    with open_farm(filled) as store:
        (kept,) = store.pointed_references(photo.photo_id)
    assert (kept.size_mm, kept.box_px) == (60.5, (864.0, 1404.0, 924.0, 1464.0))
    assert again == [{photo.photo_id: photo.name}]
    app.run()
    assert "Ball of 60.5 mm, x 864 to 924, y 1404 to 1464 px" in text(app)
    press(app, "Take it out")
    with open_farm(filled) as store:
        assert store.pointed_references(photo.photo_id) == ()


def test_a_box_drawn_in_a_picture_is_in_px_of_the_whole_photo() -> None:
    drawn = {"x": [924.4, 863.6], "y": [1404.2, 1464.0]}
    assert drawn_sides(drawn) == (864, 1404, 924, 1464)
    assert drawn_sides({"x": [-5.0, 30.0], "y": [2.0, 40.0]}) == (0, 2, 30, 40)
    assert drawn_sides({}) == (0, 0, 0, 0)
    chart = picture_to_draw_in(FEW_PIXELS, (1500, 2000), "box").to_dict()
    encodings = [layer["encoding"] for layer in chart["layer"]]
    assert all(one["x"]["scale"]["domain"] == [0, 1500] for one in encodings)
    assert all(one["y"]["scale"]["domain"] == [2000, 0] for one in encodings)


def test_a_caliper_is_typed_before_the_photos_millimetres_are_shown(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.session.numbered", lambda measured: FEW_PIXELS)
    app = page("photos")
    blind = next(item for item in app.toggle if "blind" in item.label)
    blind.set_value(True).run()
    assert not app.exception
    # Nothing on the page shows what the photos read.
    assert "Fruit counted" not in text(app)
    assert "61" not in text(app)
    typed = next(item for item in app.text_input if item.label == "Caliper, mm")
    typed.set_value("2.4")
    press(app, "Save caliper reading")
    assert "2.4 looks like inches (61.0 mm)" in app.error[0].value
    typed = next(item for item in app.text_input if item.label == "Caliper, mm")
    typed.set_value("58,5")
    press(app, "Save caliper reading")
    assert "caliper 58.5 mm, photo 60.0 mm" in text(app)
    with open_farm(filled) as store:
        (one,) = store.calipered_fruit()
    assert one.diameter_mm == 58.5


def test_a_refused_caliper_reading_stays_typed_and_so_does_its_fruit(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.session.numbered", lambda measured: FEW_PIXELS)
    app = page("photos")
    next(item for item in app.toggle if "blind" in item.label).set_value(True).run()

    def form() -> tuple[Selectbox[Any], TextInput]:
        fruit = next(item for item in app.selectbox if item.label == "Number of the fruit")
        return fruit, next(item for item in app.text_input if item.label == "Caliper, mm")

    fruit, typed = form()
    first = fruit.value.fruit_id
    third = fruit.options[2]
    fruit.select_index(2)
    typed.set_value("2.4")
    press(app, "Save caliper reading")
    assert "2.4 looks like inches" in app.error[0].value
    fruit, typed = form()
    assert (fruit.value.fruit_id, typed.value) == (third, "2.4")
    typed.set_value("58,5")
    press(app, "Save caliper reading")
    assert f"Fruit {third}" in app.success[0].value
    with open_farm(filled) as store:
        (one,) = store.calipered_fruit()
    assert one.x_px == 200.0
    # Once it is kept the form is empty, and no reading can be kept twice by a second press.
    fruit, typed = form()
    assert (fruit.value.fruit_id, typed.value) == (first, "")
    app.run()
    assert not app.success


def test_a_table_of_calipered_fruit_comes_in_by_upload(filled: Path) -> None:
    app = page("photos")
    name = photo_of(1, "A").photo.name
    rows = f"photo,fruit_id,diameter_mm\n{name},f001,59\n{name},f099,60\n".encode()
    upload(app, "caliper_pairs.csv", ("caliper_pairs.csv", rows))
    press(app, "Load caliper_pairs.csv")
    assert "pairs.csv: 1 row is in." in app.success[0].value
    assert "has no fruit f099" in app.warning[0].value


def test_culls_and_grades_come_in_by_upload_and_part_the_pack_out(filled: Path) -> None:
    names = [one.name for one in load_size_table("box_counts_42lb").classes]
    culls = "\n".join(["size_class,cull_share", *(f"{name},0.3" for name in names), "100,2"])
    grades = "\n".join(
        ["size_class,grade,share"]
        + [f"{name},{grade}" for name in names for grade in ("fancy,0.6", "standard,0.4")]
    )
    app = page("papers")
    upload(app, "Table", ("culls.csv", culls.encode()))
    assert "It is a share: write 0 to 1." in text(app)
    press(app, f"Take these {len(names)} rows in")
    assert f"culls.csv: {len(names)} rows are in." in app.success[0].value
    upload(app, "Table", ("grades.csv", grades.encode()))
    press(app, f"Take these {2 * len(names)} rows in")
    app = page("forecast")
    size_table = next(box for box in app.selectbox if box.label == "Size table")
    size_table.set_value("box_counts_42lb").run()
    app = press(app, "Make forecast")
    assert not app.exception
    assert f"culls of {len(names)} classes by the farm's own pack-out" in text(app)
    graded = next(item.value for item in app.table if "Grade" in item.value)
    assert graded["Grade"].tolist() == ["Fancy", "Standard"]


def walk_line(name: str, position: int) -> WalkPhoto:
    return WalkPhoto(file_name=name, tree=records.tree_id(position), face="A")


def test_photos_find_their_line_of_the_walk_list_without_its_folders() -> None:
    walk = [walk_line("photos/a.jpg", 1), walk_line("photos/b.jpg", 2)]
    rows, refused = match_files(walk, [NamedFile(name="B.JPG", path=Path("/t/1"))])
    assert rows == {Path("/t/1"): walk[1]}
    assert [item.what for item in refused] == ["1 of its 2 photos did not come with it."]


def test_a_wrong_block_name_in_the_walk_list_is_said_once(folder: Path, tmp_path: Path) -> None:
    lines = [f"a{n}.jpg,Gala Nort,1,{n},A" for n in range(1, 6)]
    path = tmp_path / "walk.csv"
    path.write_text("\n".join(["photo,block,row,position,face", *lines, "b.jpg,Gala North,1,9,A"]))
    files = [NamedFile(name=f"a{n}.jpg", path=Path(f"/t/{n}")) for n in range(1, 6)]
    with open_farm(folder) as store:
        store.save_blocks([records.block()])
        rows, refused = walk_rows(path, [*files, NamedFile(name="b.jpg", path=Path("/t/b"))], store)
    assert list(rows) == [Path("/t/b")]
    (once,) = refused
    assert once.name == "walk.csv, line 2 and 4 more"
    assert "'Gala Nort' is not in the list of blocks." in once.what
    assert "Gala North" in once.fix


def test_photos_that_fit_no_line_or_two_lines_are_left_out_with_a_reason() -> None:
    walk = [walk_line("x/a.jpg", 1), walk_line("y/a.jpg", 2)]
    files = [
        NamedFile(name="a.jpg", path=Path("/t/1")),
        NamedFile(name="c.jpg", path=Path("/t/2")),
    ]
    rows, refused = match_files(walk, files)
    assert rows == {}
    assert [item.name for item in refused] == ["a.jpg", "c.jpg"]
    assert "2 times" in refused[0].what
    assert "does not name this photo" in refused[1].what


def test_a_hand_count_without_a_number_is_asked_for_and_not_kept(filled: Path) -> None:
    app = page("photos")
    with open_farm(filled) as store:
        before = store.hand_counts()
    press(app, "Save hand count")
    assert "Type the number of fruit on the tree." in errors(app)
    with open_farm(filled) as store:
        assert store.hand_counts() == before
