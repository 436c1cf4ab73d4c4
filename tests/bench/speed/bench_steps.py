"""The steps under pytest-benchmark: `fruitvision bench speed` runs this file.

Wall seconds are pytest-benchmark's. Beside them: processor seconds of the same runs, and memory at
the peak of a new process that does the step and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from tests.bench.speed.children import runs_of
from tests.bench.speed.place import Place, benchmark_photos, phone_photos
from tests.bench.speed.step import Step
from tests.bench.speed.steps import step_of
from tests.bench.speed.used import processor_s, typical

# Large farms are estimated so often: each takes long, and differs less than a photo does.
LARGE_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the table: a step, and the farm that it is done with."""

    group: str
    step: str

    def __str__(self) -> str:
        return f"{self.group}-{self.step}"


ROWS = (
    *(Row("cold", name) for name in ("help", "measure")),
    *(Row("photo", name) for name in ("decode", "marker", "detect", "outlines", "save", "photo")),
    *(Row("farm", name) for name in ("estimate", "estimate-again", "forecast")),
    *(Row("large", name) for name in ("rows", "estimate", "estimate-again", "forecast")),
)


@pytest.fixture(scope="session")
def photos(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, ...]:
    """A photo of each kind of block, as a phone takes it."""
    number: int = request.config.getoption("--photos")
    size_px = tuple(request.config.getoption("--photo-px"))
    folder = tmp_path_factory.mktemp("phone")
    return phone_photos(benchmark_photos(number), folder, number, size_px=size_px)


@pytest.mark.parametrize("row", ROWS, ids=str)
def bench_step(
    row: Row,
    benchmark: BenchmarkFixture,
    photos: tuple[Path, ...],
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """One step, timed, and its memory beside it."""
    step, options = step_of(row.step), request.config.option
    place = _place(row, step, photos, request, tmp_path_factory.getbasetemp())
    turns = len(place.photos) if step.a_photo else 1
    rounds = min(options.rounds, LARGE_ROUNDS) if row.group == "large" else options.rounds
    busy: list[float] = []

    with step.ready(place) as prepared:
        if step.warm:
            prepared()()
        benchmark.pedantic(
            _counted(busy),
            setup=lambda: ((prepared(),), {}),
            rounds=rounds * turns,
            iterations=1,
        )
    peaks = [used.peak_mb for used in runs_of(step.name, place, turns)] if step.memory else []
    benchmark.extra_info.update(
        what=_words(row, step, place),
        group=row.group,
        wall_s=typical(benchmark.stats.stats.data, turns),
        processor_s=typical(busy, turns),
        peak_mb=max(peaks, default=None),
        target_s=step.target_s,
        target_mb=step.target_mb,
    )


def _counted(busy: list[float]) -> Callable[[Callable[[], object]], None]:
    """Does a piece of work, and notes its processor seconds."""

    def run(work: Callable[[], object]) -> None:
        before = processor_s()
        work()
        busy.append(processor_s() - before)

    return run


def _place(
    row: Row,
    step: Step,
    photos: tuple[Path, ...],
    request: pytest.FixtureRequest,
    scratch: Path,
) -> Place:
    options = request.config.option
    place = Place(folder=scratch, photos=photos if step.a_photo else (), farm=options.farm)
    if row.group == "large":
        return replace(place, farm=None, blocks=options.large_blocks, pictures=False)
    return replace(place, blocks=options.blocks)


def _words(row: Row, step: Step, place: Place) -> str:
    """The step in words, with the farm that it was done with."""
    if row.group not in ("farm", "large"):
        return step.words
    from tests.bench.speed.farm_steps import size_of

    size = size_of(place)
    return f"{size.blocks} blocks, {size.photos:,} photos: {step.words}"
