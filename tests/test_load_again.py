"""A walk's folder into a farm that knows more than it: nothing is undone, nothing odd comes in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from PIL import Image

from fruitvision.domain import Block, RegisteredTree, TreeId
from fruitvision.field_data import read_blocks
from fruitvision.fruit.detector import choose_detector
from fruitvision.papers.answers import Answers
from fruitvision.photo import photo_id_of
from fruitvision.pipeline.additions import keep_blocks
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.intake import take_in
from fruitvision.pipeline.papers import look_at
from fruitvision.pipeline.papers import take_in as take_table_in
from fruitvision.pipeline.photos import made_with
from fruitvision.pipeline.walk import Brought, Loaded, load_tables_alone, load_walk
from fruitvision.report import kept_lines, kept_rows_lines, moved_lines
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.walk_data import WalkPhoto
from tests import records

NAME = "Owl Bottom"
DAY = date(2026, 8, 12)
TODAY = date(2026, 8, 14)
TOMORROW = TODAY + timedelta(days=1)
FULL = (
    "block,variety,positions,missing,pick_date,row_spacing_m,target_fruit_per_tree,trunk_girth_mm,"
    "full_bloom_on\n"
    f"{NAME},Braeburn,90,2,2026-10-02,3.5,110,180,2026-04-28\n"
)
SHORT = f"block,variety,positions\n{NAME},Braeburn,90\n"
COUNTS = "block,row,position,fruit_count,counted_on\n"
GAPS = "block,row,position,visited_on,found\n"
CALIPERS = "block,row,position,measured_on,diameter_mm\n"


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as store:
        yield store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A walk along one block: both faces of tree 1/7."""
    found = tmp_path / "walk"
    found.mkdir()
    for name, grey in (("a.png", 90), ("b.png", 120)):
        Image.new("RGB", (64, 48), (grey, grey, grey)).save(found / name)
    write(found, blocks=FULL, walk=walk_of("a.png,1,7,A", "b.png,1,7,B"))
    return found


def walk_of(*lines: str) -> str:
    rows = (line.split(",", 1) for line in lines)
    return "photo,block,row,position,face\n" + "".join(
        f"{name},{NAME},{rest}\n" for name, rest in rows
    )


def write(folder: Path, **tables: str) -> None:
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")


def load(folder: Path, store: FarmStore, *, walked_on: date = DAY) -> Loaded:
    return load_walk(
        folder,
        store,
        settings=Settings(),
        detector_name="classical",
        brought=Brought(who="Ines", walked_on=walked_on, today=TODAY),
    )


def told(found: Loaded) -> dict[str, str]:
    return {one.name: f"{one.what} {one.fix}" for one in found.refused}


def show(store: FarmStore, folder: Path, **fruit: int) -> None:
    """As if the photos of a folder were measured already, with so many fruit each."""
    origin = made_with(choose_detector("classical"), Settings())
    for name, number in fruit.items():
        photo_id = photo_id_of(folder / f"{name}.png")
        found = [records.fruit(one, photo_id=photo_id) for one in range(number)]
        store.save_measured_photo(replace(records.measured(photo_id, found), made_with=origin))


def block(store: FarmStore) -> Block:
    (found,) = store.blocks()
    return found


# ---------------------------------------------------------------- blocks that the farm knows


def test_a_list_without_a_column_leaves_the_field_alone(folder: Path, farm: FarmStore) -> None:
    load(folder, farm)
    before = block(farm)
    assert (before.row_spacing_m, before.target_fruit_per_tree) == (3.5, 110)
    write(folder, blocks=SHORT)
    found = load(folder, farm)
    assert block(farm) == before
    assert found.kept_blocks == ()
    assert not told(found)


def test_an_old_list_does_not_undo_what_was_changed_since(folder: Path, farm: FarmStore) -> None:
    load(folder, farm)
    before = block(farm)
    later = replace(before, pick_date=date(2026, 10, 9), missing=5)
    save_block(later, before, farm, who="Ana")
    found = load(folder, farm)
    assert block(farm) == later
    assert not told(found)
    (kept,) = found.kept_blocks
    assert (kept.block_id, [one.name for one in kept.fields]) == (NAME, ["missing", "pick_date"])
    lines = kept_lines(found.kept_blocks, folder / "blocks.csv", farm.folder)
    assert lines[0] == (
        f"blocks.csv says of {NAME}: missing 2, the farm 5; pick_date 2026-10-02, the farm "
        "2026-10-09. The farm's stays."
    )
    assert f"fruitvision table load {folder / 'blocks.csv'}" in lines[1]


def test_a_list_fills_in_what_the_farm_has_not(folder: Path, farm: FarmStore) -> None:
    write(folder, blocks=SHORT)
    load(folder, farm)
    assert block(farm).pick_date is None
    write(folder, blocks=FULL)
    found = load(folder, farm)
    (whole,) = read_blocks(folder / "blocks.csv").rows
    # Of the missing trees the farm says 0 by now.
    assert block(farm) == replace(whole, missing=0)
    assert [one.name for one in found.kept_blocks[0].fields] == ["missing"]


