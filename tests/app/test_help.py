"""The Help page, its drawings, and the help of every page."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from streamlit.testing.v1 import AppTest

from app import wording
from fruitvision import drawings
from fruitvision.pipeline.additions import (
    farm_settings,
)
from fruitvision.store import open_farm
from fruitvision.unit_system import UnitSystem
from tests import records
from tests.app.pages import (
    MAIN,
    PAGES,
    page,
    press,
    radio,
    text,
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


def test_every_drawing_is_a_whole_picture_with_words_and_right_and_wrong_differ() -> None:
    drawn = {**drawings.RIGHT, **drawings.WRONG}
    assert len({draw() for draw in drawn.values()}) == len(drawn)
    for name, draw in drawn.items():
        svg = ET.fromstring(draw())  # noqa: S314 - drawn by ourselves
        assert svg.attrib["viewBox"] == f"0 0 {drawings.WIDTH} {drawings.HEIGHT}"
        frame = next(one for one in svg if one.tag.endswith("rect"))
        # Told apart by more than colour: a broken frame.
        assert ("stroke-dasharray" in frame.attrib) == (name in drawings.WRONG)
        assert text_of("en", "help", f"picture_{name}").startswith("**")


def test_the_help_shows_every_drawing_with_its_words_to_a_screen_reader_too(folder: Path) -> None:
    app = page("help")
    assert not app.exception
    shown = "".join(item.proto.body for item in app.get("html"))
    assert shown.count("<img") == len(drawings.RIGHT) + len(drawings.WRONG)
    assert 'alt="The top is cut off"' in shown
    assert "re-entry time" in text(app)


@pytest.mark.parametrize("name", [name for name in PAGES if name != "help"])
def test_every_page_has_help_of_its_own(filled: Path, name: str) -> None:
    assert text_of("en", "help", f"on_{name}") in text(page(name))


def text_of(code: str, file: str, name: str) -> str:
    found = wording.texts(code, file)[name]
    assert isinstance(found, str)
    return found


@pytest.mark.usefixtures("folder")
def test_words_of_streamlits_own_boxes_are_replaced_in_every_language() -> None:
    for code, year in (("en", "yyyy"), ("es", "aaaa"), ("fr", "aaaa")):
        app = AppTest.from_file(str(MAIN), default_timeout=30)
        app.query_params["lang"] = code
        styles = "".join(item.proto.body for item in app.run().get("html"))
        assert "stFileUploaderDropzoneInstructions" in styles
        assert text_of(code, "common", "files_choose") in styles
        assert f'content: "{year}"' in styles
