"""The bench of steps: its arithmetic, its order, its processes, and what it says where it can't."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import ImageFile

from fruitvision.bench_app.farm import FarmSize
from fruitvision.bench_app.timing import Row, table_lines
from fruitvision.bench_speed import run as speed
from fruitvision.bench_speed.machine import machine_words
from fruitvision.cli import main
from fruitvision.cores import cores_available
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.pipeline.photos import measure_photos
from fruitvision.settings import Settings
from fruitvision.store import open_farm
from tests.bench import compare_commits, scaling
from tests.bench.compare_commits import Compared, Ratio, ratio_of, take_turns
from tests.bench.scaling import Series, Size, series_lines, slope_of, up_and_down
from tests.bench.speed.child import refuse_another_program
from tests.bench.speed.place import ROOT, benchmark_photos, phone_photos
from tests.bench.speed.used import Used, typical

# More than any machine has, so that nothing is kept to fewer.
ALL_CORES = "4096"
SMALL_PX = (300, 400)


# ---------------------------------------------------------------- the command


def test_the_command_times_a_step_and_tells_machine_commit_and_memory(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = tmp_path / "speed.json"
    small = ["--rounds", "1", "--photos", "1", "--photo-px", *map(str, SMALL_PX)]
    asked = ["bench", "speed", "--group", "photo", "--only", "decode", "--cores", ALL_CORES]
    assert main([*asked, *small, "--json", str(found)]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"{machine_words()}; commit ")
    (row,) = json.loads(found.read_text())["rows"]
    assert row["what"] == "decode"
    assert 0 < row["processor_s"] < 60
    # Python and a picture in memory, and not the memory of the process that asked.
    assert 20 < row["peak_mb"] < 1000
    assert "decode" in said


def test_a_step_that_breaks_is_named_and_the_rest_is_timed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    checkout = tmp_path / "checkout"
    steps = checkout / speed.STEPS
    steps.parent.mkdir(parents=True)
    (steps.parent / "conftest.py").write_text(
        (ROOT / speed.STEPS.parent / "conftest.py").read_text()
    )
    steps.write_text(
        "import pytest\n"
        "@pytest.mark.parametrize('row', ['photo-good', 'photo-bad', 'cold-other'])\n"
        "def bench_step(row, benchmark):\n"
        "    if row == 'photo-bad':\n"
        "        raise ValueError('the lens is dirty')\n"
        "    benchmark.pedantic(lambda: None, rounds=2)\n"
        "    benchmark.extra_info.update(what=row, wall_s=2.0, processor_s=1.0, peak_mb=None,\n"
        "        target_s=1.0, target_mb=None)\n"
    )
    monkeypatch.setattr(speed, "ROOT", checkout)
    told: list[str] = []
    timed = speed.time_all(speed.SpeedWork(groups=("photo",)), on_step=told.append)
    assert told == ["photo-good", "photo-bad"]
    assert [row.what for row in timed.rows] == ["photo-good"]
    assert not timed.rows[0].met
    assert [line for line in timed.failed if "dirty" in line and line.startswith("photo-bad")]
    with pytest.raises(FruitVisionError, match="Nothing could be timed: photo-bad"):
        speed.time_all(speed.SpeedWork(groups=("photo",), only="bad"))


def test_where_the_bench_can_not_run_it_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(FruitVisionError, match="no steps called lunch") as err:
        speed.time_all(speed.SpeedWork(groups=("photo", "lunch")))
    assert "large, app" in err.value.fix
    monkeypatch.setattr(speed, "find_spec", lambda _name: None)
    with pytest.raises(FruitVisionError, match="pytest-benchmark is not installed") as err:
        speed.check_checkout()
    assert "pip install -e" in err.value.fix
    monkeypatch.setattr(speed, "ROOT", tmp_path)
    with pytest.raises(FieldDataError, match="not part of an installation"):
        speed.check_checkout()


def test_pages_alone_need_no_steps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    page = Row(what="blocks: again", wall_s=1.6, processor_s=1.0, target_s=1.5)
    made: list[int] = []

    class Made:
        def close(self) -> None:
            """Nothing was opened."""

    def made_farm(_folder: Path, size: FarmSize) -> Made:
        made.append(size.blocks)
        return Made()

    monkeypatch.setattr(speed, "bench_farm", made_farm)
    monkeypatch.setattr(speed, "bench_app", lambda _farm: [page])
    found = tmp_path / "pages.json"
    asked = ["bench", "speed", "--group", "app", "--blocks", "3", "--cores", ALL_CORES]
    # A target is missed.
    assert main([*asked, "--json", str(found)]) == 1
    assert made == [3]
    assert json.loads(found.read_text())["rows"][0]["what"] == "blocks: again"
    assert "MISSED" in capsys.readouterr().out


def test_too_much_memory_is_missed_as_too_long_is() -> None:
    def row(what: str, wall_s: float, peak_mb: float | None) -> Row:
        return Row(
            what=what,
            wall_s=wall_s,
            processor_s=None,
            target_s=1.0,
            peak_mb=peak_mb,
            target_mb=1000.0,
        )

    rows = [row("good", 0.9, 999), row("large", 0.9, 1001), row("slow", 1.1, None)]
    assert [one.met for one in rows] == [True, False, False]
    lines = table_lines(rows)
    assert lines[0].split() == ["seconds", "processor", "target", "peak", "MB", "target"]
    assert [line.split()[0] for line in lines if "MISSED" in line] == ["large", "slow"]
    assert len({line.index("0.90") for line in lines if "0.90" in line}) == 1


# ---------------------------------------------------------------- seconds and memory


def test_photos_that_took_turns_are_told_apart() -> None:
    # Two photos, three rounds each: medians 1 and 10.
    assert typical([1, 10, 5, 12, 1, 10], photos=2) == pytest.approx(5.5)
    assert typical([3.0], photos=6) == 3.0


def test_memory_and_processor_time_are_those_of_the_work_and_its_children() -> None:
    # 150 MB here, more than the system's Python needs; 0.2 s of a child's processor.
    program = (
        "from tests.bench.speed.used import peak_mb, used_by\n"
        "import subprocess, sys\n"
        "busy = 'import time\\nwhile time.process_time() < 0.2: pass'\n"
        "before = peak_mb()\n"
        "used = used_by(lambda: subprocess.run([sys.executable, '-c', busy], check=True))\n"
        "held = used_by(lambda: bytearray(b'1') * 150_000_000)\n"
        "print(before, used.processor_s, held.peak_mb)\n"
    )
    ballast = bytearray(b"1") * 300_000_000
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", program], cwd=ROOT, check=True, capture_output=True, text=True
    )
    assert len(ballast) == 300_000_000
    before, processor, peak = map(float, done.stdout.split())
    # What this process holds is not counted, though it started the other one.
    assert before < 100
    assert 150 < peak - before + 10 < 180
    # The system's clocks may differ by a tick or so.
    assert 0.19 <= processor < 5


def test_a_photo_of_a_phone_keeps_its_tags_and_each_file_is_another_one(tmp_path: Path) -> None:
    known = benchmark_photos(2)
    assert [path.parents[1].name for path in known] == ["easy-wall", "frost-hit"]
    made = phone_photos(known, tmp_path, 4, size_px=SMALL_PX)
    assert len({path.read_bytes() for path in made}) == 4
    first, other, again = (cv2.imread(str(made[place])) for place in (0, 1, 2))
    assert first.shape == (400, 300, 3)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_each_photo_is_decoded_once_and_a_measured_one_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exact where seconds are not: what twice the photos may cost."""
    # Grey all over: no tree, so that no detector is asked.
    photos = [tmp_path / f"grey {number}.jpg" for number in range(3)]
    for number, path in enumerate(photos):
        cv2.imwrite(str(path), np.full((400, 300, 3), 90 + number, np.uint8))
    decoded: list[object] = []
    for owner, name in ((cv2, "imdecode"), (ImageFile.ImageFile, "load")):
        monkeypatch.setattr(owner, name, _counted(getattr(owner, name), decoded))
    with open_farm(tmp_path / "farm") as store:
        assert len(measure_photos(photos, store=store, settings=Settings()).photos) == 3
        assert len(decoded) == 3
        measure_photos(photos, store=store, settings=Settings())
        assert len(decoded) == 3