def test_the_same_number_in_other_units_is_not_said_to_differ(
    folder: Path, farm: FarmStore
) -> None:
    load(folder, farm)
    before = block(farm)
    keep_blocks([replace(before, row_spacing_m=3.5 + 1e-9)], farm, who="Ana")
    assert load(folder, farm).kept_blocks == ()


def test_passes_and_rooms_that_were_changed_since_stay_too(folder: Path, farm: FarmStore) -> None:
    picks, rooms = f"block,pick_date\n{NAME},2026-10-02\n", "room,bins\nNorth,400\nSouth,90\n"
    write(folder, picks=picks, rooms=rooms)
    assert load(folder, farm).office.kept == ()
    before = farm.pick_plans()
    alone = folder / "alone"
    alone.mkdir()
    # Tables without a walk are loaded to change the farm.
    write(
        alone,
        picks=picks.replace("10-02", "10-09"),
        rooms="room,bins\nNorth,500\n",
    )
    assert load_tables_alone(alone, farm).office.picks == 1
    later = farm.pick_plans()
    assert later != before
    found = load(folder, farm).office
    assert farm.pick_plans() == later
    assert {one.name: one.bins for one in farm.cold_rooms()} == {"North": 500, "South": 90}
    assert [(one.file, one.names) for one in found.kept] == [
        ("picks.csv", (NAME,)),
        ("rooms.csv", ("North",)),
    ]
    assert (found.picks, found.rooms) == (0, 1)
    lines = kept_rows_lines(found.kept)
    assert lines[0].startswith(f"picks.csv says something else of {NAME} than the farm.")


def test_a_new_block_that_makes_no_sense_stays_out_with_its_rows(
    folder: Path, farm: FarmStore
) -> None:
    """As by `table load` of the same list: its pick is before its bloom."""
    write(folder, blocks=FULL.replace("2026-10-02", "2026-04-02"))
    found = told(load(folder, farm))
    assert "is not before the pick" in found["blocks.csv, line 2"]
    assert farm.blocks() == ()
    assert any("stays out until it is clear" in words for words in found.values())


# ---------------------------------------------------------------- counts, readings, gaps


def test_days_to_come_are_refused_by_folder_and_by_table(folder: Path, farm: FarmStore) -> None:
    rows = {
        "hand_counts": f"{COUNTS}{NAME},1,7,61,{TODAY}\n{NAME},1,8,61,{TOMORROW}\n",
        "calipers": f"{CALIPERS}{NAME},1,7,{TODAY},61\n{NAME},1,8,{TOMORROW},61\n",
        "gaps": f"{GAPS}{NAME},1,7,{TODAY},bearing\n{NAME},1,8,{TOMORROW},missing\n",
    }
    write(folder, **rows)
    found = told(load(folder, farm))
    for name in rows:
        assert found[f"{name}.csv, line 3"] == (
            f"{TOMORROW} is a day to come. Correct the day, or the computer's clock."
        )
        preview = look_at(folder / f"{name}.csv", farm, Answers(), today=TODAY)
        assert [one.line for one in preview.refused] == [3]
    places = (farm.hand_counts(), farm.caliper_readings(), farm.visited_places())
    assert [[one.tree.position for one in of] for of in places] == [[7], [7], [7]]
    alone = folder / "alone"
    alone.mkdir()
    write(alone, **rows)
    assert len(load_tables_alone(alone, farm, today=TODAY).refused) == 3


def test_a_count_like_a_slip_is_left_out_until_it_is_meant(folder: Path, farm: FarmStore) -> None:
    write(folder, hand_counts=f"{COUNTS}{NAME},1,7,700,{DAY}\n{NAME},1,8,90,{DAY}\n")
    show(farm, folder, a=33, b=34)
    words = told(load(folder, farm))["hand_counts.csv, line 2"]
    # The photos of the same folder tell it.
    slip = f"700 fruit on {NAME} row 1 tree 7 look like a slip: its photos show 33 + 34."
    assert slip in words
    assert "fruitvision table load hand_counts.csv --odd 2" in words
    assert [one.fruit_count for one in farm.hand_counts()] == [90]
    preview = look_at(folder / "hand_counts.csv", farm, Answers())
    assert [one.line for one in preview.odd_counts] == [2]


def test_a_count_that_the_farm_has_is_not_asked_about_again(folder: Path, farm: FarmStore) -> None:
    show(farm, folder, a=33, b=34)
    load(folder, farm)
    write(folder, hand_counts=f"{COUNTS}{NAME},1,7,700,{DAY}\n")
    table, meant = folder / "hand_counts.csv", Answers(odd_lines=frozenset({2}))
    take_table_in(table, farm, meant, who="Ana", today=TODAY)
    assert not told(load(folder, farm))
    assert [one.fruit_count for one in farm.hand_counts()] == [700]


