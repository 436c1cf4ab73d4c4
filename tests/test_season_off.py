"""A season deleted for good: what goes, what stays, and that no trace of it is left in any file."""

from __future__ import annotations

import hashlib
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from fruitvision.archive import make_archive, restore_archive
from fruitvision.domain import (
    HandCount,
    JobKind,
    JobState,
    PointedReference,
    ReferenceKind,
    RemovedFruit,
    ThingKind,
    TreeId,
    TreeKind,
    TreePhoto,
)
from fruitvision.errors import FieldDataError, StoreError
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.block_entries import take_block_off
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.references import keep_pointed
from fruitvision.pipeline.season import season_days, season_holds, take_season_off
from fruitvision.pipeline.walking import say_found
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from fruitvision.store.season_off import _DATED_KINDS
from tests.test_archive import picture
from tests.test_bad_input import run
from tests.walked_farm import SETTINGS, add_good_block, add_hand_counts, add_walk, trees_of

AT = datetime(2026, 8, 13, 8, 0, tzinfo=UTC)
MADE_ON = date(2026, 8, 20)
SEASON = season_days(2026)
LAST_YEAR = date(2025, 8, 12)
# A note that nothing else can hold by chance.
TRACE = "Quillwort"


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seasons of a block; in the second one a photo file, edits, jobs and a corrected count."""
    base = tmp_path_factory.mktemp("pattern")
    with open_farm(base / "farm") as store:
        add_good_block(store, "Hill")
        trees = add_walk(store, "Hill", day=LAST_YEAR)
        add_hand_counts(store, trees, day=LAST_YEAR)
        tree = TreeId("Hill", 1, 1)
        count = HandCount(tree=tree, fruit_count=61, counted_on=date(2026, 8, 12))
        seen = next(
            one
            for one in store.hand_counts("Hill")
            if one.tree == tree and one.counted_on.year == 2026
        )
        save_hand_count(count, seen, store, who=TRACE)
        say_found(store, tree, TreeKind.BEARING, on=date(2026, 8, 12), who=TRACE)
        say_found(store, tree, TreeKind.BEARING, on=LAST_YEAR, who="Ana")
        photo = sent_photo(store, base, 1, f"{TRACE}.jpg")
        store.save_tree_photos(
            [
                TreePhoto(
                    tree=trees_of("Hill")[0],
                    face="A",
                    photo_id=photo,
                    walked_on=date(2026, 8, 12),
                    place=2,
                )
            ]
        )
        ball = PointedReference(
            kind=ReferenceKind.BALL, size_mm=70.0, box_px=(1.0, 2.0, 41.0, 42.0)
        )
        keep_pointed(photo, [ball], store, who=TRACE)
        keep_pointed("f" * 64, [ball], store, who="Ana")  # Of no photo of this season.
        edit = RemovedFruit(x_px=7.0, y_px=9.0)
        store.save_photo_edits(photo, [edit], made_by=TRACE, made_at=AT)
        # Sent in this season, and taken off its tree again.
        store.take_photo_off(sent_photo(store, base, 2, f"{TRACE} 2.jpg"))
    return base / "farm"


def sent_photo(store: FarmStore, base: Path, number: int, name: str) -> str:
    """A photo file that came in through the app."""
    content = picture(number)
    photo_id = hashlib.sha256(content).hexdigest()
    (base / "IMG.jpg").write_bytes(content)
    store.keep_photo(base / "IMG.jpg", photo_id)
    thumbnail = store.folder / "thumbnails" / f"{photo_id}.jpg"
    thumbnail.parent.mkdir(exist_ok=True)
    thumbnail.write_bytes(content)
    job = store.ask_job(JobKind.MEASURE, by=TRACE, at=AT, names={photo_id: name})
    store.close_job(job.number, JobState.DONE, at=AT)
    return photo_id


@pytest.fixture
def folder(pattern: Path, tmp_path: Path) -> Path:
    shutil.copytree(pattern, tmp_path / "farm")
    return tmp_path / "farm"


def take(store: FarmStore) -> None:
    holds = season_holds(store, *SEASON)
    taken = take_season_off(store, *SEASON, expected=holds, about="2026", who="Ines")
    assert taken.traceless


def content_of(folder: Path) -> bytes:
    """All bytes of all files, and their names."""
    paths = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return b"".join(str(path.relative_to(folder)).encode() + path.read_bytes() for path in paths)


def test_what_would_go_is_told_in_numbers(folder: Path) -> None:
    with open_farm(folder) as store:
        holds = season_holds(store, *SEASON)
        # 12 trees with two faces, one photo from a second place, one that shows no tree any longer.
        assert len(holds.photo_ids) == 24 + 1 + 1
        assert holds.rows == {
            "tree_photo": 25,
            "hand_count": 6,
            "caliper_reading": 160,
            "visited_place": 1,
            "measurement": 24,
            "photo_edit": 1,
            "pointed_reference": 1,
            "fruit": sum(len(one.fruit) for one in store.measured_photos()) // 2,
        }
        assert (holds.jobs, holds.changes) == (2, 3)
        with pytest.raises(FieldDataError, match="holds nothing from 2024-01-01"):
            season_holds(store, *season_days(2024))


def test_no_trace_of_the_season_is_left_in_any_file_and_the_other_stays(folder: Path) -> None:
    with open_farm(folder) as store:
        table = load_size_table("classes_5mm")
        forecast, _ = forecast_farm(store, table, SETTINGS, made_on=MADE_ON)
        photos = season_holds(store, *SEASON).photo_ids
        others = {one.photo_id for one in store.tree_photos()} - photos
        before = content_of(folder)
        assert all(photo.encode() in before for photo in photos)
        assert TRACE.encode() in before
        assert list((folder / "worked-out").iterdir())
        take(store)
        after = content_of(folder)
        assert [photo for photo in photos if photo.encode() in after] == []
        assert TRACE.encode() not in after
        assert b'"fruit_count": 61' not in after
        assert {path.name for path in (folder / "photos").iterdir()} == set()
        assert {path.name for path in (folder / "thumbnails").iterdir()} == set()
        # The season before, the block and the forecast are as they were.
        assert {one.photo_id for one in store.tree_photos()} == others
        assert {one.photo.photo_id for one in store.measured_photos()} == others
        assert [one.counted_on for one in store.hand_counts()] == [LAST_YEAR] * 6
        assert [one.block_id for one in store.blocks()] == ["Hill"]
        assert store.forecasts() == (forecast,)
        assert store.jobs() == ()
        # Of entries what is of the year before.
        noted, *others = store.changes()
        assert {one.who for one in others} == {"Ana"}
        assert [one.kind for one in others] == [ThingKind.REFERENCES, ThingKind.PLACE]
        assert (noted.kind, noted.about, noted.who) == (ThingKind.SEASON, "2026", "Ines")
        assert noted.before is not None
        assert (noted.before["photos"], noted.before["hand_count"]) == (26, 6)


def test_of_every_kind_of_change_it_is_said_whether_a_season_takes_it_along() -> None:
    stays = {ThingKind.FARM, ThingKind.BLOCK, ThingKind.COLD_ROOM, ThingKind.LENS}
    stays |= {ThingKind.ACCOUNT, ThingKind.TABLE, ThingKind.SEASON, ThingKind.LEARNED}
    stays |= {ThingKind.PICK_PLAN, ThingKind.PASS, ThingKind.HARVEST_REST, ThingKind.SEASON_NOTE}
    assert {*_DATED_KINDS, ThingKind.REFERENCES} == set(ThingKind) - stays


def test_what_was_noted_of_a_block_that_was_taken_off_goes_as_well(folder: Path) -> None:
    with open_farm(folder) as store:
        take_block_off("Hill", store.hanging_on("Hill"), store, who="Ines")
        take(store)
        (block,) = store.changes(kind=ThingKind.BLOCK)
        assert block.before is not None
        hanging = block.before["hanging"]
        assert isinstance(hanging, dict)
        assert {row["walked_on"] for row in hanging["tree_photo"]} == {"2025-08-12"}
        assert {row["counted_on"] for row in hanging["hand_count"]} == {"2025-08-12"}
        assert "caliper_reading" not in hanging


def test_an_archive_from_before_gives_the_same_numbers_again(folder: Path, tmp_path: Path) -> None:
    table = load_size_table("classes_5mm")
    with open_farm(folder) as store:
        before, _ = forecast_farm(store, table, SETTINGS, made_on=MADE_ON)
        make_archive(folder, tmp_path / "farm.zip", program_version="0", made_at=AT)
        take(store)
    restore_archive(tmp_path / "farm.zip", tmp_path / "again")
    with open_farm(tmp_path / "again") as store:
        after, _ = forecast_farm(store, table, SETTINGS, made_on=MADE_ON)
        assert after == before
        assert len(season_holds(store, *SEASON).photo_ids) == 26


def test_rows_stay_where_a_file_cannot_go(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    with open_farm(folder) as store:
        holds = season_holds(store, *SEASON)
        with monkeypatch.context() as patched:
            patched.setattr(Path, "unlink", refuse)
            with pytest.raises(StoreError, match="Can't delete"):
                take(store)
        assert season_holds(store, *SEASON) == holds
        take(store)


def test_something_new_and_running_work_are_said_first(folder: Path) -> None:
    with open_farm(folder) as store:
        told = season_holds(store, *SEASON)
        count = HandCount(tree=TreeId("Hill", 9, 9), fruit_count=70, counted_on=date(2026, 8, 14))
        store.save_hand_counts([count])
        with pytest.raises(StoreError, match="added or taken off meanwhile"):
            take_season_off(store, *SEASON, expected=told, about="2026", who="Ines")
        store.ask_job(JobKind.MEASURE, by="Ines", at=AT)
        with pytest.raises(FieldDataError, match="being measured"):
            take(store)


def test_the_command_asks_first(folder: Path) -> None:
    status, text = run("season", "delete", "2026", "--farm", str(folder))
    assert status == 2
    assert "26 photos" in text
    assert "6 hand counts" in text
    assert "archive make" in text
    assert "add --yes" in text
    with open_farm(folder) as store:
        assert len(store.hand_counts()) == 12
    status, text = run("season", "delete", "2026", "--farm", str(folder), "--yes", "--by", "Ines")
    assert status == 0, text
    assert "Deleted, with 2 photo files." in text
    status, text = run("season", "delete", "2026", "--farm", str(folder), "--yes")
    assert status == 2
    assert "holds nothing from 2026-01-01 to 2026-12-31" in text
    status, text = run("season", "delete", "26", "--farm", str(folder), "--yes")
    assert status == 2
    assert "26 is no season" in text


def test_a_season_over_new_year_is_named_by_its_days(folder: Path) -> None:
    days = ("--first", "2025-08-01", "--last", "2026-08-12")
    status, text = run("season", "delete", "2026", "--farm", str(folder), *days)
    assert status == 2
    # The photo that shows no tree came in a day later.
    assert "2025-08-01 to 2026-08-12: 49 photos" in text
    assert "12 hand counts" in text
    status, text = run(
        "season",
        "delete",
        "2026",
        "--farm",
        str(folder),
        "--first",
        "2026-09-01",
        "--last",
        "2026-08-01",
    )
    assert status == 2
    assert "before it begins on 2026-09-01" in text


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (("--first", "2020-01-01"), "more than one season"),
        (("--first", "2025-10-01"), "more than one season"),
        (("--first", "2024-10-01", "--last", "2025-06-30"), "has no day in 2026"),
    ],
)
def test_no_days_but_those_of_one_season_go_under_its_name(
    folder: Path, days: tuple[str, ...], words: str
) -> None:
    status, told = run("season", "delete", "2026", "--farm", str(folder), *days, "--yes")
    assert status == 2
    assert words in " ".join(told.split())
