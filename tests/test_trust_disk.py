"""A full disk, a folder that can't be written, a cut of power: said in words, nothing half-written.

Each act on a full disk is refused with what to do, leaves what was there as it was, and works once
there is room.
"""

from __future__ import annotations

import errno
import hashlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from argon2 import PasswordHasher
from PIL import Image
from sqlalchemy import event

from fruitvision.accounts import AccountBook, Role, book
from fruitvision.archive import make_archive, restore_archive
from fruitvision.cli import main
from fruitvision.domain import JobKind
from fruitvision.errors import FruitVisionError, StoreError
from fruitvision.export import write_forecast_csv, write_forecast_json, write_forecast_xlsx
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.farm_entries import rename_farm
from fruitvision.store import DATABASE_NAME, FarmStore, open_farm
from fruitvision.store.tables import SCHEMA
from fruitvision.thumbnail import thumbnail
from fruitvision.whole_file import write_whole
from fruitvision.work import keep_working
from tests import records
from tests.disks import fill_up, larger, small_disk, unwritable
from tests.quick_farms import real_farms
from tests.test_archive import picture
from tests.test_harvest import kept, three_passes
from tests.test_migrations import farm_of_then

pytestmark = pytest.mark.usefixtures("season_over")

AT = datetime(2026, 9, 1, 7, 30, tzinfo=UTC)
# Room for a farm with all its tables, bytes.
DISK_BYTES = 4 << 20


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "disk", DISK_BYTES) as found:
        yield found


@pytest.fixture
def farm(disk: Path) -> Iterator[FarmStore]:
    with open_farm(disk / "farm") as store:
        store.save_blocks([records.block()])
        yield store


def _photo(folder: Path, size: int) -> tuple[Path, str]:
    content = picture(1) + bytes(size)
    path = folder / "IMG_1.jpg"
    path.write_bytes(content)
    return path, hashlib.sha256(content).hexdigest()


def _measured(store: FarmStore, number: int = 40) -> None:
    fruit = [records.fruit(one) for one in range(60)]
    store.save_measured_photos(
        replace(
            records.measured(hashlib.sha256(bytes([one])).hexdigest()),
            fruit=tuple(
                replace(each, photo_id=hashlib.sha256(bytes([one])).hexdigest()) for each in fruit
            ),
        )
        for one in range(number)
    )


def _in_words(act: Callable[[], Any]) -> None:
    with pytest.raises(FruitVisionError) as caught:
        act()
    told = f"{caught.value.what} {caught.value.fix}"
    assert ".part" not in told
    assert any(word in caught.value.fix.lower() for word in ("room", "write", "written")), told


def _hidden(folder: Path) -> list[Path]:
    return list(folder.rglob(".*.part"))


# ---------------------------------------------------------------- full


def test_a_photo_is_kept_whole_or_not_at_all(farm: FarmStore, disk: Path, tmp_path: Path) -> None:
    path, photo_id = _photo(tmp_path, 200_000)
    filler = fill_up(disk, left_bytes=100_000)
    _in_words(lambda: farm.keep_photo(path, photo_id))
    assert list((farm.folder / "photos").iterdir()) == []
    filler.unlink()
    farm.keep_photo(path, photo_id)
    assert hashlib.sha256(farm.photo_path(photo_id).read_bytes()).hexdigest() == photo_id


def test_results_are_kept_all_or_none(farm: FarmStore, disk: Path) -> None:
    filler = fill_up(disk, left_bytes=30_000)
    _in_words(lambda: _measured(farm))
    assert farm.measured_photos() == ()
    filler.unlink()
    _measured(farm)
    assert sum(len(one.fruit) for one in farm.measured_photos()) == 40 * 60


