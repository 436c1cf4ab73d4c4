"""The Set-up page: blocks, targets, tables, units and language."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from app import show
from app.wording import LANGUAGES, texts
from fruitvision.domain import RegisteredTree, TreeId
from fruitvision.errors import FieldDataError
from fruitvision.papers.answers import Answers
from fruitvision.pipeline.additions import farm_settings
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.papers import take_in
from fruitvision.store import open_farm
from fruitvision.store.block_off import tables_of_blocks
from fruitvision.unit_system import UnitSystem
from tests import records
from tests.app.pages import (
    page,
    press,
    radio,
    text,
    upload,
    visit,
)


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


def test_a_farm_has_usual_units_and_lengths_are_typed_in_them(folder: Path) -> None:
    app = page("setup")
    radio(app, "Usual units").set_value(UnitSystem.US)
    app = press(app, "Save units")
    assert not app.exception
    assert radio(app, "Units").value == "us"
    for label, value in (("Name of the block", "Hill"), ("Variety", "Gala")):
        next(item for item in app.text_input if item.label == label).input(value)
    lengths = (("rows, ft", 11.4829), ("trees, ft", 3.28084), ("block, ac", 4.94211))
    for label, value in (("Tree positions", 900), *lengths):
        (box,) = (item for item in app.number_input if label in item.label)
        box.set_value(value)
    press(app, "Save block")
    with open_farm(folder) as store:
        (block,) = store.blocks()
        assert farm_settings(store).units == "us"
    assert (block.row_spacing_m, block.tree_spacing_m, block.area_ha) == pytest.approx(
        (3.5, 1.0, 2.0), abs=1e-4
    )


def test_a_block_that_differs_in_capitals_only_is_refused(folder: Path) -> None:
    with open_farm(folder) as store:
        save_block(records.block(), None, store, who="")
        with pytest.raises(FieldDataError, match="'Gala North' already"):
            save_block(replace(records.block(), block_id="gala  NORTH"), None, store, who="")


def test_a_bad_line_of_blocks_does_not_stop_the_others(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "blocks.csv"
    file.write_text("block,variety,positions\nHill,Gala,300\nMill,Fuji,-3\nRill,Fuji,90\n")
    with open_farm(folder) as store:
        taken = take_in(file, store, Answers(), who="").preview
        assert [block.block_id for block in store.blocks()] == ["Hill", "Rill"]
    assert taken.rows == 2
    assert [row.line for row in taken.refused] == [3]


def test_targets_are_typed_in_the_visitors_units_and_kept_metric(filled: Path) -> None:
    app = page("setup")
    app = radio(app, "Units").set_value(UnitSystem.US).run()
    boxes = {item.label: item for item in app.number_input}
    boxes["Fruit wanted per tree"].set_value(96)
    boxes["Mean diameter wanted at the pick, in (if known)"].set_value(2.95)
    app = press(app, "Save targets")
    assert not app.exception
    with open_farm(filled) as store:
        (block,) = store.blocks()
    assert block.target_fruit_per_tree == 96
    assert block.target_diameter_mm == pytest.approx(2.95 * 25.4)
    assert app.table[0].value["Wanted"].tolist() == ["96 a tree, 2.95 in"]


def test_a_taken_name_is_refused_and_an_old_question_goes_away(filled: Path) -> None:
    app = page("setup")
    next(item for item in app.text_input if item.label == "Name of the block").set_value(
        "Gala North"
    )
    next(item for item in app.text_input if item.label == "Variety").set_value("Gala")
    boxes = {item.label: item for item in app.number_input}
    assert boxes["Tree positions"].value is None
    boxes["Tree positions"].set_value(10)
    app = press(app, "Save block")
    assert "There is a block 'Gala North' already" in app.error[0].value
    assert not any(item.label == "Keep what I typed" for item in app.button)
    # Two people correct one block: the question goes away with the next thing that is typed.
    which = next(item for item in app.selectbox if item.label == "Which block")
    app = which.set_value("Gala North").run()
    with open_farm(filled) as store:
        store.save_blocks([replace(records.block(), missing=7)])
    boxes = {item.label: item for item in app.number_input}
    boxes["Missing trees"].set_value(9)
    app = press(app, "Save block")
    assert any(item.label == "Keep what I typed" for item in app.button)
    boxes = {item.label: item for item in app.number_input}
    boxes["Missing trees"].set_value(-5)
    app = press(app, "Save block")
    assert "A number is too small" in app.error[0].value
    assert not any(item.label == "Keep what I typed" for item in app.button)


def test_a_block_is_taken_off_after_it_is_told_what_goes_with_it(filled: Path) -> None:
    app = page("setup")
    which = next(item for item in app.selectbox if item.label == "Block to take off")
    app = which.set_value("Gala North").run()
    assert "5 hand counts" in text(app)
    assert "the places of 20 photos" in text(app)
    (button,) = (item for item in app.button if item.label == "Take it off")
    assert button.disabled
    (sure,) = (item for item in app.checkbox if item.label.startswith("Yes, take"))
    app = press(sure.check().run(), "Take it off")
    assert not app.exception
    assert "Gala North is taken off" in app.success[0].value
    with open_farm(filled) as store:
        assert not store.blocks()


def test_whatever_a_farm_can_keep_of_a_block_has_words() -> None:
    for code in LANGUAGES:
        for table in tables_of_blocks():
            assert f"hanging_{table.name}" in texts(code, "work")


def test_an_address_in_a_name_is_no_link() -> None:
    shown = show.plain("see http://x.y, www.x.y or a.b@x.y")
    assert shown.replace(show.NO_BREAK, "") == r"see http\://x.y, www.x.y or a.b\@x.y"
    for begins in ("http", "www", "a.b"):
        assert f"{show.NO_BREAK}{begins}" in shown


def test_a_corrected_block_keeps_what_was_not_touched(filled: Path) -> None:
    kept = replace(
        records.block(), group="old", target_fruit_per_tree=90.0, row_spacing_m=3.3333333
    )
    with open_farm(filled) as store:
        store.save_blocks([kept])
    app = page("setup")
    next(item for item in app.selectbox if item.label == "Which block").set_value(
        "Gala North"
    ).run()
    # No other name can be typed for a block that is there.
    assert not any(item.label == "Name of the block" for item in app.text_input)
    counts = {item.label: item for item in app.number_input}
    counts["Missing trees"].set_value(12)
    press(app, "Save block")
    with open_farm(filled) as store:
        assert store.blocks() == (replace(kept, missing=12),)


def test_a_farm_has_a_usual_language_which_a_visitor_may_leave(folder: Path) -> None:
    app = page("setup")
    usual = next(item for item in app.selectbox if item.label == "Usual language")
    usual.set_value("es")
    app = press(app, "Save language")
    assert not app.exception
    assert app.title[0].value == "Ajustes"
    assert page("setup").title[0].value == "Ajustes"
    assert visit("setup", lang="fr").title[0].value == "Réglages"
    with open_farm(folder) as store:
        assert farm_settings(store).language == "es"


def test_columns_of_a_table_may_stand_in_any_order(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_blocks([records.block(trees=2)])
    app = page("papers")
    lines = b"kind,position,row,block\nmissing,2,1,Gala North\nbearing,1,1,Gala North\n"
    upload(app, "Table", ("trees.csv", lines))
    press(app, "Take these 2 rows in")
    assert not app.exception
    assert "trees.csv: 2 rows are in." in app.success[0].value
    with open_farm(filled) as store:
        kinds = {one.tree.position: one.kind.value for one in store.register(records.BLOCK_ID)}
    assert kinds == {1: "bearing", 2: "missing"}


def test_what_leaves_the_farm_as_a_file(folder: Path) -> None:
    app = page("setup")
    labels = [button.label for button in app.get("download_button")]
    assert [label for label in labels if label.startswith("Archive")] == ["Archive of the farm"]
    assert {"Fruit (Parquet)", "Fruit (CSV)", "Card, English", "Card, Español"} <= set(labels)
    assert "Map (GeoJSON)" not in labels
    assert "No tree has coordinates yet" in text(app)
    assert "with names of people" in text(app)
    with open_farm(folder) as store:
        store.save_blocks([records.block()])
        tree = RegisteredTree(tree=TreeId("Gala North", 1, 1), latitude_deg=46.5, longitude_deg=7.6)
        store.save_register([tree])
    app = page("setup")
    assert "Map (GeoJSON)" in [button.label for button in app.get("download_button")]


def test_an_archive_too_large_for_the_browser_is_a_command(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.forms.take_out.MOST_DOWNLOAD_BYTES", 1000)
    (folder / "photos").mkdir(parents=True)
    (folder / "photos" / "a.jpg").write_bytes(bytes(2_000_000))
    app = page("setup")
    assert "the farm is 2 MB" in text(app)
    assert any("fruitvision archive make" in one.value for one in app.code)
    labels = [button.label for button in app.get("download_button")]
    assert "Archive of the farm" not in labels
    next(box for box in app.checkbox if box.label == "With the photos").uncheck()
    app.run()
    assert "Archive of the farm" in [button.label for button in app.get("download_button")]
