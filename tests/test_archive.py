"""A whole farm as one file and back: the same numbers, whole or not at all, nothing believed."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest

from fruitvision.accounts.book import ACCOUNTS_NAME
from fruitvision.accounts.sign_ins import SIGN_INS_NAME
from fruitvision.archive import make_archive, restore_archive
from fruitvision.archive.make import MadeArchive
from fruitvision.archive.manifest import MANIFEST_NAME, name_fits
from fruitvision.errors import StoreError
from fruitvision.pipeline import forecast_farm
from fruitvision.size_table import load_size_table
from fruitvision.store import DATABASE_NAME, FarmStore, open_farm
from tests.test_bad_input import run
from tests.walked_farm import SETTINGS, add_good_block

MADE_AT = datetime(2026, 8, 20, 9, 30, tzinfo=UTC)
MADE_ON = date(2026, 8, 20)


def picture(number: int) -> bytes:
    """A JPEG of its own for each number."""
    image = np.full((40, 60, 3), 17 * number % 255, np.uint8)
    return cv2.imencode(".jpg", image)[1].tobytes()


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm to copy."""
    base = tmp_path_factory.mktemp("pattern")
    with open_farm(base / "farm") as store:
        add_good_block(store, "Hill")
        for number in range(3):
            content = picture(number)
            file = base / "IMG.jpg"
            file.write_bytes(content)
            store.keep_photo(file, hashlib.sha256(content).hexdigest())
    return base / "farm"


@pytest.fixture
def folder(pattern: Path, tmp_path: Path) -> Path:
    shutil.copytree(pattern, tmp_path / "farm")
    return tmp_path / "farm"


def make(folder: Path, out: Path, *, photos: bool = True) -> MadeArchive:
    return make_archive(folder, out, program_version="0.2.0", made_at=MADE_AT, photos=photos)


