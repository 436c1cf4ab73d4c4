"""The app: every page opens, one story is walked, errors are shown with their fix."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app.files import safe_name, saved
from fruitvision.domain import SizeDistribution
from fruitvision.fruit.detector import choose_detector
from fruitvision.fruit.learned import learned_detector
from fruitvision.pipeline.additions import (
    farm_settings,
)
from fruitvision.pipeline.farm_entries import set_ruler
from fruitvision.pipeline.lines import class_limits_mm, placed_photos, tenths_mm, tree_lines
from fruitvision.settings import Settings
from fruitvision.share import shared_folder
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from fruitvision.unit_system import UnitSystem
from tests import records
from tests.app.pages import (
    MAIN,
    PAGES,
    TREES,
    block_page,
    page,
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


def test_units_are_a_visitors_choice_kept_between_pages_and_in_the_address(filled: Path) -> None:
    app = press(page("forecast"), "Make forecast")
    assert re.search(r"\d mm</div>", text(app))
    app = radio(app, "Units").set_value(UnitSystem.US).run()
    assert not app.exception
    assert not re.search(r"\d mm\b", text(app))
    assert ">Short tons</div>" in text(app)
    assert re.search(r"2\.\d\d–\d\.\d\d in</div>", text(app))
    assert app.query_params["units"] in ("us", ["us"])
    app = app.switch_page("screens/blocks.py")
    app.query_params["block"] = records.BLOCK_ID
    app = app.run()
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


def test_a_register_comes_in_by_upload_and_parts_the_block(filled: Path) -> None:
    lines = ["block,row,position,kind,stratum,variety"]
    for place in range(1, 1001):
        kind = "pollinizer" if place > 990 else "bearing"
        stratum = "low" if place % 2 else ""
        lines.append(f"Gala North,1,{place},{kind},{stratum},{'Fuji' if place > 990 else ''}")
    app = page("papers")
    upload(app, "Table", ("register.csv", "\n".join(lines).encode()))
    press(app, "Take these 1,000 rows in")
    assert "register.csv: 1,000 rows are in." in app.success[0].value
    app = block_page()
    assert "10 trees of Fuji, not in these numbers" in text(app)
    parts = next(item.value for item in app.table if "Part" in item.value)
    assert parts["Part"].tolist() == ["rest of the block", "low"]
    assert parts["Photographed"].tolist() == ["5", "5"]


def test_a_farm_that_is_no_farm_is_said_plainly(folder: Path) -> None:
    folder.mkdir()
    (folder / "fruitvision.sqlite").write_text("Dear diary, today we picked Gala.\n" * 40)
    app = page("setup")
    assert not app.exception
    assert "choose another folder" in app.error[0].value


def test_a_damaged_detector_is_said_on_the_page(
    filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    models = tmp_path / "models"
    shutil.copytree(shared_folder("models"), models)
    used = learned_detector().weights.file.path
    weights = models / used.relative_to(shared_folder("models"))
    content = bytearray(weights.read_bytes())
    content[len(content) // 2] ^= 1
    weights.write_bytes(content)
    monkeypatch.setattr("fruitvision.fruit.learned.shared_folder", lambda name: tmp_path / name)
    app = block_page()
    assert not app.exception
    (said,) = app.error
    assert "was altered or damaged" in said.value
    assert "Install the program again" in said.value


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


def test_another_ruler_makes_photos_unmeasured_until_measured_again(filled: Path) -> None:
    with open_farm(filled) as store:
        set_ruler(147.0, store.farm(), store, who="")
        settings = farm_settings(store)
        assert settings.printed_side_mm == pytest.approx(147.0)
        photos = placed_photos(records.BLOCK_ID, store, settings)
        assert [photo.measured for photo in photos] == [None] * 2 * TREES
    assert "not measured with the present settings" in text(block_page())


def test_a_tree_line_has_the_mean_of_the_sized_fruit(filled: Path) -> None:
    with open_farm(filled) as store:
        photos = placed_photos(records.BLOCK_ID, store, Settings())
        lines = tree_lines(records.BLOCK_ID, store, photos)
    # Tree 1: 60 … 66 mm on each face.
    assert lines[0].mean_mm == pytest.approx(63.0)
    assert lines[0].visible_count == 14
    # As the card says: 7.9 % of the count is 1.1 fruit.
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
