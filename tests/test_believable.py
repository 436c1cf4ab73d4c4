"""Days on which no fruit hang and places that a block has not are refused."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from fruitvision.domain import TreeId
from fruitvision.errors import FieldDataError
from fruitvision.papers.answers import Answers
from fruitvision.pipeline.believable import (
    LONGEST_SEASON_DAYS,
    check_day,
    check_place,
    hardly_meant,
)
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.papers import look_at, take_in
from fruitvision.pipeline.walk import Brought, load_walk
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests.records import WALK, block, hand_count, tree_photo

BLOOM = replace(block(), positions=324, full_bloom_on=date(2026, 4, 28))


@pytest.mark.parametrize(
    "day", [date(2026, 4, 3), date(1926, 8, 13), date(2027, 8, 13), date(2026, 4, 27)]
)
def test_no_fruit_hang_before_the_bloom_or_in_another_season(day: date) -> None:
    with pytest.raises(FieldDataError, match="no fruit hang"):
        check_day(day, BLOOM)
    check_day(day, replace(BLOOM, full_bloom_on=None))


def test_days_of_the_season_are_taken_up_to_its_last() -> None:
    bloom = date(2026, 4, 28)
    for after in (0, 107, LONGEST_SEASON_DAYS):
        check_day(bloom + timedelta(days=after), BLOOM)
    with pytest.raises(FieldDataError, match="no fruit hang"):
        check_day(bloom + timedelta(days=LONGEST_SEASON_DAYS + 1), BLOOM)


def test_a_place_is_one_of_the_register_or_within_the_positions() -> None:
    name = BLOOM.block_id
    places = frozenset(TreeId(name, 1, n) for n in range(1, 55))
    check_place(TreeId(name, 1, 54), BLOOM, places)
    for tree in (TreeId(name, 99, 50), TreeId(name, 1, 55)):
        with pytest.raises(FieldDataError, match="has no row"):
            check_place(tree, BLOOM, places)
    check_place(TreeId(name, 99, 50), BLOOM, frozenset())
    with pytest.raises(FieldDataError, match="has no row 1, tree 500"):
        check_place(TreeId(name, 1, 500), BLOOM, frozenset())


def test_a_table_with_an_impossible_day_and_place_takes_in_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "calipers.csv"
    path.write_text(
        "block,row,position,measured_on,diameter_mm\n"
        "Gala North,1,2,2026-04-03,65\n"
        "Gala North,1,500,2026-08-12,65\n"
        "Gala North,1,2,2026-08-12,65\n"
    )
    with open_farm(tmp_path / "farm") as store:
        store.save_blocks([BLOOM])
        found = look_at(path, store, Answers())
    assert ([one.line for one in found.refused], found.rows) == ([2, 3], 1)


def test_a_count_of_a_day_without_fruit_is_not_saved(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        store.save_blocks([BLOOM])
        with pytest.raises(FieldDataError, match="no fruit hang"):
            save_hand_count(hand_count(2, 70, on=date(2027, 8, 13)), None, store, who="Ana")
        assert store.hand_counts() == ()


# ---------------------------------------------------------------- what is asked about


@pytest.fixture
def walked(tmp_path: Path) -> Iterator[FarmStore]:
    """A farm with one block, photographed on `WALK`."""
    with open_farm(tmp_path / "farm") as store:
        store.save_blocks([BLOOM])
        store.save_tree_photos([tree_photo(1, "A", "a" * 64)])
        yield store


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"pick_date": WALK}, []),
        ({"pick_date": WALK - timedelta(days=1)}, ["would be picked on", "before its last walk"]),
        ({"pick_date": None}, []),
        # 4 m by 1 m is 2,500 trees a hectare: 324 need 0.13 ha, and 0.32 is acres.
        ({"row_spacing_m": 4.0, "tree_spacing_m": 1.0, "area_ha": 0.13}, []),
        ({"row_spacing_m": 4.0, "tree_spacing_m": 1.0, "area_ha": 0.11}, []),
        ({"row_spacing_m": 4.0, "tree_spacing_m": 1.0, "area_ha": 0.32}, ["area and spacing make"]),
        ({"row_spacing_m": 13.0, "tree_spacing_m": 1.0, "area_ha": 0.13}, ["make 100 (+224 %)"]),
        ({"row_spacing_m": 4.0, "tree_spacing_m": 1.0, "area_ha": 0.00001}, []),
        ({"row_spacing_m": 4.0, "area_ha": 5.0}, []),
    ],
)
def test_what_of_a_block_is_hardly_meant(
    walked: FarmStore, fields: dict[str, object], words: list[str]
) -> None:
    changed = replace(BLOOM, **fields)  # type: ignore[arg-type]
    told = " ".join(hardly_meant(changed, BLOOM, walked))
    assert bool(told) is bool(words)
    assert all(one in told for one in words)
    # What the farm has already was asked about when it came.
    assert hardly_meant(changed, changed, walked) == ()


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (
            "blocks.csv",
            "block,variety,positions,pick_date\nGala North,Gala,324,2026-08-03\n"
            "Hill,Gala,300,2026-08-03\n",
        ),
        ("picks.csv", "block,pick_date,share\nGala North,2026-08-03,1\n"),
    ],
)
def test_a_pick_before_the_last_walk_is_asked_about_in_a_table(
    walked: FarmStore, tmp_path: Path, name: str, text: str
) -> None:
    path = tmp_path / name
    path.write_text(text)
    found = look_at(path, walked, Answers())
    (odd,) = found.odd_blocks
    assert (odd.line, odd.block_id, odd.meant) == (2, "Gala North", False)
    assert found.rows == text.count("\n") - 2
    meant = Answers(odd_lines=frozenset({2}))
    assert take_in(path, walked, meant, who="Ana").preview.rows == found.rows + 1
    if name == "blocks.csv":
        # Kept by now, and no question any longer.
        assert look_at(path, walked, Answers()).odd_blocks == ()


# ---------------------------------------------------------------- a walk folder asks the same


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A walk with a block whose area can't hold its positions, and photos of a wrong name."""
    found = tmp_path / "walk"
    found.mkdir()
    (found / "blocks.csv").write_text(
        "block,variety,positions,row_spacing_m,tree_spacing_m,area_ha,pick_date\n"
        "Hill,Gala,324,13.0,1.0,0.13,\n"
        "Mill,Fuji,90,13.0,1.0,0.13,\n"
    )
    lines = [f"h{n}.jpg,Hill,1,{n},A" for n in range(1, 4)]
    lines += [f"m{n}.jpg,Mil,1,{n},A" for n in range(1, 4)]
    lines += ["m9.jpg,Mill,1,9,A"]
    (found / "walk.csv").write_text("\n".join(["photo,block,row,position,face", *lines]))
    (found / "hand_counts.csv").write_text(
        "block,row,position,fruit_count,counted_on,protocol\nHill,1,1,90,2026-08-12,two faces\n"
    )
    return found