def test_settings_and_entries_stay_as_they_were(farm: FarmStore, disk: Path) -> None:
    before = farm.farm()
    filler = fill_up(disk)

    def rename_on_and_on() -> None:
        """Rows that fit into pages which are there are kept: what matters is all or nothing."""
        for number in range(400):
            rename_farm(f"{number} " + "long " * 500, farm.farm(), farm, who="Ana")

    _in_words(rename_on_and_on)
    kept_name = farm.farm().name
    assert len(farm.changes()) == (0 if kept_name == before.name else int(kept_name.split()[0]) + 1)
    filler.unlink()
    save_block(replace(records.block(), missing=4), records.block(), farm, who="Ana")
    assert farm.blocks()[0].missing == 4


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A walk of six photos without leaves, of some 90 kB each."""
    folder = tmp_path_factory.mktemp("walk")
    lines = []
    for number in range(6):
        grey = np.random.default_rng(number).integers(90, 150, (240, 320), dtype=np.uint8)
        Image.fromarray(grey).convert("RGB").save(folder / f"{number}.png")
        lines.append(f"{number}.png,Gala North,1,{number + 1},A")
    (folder / "walk.csv").write_text("\n".join(["photo,block,row,position,face", *lines]))
    (folder / "blocks.csv").write_text("block,variety,positions\nGala North,Gala,90\n")
    (folder / "hand_counts.csv").write_text(
        "block,row,position,fruit_count,counted_on,protocol\n"
        "Gala North,1,1,90,2026-08-12,two faces\n"
    )
    return folder


def _loaded(walk: Path, farm: Path) -> int:
    given = ["--detector", "classical", "--walked-on", "2026-08-12", "--workers", "1"]
    return main(["load", str(walk), "--farm", str(farm), *given])


def _all_of(farm: Path) -> tuple[object, ...]:
    with open_farm(farm, create=False) as store:
        measured = sorted(store.measured_photos(), key=lambda one: one.photo.photo_id)
        placed = sorted(store.tree_photos(), key=lambda one: one.photo_id)
        photos = sorted(path.name for path in (farm / "photos").iterdir())
        return store.blocks(), store.hand_counts(), measured, placed, photos


@pytest.fixture(scope="module")
def undisturbed(walk: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[object, ...]:
    farm = tmp_path_factory.mktemp("undisturbed") / "farm"
    assert _loaded(walk, farm) == 0
    return _all_of(farm)


# Full before there is a farm, in its tables, before what is measured, and at a photo.
@pytest.mark.parametrize("room_kb", [4, 200, 340, 520, 700])
def test_a_whole_load_says_that_the_disk_is_full_and_goes_on_where_there_is_room(
    room_kb: int,
    walk: Path,
    undisturbed: tuple[object, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with small_disk(tmp_path / "disk", room_kb << 10) as disk:
        assert _loaded(walk, disk / "farm") == 2
        told = capsys.readouterr().err
        assert "full" in told or "No space left on device" in told
        assert "the disk has room" in told
        assert _hidden(disk) == []
        larger(disk, 16 << 20)
        assert _loaded(walk, disk / "farm") == 0
        assert _all_of(disk / "farm") == undisturbed


@pytest.mark.parametrize(
    "write",
    [write_forecast_csv, write_forecast_json, write_forecast_xlsx],
    ids=lambda one: one.__name__,
)
def test_a_file_that_leaves_is_the_old_one_or_the_new_one(
    write: Callable[..., object], disk: Path
) -> None:
    target = disk / "out" / "forecast.file"
    forecast = kept([three_passes()])
    write(forecast, target)
    before = target.read_bytes()
    filler = fill_up(disk)
    other = replace(forecast, farm="Another " * 4000)
    _in_words(lambda: write(other, target))
    assert target.read_bytes() == before
    assert _hidden(disk) == []
    filler.unlink()
    write(other, target)
    assert target.read_bytes() != before


def test_an_archive_is_whole_or_the_one_before_stays(
    farm: FarmStore, disk: Path, tmp_path: Path
) -> None:
    out = disk / "farm.zip"

    def make() -> None:
        make_archive(farm.folder, out, program_version="0", made_at=AT)

    make()
    before = out.read_bytes()
    filler = fill_up(disk, left_bytes=50_000)
    _in_words(make)
    assert out.read_bytes() == before
    assert _hidden(disk) == []
    filler.unlink()
    make()
    restore_archive(out, tmp_path / "restored")
    # Nothing of it is unpacked where there is no room.
    fill_up(disk, left_bytes=100_000)
    _in_words(lambda: restore_archive(out, disk / "restored"))
    assert not (disk / "restored").exists()


def test_a_migration_is_made_whole_or_not_at_all(disk: Path) -> None:
    folder = disk / "old"
    folder.mkdir()
    rows = {"farm": [{"number": 1, "name": "Larkhill", "settings_text": ""}]}
    farm_of_then(folder / DATABASE_NAME, "fruitvision_0003", rows)
    filler = fill_up(disk, left_bytes=20_000)
    _in_words(lambda: open_farm(folder))
    filler.unlink()
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as read:
        found = read.execute("SELECT version_num FROM alembic_version").fetchone()
    assert found == ("fruitvision_0003",)
    with open_farm(folder) as store:
        assert store.farm_name == "Larkhill"
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as read:
        assert read.execute("SELECT version_num FROM alembic_version").fetchone() == (SCHEMA,)


def test_accounts_stay_as_they_were(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(book, "_hasher", lambda: cheap)
    accounts = AccountBook(disk)
    accounts.add("Ines", Role.MANAGER, "kettle moss lantern", at=AT)
    filler = fill_up(disk)
    _in_words(lambda: accounts.add("Teo", Role.SCOUT, "kettle moss lantern", at=AT))
    assert [one.name for one in accounts.accounts()] == ["Ines"]
    filler.unlink()
    accounts.add("Teo", Role.SCOUT, "kettle moss lantern", at=AT)


def test_small_pictures_cost_time_only(disk: Path, tmp_path: Path) -> None:
    path, _ = _photo(tmp_path, 0)
    fill_up(disk)
    assert thumbnail(path, disk / "small.jpg").startswith(b"\xff\xd8")


# ---------------------------------------------------------------- full, on any system


def test_a_file_that_finds_no_room_leaves_the_old_one_on_any_system(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "forecast.csv"
    write_forecast_csv(kept([three_passes()]), target)
    before = target.read_bytes()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left") as caught:
        write_forecast_csv(kept([three_passes("Other")]), target)
    assert caught.value.fix == "Make room on the disk and try again."
    assert target.read_bytes() == before
    assert _hidden(tmp_path) == []


def test_rows_that_find_no_room_are_kept_all_or_none_on_any_system(tmp_path: Path) -> None:
    """SQLite says of a database that may not grow what it says of a full disk."""
    with open_farm(tmp_path / "farm") as store:
        _measured(store, 1)

        def may_not_grow(connection: Any, _: object) -> None:
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {pages}")

        store.close()
        event.listen(store._engine, "connect", may_not_grow)
        _in_words(lambda: _measured(store))
        assert len(store.measured_photos()) == 1
        event.remove(store._engine, "connect", may_not_grow)
        store.close()
        _measured(store)
        assert len(store.measured_photos()) == 40


# ---------------------------------------------------------------- not to be written


def test_a_farm_in_a_folder_that_cannot_be_written_is_looked_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "farm"
    with open_farm(folder) as store:
        _measured(store, 2)
        store.save_blocks([records.block()])
        rename_farm("Larkhill", store.farm(), store, who="Ana")
        store.ask_job(JobKind.MEASURE, by="Ana", at=AT, names={})
    before = {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with unwritable(folder):
        with open_farm(folder, create=False) as store:
            assert store.farm_name == "Larkhill"
            assert len(store.measured_photos()) == 2
            assert store.changes()[0].who == "Ana"
            for act in (
                lambda: save_block(
                    replace(records.block(), missing=4), records.block(), store, who="B"
                ),
                lambda: _measured(store, 3),
                lambda: rename_farm("Other", store.farm(), store, who="B"),
            ):
                with pytest.raises(StoreError, match="folder can't be written here: you may look"):
                    act()
            assert not keep_working(store)
        assert main(["changes", "--farm", str(folder)]) == 0
        assert "Larkhill" in capsys.readouterr().out
        make_archive(folder, tmp_path / "farm.zip", program_version="0", made_at=AT)
    assert {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    restore_archive(tmp_path / "farm.zip", tmp_path / "again")
    with open_farm(tmp_path / "again") as store:
        assert store.farm_name == "Larkhill"
        rename_farm("Another", store.farm(), store, who="B")


def test_what_a_writer_has_not_moved_into_the_file_yet_is_read_along(tmp_path: Path) -> None:
    folder = tmp_path / "farm"
    with open_farm(folder) as writer:
        rename_farm("Larkhill", writer.farm(), writer, who="Ana")
        with unwritable(folder), open_farm(folder, create=False) as store:
            assert store.farm_name == "Larkhill"


def test_an_older_farm_is_not_brought_up_to_date_there_and_that_is_said(tmp_path: Path) -> None:
    rows = {"farm": [{"number": 1, "name": "Larkhill", "settings_text": ""}]}
    folder = tmp_path / "old"
    folder.mkdir()
    farm_of_then(folder / DATABASE_NAME, "fruitvision_0003", rows)
    with unwritable(folder), pytest.raises(StoreError, match="another version") as caught:
        open_farm(folder)
    assert "Copy the farm's folder" in caught.value.fix


# ---------------------------------------------------------------- a cut of power


def test_a_file_is_on_the_disk_before_its_name_and_its_name_before_anybody_hears_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """write, fsync of the file, rename, fsync of the folder, and of those that were made for it."""
    done: list[str] = []
    real_fsync, real_replace = os.fsync, os.replace

    def named(path: object) -> str:
        text = str(path)
        return "part" if text.endswith(".part") else os.path.relpath(text, tmp_path)

    def fsync(descriptor: int) -> None:
        path = os.readlink(f"/proc/self/fd/{descriptor}")
        content = Path(path).read_bytes() if Path(path).is_file() else b""
        done.append(f"fsync {named(path)} {content.decode()}".strip())
        real_fsync(descriptor)

    def renamed(source: object, target: object) -> None:
        done.append(f"rename {named(source)} to {named(target)}")
        real_replace(str(source), str(target))

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", renamed)
    write_whole(tmp_path / "photos" / "2026" / "a.jpg", b"whole")
    assert done == [
        "fsync photos",
        "fsync .",
        "fsync part whole",
        "rename part to photos/2026/a.jpg",
        "fsync photos/2026",
    ]


def test_every_commit_waits_for_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """WAL with synchronous FULL (2): NORMAL (1) would lose the last commits with the power."""
    real_farms(monkeypatch)
    with open_farm(tmp_path) as store, store._engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_a_restored_farm_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_farm(tmp_path / "farm") as store:
        path, photo_id = _photo(tmp_path, 0)
        store.keep_photo(path, photo_id)
    make_archive(tmp_path / "farm", tmp_path / "a.zip", program_version="0", made_at=AT)
    synced: list[str] = []
    real = os.fsync

    def fsync(descriptor: int) -> None:
        where = Path(os.readlink(f"/proc/self/fd/{descriptor}"))
        named = "again" if (tmp_path / "again").exists() else "part"
        synced.append(f"{named}: {where.name if where.suffix != '.part' else 'folder'}")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    restore_archive(tmp_path / "a.zip", tmp_path / "again")
    before = [one for one in synced if one.startswith("part")]
    assert {f"part: {DATABASE_NAME}", f"part: {photo_id}.jpg", "part: photos"} <= set(before)
    assert before[-1] == "part: folder"
    assert synced[-1].startswith("again: ")
