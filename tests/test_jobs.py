"""Long work in the background: cancelled, killed, gone on with; nothing twice, nothing lost."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fruitvision.cli import main as command
from fruitvision.domain import Doubt, Job, JobKind, JobState, TreeId
from fruitvision.errors import PhotoUnreadable, StoreError
from fruitvision.photo import day_and_id_of, photo_id_of
from fruitvision.pipeline.farm_entries import set_ruler
from fruitvision.pipeline.intake import take_in
from fruitvision.serve import serve_app
from fruitvision.settings import Settings
from fruitvision.store import DATABASE_NAME, FarmStore, open_farm
from fruitvision.walk_data import WalkPhoto
from fruitvision.work import (
    ask_load,
    ask_measure_again,
    keep_working,
    result_of,
    run_job,
    work_here,
    work_off,
)
from fruitvision.work import start as work_start
from fruitvision.work.__main__ import main
from fruitvision.work.start import LOG_NAME, MOST_LOG_BYTES, start_worker
from fruitvision.work.worker import MOST_STARTS, is_worked_on, lock_of
from tests import records
from tests.scenes import Ball, Camera, draw_scene

DAY = date(2026, 8, 12)
NOW = datetime(2026, 8, 12, 9, 30, tzinfo=UTC)
TINY = Camera(width_px=160, height_px=120, focal_px=140.0)


@pytest.fixture
def farm(tmp_path: Path):
    with open_farm(tmp_path / "farm") as store:
        store.save_blocks([records.block()])
        yield store


def bare(folder: Path, number: int) -> Path:
    """A photo without leaves, which is measured in no time."""
    grey = np.random.default_rng(number).integers(90, 150, (48, 64), dtype=np.uint8)
    path = folder / f"bare {number}.png"
    Image.fromarray(grey).convert("RGB").save(path)
    return path


def leafy(folder: Path, number: int) -> Path:
    """A photo with leaves and an apple, which takes the detector a moment."""
    apple = Ball(centre_mm=(0, 0, 2000), diameter_mm=80)
    path = folder / f"leafy {number}.png"
    Image.fromarray(draw_scene(TINY, (apple,), seed=number, rays_per_side=1)).save(path)
    return path


def row(path: Path, position: int, face: str = "A") -> WalkPhoto:
    tree = TreeId(records.BLOCK_ID, 1, position)
    return WalkPhoto(file_name=path.name, tree=tree, face=face)


def taken(paths: list[Path], store: FarmStore) -> Job:
    rows = {path: row(path, number) for number, path in enumerate(paths, start=1)}
    job = take_in(rows, store, walked_on=DAY, who="Ana").job
    assert job is not None
    return job


# ---------------------------------------------------------------- photos come in


def test_photos_are_kept_and_placed_before_they_are_measured(
    farm: FarmStore, tmp_path: Path
) -> None:
    paths = [bare(tmp_path, number) for number in range(3)]
    job = taken(paths, farm)
    assert (job.kind, job.state, job.asked_by) == (JobKind.MEASURE, JobState.WANTED, "Ana")
    assert (job.done, job.total) == (0, 3)
    assert job.names == {photo_id_of(path): path.name for path in paths}
    assert [photo.tree.position for photo in farm.tree_photos()] == [1, 2, 3]
    assert farm.measured_photos() == ()
    for path in paths:
        content = path.read_bytes()
        path.unlink()
        kept = farm.photo_path(next(i for i, name in job.names.items() if name == path.name))
        assert kept.read_bytes() == content


def test_what_can_not_come_in_is_refused_with_a_reason_and_the_rest_comes_in(
    farm: FarmStore, tmp_path: Path
) -> None:
    good, other = bare(tmp_path, 1), bare(tmp_path, 2)
    note, empty, copy = (tmp_path / name for name in ("note.jpg", "empty.jpg", "copy.png"))
    note.write_text("Bring the ladder.")
    empty.touch()
    copy.write_bytes(good.read_bytes())
    again = tmp_path / "again.png"
    again.write_bytes(other.read_bytes())
    rows = {
        good: row(good, 1),
        note: row(note, 2),
        empty: row(empty, 3),
        copy: row(copy, 1),
        other: row(other, 4),
        again: row(again, 5),
    }
    taken_in = take_in(rows, farm, walked_on=DAY, who="Ana")
    assert taken_in.job is not None
    assert taken_in.job.total == 2
    assert taken_in.copies == (("copy.png", "bare 1.png"),)
    told = {one.name: one.what for one in taken_in.refused}
    assert set(told) == {"note.jpg", "empty.jpg", "again.png"}
    assert "no JPEG, PNG, HEIC or TIFF" in told["note.jpg"]
    assert "is empty" in told["empty.jpg"]
    assert "the same photo as bare 2.png" in told["again.png"]
    assert all(one.fix for one in taken_in.refused)


def test_a_photo_without_a_day_is_refused_and_nothing_is_to_be_done(
    farm: FarmStore, tmp_path: Path
) -> None:
    path = bare(tmp_path, 1)
    taken_in = take_in({path: row(path, 1)}, farm, walked_on=None, who="Ana")
    assert taken_in.job is None
    assert "carries no date" in taken_in.refused[0].what
    assert farm.tree_photos() == ()


def test_photos_of_one_face_are_numbered_as_they_come_and_known_ones_keep_their_number(
    farm: FarmStore, tmp_path: Path
) -> None:
    first, second, third = (bare(tmp_path, number) for number in range(3))
    take_in({first: row(first, 1), second: row(second, 1)}, farm, walked_on=DAY, who="")
    later = take_in({third: row(third, 1), first: row(first, 1)}, farm, walked_on=DAY, who="")
    assert later.known == 1
    places = {photo.photo_id: photo.place for photo in farm.tree_photos()}
    assert [places[photo_id_of(path)] for path in (first, second, third)] == [1, 2, 3]


def test_the_day_of_a_photo_is_read_without_its_pixels(tmp_path: Path) -> None:
    path = tmp_path / "cut.jpg"
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:08:11 10:00:00"
    Image.new("RGB", (400, 300), "green").save(path, exif=exif)
    path.write_bytes(path.read_bytes()[:-200])
    assert day_and_id_of(path) == (date(2026, 8, 11), photo_id_of(path))
    path.write_text("no picture")
    with pytest.raises(PhotoUnreadable):
        day_and_id_of(path)


# ---------------------------------------------------------------- jobs and their states


def test_jobs_are_done_in_their_order_and_end_once(farm: FarmStore) -> None:
    first = farm.ask_job(JobKind.MEASURE, by="Ana", at=NOW, names={"a": "a.jpg"})
    second = farm.ask_job(JobKind.LOAD, by="Ben", at=NOW, folder="/walk")
    begun = farm.next_job(NOW)
    assert begun is not None
    assert (begun.number, begun.state, begun.starts) == (first.number, JobState.RUNNING, 1)
    farm.close_job(first.number, JobState.DONE, at=NOW, refused=[("a.jpg", "Empty.", "Copy it.")])
    assert farm.job(first.number).refused == (("a.jpg", "Empty.", "Copy it."),)
    farm.cancel_job(first.number)
    assert farm.job(first.number).state is JobState.DONE
    following = farm.next_job(NOW)
    assert following is not None
    assert (following.number, following.folder) == (second.number, "/walk")
    farm.cancel_job(second.number)
    assert farm.close_job(second.number, JobState.DONE, at=NOW).state is JobState.CANCELLED
    assert farm.next_job(NOW) is None
    assert farm.want_again(second.number).state is JobState.WANTED
    assert [job.number for job in farm.jobs(only_open=True)] == [second.number]
    assert [job.number for job in farm.jobs()] == [second.number, first.number]


def test_what_was_left_out_stays_with_its_job_until_somebody_puts_it_away(farm: FarmStore) -> None:
    row, photo = ("walk.csv, line 3", "No block Hil.", "Correct it."), ("a.jpg", "Empty.", "Copy.")
    job = farm.ask_job(JobKind.MEASURE, by="Ana", at=NOW, names={"a": "a.jpg"}, refused=[row])
    clean = farm.ask_job(JobKind.MEASURE, by="Ana", at=NOW, names={"b": "b.jpg"})
    assert farm.jobs_that_left_out() == ()
    for number in (job.number, clean.number):
        refused = [photo] if number == job.number else []
        farm.close_job(number, JobState.DONE, at=NOW, refused=refused)
        # Told twice, kept once.
        farm.close_job(number, JobState.DONE, at=NOW, refused=refused)
    (told,) = farm.jobs_that_left_out()
    assert (told.number, told.refused) == (job.number, (row, photo))
    with pytest.raises(StoreError):
        farm.for_a_reader().put_away(job.number)
    assert farm.put_away(job.number).refused == (row, photo)
    assert farm.jobs_that_left_out() == ()
    stopped = farm.ask_job(JobKind.LOAD, by="", at=NOW, folder="walk")
    farm.cancel_job(stopped.number)
    assert farm.put_away(stopped.number).state is JobState.CANCELLED


def test_the_rest_takes_as_long_as_the_pace_since_the_start(farm: FarmStore) -> None:
    job = farm.ask_job(JobKind.MEASURE, by="", at=NOW, names={str(n): "" for n in range(100)})
    assert job.left_s(NOW) is None
    begun = farm.tell_start(job.number, done=40, total=100, at=NOW)
    assert begun.left_s(NOW + timedelta(seconds=9)) is None
    # Ten photos in 30 s: the other fifty take 150 s.
    told = farm.tell_progress(job.number, done=50, total=100, at=NOW + timedelta(seconds=30))
    assert told.left_s(NOW + timedelta(seconds=30)) == pytest.approx(150)
    assert told.seen_at == NOW + timedelta(seconds=30)


def test_a_job_is_done_with_names_refusals_and_the_rest_goes_on(
    farm: FarmStore, tmp_path: Path
) -> None:
    paths = [bare(tmp_path, number) for number in range(3)]
    cut = tmp_path / "cut.jpg"
    Image.new("RGB", (400, 300), "green").save(cut)
    cut.write_bytes(cut.read_bytes()[:-300])
    job = taken([*paths, cut], farm)
    told: list[tuple[int, int]] = []
    ended = run_job(job, farm, on_progress=lambda done, of: told.append((done, of)))
    assert ended.state is JobState.DONE
    assert told == [(0, 4), (1, 4), (2, 4), (3, 4), (4, 4)]
    ((name, what, fix),) = ended.refused
    assert (name, "damaged or cut short" in what, bool(fix)) == ("cut.jpg", True, True)
    # It shows no tree now; the others do, under the names that they came with.
    assert [photo.tree.position for photo in farm.tree_photos()] == [1, 2, 3]
    result = result_of(ended, farm, Settings())
    assert [one.photo.name for one in result.photos] == [path.name for path in paths]
    assert all(Doubt.NO_TREE in one.doubts for one in result.photos)
    assert [one.name for one in result.refused] == ["cut.jpg"]


def test_a_cancelled_job_stops_between_photos_and_can_be_gone_on_with(
    farm: FarmStore, tmp_path: Path
) -> None:
    job = taken([bare(tmp_path, number) for number in range(5)], farm)

    def cancel_after_two(done: int, of: int) -> None:
        if done == 1:
            farm.cancel_job(job.number)

    assert run_job(job, farm, on_progress=cancel_after_two).state is JobState.CANCELLED
    assert len(farm.measured_photos()) == 2
    assert work_off(farm.folder, workers=1) == 0
    farm.want_again(job.number)
    assert work_off(farm.folder, workers=1) == 1
    assert farm.job(job.number).state is JobState.DONE
    assert len(farm.measured_photos()) == 5
    assert saves_of(farm.folder) == 5


def test_a_job_is_stopped_also_while_faces_are_put_together(
    farm: FarmStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [bare(tmp_path, number) for number in range(2)]
    rows = {path: row(path, 1) for path in paths}
    job = take_in(rows, farm, walked_on=DAY, who="Ana").job
    assert job is not None
    joined: list[int] = []

    def joining(store: FarmStore, *, before_each: Callable[[], None], **_more: object) -> None:
        for face in (1, 2):
            before_each()
            joined.append(face)
            store.cancel_job(job.number)

    monkeypatch.setattr("fruitvision.work.run.join_kept_faces", joining)
    assert run_job(job, farm).state is JobState.CANCELLED
    assert joined == [1]
    assert farm.job(job.number).done == 2


def saves_of(folder: Path) -> int:
    """How often a result was ever saved in the farm."""
    with sqlite3.connect(folder / DATABASE_NAME) as connection:
        query = "SELECT seq FROM sqlite_sequence WHERE name = 'measurement'"
        return int(connection.execute(query).fetchone()[0])


def test_settings_that_make_no_sense_fail_the_job_in_words(farm: FarmStore, tmp_path: Path) -> None:
    job = taken([bare(tmp_path, 1)], farm)
    with sqlite3.connect(farm.folder / DATABASE_NAME) as connection:
        connection.execute("INSERT INTO farm VALUES (1, 'Larkhill', 'ruler = 3')")
    failed = run_job(job, farm)
    assert failed.state is JobState.FAILED
    assert failed.problem is not None
    assert "Unknown setting 'ruler'" in failed.problem[0]


def test_a_mistake_of_the_program_fails_the_job_and_not_the_worker(
    farm: FarmStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_args: object, **_more: object) -> None:
        raise ZeroDivisionError

    job = taken([bare(tmp_path, 1)], farm)
    monkeypatch.setattr("fruitvision.work.run.measure_photos", broken)
    assert work_off(farm.folder, workers=1) == 1
    failed = farm.job(job.number)
    assert failed.state is JobState.FAILED
    assert failed.problem is not None
    assert "mistake of this program" in failed.problem[0]


def test_work_that_never_gets_on_is_given_up(farm: FarmStore, tmp_path: Path) -> None:
    job = taken([bare(tmp_path, 1)], farm)
    for _ in range(MOST_STARTS):
        farm.next_job(NOW)
    work_off(farm.folder, workers=1)
    given_up = farm.job(job.number)
    assert given_up.state is JobState.FAILED
    assert given_up.problem is not None
    assert str(MOST_STARTS) in given_up.problem[0]
    farm.want_again(job.number)
    work_off(farm.folder, workers=1)
    assert farm.job(job.number).state is JobState.DONE


def test_photos_are_measured_again_under_their_names_after_another_ruler(
    farm: FarmStore, tmp_path: Path
) -> None:
    paths = [bare(tmp_path, number) for number in range(2)]
    taken(paths, farm)
    work_off(farm.folder, workers=1)
    assert ask_measure_again(farm, Settings(), who="Ana") is None
    set_ruler(147.0, farm.farm(), farm, who="Ana")
    again = ask_measure_again(farm, Settings(ruler_measured_mm=147.0), who="Ana")
    assert again is not None
    assert sorted(again.names.values()) == [path.name for path in paths]
    work_off(farm.folder, workers=1)
    assert farm.job(again.number).state is JobState.DONE
    assert saves_of(farm.folder) == 4


def test_a_walk_folder_is_loaded_in_the_background(farm: FarmStore, tmp_path: Path) -> None:
    folder = tmp_path / "walk"
    folder.mkdir()
    paths = [bare(folder, number) for number in range(2)]
    (folder / "blocks.csv").write_text("block,variety,positions\nMill,Fuji,90\n")
    lines = [f"{path.name},Mill,1,{place},A" for place, path in enumerate(paths, start=1)]
    (folder / "walk.csv").write_text("\n".join(["photo,block,row,position,face", *lines]))
    job = ask_load(folder, farm, who="Ana")
    work_off(farm.folder, workers=1)
    ended = farm.job(job.number)
    # The pictures carry no day, and none was given.
    assert (ended.state, ended.done, ended.total) == (JobState.DONE, 2, 2)
    assert [name for name, _, _ in ended.refused] == [path.name for path in paths]
    assert {block.block_id for block in farm.blocks()} == {"Gala North", "Mill"}


# ---------------------------------------------------------------- one process a farm


def test_only_one_process_works_on_a_farm(farm: FarmStore, tmp_path: Path) -> None:
    job = taken([bare(tmp_path, 1)], farm)
    with lock_of(farm.folder):
        assert is_worked_on(farm.folder)
        assert work_here(job, farm, on_progress=lambda done, of: None) is None
        assert work_off(farm.folder, workers=1) == 0
    assert not is_worked_on(farm.folder)
    done = work_here(job, farm, on_progress=lambda done, of: None)
    assert done is not None
    assert done.state is JobState.DONE


def test_a_worker_is_started_only_where_there_is_work_and_nobody_does_it(
    farm: FarmStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[Path] = []

    class Running:
        def __init__(self, folder: Path) -> None:
            started.append(folder)

        def poll(self) -> int | None:
            return None

    monkeypatch.setattr(work_start, "start_worker", Running)
    assert not keep_working(farm)
    job = taken([bare(tmp_path, 1)], farm)
    with lock_of(farm.folder):
        assert keep_working(farm)
        assert started == []
    assert keep_working(farm)
    assert keep_working(farm)
    # The second time it is given time to begin.
    assert started == [farm.folder]
    farm.cancel_job(job.number)
    assert not keep_working(farm)


def test_the_app_goes_on_with_what_waits_before_any_page_is_opened(
    farm: FarmStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[Path] = []
    served: list[object] = []
    monkeypatch.setattr(work_start, "start_worker", started.append)
    monkeypatch.setattr(
        "fruitvision.serve._run", lambda command, _environment: served.append(command) or 0
    )
    for folder in (tmp_path / "no farm", farm.folder):
        assert serve_app(folder, address="127.0.0.1", port=0) == 0
    assert started == []
    taken([bare(tmp_path, 1)], farm)
    assert serve_app(farm.folder, address="127.0.0.1", port=0) == 0
    assert started == [farm.folder]
    assert len(served) == 3


def test_the_log_begins_anew_when_it_is_long(farm: FarmStore) -> None:
    (farm.folder / LOG_NAME).write_bytes(b"x" * (MOST_LOG_BYTES + 1))
    assert start_worker(farm.folder, "--workers", "1").wait(60) == 0
    assert (farm.folder / LOG_NAME).stat().st_size < MOST_LOG_BYTES


def test_a_folder_without_a_farm_is_said_in_the_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "nice", lambda steps: 0)
    assert main([str(tmp_path / "none")]) == 2
    assert "There is no farm" in caplog.text


# ---------------------------------------------------------------- killed


def wait_for(store: FarmStore, number: int, done: int, seconds: float = 120) -> Job:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        job = store.job(number)
        if job.done >= done or not job.is_open:
            return job
        time.sleep(0.02)
    raise AssertionError(f"only {store.job(number).done} photos in {seconds} s")


def test_a_killed_worker_is_gone_on_with_nothing_twice_nothing_lost(
    farm: FarmStore, tmp_path: Path
) -> None:
    paths = [leafy(tmp_path, number) for number in range(5)]
    job = taken(paths, farm)
    for done in (1, 3):
        process = start_worker(farm.folder, "--workers", "1")
        wait_for(farm, job.number, done)
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert farm.job(job.number).state is JobState.RUNNING
        assert not is_worked_on(farm.folder)
    assert start_worker(farm.folder, "--workers", "1").wait(120) == 0
    ended = farm.job(job.number)
    assert (ended.state, ended.done, ended.refused) == (JobState.DONE, 5, ())
    assert sorted(one.photo.name for one in farm.measured_photos()) == [p.name for p in paths]
    assert len(farm.tree_photos()) == 5
    assert saves_of(farm.folder) == 5


def test_what_a_killed_worker_started_ends_with_it(farm: FarmStore, tmp_path: Path) -> None:
    taken([leafy(tmp_path, number) for number in range(6)], farm)
    process = start_worker(farm.folder, "--workers", "2")
    children = _children_of(process, at_least=2)
    process.send_signal(signal.SIGKILL)
    process.wait()
    end = time.monotonic() + 60
    while any(map(_runs, children)):
        assert time.monotonic() < end, "processes are left over"
        time.sleep(0.05)


def _children_of(process: subprocess.Popen[bytes], at_least: int) -> list[int]:
    """Processes that it started (Linux keeps them by thread)."""
    tasks = Path(f"/proc/{process.pid}/task")
    if not tasks.exists():
        pytest.skip("only Linux lists the children of a process")
    end = time.monotonic() + 60
    while time.monotonic() < end:
        found = [
            int(pid)
            for task in tasks.iterdir()
            for pid in (task / "children").read_text().split()
            if "spawn_main" in Path(f"/proc/{pid}/cmdline").read_text()
        ]
        if len(found) >= at_least:
            return found
        time.sleep(0.02)
    raise AssertionError("it started no processes")


def _runs(pid: int) -> bool:
    status = Path(f"/proc/{pid}/stat")
    return status.exists() and status.read_text().rpartition(")")[2].split()[0] != "Z"


def test_a_worker_outlives_the_process_that_started_it(farm: FarmStore, tmp_path: Path) -> None:
    job = taken([bare(tmp_path, number) for number in range(3)], farm)
    code = (
        "import os, sys; from pathlib import Path; from fruitvision.work.start import start_worker;"
        "start_worker(Path(sys.argv[1]), '--workers', '1'); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, str(farm.folder)], check=False)  # noqa: S603
    assert wait_for(farm, job.number, done=4).state is JobState.DONE
    assert len(farm.measured_photos()) == 3


# ---------------------------------------------------------------- the command


def test_the_command_does_what_waits_and_says_what_was_left_out(
    farm: FarmStore, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = ["work", "--farm", str(farm.folder), "--workers", "1"]
    assert command(run) == 0
    assert "Nothing waits" in capsys.readouterr().out
    cut = bare(tmp_path, 2)
    cut.write_bytes(cut.read_bytes()[:-900])
    taken([bare(tmp_path, 1), cut], farm)
    assert command(run) == 1
    told = capsys.readouterr().out
    assert "Job 1, done: 2 of 2 photos." in told
    assert "bare 2.png: " in told


# ---------------------------------------------------------------- much at once, and odd things


def test_two_hundred_photos_are_in_within_seconds_before_any_is_measured(
    farm: FarmStore, tmp_path: Path
) -> None:
    paths = [bare(tmp_path, number) for number in range(200)]
    begun = time.monotonic()
    job = taken(paths, farm)
    # Our choice of a limit for the slowest computer; two cores take a second.
    assert time.monotonic() - begun < 20
    assert (job.total, len(farm.tree_photos())) == (200, 200)


def test_a_photo_of_sixty_megabytes_comes_in_and_is_measured(
    farm: FarmStore, tmp_path: Path
) -> None:
    path = tmp_path / "large.tif"
    Image.new("RGB", (5000, 4000), (120, 120, 120)).save(path)
    assert path.stat().st_size >= 60_000_000
    job = taken([path], farm)
    assert run_job(job, farm).state is JobState.DONE
    (measured,) = farm.measured_photos()
    assert (measured.photo.name, measured.photo.width_px) == ("large.tif", 5000)