def loaded(folder: Path, store: FarmStore, *odd: int) -> dict[str, str]:
    found = load_walk(
        folder,
        store,
        settings=Settings(),
        detector_name="classical",
        brought=Brought(odd_lines=frozenset(odd)),
    )
    return {one.name: f"{one.what} {one.fix}" for one in found.refused}


def test_a_walk_folder_asks_about_its_blocks_as_the_page_does(folder: Path, tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        told = loaded(folder, store)
        assert "324 positions, but area and spacing make 100" in told["blocks.csv, line 2"]
        assert "--odd 2" in told["blocks.csv, line 2"]
        assert "blocks.csv, line 3" not in told
        assert [one.block_id for one in store.blocks()] == ["Mill"]
        # What goes with it waits with it, and is said once.
        assert "stays out until it is clear" in told["walk.csv, line 2 and 2 more"]
        assert "stays out until it is clear" in told["hand_counts.csv, line 2"]
        assert "'Mil' is not in the list" in told["walk.csv, line 5 and 2 more"]
        assert store.hand_counts() == ()
        told = loaded(folder, store, 2)
        assert not any(name.startswith(("blocks.csv", "hand_counts")) for name in told)
        assert [one.block_id for one in store.blocks()] == ["Hill", "Mill"]
        assert len(store.hand_counts()) == 1
        # Kept by now, and no question any longer.
        assert "blocks.csv, line 2" not in loaded(folder, store)


def test_a_walk_folder_refuses_days_and_places_as_a_table_does(tmp_path: Path) -> None:
    (tmp_path / "blocks.csv").write_text(
        "block,variety,positions,full_bloom_on\nMill,Fuji,90,2026-04-28\n"
    )
    (tmp_path / "walk.csv").write_text("photo,block,row,position,face\nm9.jpg,Mill,1,9,A\n")
    (tmp_path / "register.csv").write_text(
        "block,row,position,kind\n" + "".join(f"Mill,1,{n},bearing\n" for n in range(1, 91))
    )
    (tmp_path / "hand_counts.csv").write_text(
        "block,row,position,fruit_count,counted_on,protocol\n"
        "Mill,1,9,80,2027-08-12,one face\nMill,2,9,80,2026-08-12,one face\n"
        "Mill,1,9,81,2026-08-12,one face\n"
    )
    (tmp_path / "calipers.csv").write_text(
        "block,row,position,fruit,measured_on,diameter_mm\nMill,1,9,1,2026-04-02,65\n"
    )
    with open_farm(tmp_path / "farm") as store:
        told = loaded(tmp_path, store)
        assert "On 2027-08-12 no fruit hang" in told["hand_counts.csv, line 2"]
        assert "no row 2, tree 9" in told["hand_counts.csv, line 3"]
        assert "On 2026-04-02 no fruit hang" in told["calipers.csv, line 2"]
        assert [one.fruit_count for one in store.hand_counts()] == [81]
