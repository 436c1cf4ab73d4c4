"""What tests of several folders share: the demo, made once for all of them, options, the order."""

from __future__ import annotations

import gc
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import settings

from fruitvision.cores import cores_available

# Small matrices by one thread: several wait for each other longer than they work, most of all where
# many processes of tests share the cores. It counts only before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
if int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")) > 1:
    # One of many processes, and what it starts: threads that wait for a core that another process
    # has cost both. Tests of threads say how many themselves.
    for name in ("FRUITVISION_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
        os.environ.setdefault(name, "1")
# What one process compiles the next one reads, also where nothing is to be kept: tests start some
# hundred processes, and each would compile the program anew, which takes two seconds for the app.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Folders of tests in memory where there is room: on a disk that is told of every file that goes,
# they wait for it. What passed is taken away at once (`tmp_path_retention_policy`).
MEMORY, ROOM_BYTES = Path("/dev/shm"), 4 * 2**30  # noqa: S108
if "TMPDIR" not in os.environ and MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > ROOM_BYTES:
    os.environ["TMPDIR"] = str(MEMORY)
    tempfile.tempdir = None

# The same examples every time, few of them, and no clock: a loaded machine makes no test fail.
settings.register_profile("suite", max_examples=40, deadline=None, derandomize=True, database=None)
settings.load_profile("suite")

# What takes longest, begun first: begun last, it would be waited for while other cores do nothing.
LONGEST = (
    "browser/test_every_page.py",
    "browser/test_bad_input_in_browser.py",
    "browser/test_season.py",
    "browser/test_walk_in_browser.py",
    "browser/test_sign_in.py",
    "browser/test_review.py",
    "test_demo.py",
    "test_bad_input.py",
    "test_jobs.py",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """Folder of the results of `fruitvision demo`, its farm among them, and all that it printed."""

    out: Path
    text: str

    @property
    def farm(self) -> Path:
        return self.out / "farm"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-screenshots",
        action="store_true",
        help="write the pictures of README.md anew into docs/, as the app looks now",
    )
    parser.addoption(
        "--demo",
        type=Path,
        default=None,
        help="a folder made before by `fruitvision demo --out DIR | tee DIR/printed.txt`",
    )


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: tests of the app in a browser wait for part of their time."""
    return cores_available() + 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first; each file's tests stay in their order."""
    turn = {Path(__file__).parent / name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: turn.get(item.path, len(turn)))


def pytest_collection_finish() -> None:
    """What was loaded up to here stays: looked through again and again for what could go, it took
    a tenth of the time of all tests."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo, made by the first process that asks; nobody may change its folder."""
    from tests.test_bad_input import run

    made: Path | None = request.config.getoption("--demo")
    if made is not None:
        return Demo(out=made, text=(made / "printed.txt").read_text(encoding="utf-8"))
    # Processes of one run have folders of their own beside each other.
    shared = tmp_path_factory.getbasetemp()
    if hasattr(request.config, "workerinput"):
        shared = shared.parent
    out, kept = shared / "demo", shared / "demo.txt"
    with FileLock(shared / "demo.lock"):
        if not kept.exists():
            status, text = run("demo", "--out", str(out), "--workers", "2")
            assert status == 0, text
            kept.write_text(text, encoding="utf-8")
    return Demo(out=out, text=kept.read_text(encoding="utf-8"))


@pytest.fixture(scope="session", autouse=True)
def _quick_farms() -> Iterator[None]:
    """New farms of this process are made at once, but where a test calls `real_farms`."""
    from tests.quick_farms import quick_farms

    with quick_farms():
        yield


@pytest.fixture(autouse=True)
def _same_main_module(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that is run takes the place of the main module, which processes of later tests start
    with: after each test it is put back."""
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])


@pytest.fixture(scope="module")
def season_over() -> Iterator[None]:
    """Commands take the days of drawn walks for past, whatever the computer's clock says."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FRUITVISION_TODAY", "2026-11-30")
        yield


@pytest.fixture
def one_thread() -> Iterator[None]:
    """PyTorch with one thread: threads that wait for each other are slow where tests run side by
    side."""
    import torch

    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)
