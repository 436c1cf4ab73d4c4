"""Steps of a farm whose photos are measured: rows in, estimates, forecast."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp

from fruitvision import sizes
from fruitvision.bench_app.farm import WALKS, FarmSize, bench_farm
from fruitvision.pipeline import estimate_blocks, forecast_farm
from fruitvision.pipeline.kept import FOLDER, forget_memory
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from tests.bench.speed.place import Place
from tests.bench.speed.step import Prepared, Step

DAY = WALKS[-1] + timedelta(days=7)


def size_of(place: Place) -> FarmSize:
    """The farm that a place asks for; with pictures it is the one of `fruitvision bench app`."""
    if place.pictures:
        return FarmSize(blocks=place.blocks)
    return FarmSize(blocks=place.blocks, forecasts=0, large_blocks=0, pictures=False)


@contextmanager
def _rows(place: Place) -> Iterator[Prepared]:
    size = replace(size_of(place), pictures=False, forecasts=0, large_blocks=0)
    # What a process loads and draws once is no work of any row.
    made = [Path(mkdtemp(dir=place.folder))]
    bench_farm(made[0] / "farm", replace(size, blocks=1)).close()

    def prepared() -> Callable[[], object]:
        rmtree(made[0], ignore_errors=True)
        made[0] = Path(mkdtemp(dir=place.folder))
        return lambda: bench_farm(made[0] / "farm", size).close()

    yield prepared


@contextmanager
def _estimate(place: Place) -> Iterator[Prepared]:
    # Sizes once stayed in memory beside all else, so that a second estimate had none to work out.
    kept_by_older_programs = getattr(sizes, "_distribution", None)
    with bench_farm(place.farm_folder, size_of(place)) as store:

        def prepared() -> Callable[[], object]:
            forget_memory()
            rmtree(store.folder / FOLDER, ignore_errors=True)
            if kept_by_older_programs is not None:
                kept_by_older_programs.cache_clear()
            return lambda: estimate_blocks(store, Settings())

        yield prepared


@contextmanager
def _estimate_again(place: Place) -> Iterator[Prepared]:
    with bench_farm(place.farm_folder, size_of(place)) as store:
        estimate_blocks(store, Settings())
        count = store.hand_counts(store.blocks()[0].block_id)[0]
        number = 0

        def prepared() -> Callable[[], object]:
            nonlocal number
            number += 1
            store.save_hand_counts([replace(count, fruit_count=count.fruit_count + number)])
            return lambda: estimate_blocks(store, Settings())

        yield prepared
        store.save_hand_counts([count])


@contextmanager
def _forecast(place: Place) -> Iterator[Prepared]:
    with bench_farm(place.farm_folder, size_of(place)) as store:
        estimate_blocks(store, Settings())
        table = load_size_table("box_counts_42lb")
        yield lambda: lambda: forecast_farm(store, table, Settings(), made_on=DAY)


FARM_STEPS = (
    Step(name="rows", group="rows", words="rows drawn and saved", ready=_rows, warm=False),
    Step(name="estimate", group="farm", words="estimates, nothing kept", ready=_estimate),
    Step(
        name="estimate-again",
        group="farm",
        words="estimates after a hand count",
        ready=_estimate_again,
    ),
    Step(name="forecast", group="farm", words="forecast, estimates kept", ready=_forecast),
)