def _counted(call, found):  # type: ignore[no-untyped-def]
    def counted(*arguments, **options):  # type: ignore[no-untyped-def]
        found.append(call)
        return call(*arguments, **options)

    return counted


# ---------------------------------------------------------------- two commits


def test_the_median_ratio_has_the_interval_of_the_sign_test() -> None:
    base = [2.0] * 12
    head = [2.0 * ratio for ratio in range(1, 13)]
    found = ratio_of(base, head)
    # Table of 95 % intervals of a median: of 12 values from the 3rd to the 10th (Conover,
    # Practical Nonparametric Statistics; from the binomial distribution).
    assert (found.median, found.low, found.high) == (6.5, 3.0, 10.0)
    assert ratio_of(base[:6], head[:6]) == Ratio(median=3.5, low=1.0, high=6.0)
    with pytest.raises(ValueError, match="5 pairs"):
        ratio_of(base[:5], head[:5])


def test_a_pair_that_is_far_off_moves_nothing() -> None:
    quiet = ratio_of([1.0] * 12, [0.8] * 12)
    shaken = ratio_of([1.0] * 12, [0.8] * 11 + [80.0])
    assert shaken == quiet == Ratio(median=0.8, low=0.8, high=0.8)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [(0.7, 0.9, "faster"), (1.1, 1.3, "slower"), (0.9, 1.1, "no difference shown")],
)
def test_only_an_interval_on_one_side_of_1_is_called(low: float, high: float, verdict: str) -> None:
    assert Ratio(median=(low + high) / 2, low=low, high=high).verdict == verdict


