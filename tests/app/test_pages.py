"""The app: every page opens, one story is walked, errors are shown with their fix."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import pytest
from streamlit.testing.v1 import AppTest

from app.charts import picture_to_draw_in
from app.files import safe_name, saved
from app.forms.references import drawn_sides
from fruitvision.domain import Doubt, SizeDistribution
from fruitvision.errors import FieldDataError
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline.additions import (
    NamedFile,
    add_blocks,
    farm_settings,
    match_files,
)
from fruitvision.pipeline.entries import save_block, set_ruler
from fruitvision.pipeline.lines import class_limits_mm, placed_photos, tenths_mm, tree_lines
from fruitvision.settings import Settings
from fruitvision.share import shared_folder
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from fruitvision.unit_system import UnitSystem
from fruitvision.walk_data import WalkPhoto
from tests import records
from tests.app.pages import (
    FEW_PIXELS,
    MAIN,
    PAGES,
    TREES,
    page,
    photo_of,
    press,
    radio,
    text,
    upload,
)  # fmt: skip


@pytest.mark.parametrize("name", PAGES)
def test_every_page_opens_on_an_empty_farm(folder: Path, name: str) -> None:
    assert not page(name).exception


@pytest.mark.parametrize("name", PAGES)
def test_every_page_opens_on_a_farm_with_a_walk(filled: Path, name: str) -> None:
    assert not page(name).exception


@pytest.mark.usefixtures("folder")
def test_a_link_straight_to_a_page_opens_it_inside_the_app() -> None:
    # Streamlit runs the files of a folder `pages` beside the main script on their own, past the
    # main script, until that one ran once: without look, links and the check of the farm.
    assert not (MAIN.parent / "pages").exists()


def test_a_block_that_is_typed_in_is_shown(folder: Path) -> None:
    app = page("setup")
    fields = {item.label: item for item in app.text_input}
    fields["Name of the block"].set_value("Mill")
    fields["Variety"].set_value("Braeburn")
    counts = {item.label: item for item in app.number_input}
    counts["Tree positions"].set_value(800)
    counts["Missing trees"].set_value(30)
    press(app, "Save block")
    shown = app.table[0].value
    assert shown["Block"].tolist() == ["Mill"]
    assert shown["Bearing trees"].tolist() == ["770"]
    with open_farm(folder) as store:
        assert [block.variety for block in store.blocks()] == ["Braeburn"]


def test_a_block_without_bearing_trees_is_refused_with_its_fix(folder: Path) -> None:
    app = page("setup")
    fields = {item.label: item for item in app.text_input}
    fields["Name of the block"].set_value("Mill")
    fields["Variety"].set_value("Braeburn")
    counts = {item.label: item for item in app.number_input}
    counts["Tree positions"].set_value(30)
    counts["Missing trees"].set_value(30)
    press(app, "Save block")
    assert "leave no bearing tree" in app.error[0].value
    assert "Correct positions, missing or pollinizers." in app.error[0].value


def test_the_block_page_shows_fruit_per_tree_and_the_factor(filled: Path) -> None:
    # Each photographed tree shows 2 (6 + n) fruit; hand counts are 3 (6 + n): the factor is 1.5,
    # and (6 + n) is 11.5 in the mean of n = 1 … 10: 1.5 · 2 · 11.5 = 34.5 fruit per tree.
    shown = text(page("blocks"))
    assert ">1.50<" in shown
    assert ">34<" in shown or ">35<" in shown
    assert Doubt.NO_CALIPERS.words in shown


def test_the_block_page_follows_what_another_program_writes(filled: Path) -> None:
    app = page("blocks")
    assert ">1.50<" in text(app)
    with open_farm(filled) as store:
        store.save_hand_counts([records.hand_count(n, 4 * (6 + n)) for n in range(1, 6)])
    app.run()
    assert ">2.00<" in text(app)


def test_the_block_page_lists_trees_with_their_hand_counts(filled: Path) -> None:
    trees = next(item.value for item in page("blocks").table if "Seen" in item.value)
    # One standard error of a count is 8.5 %, as the card of the detector says.
    error = choose_detector().count_error
    assert trees["Seen"].tolist() == [
        f"{2 * (6 + n)} ± {error * 2 * (6 + n):.0f}" for n in range(1, TREES + 1)
    ]
    assert trees["Hand count"].tolist()[4:6] == ["33", "–"]


def test_units_are_a_visitors_choice_kept_between_pages_and_in_the_address(filled: Path) -> None:
    app = press(page("forecast"), "Make forecast")
    assert re.search(r"\d mm</div>", text(app))
    app = radio(app, "Units").set_value(UnitSystem.US).run()
    assert not app.exception
    assert not re.search(r"\d mm\b", text(app))
    assert ">Short tons</div>" in text(app)
    assert re.search(r"2\.\d\d–\d\.\d\d in</div>", text(app))
    assert app.query_params["units"] in ("us", ["us"])
    app = app.switch_page("screens/blocks.py").run()
    assert "in³ a day" in text(app)
    assert not re.search(r"\d mm\b", text(app))
    # Another visitor with the same address sees the same, one without it the farm's units.
    fresh = AppTest.from_file(str(MAIN), default_timeout=30)
    fresh.query_params["units"] = "us"
    assert radio(fresh.run(), "Units").value == "us"
    assert radio(page("setup"), "Units").value == "metric"
    odd = AppTest.from_file(str(MAIN), default_timeout=30)
    odd.query_params["units"] = "cubits"
    assert radio(odd.run(), "Units").value == "metric"


def test_a_farm_has_usual_units_and_lengths_are_typed_in_them(folder: Path) -> None:
    app = page("setup")
    radio(app, "Usual units").set_value(UnitSystem.US)
    app = press(app, "Save units")
    assert not app.exception
    assert radio(app, "Units").value == "us"
    for label, value in (("Name of the block", "Hill"), ("Variety", "Gala")):
        next(item for item in app.text_input if item.label == label).input(value)
    for label, value in (("rows, ft", 11.4829), ("trees, ft", 3.28084), ("block, ac", 4.94211)):
        (box,) = (item for item in app.number_input if label in item.label)
        box.set_value(value)
    press(app, "Save block")
    with open_farm(folder) as store:
        (block,) = store.blocks()
        assert farm_settings(store).units == "us"
    assert (block.row_spacing_m, block.tree_spacing_m, block.area_ha) == pytest.approx(
        (3.5, 1.0, 2.0), abs=1e-4
    )


def test_the_ruler_is_read_in_inches_and_kept_in_millimetres(folder: Path) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block()])
    app = page("help")
    app = radio(app, "Units").set_value(UnitSystem.US).run()
    assert "does not read 5.906 in" in text(app)
    assert "about 7.5 ft from the tree" in text(app)
    app = app.switch_page("screens/photos.py").run()
    (box,) = (item for item in app.number_input if "150 mm ruler, in" in item.label)
    assert box.value == pytest.approx(150 / 25.4)
    box.set_value(5.80)
    press(app, "Save length")
    with open_farm(folder) as store:
        assert farm_settings(store).ruler_measured_mm == pytest.approx(147.32)


def test_the_next_walk_is_planned_from_the_block_page(filled: Path) -> None:
    app = page("blocks")
    assert not app.download_button
    rows = next(item for item in app.text_input if item.label == "Positions of each row")
    rows.set_value("500, 500").run()
    assert not app.exception
    assert [item.label for item in app.download_button] == ["Walk list, A4", "Walk list, Letter"]
    stops = next(item.value for item in app.table if "Stop" in item.value)
    assert len(stops) == 12
    assert sum("count by hand" in note for note in stops["Note"]) == 5


def test_a_register_comes_in_by_upload_and_parts_the_block(filled: Path) -> None:
    lines = ["block,row,position,kind,stratum,variety"]
    for place in range(1, 1001):
        kind = "pollinizer" if place > 990 else "bearing"
        stratum = "low" if place % 2 else ""
        lines.append(f"Gala North,1,{place},{kind},{stratum},{'Fuji' if place > 990 else ''}")
    app = page("photos")
    upload(app, "register", ("register.csv", "\n".join(lines).encode()))
    press(app, "Load register")
    assert "register.csv: 1,000 register places in." in app.success[0].value
    app = page("blocks")
    assert "10 trees of Fuji, not in these numbers" in text(app)
    parts = next(item.value for item in app.table if "Part" in item.value)
    assert parts["Part"].tolist() == ["rest of the block", "low"]
    assert parts["Photographed"].tolist() == ["5", "5"]


def test_culls_and_grades_come_in_by_upload_and_part_the_pack_out(filled: Path) -> None:
    names = [one.name for one in load_size_table("box_counts_42lb").classes]
    culls = "\n".join(["size_class,cull_share", *(f"{name},0.3" for name in names), "100,2"])
    grades = "\n".join(
        ["size_class,grade,share"]
        + [f"{name},{grade}" for name in names for grade in ("fancy,0.6", "standard,0.4")]
    )
    app = page("photos")
    upload(app, "culls", ("culls.csv", culls.encode()))
    press(app, "Load culls")
    assert f"culls.csv: {len(names)} classes with culls in." in app.success[0].value
    assert "It is a share: write 0 to 1." in text(app)
    upload(app, "grades", ("grades.csv", grades.encode()))
    press(app, "Load grades")
    app = page("forecast")
    size_table = next(box for box in app.selectbox if box.label == "Size table")
    size_table.set_value("box_counts_42lb").run()
    app = press(app, "Make forecast")
    assert not app.exception
    assert f"culls of {len(names)} classes by the farm's own pack-out" in text(app)
    graded = next(item.value for item in app.table if "Grade" in item.value)
    assert graded["Grade"].tolist() == ["Fancy", "Standard"]


def test_panels_are_called_so_with_their_trees(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_tree_photos(replace(photo, trees=4) for photo in store.tree_photos())
    app = page("blocks")
    assert not app.exception
    trees = next(item.value for item in app.table if "Seen" in item.value)
    assert trees["Tree"].tolist()[:2] == ["1, panel of 4", "2, panel of 4"]
    assert trees["Hand count"].tolist() == ["–"] * TREES
    assert "Hand counts belong to another way of taking photos" in text(app)


def test_a_farm_that_is_no_farm_is_said_plainly(folder: Path) -> None:
    folder.mkdir()
    (folder / "fruitvision.sqlite").write_text("Dear diary, today we picked Gala.\n" * 40)
    app = page("setup")
    assert not app.exception
    assert "choose another folder" in app.error[0].value


def test_photos_whose_file_is_gone_are_said_and_the_numbers_stay(filled: Path) -> None:
    app = page("photos")
    assert not app.exception
    assert "again" in app.error[0].value
    assert "Fruit seen" in text(app)


@pytest.fixture(scope="module")
def row_photo() -> bytes:
    """A marker and a few apples: part of a sample photo, without a date.

    Four fruit are seen to a third or more, as many are hidden more than that or cut by the edge.
    """
    photo = cv2.imread(str(shared_folder("samples") / "photos" / "gala_r1_t12_A.jpg"))
    assert photo is not None
    return bytes(cv2.imencode(".png", photo[1000:1400, 150:900])[1])


def test_a_damaged_detector_is_said_on_the_page(
    filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    models = tmp_path / "models"
    shutil.copytree(shared_folder("models"), models)
    weights = models / "learned" / "1" / "model.onnx"
    content = bytearray(weights.read_bytes())
    content[len(content) // 2] ^= 1
    weights.write_bytes(content)
    monkeypatch.setattr("fruitvision.fruit.learned.shared_folder", lambda name: tmp_path / name)
    app = page("blocks")
    assert not app.exception
    (said,) = app.error
    assert "was altered or damaged" in said.value
    assert "Install the program again" in said.value


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
    assert 4 <= found <= 8
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
    upload(app, "walk.csv", ("walk.csv", lines.encode()))
    upload(app, "Photos of the walk", ("x.png", row_photo), ("y.png", row_photo))
    press(app, "Measure this walk")
    assert not app.exception
    assert any("**y.png**" in item.value and "does not name" in item.value for item in app.warning)
    # The picture carries no date, and no day of the walk was given.
    assert any("carries no date" in item.value for item in app.warning)


def test_hand_counts_and_calipers_come_in_by_file_and_by_form(filled: Path) -> None:
    app = page("photos")
    upload(
        app,
        "calipers.csv",
        (
            "calipers.csv",
            b"block,row,position,measured_on,diameter_mm\n"
            b"Gala North,1,1,2026-08-12,71.5\nGala North,1,1,2026-08-12,700\n",
        ),
    )
    press(app, "Load calipers.csv")
    assert "calipers.csv: 1 row is in." in app.success[0].value
    assert "700" in app.warning[0].value
    counts = {item.label: item for item in app.number_input}
    counts["Place in the row"].set_value(9)
    counts["Fruit on the tree"].set_value(61)
    press(app, "Save hand count")
    with open_farm(filled) as store:
        assert [reading.diameter_mm for reading in store.caliper_readings()] == [71.5]
        assert store.hand_counts()[-1].fruit_count == 61


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
    assert "0 px wide" in app.error[0].value
    for label, value in (("Left", 864), ("Top", 1404), ("Right", 924), ("Bottom", 1464)):
        next(item for item in app.number_input if item.label == label).set_value(value)
    type_in(size, "2.4")
    press(app, "Measure with it")
    assert "2.4 mm" in app.error[0].value
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
    assert "What was seen" not in text(app)
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
    words = text(page("blocks"))
    assert "Photos against calipers" in words
    assert "1 calipered fruit in 1 photo." in words


def test_a_table_of_calipered_fruit_comes_in_by_upload(filled: Path) -> None:
    app = page("photos")
    name = photo_of(1, "A").photo.name
    rows = f"photo,fruit_id,diameter_mm\n{name},f001,59\n{name},f099,60\n".encode()
    upload(app, "caliper_pairs.csv", ("caliper_pairs.csv", rows))
    press(app, "Load caliper_pairs.csv")
    assert "pairs.csv: 1 row is in." in app.success[0].value
    assert "has no fruit f099" in app.warning[0].value


# ---------------------------------------------------------------- what stands behind the pages


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("IMG_1.jpg", "IMG_1.jpg"),
        ("../../etc/passwd", "passwd"),
        ("C:\\photos\\row 1.HEIC", "row_1.heic"),
        (".htaccess", "htaccess"),
        ("Äpfel;rm -rf.j p g", "_pfel_rm_-rf.jpg"),
        ("x" * 300 + ".png", "" + "x" * 60 + ".png"),
        ("", "file"),
    ],
)
def test_a_file_name_from_outside_becomes_harmless(name: str, safe: str) -> None:
    assert safe_name(name) == safe


def test_a_name_that_is_taken_gets_a_number() -> None:
    assert safe_name("image.JPG", {"IMAGE.jpg", "image-2.jpg"}) == "image-3.jpg"


class Upload:
    def __init__(self, name: str, content: bytes) -> None:
        self.name = name
        self.content = content

    def getvalue(self) -> bytes:
        return self.content


def test_uploads_of_one_name_do_not_overwrite_each_other_and_are_gone_afterwards() -> None:
    with saved([Upload("a.jpg", b"1"), None, Upload("a.jpg", b"2")]) as files:
        assert [file.path.read_bytes() for file in files] == [b"1", b"2"]
        assert [file.name for file in files] == ["a.jpg", "a.jpg"]
    assert not any(file.path.exists() for file in files)


def walk_line(name: str, position: int) -> WalkPhoto:
    return WalkPhoto(file_name=name, tree=records.tree_id(position), face="A")


def test_photos_find_their_line_of_the_walk_list_without_its_folders() -> None:
    walk = [walk_line("photos/a.jpg", 1), walk_line("photos/b.jpg", 2)]
    rows, refused = match_files(walk, [NamedFile(name="B.JPG", path=Path("/t/1"))])
    assert rows == {Path("/t/1"): walk[1]}
    assert [item.what for item in refused] == ["1 of its 2 photos did not come with it."]


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


def test_a_block_that_differs_in_capitals_only_is_refused(folder: Path) -> None:
    with open_farm(folder) as store:
        save_block(records.block(), None, store, who="")
        with pytest.raises(FieldDataError, match="'Gala North' already"):
            save_block(replace(records.block(), block_id="gala  NORTH"), None, store, who="")


def test_a_bad_line_of_blocks_does_not_stop_the_others(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "blocks.csv"
    file.write_text("block,variety,positions\nHill,Gala,300\nMill,Fuji,-3\nRill,Fuji,90\n")
    with open_farm(folder) as store:
        added = add_blocks(file, store)
        assert [block.block_id for block in store.blocks()] == ["Hill", "Rill"]
    assert added.rows == 2
    assert [item.name for item in added.refused] == ["blocks.csv, line 3"]


def test_another_ruler_makes_photos_unmeasured_until_measured_again(filled: Path) -> None:
    with open_farm(filled) as store:
        set_ruler(147.0, store.farm(), store, who="")
        settings = farm_settings(store)
        assert settings.printed_side_mm == pytest.approx(147.0)
        photos = placed_photos(records.BLOCK_ID, store, settings)
        assert [photo.measured for photo in photos] == [None] * 2 * TREES
    assert "not measured with the present settings" in text(page("blocks"))


def test_a_tree_line_has_the_mean_of_the_sized_fruit(filled: Path) -> None:
    with open_farm(filled) as store:
        photos = placed_photos(records.BLOCK_ID, store, Settings())
        lines = tree_lines(records.BLOCK_ID, store, photos)
    # Tree 1: 60 … 66 mm on each face.
    assert lines[0].mean_mm == pytest.approx(63.0)
    assert lines[0].visible_count == 14
    # As the card says: 8.5 % of the count is 1.2 fruit.
    assert lines[0].visible_error == pytest.approx(14 * choose_detector().count_error)
    assert 0.5 < lines[0].visible_error < 3


def test_class_limits_of_a_table_by_mass_are_shown_in_mm() -> None:
    # D = (m / 3.8e-4)^(1/3): 205 g is 81.4 mm.
    table = load_size_table("box_counts_42lb")
    for (_, low, high), size_class in zip(
        class_limits_mm(table, Settings()), table.classes, strict=True
    ):
        assert 3.8e-4 * low**3 == pytest.approx(size_class.low)
        assert 3.8e-4 * high**3 == pytest.approx(size_class.high)


def test_tenths_of_the_fruit_are_read_off_the_distribution() -> None:
    sizes = SizeDistribution(
        measured_on=records.WALK,
        quantiles_mm=tuple(60.0 + 0.1 * number for number in range(201)),
        mean_mm=70.0,
        sd_mm=5.8,
        mean_error_mm=0.5,
        shared_error=0.02,
        spread_error=0.1,
        fruit=300,
        trees=12,
    )
    assert tenths_mm(sizes) == pytest.approx((62.0, 70.0, 78.0))
