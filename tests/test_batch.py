"""Many photos: errors are results, and a photo that kills its worker costs nobody else."""

import os
import signal
from pathlib import Path

import pytest

from fruitvision.batch import LocalProcesses, for_each_photo
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import PhotoUnreadable
from tests.records import measured


def measure_or_fail(path: Path) -> MeasuredPhoto:
    if path.name == "bad":
        raise PhotoUnreadable(f"{path.name} is empty.", fix="Copy it again.")
    if path.name == "deadly":
        os.kill(os.getpid(), signal.SIGKILL)
    return measured(path.name)


@pytest.mark.parametrize("workers", [1, 2])
def test_an_unreadable_photo_is_a_result_and_the_rest_goes_on(workers: int) -> None:
    paths = [Path(name) for name in ("a", "bad", "b")]
    results = dict(for_each_photo(paths, measure_or_fail, workers=workers))
    assert {path.name for path, result in results.items() if isinstance(result, MeasuredPhoto)} == {
        "a",
        "b",
    }
    error = results[Path("bad")]
    assert isinstance(error, PhotoUnreadable)
    assert (error.what, error.fix) == ("bad is empty.", "Copy it again.")


def test_a_photo_that_kills_its_worker_is_refused_alone() -> None:
    paths = [Path(name) for name in ("a", "deadly", "b", "c")]
    results = dict(for_each_photo(paths, measure_or_fail, workers=2))
    assert set(results) == set(paths)
    fine = {path.name for path, result in results.items() if isinstance(result, MeasuredPhoto)}
    assert fine == {"a", "b", "c"}
    assert "stopped the program" in str(results[Path("deadly")])


def test_one_photo_alone_that_kills_its_worker_is_refused_where_it_is_measured_apart() -> None:
    apart = LocalProcesses(1, apart=True)
    ((path, result),) = next(apart.in_groups([Path("deadly")], lambda _: measure_or_fail))
    assert path == Path("deadly")
    assert "stopped the program" in str(result)


def test_a_pool_that_breaks_while_photos_are_handed_to_it_loses_none() -> None:
    # So many that the first has ended its process before the last is handed over.
    paths = [Path("deadly"), *(Path(f"photo {number}") for number in range(1500))]
    results = dict(for_each_photo(paths, measure_or_fail, workers=2))
    assert set(results) == set(paths)
    refused = [path for path, one in results.items() if not isinstance(one, MeasuredPhoto)]
    assert refused == [Path("deadly")]