def test_photos_that_can_not_be_counted_make_no_count_a_slip(folder: Path, farm: FarmStore) -> None:
    """Grey pictures show no tree, so that none of 61 fruit is no question."""
    write(folder, hand_counts=f"{COUNTS}{NAME},1,7,61,{DAY}\n")
    assert not told(load(folder, farm))
    assert [one.fruit_count for one in farm.hand_counts()] == [61]


def test_a_panel_bears_what_its_trees_do(folder: Path, farm: FarmStore) -> None:
    """2,400 fruit are a slip on one tree, not on a panel of 12."""
    walk = walk_of("a.png,1,7,A,12", "b.png,1,7,B,12").replace("face\n", "face,trees\n", 1)
    rows = f"{NAME},1,7,2400,{DAY},panel\n{NAME},1,8,2400,{DAY},one face\n"
    write(folder, walk=walk, hand_counts=f"{COUNTS.strip()},protocol\n{rows}")
    assert set(told(load(folder, farm))) == {"hand_counts.csv, line 3"}
    assert [one.fruit_count for one in farm.hand_counts()] == [2400]


def test_a_photographed_tree_is_not_missing(folder: Path, farm: FarmStore) -> None:
    write(
        folder,
        gaps=f"{GAPS}{NAME},1,7,{DAY},missing\n{NAME},1,9,{DAY},missing\n"
        f"{NAME},1,7,{DAY - timedelta(days=30)},missing\n{NAME},1,999,{DAY},missing\n",
    )
    found = told(load(folder, farm))
    assert f"was photographed on {DAY}" in found["gaps.csv, line 2"]
    assert f"{NAME} has no row 1, tree 999." in found["gaps.csv, line 5"]
    kept = [(one.tree.position, one.visited_on) for one in farm.visited_places()]
    assert sorted(kept) == [(7, DAY - timedelta(days=30)), (9, DAY)]
    preview = look_at(folder / "gaps.csv", farm, Answers(), today=TODAY)
    assert [one.line for one in preview.refused] == [2, 5]


# ---------------------------------------------------------------- photos


def test_photos_of_days_to_come_are_left_out(folder: Path, farm: FarmStore) -> None:
    far = TODAY + timedelta(days=2)
    found = told(load(folder, farm, walked_on=far))
    assert set(found) == {"a.png", "b.png"}
    assert found["a.png"].startswith(f"{far} is a day to come.")
    assert farm.tree_photos() == ()
    # A phone far in the east is a day ahead.
    assert not told(load(folder, farm, walked_on=TOMORROW))
    assert len(farm.tree_photos()) == 2


def test_photos_of_places_that_the_block_has_not_are_left_out(
    folder: Path, farm: FarmStore
) -> None:
    write(folder, walk=walk_of("a.png,99,999,A", "b.png,2,7,A"))
    found = told(load(folder, farm))
    assert set(found) == {"a.png"}
    assert f"{NAME} has no row 99, tree 999." in found["a.png"]
    # With a register, that is asked.
    farm.save_register(
        [RegisteredTree(tree=TreeId(NAME, 1, position)) for position in range(1, 91)]
    )
    assert f"{NAME} has no row 2, tree 7." in told(load(folder, farm))["b.png"]


def test_photos_that_come_in_on_the_page_are_held_against_the_same(
    folder: Path, farm: FarmStore
) -> None:
    keep_blocks(read_blocks(folder / "blocks.csv").rows, farm, who="Ana")
    rows = {
        folder / "a.png": WalkPhoto(file_name="a.png", tree=TreeId(NAME, 99, 1), face="A"),
        folder / "b.png": WalkPhoto(file_name="b.png", tree=TreeId(NAME, 1, 7), face="B"),
    }
    late = take_in(rows, farm, walked_on=TODAY + timedelta(days=2), who="Ana", today=TODAY)
    assert [one.name for one in late.refused] == ["a.png", "b.png"]
    assert [one.name for one in take_in(rows, farm, walked_on=DAY, who="Ana").refused] == ["a.png"]
    moved = {folder / "b.png": replace(rows[folder / "b.png"], tree=TreeId(NAME, 1, 8))}
    (one,) = take_in(moved, farm, walked_on=DAY, who="Ana").moved
    assert (one.before.tree.position, one.now.tree.position) == (7, 8)


def test_a_photo_that_changes_its_tree_is_told(folder: Path, farm: FarmStore) -> None:
    assert load(folder, farm).moved == ()
    assert load(folder, farm).moved == ()
    write(folder, walk=walk_of("a.png,1,8,A", "b.png,1,7,B"))
    found = load(folder, farm)
    assert moved_lines(found.moved) == [
        f"a.png was {NAME} row 1 tree 7 face A, and is {NAME} row 1 tree 8 face A now."
    ]
    photo = farm.tree_photo(photo_id_of(folder / "a.png"))
    assert photo is not None
    assert photo.tree.position == 8
