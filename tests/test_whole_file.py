"""A file is written whole or not at all, and what a killed writer left goes away."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fruitvision.whole_file import OLD_PART_S, part_beside, whole_file, write_whole

# Begins to write and waits to be killed.
STUCK = """
import sys, time, pathlib
from fruitvision.whole_file import whole_file
with whole_file(pathlib.Path(sys.argv[1])) as stream:
    stream.write(b"half")
    stream.flush()
    print("writing", flush=True)
    time.sleep(60)
"""


def _parts(folder: Path) -> list[Path]:
    return list(folder.glob(".*.part"))


def test_what_a_killed_writer_left_goes_with_the_next_write(tmp_path: Path) -> None:
    target = tmp_path / "forecast.json"
    write_whole(target, b"old")
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-c", STUCK, str(target)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"writing\n"
        # While it writes its part stays, whatever others write.
        write_whole(target, b"new")
        assert len(_parts(tmp_path)) == 1
        writer.send_signal(signal.SIGKILL)
    assert target.read_bytes() == b"new"
    assert len(_parts(tmp_path)) == 1
    write_whole(tmp_path / "another.json", b"x")
    assert len(_parts(tmp_path)) == 1
    write_whole(target, b"newer")
    assert _parts(tmp_path) == []
    assert target.read_bytes() == b"newer"


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"
    write_whole(target, b"old")

    def fail() -> None:
        with whole_file(target) as stream:
            stream.write(b"half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert target.read_bytes() == b"old"
    assert _parts(tmp_path) == []


def test_an_old_part_is_left_over_whoever_has_its_number_now(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"
    part = part_beside(target)
    part.write_bytes(b"half")
    write_whole(target, b"x")
    assert part.exists()
    long_ago = time.time() - OLD_PART_S - 1
    os.utime(part, (long_ago, long_ago))
    write_whole(target, b"y")
    assert not part.exists()


def test_a_name_may_be_as_long_as_a_name_can_be(tmp_path: Path) -> None:
    target = tmp_path / ("n" * 251 + ".csv")
    write_whole(target, b"x")
    assert target.read_bytes() == b"x"
