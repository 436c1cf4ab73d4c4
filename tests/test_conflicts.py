"""Two people at once: nobody's entry is taken away unseen, and every change is told."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image

from fruitvision.domain import (
    CaliperReading,
    ColdRoom,
    Conflict,
    FieldChange,
    HandCount,
    JobKind,
    Pick,
    PickPlan,
    Protocol,
    RegisteredTree,
    SeasonNote,
    ThingKind,
    TreeId,
)
from fruitvision.errors import ConflictError, FieldDataError, StoreError
from fruitvision.pipeline.block_entries import save_block, take_block_off
from fruitvision.pipeline.entries import calipers_of, now_utc, save_calipers, save_hand_count
from fruitvision.pipeline.farm_entries import rename_farm, set_ruler, set_units, settings_of
from fruitvision.pipeline.office import load_tables
from fruitvision.pipeline.settling import settle
from fruitvision.pipeline.walk import Brought, load_walk
from fruitvision.settings import Settings, settings_to_text
from fruitvision.store import Farm, FarmStore, open_farm, things
from fruitvision.store.merge import Merged, merge
from fruitvision.store.things import kept_hand_count
from fruitvision.unit_system import UnitSystem
from tests import records

DAY = date(2026, 8, 12)
BLOCK = replace(records.block(), pick_date=date(2026, 9, 3), missing=10)


@pytest.fixture
def farm(tmp_path: Path):
    with open_farm(tmp_path / "farm") as store:
        yield store


def conflict_of(error: ConflictError) -> Conflict:
    assert isinstance(error.conflict, Conflict)
    return error.conflict


# ---------------------------------------------------------------- put together, field by field


def test_changes_of_different_fields_are_both_kept() -> None:
    merged = merge({"a": 1, "b": 1, "c": 1}, {"a": 2, "b": 1, "c": 1}, {"a": 1, "b": 3, "c": 1})
    assert merged == Merged(fields={"a": 2, "b": 3, "c": 1})


def test_a_field_that_both_changed_clashes_and_the_same_change_does_not() -> None:
    merged = merge({"a": 1, "b": 1}, {"a": 2, "b": 5}, {"a": 3, "b": 5})
    assert merged.clashes == (FieldChange(name="a", before=3, after=2),)
    assert merged.fields == {"a": 2, "b": 5}


@pytest.mark.parametrize(
    ("seen", "mine", "theirs", "fields", "clashes"),
    [
        (None, {"a": 1}, None, {"a": 1}, 0),  # new
        (None, {"a": 1}, {"a": 1}, {"a": 1}, 0),  # both entered the same
        (None, {"a": 1}, {"a": 2}, {"a": 1}, 1),  # both entered it, otherwise
        (None, {"a": 1, "b": None}, {"a": 1, "b": 7}, {"a": 1, "b": 7}, 0),  # b left empty
        ({"a": 1}, None, {"a": 1}, None, 0),  # taken out
        ({"a": 1}, None, {"a": 2}, None, 1),  # taken out, but changed meanwhile
        ({"a": 1}, {"a": 2}, None, {"a": 2}, 1),  # changed, but taken out meanwhile
        ({"a": 1}, None, None, None, 0),  # both took it out
    ],
)
def test_what_is_new_or_gone(seen, mine, theirs, fields, clashes: int) -> None:
    merged = merge(seen, mine, theirs)
    assert merged.fields == fields
    assert len(merged.clashes) == clashes


# ---------------------------------------------------------------- blocks


def test_two_people_change_different_fields_of_a_block_and_both_stay(farm: FarmStore) -> None:
    save_block(BLOCK, None, farm, who="Ana")
    save_block(replace(BLOCK, missing=30), BLOCK, farm, who="Ana")
    kept = save_block(replace(BLOCK, target_diameter_mm=75.0), BLOCK, farm, who="Ben")
    assert (kept.missing, kept.target_diameter_mm) == (30, 75.0)
    assert farm.blocks() == (kept,)


def test_the_same_field_changed_twice_is_a_conflict_with_both_values(farm: FarmStore) -> None:
    save_block(BLOCK, None, farm, who="Ana")
    theirs = save_block(replace(BLOCK, pick_date=date(2026, 9, 7)), BLOCK, farm, who="Ana")
    mine = replace(BLOCK, pick_date=date(2026, 9, 10), missing=12)
    with pytest.raises(ConflictError, match="changed meanwhile by Ana") as caught:
        save_block(mine, BLOCK, farm, who="Ben")
    assert farm.blocks() == (theirs,)
    conflict = conflict_of(caught.value)
    assert conflict.who == "Ana"
    assert conflict.at is not None
    assert datetime.now(UTC) - conflict.at < timedelta(minutes=1)
    assert conflict.fields == (
        FieldChange(name="pick_date", before="2026-09-07", after="2026-09-10"),
    )
    settle(conflict, farm, who="Ben")
    assert farm.blocks() == (mine,)
    assert [(one.who, one.kind) for one in farm.changes()] == [
        ("Ben", ThingKind.BLOCK),
        ("Ana", ThingKind.BLOCK),
        ("Ana", ThingKind.BLOCK),
    ]


def test_a_conflict_that_is_settled_late_is_a_conflict_again(farm: FarmStore) -> None:
    save_block(BLOCK, None, farm, who="Ana")
    second = save_block(replace(BLOCK, missing=20), BLOCK, farm, who="Ana")
    with pytest.raises(ConflictError) as caught:
        save_block(replace(BLOCK, missing=30), BLOCK, farm, who="Ben")
    save_block(replace(second, missing=21), second, farm, who="Ana")
    with pytest.raises(ConflictError) as again:
        settle(conflict_of(caught.value), farm, who="Ben")
    assert conflict_of(again.value).fields == (FieldChange(name="missing", before=21, after=30),)
    settle(conflict_of(again.value), farm, who="Ben")
    assert farm.blocks()[0].missing == 30


def test_a_new_block_whose_name_is_taken_is_refused_and_the_other_one_stays(
    farm: FarmStore,
) -> None:
    kept = save_block(replace(BLOCK, area_ha=2.5), None, farm, who="Ana")
    with pytest.raises(FieldDataError, match="There is a block 'Gala North' already") as caught:
        save_block(replace(BLOCK, positions=900, area_ha=None), None, farm, who="Ben")
    assert not isinstance(caught.value, ConflictError)
    assert farm.blocks() == (kept,)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"missing": -5}, "missing trees -5"),
        ({"positions": -5}, "tree positions -5"),
        ({"positions": 0}, "no tree positions"),
        ({"row_spacing_m": -0.5}, "distance between rows -0.5"),
        ({"target_diameter_mm": 700.0}, "700 mm is no apple's"),
        ({"block_id": "x" * 61}, "61 letters"),
    ],
)
def test_a_block_that_makes_no_sense_is_refused_in_words(
    farm: FarmStore, change: dict[str, object], said: str
) -> None:
    with pytest.raises(FieldDataError, match=said):
        save_block(replace(BLOCK, **change), None, farm, who="Ana")
    assert not farm.blocks()


def test_a_block_with_a_long_name_that_is_there_already_can_be_corrected(farm: FarmStore) -> None:
    old = replace(BLOCK, block_id="x" * 200)
    farm.save_blocks([old])
    assert save_block(replace(old, missing=3), old, farm, who="Ana").missing == 3


def test_a_block_is_taken_off_with_all_that_hangs_on_it_and_a_word_of_who_did_it(
    farm: FarmStore,
) -> None:
    other = replace(BLOCK, block_id="Fuji Slope")
    farm.save_blocks([BLOCK, other])
    count = records.hand_count(1, 60)
    farm.save_hand_counts([count])
    farm.save_tree_photos([records.tree_photo(1, "A", "a" * 64)])
    hanging = farm.hanging_on(BLOCK.block_id)
    assert hanging == {"hand_count": 1, "tree_photo": 1}
    assert not farm.hanging_on(other.block_id)
    # Somebody counts one more tree while this person reads what goes.
    farm.save_hand_counts([records.hand_count(2, 55)])
    with pytest.raises(StoreError, match="meanwhile"):
        take_block_off(BLOCK.block_id, hanging, farm, who="Ana")
    assert BLOCK in farm.blocks()
    take_block_off(BLOCK.block_id, farm.hanging_on(BLOCK.block_id), farm, who="Ana")
    assert farm.blocks() == (other,)
    assert not farm.hanging_on(BLOCK.block_id)
    assert not farm.hand_counts()
    (change,) = farm.changes(kind=ThingKind.BLOCK)
    assert (change.who, change.about, change.after) == ("Ana", BLOCK.block_id, None)
    kept = change.before or {}
    assert kept["positions"] == BLOCK.positions
    assert [row["fruit_count"] for row in kept["hanging"]["hand_count"]] == [60, 55]


def test_no_block_is_taken_off_while_photos_are_measured(farm: FarmStore) -> None:
    farm.save_blocks([BLOCK])
    farm.ask_job(JobKind.LOAD, by="Ana", at=datetime(2026, 8, 14, tzinfo=UTC), folder="walk")
    with pytest.raises(FieldDataError, match="being measured"):
        take_block_off(BLOCK.block_id, {}, farm, who="Ana")
    assert farm.blocks() == (BLOCK,)


def test_what_two_changes_make_together_must_make_sense(farm: FarmStore) -> None:
    small = replace(BLOCK, positions=100, missing=0, pollinizers=0)
    save_block(small, None, farm, who="Ana")
    theirs = save_block(replace(small, missing=60), small, farm, who="Ana")
    with pytest.raises(FieldDataError, match="leave no bearing tree"):
        save_block(replace(small, pollinizers=50), small, farm, who="Ben")
    assert farm.blocks() == (theirs,)


def test_a_block_without_a_name_or_with_one_that_is_nearly_taken_is_refused(
    farm: FarmStore,
) -> None:
    save_block(BLOCK, None, farm, who="Ana")
    for name in ("  ", "gala  NORTH"):
        with pytest.raises(FieldDataError):
            save_block(replace(BLOCK, block_id=name), None, farm, who="Ana")
    assert farm.blocks() == (BLOCK,)


# ---------------------------------------------------------------- counts, calipers, picks, farm


def count(fruit: int) -> HandCount:
    return HandCount(tree=records.tree_id(9), fruit_count=fruit, counted_on=DAY)


def test_two_counts_of_one_tree_and_day_are_a_conflict(farm: FarmStore) -> None:
    save_hand_count(count(61), None, farm, who="Ana")
    save_hand_count(count(61), None, farm, who="Ben")
    with pytest.raises(ConflictError) as caught:
        save_hand_count(count(64), None, farm, who="Ben")
    conflict = conflict_of(caught.value)
    assert conflict.theirs == count(61)
    assert conflict.fields == (FieldChange(name="fruit_count", before=61, after=64),)
    assert farm.present(kept_hand_count(records.tree_id(9), DAY, Protocol.TWO_FACES)) == count(61)
    settle(conflict, farm, who="Ben")
    assert farm.hand_counts() == (count(64),)
    # Who saw 64 corrects it without a question.
    save_hand_count(count(65), count(64), farm, who="Ana")
    assert farm.hand_counts() == (count(65),)


def caliper(mm: float, name: str = "") -> CaliperReading:
    return CaliperReading(tree=records.tree_id(3), measured_on=DAY, diameter_mm=mm, fruit=name)


def test_a_set_of_calipers_is_one_entry(farm: FarmStore) -> None:
    tree = records.tree_id(3)
    first = (caliper(70.5), caliper(71.0), caliper(64.0, "red tag"))
    save_calipers(first, (), farm, tree=tree, measured_on=DAY, who="Ana")
    assert calipers_of(tree, DAY, farm) == first
    with pytest.raises(ConflictError) as caught:
        save_calipers((caliper(69.0),), (), farm, tree=tree, measured_on=DAY, who="Ben")
    assert calipers_of(tree, DAY, farm) == first
    settle(conflict_of(caught.value), farm, who="Ben")
    assert calipers_of(tree, DAY, farm) == (caliper(69.0),)
    save_calipers((), (caliper(69.0),), farm, tree=tree, measured_on=DAY, who="Ben")
    assert calipers_of(tree, DAY, farm) == ()
    latest = farm.changes(kind=ThingKind.CALIPERS)[0]
    assert (latest.before, latest.after) == ({"calipered": [["", 69.0]]}, None)


def passes(day: int) -> PickPlan:
    return PickPlan(picks=(Pick(pick_date=date(2026, 9, day)),))


def room(bins: int) -> ColdRoom:
    return ColdRoom(name="North", bins=bins)


def note(left_bins: float) -> SeasonNote:
    return SeasonNote(block_id="Gala North", season=2026, left_bins=left_bins)


def larkhill(ruler_mm: float) -> Farm:
    settings = Settings(ruler_measured_mm=ruler_mm)
    return Farm(name="Larkhill", settings_text=settings_to_text(settings))


# Of each kind that several people change: how it is kept, and three that don't agree.
KEPT = {
    "kept_farm": (Farm(name=""), [*map(larkhill, (148.0, 149.0, 151.0))]),
    "kept_block": ("Gala North", [replace(BLOCK, missing=n) for n in (1, 2, 3)]),
    "kept_hand_count": ((records.tree_id(9), DAY, Protocol.TWO_FACES), [*map(count, (61, 62, 63))]),
    "kept_calipers": ((records.tree_id(3), DAY), [(caliper(mm),) for mm in (70.0, 71.0, 72.0)]),
    "kept_pick_plan": ("Gala North", [*map(passes, (3, 7, 10))]),
    "kept_cold_room": ("North", [*map(room, (200, 300, 400))]),
    "kept_season_note": (("Gala North", 2026), [*map(note, (4.0, 5.0, 6.0))]),
}


@pytest.mark.parametrize("how", [name for name in vars(things) if name.startswith("kept_")])
def test_mine_is_kept_of_every_kind_that_two_people_change(farm: FarmStore, how: str) -> None:
    named, (first, theirs, mine) = KEPT[how]
    kept = getattr(things, how)(*(named if isinstance(named, tuple) else (named,)))
    farm.save_blocks([BLOCK])
    seen = farm.present(kept)
    farm.save_seen(kept, seen, first, who="Ana", at=now_utc())
    farm.save_seen(kept, first, theirs, who="Ana", at=now_utc())
    with pytest.raises(ConflictError) as caught:
        farm.save_seen(kept, first, mine, who="Ben", at=now_utc())
    settle(conflict_of(caught.value), farm, who="Ben")
    assert farm.present(kept) == mine
    assert farm.changes(kind=kept.kind, about=kept.about, most=1)[0].who == "Ben"
    if how != "kept_farm":  # Nobody takes the farm out.
        with pytest.raises(ConflictError) as caught:
            farm.save_seen(kept, theirs, None, who="Ana", at=now_utc())
        settle(conflict_of(caught.value), farm, who="Ana")
        assert farm.present(kept) is None


def test_a_conflict_of_a_kind_that_nobody_can_settle_touches_nothing(farm: FarmStore) -> None:
    strange = Conflict(
        kind=ThingKind.TABLE, about="Gala North", theirs=BLOCK, mine=BLOCK, fields=()
    )
    with pytest.raises(KeyError):
        settle(strange, farm, who="Ben")
    assert farm.blocks() == ()


def test_name_and_settings_of_the_farm_are_changed_apart(farm: FarmStore) -> None:
    seen = farm.farm()
    rename_farm(" Larkhill ", seen, farm, who="Ana")
    set_ruler(148.0, seen, farm, who="Ben")
    set_units(UnitSystem.US, seen, farm, who="Cy")
    kept = settings_of(farm.farm())
    assert (farm.farm_name, kept.ruler_measured_mm, kept.units) == ("Larkhill", 148.0, "us")
    with pytest.raises(ConflictError) as caught:
        set_ruler(147.0, seen, farm, who="Ana")
    conflict = conflict_of(caught.value)
    assert conflict.fields == (FieldChange(name="ruler_measured_mm", before=148.0, after=147.0),)
    settle(conflict, farm, who="Ana")
    kept = settings_of(farm.farm())
    assert (farm.farm_name, kept.ruler_measured_mm, kept.units) == ("Larkhill", 147.0, "us")
    with pytest.raises(FieldDataError):
        rename_farm(" ", seen, farm, who="Ana")


# ---------------------------------------------------------------- the record of changes


def test_changes_tell_who_when_what_before_and_after(farm: FarmStore) -> None:
    save_block(BLOCK, None, farm, who="Ana")
    save_block(replace(BLOCK, missing=30), BLOCK, farm, who="Ben")
    save_block(replace(BLOCK, missing=30), BLOCK, farm, who="Ben")
    save_hand_count(count(61), None, farm, who="Ana")
    latest, corrected, first = farm.changes()
    assert (latest.kind, latest.who) == (ThingKind.HAND_COUNT, "Ana")
    assert (first.before, corrected.who) == (None, "Ben")
    assert corrected.fields == (FieldChange(name="missing", before=10, after=30),)
    assert corrected.at.utcoffset() == timedelta(0)
    assert farm.changes(about="Gala North") == (corrected, first)
    assert farm.changes(kind=ThingKind.HAND_COUNT) == (latest,)
    assert farm.changes(most=1) == (latest,)


def test_tables_are_kept_with_who_loaded_them(farm: FarmStore, tmp_path: Path) -> None:
    save_block(replace(BLOCK, positions=3, missing=0, pollinizers=0), None, farm, who="Ana")
    register, picks = tmp_path / "register.csv", tmp_path / "picks.csv"
    places = "".join(f"Gala North,1,{place}\n" for place in (1, 2, 3))
    register.write_text(f"block,row,position\n{places}")
    picks.write_text("block,pick_date\nGala North,2026-09-07\n")
    for _ in range(2):
        paths = {"register": register, "picks": picks}
        load_tables(paths, farm, farm.blocks(), who="Ben")
    told = [(one.kind, one.about, one.who) for one in reversed(farm.changes())]
    assert told == [
        (ThingKind.BLOCK, "Gala North", "Ana"),
        (ThingKind.PICK_PLAN, "Gala North", "Ben"),
        (ThingKind.TABLE, "register", "Ben"),
        (ThingKind.TABLE, "register", "Ben"),
    ]
    assert farm.changes()[0].after == {"rows": 3}


# ---------------------------------------------------------------- many at once


def _correct_until_kept(folder: Path, who: str, first: int, times: int) -> int:
    """Correct the missing trees so many times, as a person who looks again at a conflict.

    To numbers of the person's own: who saves what another one saved already changes nothing.
    """
    asked_again = 0
    with open_farm(folder) as store:
        for number in range(first, first + times):
            while True:
                (seen,) = store.blocks()
                try:
                    save_block(replace(seen, missing=number), seen, store, who=who)
                    break
                except ConflictError:
                    asked_again += 1
    return asked_again


def _count_trees(folder: Path, who: str, row: int) -> None:
    with open_farm(folder) as store:
        for position in range(1, 16):
            tree = replace(records.tree_id(position), row=row)
            one = HandCount(tree=tree, fruit_count=row, counted_on=DAY)
            save_hand_count(one, None, store, who=who)


def test_threads_and_processes_that_write_at_once_lose_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "farm"
    with open_farm(folder) as store:
        store.save_blocks([replace(BLOCK, missing=0)])
    with (
        ThreadPoolExecutor(4) as threads,
        ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as processes,
    ):
        tasks = [processes.submit(_count_trees, folder, f"P{row}", row) for row in (1, 2)]
        tasks += [threads.submit(_count_trees, folder, f"T{row}", row) for row in (3, 4)]
        fixed = [
            threads.submit(_correct_until_kept, folder, name, first, 10)
            for name, first in (("Ana", 1), ("Ben", 21))
        ]
        for task in (*tasks, *fixed):
            task.result(timeout=120)
    with open_farm(folder) as store:
        assert store.blocks()[0].missing in (10, 30)
        assert len(store.hand_counts()) == 4 * 15
        by_who = [one.who for one in store.changes(kind=ThingKind.BLOCK)]
        assert (by_who.count("Ana"), by_who.count("Ben")) == (10, 10)
        assert len(store.changes(kind=ThingKind.HAND_COUNT)) == 4 * 15


def test_positions_are_those_of_the_register_where_there_is_one(farm: FarmStore) -> None:
    block = replace(BLOCK, positions=3, missing=0, pollinizers=0)
    save_block(block, None, farm, who="Ana")
    farm.save_register(
        RegisteredTree(tree=TreeId(block.block_id, 1, position)) for position in (1, 2, 3)
    )
    with pytest.raises(FieldDataError, match="register lists 3 places, the block has 4"):
        save_block(replace(block, positions=4), block, farm, who="Ana")
    kept = save_block(replace(block, target_diameter_mm=75.0), block, farm, who="Ana")
    assert kept.target_diameter_mm == 75.0


def test_a_walk_is_loaded_with_who_brought_it_and_again_changes_nothing(
    farm: FarmStore, tmp_path: Path
) -> None:
    folder = tmp_path / "walk"
    folder.mkdir()
    Image.new("RGB", (64, 48), (90, 90, 90)).save(folder / "a.png")
    tables = {
        "blocks": f"block,variety,positions,missing\n{records.BLOCK_ID},Gala,900,4\n",
        "walk": f"photo,block,row,position,face\na.png,{records.BLOCK_ID},1,4,A\n",
        "hand_counts": "block,row,position,fruit_count,counted_on\n"
        f"{records.BLOCK_ID},1,4,61,2026-08-12\n",
        "calipers": "block,row,position,measured_on,fruit,diameter_mm\n"
        + "".join(f"{records.BLOCK_ID},1,4,2026-08-12,{tag},70\n" for tag in (2, 1)),
    }
    for name, rows in tables.items():
        (folder / f"{name}.csv").write_text(rows, encoding="utf-8")
    before = len(farm.changes())
    for _ in range(2):
        brought = Brought(who="Ines", walked_on=records.WALK)
        load_walk(folder, farm, settings=Settings(), brought=brought)
        found = farm.changes()[: len(farm.changes()) - before]
        assert [one.who for one in found] == ["Ines"] * 4
        assert [one.kind for one in reversed(found)] == [
            ThingKind.BLOCK,
            ThingKind.CALIPERS,
            ThingKind.TABLE,
            ThingKind.HAND_COUNT,
        ]