def test_both_take_turns_and_the_first_changes() -> None:
    order: list[str] = []

    def run(side: str) -> Used:
        order.append(side)
        return Used(wall_s=len(order), processor_s=1, peak_mb=1)

    base, head = take_turns(4, lambda: run("B"), lambda: run("H"))
    assert "".join(order) == "BHHBBHHB"
    assert [one.wall_s for one in base] == [1, 4, 5, 8]
    assert [one.wall_s for one in head] == [2, 3, 6, 7]


def test_two_commits_are_told_apart_and_a_step_that_one_lacks_stops_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A program whose help takes three times as long in its second commit, and measures nothing."""
    repository = tmp_path / "repository"
    package = repository / "fruitvision"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("")
    _git(repository, "init", "-q")
    for busy_s in (0.04, 0.12):
        (package / "cli.py").write_text(
            "import time\n"
            "def main():\n"
            "    end = time.process_time() + {busy_s}\n"
            "    while time.process_time() < end: pass\n".replace("{busy_s}", str(busy_s))
        )
        _git(repository, "add", ".")
        _git(repository, "commit", "-q", "-m", "so long")
    found = tmp_path / "found.json"
    small = ["--pairs", "6", "--photos", "1", "--photo-px", "60", "80", "--cores", ALL_CORES]
    asked = ["HEAD~1", "--repository", str(repository), "--steps", "decode", "help"]
    assert compare_commits.main([*asked, *small, "--json", str(found)]) == 1
    said = capsys.readouterr().out
    assert "decode: not compared, BASE: ModuleNotFoundError" in said
    (row,) = json.loads(found.read_text())["steps"]
    assert row["step"] == "help"
    # Python's own start is in both.
    assert 1.2 < row["processor"]["median"] < 3
    assert "slower" in said
    assert _git(repository, "status", "--short") == ""
    with pytest.raises(SystemExit, match="no commit and no folder"):
        compare_commits.main(["nothing", "--repository", str(repository), *small])


def test_a_step_of_another_program_than_the_one_asked_for_is_refused(tmp_path: Path) -> None:
    refuse_another_program(ROOT)
    with pytest.raises(ImportError, match=f"instead of {tmp_path}"):
        refuse_another_program(tmp_path)


def test_the_table_of_commits_names_the_step_and_the_verdict() -> None:
    ratio = Ratio(median=0.5, low=0.4, high=0.6)
    row = Compared(
        step="decode", pairs=8, processor=ratio, wall=ratio, base_mb=400.4, head_mb=250.0
    )
    heading, line = compare_commits.table_lines([row])
    assert line.split()[:2] == ["decode", "8"]
    assert "0.500 (0.400 to 0.600)" in line
    assert "400, 250" in line
    assert line.endswith("faster")
    assert line.index("0.500") == heading.index("processor time")


# ---------------------------------------------------------------- slopes


def _sizes(*rows: tuple[int, float, float]) -> list[Size]:
    return [
        Size(number=number, processor_s=busy, wall_s=busy, peak_mb=peak)
        for number, busy, peak in rows
    ]


def test_twice_the_work_in_twice_the_time_is_straight_and_flat() -> None:
    slope = slope_of(_sizes((10, 5, 100), (20, 10, 100), (40, 20, 102)))
    assert slope.times == pytest.approx([2, 2])
    assert slope.memories == pytest.approx([1, 1.02])
    assert slope.power == pytest.approx(1)
    # By hand: numbers less their mean -40/3, -10/3, 50/3; peaks -2/3, -2/3, 4/3: 300/9 over 4200/9.
    assert slope.each_mb == pytest.approx(1 / 14)
    assert slope.is_linear
    assert slope.is_flat


def test_a_step_of_four_times_is_told_by_doublings() -> None:
    slope = slope_of(_sizes((10, 5, 100), (40, 80, 400)))
    assert slope.times == pytest.approx([4])
    assert slope.power == pytest.approx(2)
    assert not slope.is_linear
    assert not slope.is_flat
    with pytest.raises(ValueError, match="no slope"):
        slope_of(_sizes((10, 5, 100)))


@pytest.mark.parametrize(("ratio", "straight"), [(2.09, True), (2.11, False), (1.89, False)])
def test_five_percent_of_twice_is_the_limit(ratio: float, straight: bool) -> None:
    slope = slope_of(_sizes((10, 1, 100), (20, ratio, 90)))
    assert slope.is_linear is straight
    # Less memory is no fault.
    assert slope.is_flat


def test_a_series_says_what_it_comes_to() -> None:
    series = Series(name="photos", step="photos", unit="photos")
    lines = series_lines(series, _sizes((10, 5, 100), (20, 11, 120)))
    assert lines[1].split() == ["10", "photos", "5.00", "500.0", "5.0", "100"]
    assert lines[2].split() == ["20", "photos", "11.00", "550.0", "2.200", "11.0", "120"]
    assert "NOT within 5%" in lines[3]
    assert "NOT flat: +20.0%" in lines[3]


def test_sizes_go_up_and_down_in_turns() -> None:
    assert up_and_down((1, 2, 4), 3) == [1, 2, 4, 4, 2, 1, 1, 2, 4]


def test_work_that_does_not_grow_is_not_called_straight_and_a_fault_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    found = tmp_path / "slopes.json"
    # Help takes as long whatever the farm is.
    same = Series(name="photos", step="help", unit="blocks")
    broken = Series(name="rows", step="lunch", unit="blocks")
    monkeypatch.setattr(scaling, "SERIES", (broken, same))
    asked = ["--series", "photos", "rows", "--sizes", "4", "1", "--rounds", "1"]
    assert scaling.main([*asked, "--cores", ALL_CORES, "--json", str(found)]) == 1
    series = json.loads(found.read_text())["series"]
    assert [one["number"] for one in series["photos"]] == [1, 4]
    assert all(one["processor_s"] > 0 and one["peak_mb"] > 20 for one in series["photos"])
    said = capsys.readouterr().out
    assert said.splitlines()[0].startswith(machine_words())
    assert "rows: not measured, KeyError: 'lunch'" in said
    assert "NOT within 5% of twice the time" in said


def test_the_machine_is_named_with_the_cores_that_may_be_used() -> None:
    assert f", {cores_available()} core" in machine_words()
    assert "Python 3." in machine_words()


def _git(repository: Path, *arguments: str) -> str:
    """Git in a repository of the test's own, with a name of nobody."""
    names = ["-c", "user.name=Nobody", "-c", "user.email=nobody@example.com"]
    done = subprocess.run(  # noqa: S603
        ["git", *names, *arguments],  # noqa: S607
        cwd=repository,
        check=True,
        capture_output=True,
        text=True,
    )
    return done.stdout