def rows(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table."""
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as read:
        names = [
            name for (name,) in read.execute("SELECT name FROM sqlite_master WHERE type='table'")
        ]
        return {name: read.execute(f'SELECT * FROM "{name}"').fetchall() for name in names}  # noqa: S608


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (folder / "photos").iterdir()
    }


def forecast_id(store: FarmStore) -> str:
    table = load_size_table("classes_5mm")
    return forecast_farm(store, table, SETTINGS, made_on=MADE_ON)[0].forecast_id


def test_a_restored_farm_has_the_same_rows_photos_and_forecast(
    folder: Path, tmp_path: Path
) -> None:
    # The farm has no name of its own: it bears its folder's, also elsewhere.
    make(folder, tmp_path / "farm.zip")
    restore_archive(tmp_path / "farm.zip", tmp_path / "elsewhere" / "restored")
    restored = tmp_path / "elsewhere" / "restored"
    before, after = rows(folder), rows(restored)
    named = after.pop("farm")
    assert (before.pop("farm"), [one[1] for one in named]) == ([], ["farm"])
    assert after == before
    assert sum(map(len, after.values())) > 500
    assert hashes(restored) == hashes(folder)
    assert len(hashes(restored)) == 3
    with open_farm(folder) as one, open_farm(restored) as other:
        assert forecast_id(one) == forecast_id(other)


def test_a_copy_is_of_one_moment_while_the_app_has_the_farm_open(
    folder: Path, tmp_path: Path
) -> None:
    with open_farm(folder) as store:
        # Written last: it stands in the second file that SQLite keeps beside the database.
        add_good_block(store, "Mill")
        make(folder, tmp_path / "farm.zip")
        restore_archive(tmp_path / "farm.zip", tmp_path / "new")
        with open_farm(tmp_path / "new") as new:
            assert new.blocks() == store.blocks()
            assert new.measured_photos("Mill") == store.measured_photos("Mill")


def test_what_is_made_again_stays_out_and_own_tables_go_along(folder: Path, tmp_path: Path) -> None:
    for name in ("worked-out/a.json", "thumbnails/b.jpg", "size_tables/mine.csv", "work.lock"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text("x")
    (folder / ".half.part").write_text("x")
    # Hashes of passwords stay on this computer.
    (folder / ACCOUNTS_NAME).write_text("x")
    (folder / SIGN_INS_NAME).write_text("x")
    os.symlink("/etc/hostname", folder / "photos" / "link.jpg")
    os.mkfifo(folder / "photos" / "pipe.jpg")
    made = make(folder, folder / "own.zip")
    names = {file.name for file in made.manifest.files}
    assert {name.partition("/")[0] for name in names} == {DATABASE_NAME, "photos", "size_tables"}
    assert [one.name for one in made.left_out] == ["photos/link.jpg", "photos/pipe.jpg"]
    again = make(folder, folder / "again.zip")
    assert [one.name for one in again.left_out] == [
        "own.zip",
        "photos/link.jpg",
        "photos/pipe.jpg",
    ]


def test_the_manifest_tells_size_and_hash_of_every_file(folder: Path, tmp_path: Path) -> None:
    make(folder, tmp_path / "farm.zip")
    with zipfile.ZipFile(tmp_path / "farm.zip") as opened:
        manifest = json.loads(opened.read(MANIFEST_NAME))
        for file in manifest["files"]:
            content = opened.read(file["name"])
            assert (len(content), hashlib.sha256(content).hexdigest()) == (
                file["size_bytes"],
                file["sha256"],
            )
        assert len(manifest["files"]) == len(opened.namelist()) - 1 == 4
    assert manifest["schema"].startswith("fruitvision_")
    assert manifest["program_version"] == "0.2.0"
    assert manifest["made_at"] == "2026-08-20T09:30:00+00:00"


def test_without_photos_the_numbers_are_the_same(folder: Path, tmp_path: Path) -> None:
    made = make(folder, tmp_path / "farm.zip", photos=False)
    assert made.photos == 0
    restore_archive(tmp_path / "farm.zip", tmp_path / "new")
    assert not (tmp_path / "new" / "photos").exists()
    with open_farm(folder) as one, open_farm(tmp_path / "new") as other:
        assert forecast_id(one) == forecast_id(other)


def test_a_damaged_photo_is_kept_and_named(folder: Path, tmp_path: Path) -> None:
    photo = next((folder / "photos").iterdir())
    photo.write_bytes(b"cut short")
    made = make(folder, tmp_path / "farm.zip")
    assert [one.name for one in made.left_out] == [f"photos/{photo.name}"]
    restore_archive(tmp_path / "farm.zip", tmp_path / "new")
    assert (tmp_path / "new" / "photos" / photo.name).read_bytes() == b"cut short"


def test_a_killed_archive_leaves_the_one_before(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "farm.zip"
    make(folder, out)
    before = out.read_bytes()
    # The second file never ends: the process is killed in the middle of it.
    code = """if True:
        import sys, time
        from datetime import UTC, datetime
        from pathlib import Path
        from fruitvision.archive import make
        whole, begun = make.pieces, []
        def pieces(source):
            begun.append(source)
            yield from whole(source)
            if len(begun) > 1:
                print("begun", flush=True)
                time.sleep(60)
        make.pieces = pieces
        make.make_archive(
            Path(sys.argv[1]), Path(sys.argv[2]), program_version="0", made_at=datetime.now(UTC)
        )
    """
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-c", code, str(folder), str(out)], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"begun\n"
        assert any(tmp_path.glob(".*.part"))
        process.send_signal(signal.SIGKILL)
    assert out.read_bytes() == before


# ---------------------------------------------------------------- archives that somebody altered

Change = Callable[[dict[str, bytes], dict[str, object]], None]


def altered(source: Path, out: Path, change: Change) -> Path:
    """The archive with other files or another manifest."""
    with zipfile.ZipFile(source) as opened:
        files = {name: opened.read(name) for name in opened.namelist()}
    manifest = json.loads(files.pop(MANIFEST_NAME))
    change(files, manifest)
    with zipfile.ZipFile(out, "w") as written:
        for name, content in files.items():
            written.writestr(name, content)
        written.writestr(MANIFEST_NAME, json.dumps(manifest))
    return out


def listed(name: str, content: bytes, manifest: dict[str, object]) -> None:
    files = manifest["files"]
    assert isinstance(files, list)
    found = hashlib.sha256(content).hexdigest()
    files.append({"name": name, "size_bytes": len(content), "sha256": found})


def add(name: str) -> Change:
    def change(files: dict[str, bytes], manifest: dict[str, object]) -> None:
        files[name] = b"x"
        listed(name, b"x", manifest)

    return change


def unlisted(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    del manifest
    files["photos/more.jpg"] = b"x"


def missing(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    del manifest
    files.pop(max(files))


def other_content(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    del manifest
    name = max(files)
    files[name] = bytes(reversed(files[name]))


def no_database(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    del files[DATABASE_NAME]
    kept = manifest["files"]
    assert isinstance(kept, list)
    manifest["files"] = [one for one in kept if one["name"] != DATABASE_NAME]


def other_database(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    no_database(files, manifest)
    files[DATABASE_NAME] = b"not a database" * 100
    listed(DATABASE_NAME, files[DATABASE_NAME], manifest)


def newer_schema(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    del files
    manifest["schema"] = "fruitvision_9999"


def newer_format(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    del files
    manifest["format_version"] = 2


def other_format(files: dict[str, bytes], manifest: dict[str, object]) -> None:
    del files
    manifest["format"] = "something else"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (add("../outside.txt"), "leads out of the folder"),
        (add("photos/../../outside.txt"), "leads out of the folder"),
        (add("/tmp/outside.txt"), "leads out of the folder"),  # noqa: S108
        (add("C:\\outside.txt"), "leads out of the folder"),
        (add("photos\\outside.txt"), "leads out of the folder"),
        (add("photos/.hidden"), "leads out of the folder"),
        (add("photos/con.jpg"), "leads out of the folder"),
        (add("worked-out/a.json"), "no part of an archive"),
        (unlisted, "photos/more.jpg is not in its manifest"),
        (missing, "is missing"),
        (other_content, "is not what its manifest says"),
        (no_database, f"it has no {DATABASE_NAME}"),
        (other_database, "damaged or no farm's database"),
        (newer_schema, "newer fruitvision"),
        (newer_format, "newer fruitvision"),
        (other_format, "no archive of a farm"),
    ],
)
def test_an_altered_archive_is_refused_and_nothing_is_written(
    change: Change, said: str, folder: Path, tmp_path: Path
) -> None:
    make(folder, tmp_path / "farm.zip")
    bad = altered(tmp_path / "farm.zip", tmp_path / "bad.zip", change)
    before = sorted(tmp_path.iterdir())
    with pytest.raises(StoreError, match=said):
        restore_archive(bad, tmp_path / "new")
    assert sorted(tmp_path.iterdir()) == before


def test_a_database_of_a_newer_program_is_refused_whatever_the_manifest_says(
    folder: Path, tmp_path: Path
) -> None:
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as written:
        written.execute("UPDATE alembic_version SET version_num = 'fruitvision_9999'")
        written.commit()
    make(folder, tmp_path / "farm.zip")

    def older(files: dict[str, bytes], manifest: dict[str, object]) -> None:
        del files
        manifest["schema"] = "fruitvision_0001"

    bad = altered(tmp_path / "farm.zip", tmp_path / "bad.zip", older)
    with pytest.raises(StoreError, match="newer fruitvision"):
        restore_archive(bad, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_database_with_a_trigger_is_refused(folder: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as written:
        written.execute("CREATE TRIGGER t AFTER INSERT ON block BEGIN DELETE FROM hand_count; END")
        written.commit()
    with pytest.raises(StoreError, match="holds a trigger"):
        make(folder, tmp_path / "farm.zip")


def test_links_repeats_and_bombs_are_refused(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make(folder, tmp_path / "farm.zip")
    link = zipfile.ZipInfo("photos/link.jpg")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    twice = zipfile.ZipInfo("PHOTOS/X.jpg")
    for info, said in ((link, "is a link"), (twice, "is there twice")):
        bad = altered(tmp_path / "farm.zip", tmp_path / "bad.zip", add("photos/x.jpg"))
        with zipfile.ZipFile(bad, "a") as written:
            written.writestr(info, b"/etc/passwd")
        with pytest.raises(StoreError, match=said):
            restore_archive(bad, tmp_path / "new")
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as written:
        written.writestr("photos/x.jpg", bytes(600_000_000))
    assert bomb.stat().st_size < 1_000_000
    with pytest.raises(StoreError, match=r"would take 0\.6 GB"):
        restore_archive(bomb, tmp_path / "new")
    monkeypatch.setattr("fruitvision.archive.restore.MOST_FILES", 3)
    with pytest.raises(StoreError, match="5 files, more than 3"):
        restore_archive(tmp_path / "farm.zip", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_farm_larger_than_the_disk_is_refused(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make(folder, tmp_path / "farm.zip")
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("U", (), {"free": 1000})())
    with pytest.raises(StoreError, match=r"the disk has 0\.0 GB left"):
        restore_archive(tmp_path / "farm.zip", tmp_path / "new")


@pytest.mark.parametrize("cut", [0, 10, 5000])
def test_a_cut_file_is_refused(cut: int, folder: Path, tmp_path: Path) -> None:
    make(folder, tmp_path / "farm.zip")
    content = (tmp_path / "farm.zip").read_bytes()
    (tmp_path / "cut.zip").write_bytes(content[:cut])
    with pytest.raises(StoreError, match="damaged or no archive"):
        restore_archive(tmp_path / "cut.zip", tmp_path / "new")


def test_a_folder_that_holds_something_is_left_alone(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "farm.zip"
    make(folder, out)
    before = rows(folder)
    with pytest.raises(StoreError, match="holds a farm already"):
        restore_archive(out, folder)
    assert rows(folder) == before
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("x")
    with pytest.raises(StoreError, match="holds something already"):
        restore_archive(out, tmp_path / "full")
    (tmp_path / "empty").mkdir()
    restore_archive(out, tmp_path / "empty")
    assert rows(tmp_path / "empty")["block"] == before["block"]


def test_names_that_stay_in_the_folder() -> None:
    good = ("photos/ab.jpg", DATABASE_NAME, "size_tables/pommes é.csv", "a/b/c")
    assert [name for name in good if not name_fits(name)] == []
    bad = (
        "",
        "..",
        "a/..",
        "/a",
        "a//b",
        "a/",
        "a\\b",
        "c:x",
        "a\x00",
        ".a",
        "a.",
        "nul",
        "COM1.x",
    )
    assert [name for name in bad if name_fits(name)] == []


def test_the_commands(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "farm.zip"
    status, text = run("archive", "make", "--farm", str(folder), "--out", str(out))
    assert status == 0
    assert "4 files, among them 3 photos, " in text
    assert "names of people" in text
    assert "the place where they were taken" in text
    status, text = run("archive", "restore", str(out), "--farm", str(tmp_path / "new"))
    assert status == 0
    assert "the farm farm as of 20" in text
    status, text = run("archive", "restore", str(out), "--farm", str(tmp_path / "new"))
    assert status == 2
    assert "new or empty" in text
    status, text = run("archive", "make", "--farm", str(folder), "--out", str(tmp_path))
    assert status == 2
    assert "is a folder" in text
    status, text = run("archive", "make", "--farm", str(tmp_path / "no"), "--out", str(out))
    assert status == 2
    assert "There is no farm in" in text


def test_an_archive_that_is_there_is_replaced_only_if_that_is_said(
    folder: Path, tmp_path: Path
) -> None:
    out = tmp_path / "kept.zip"
    out.write_bytes(b"the one before")
    asked = "archive", "make", "--farm", str(folder), "--out", str(out)
    status, told = run(*asked)
    assert (status, out.read_bytes()) == (2, b"the one before")
    assert "--overwrite" in told
    assert run(*asked, "--overwrite")[0] == 0
    assert zipfile.is_zipfile(out)


def test_no_archive_is_made_in_the_farms_own_folder(folder: Path) -> None:
    status, told = run("archive", "make", "--farm", str(folder), "--out", str(folder / "a.zip"))
    assert status == 2
    assert "in the farm's own folder" in " ".join(told.split())
    assert not (folder / "a.zip").exists()


def test_a_folder_without_rights_is_told_without_the_name_of_a_part(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path.with_name(".1a2b.part")))

    monkeypatch.setattr("fruitvision.archive.make.folder_beside", refused)
    with pytest.raises(StoreError, match="Permission denied") as caught:
        make(folder, tmp_path / "farm.zip")
    assert ".part" not in str(caught.value)
