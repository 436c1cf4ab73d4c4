"""How much memory a forecast takes on a farm with many fruit, and how many it holds at once.

    python -m tests.bench.bench_fruit_rows FARM [--make]

reads all blocks anew, estimates and forecasts (a what-if, which is not kept). It prints resident
memory each time that a block's fruit are asked for, and how many fruit, and trees with their fruit,
are in memory then: none, if what is held does not grow with the fruit; at the end the peak.
`--make` invents the farm first if the folder is new: 60 blocks, 24,000 photos and two million
fruit, which is a season of one farm of a co-operative.
"""

from __future__ import annotations

import argparse
import gc
import resource
import shutil
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import event

from fruitvision.bench_app.farm import FarmSize, bench_farm
from fruitvision.domain import Fruit, TreeSample
from fruitvision.pipeline import Choices, forecast_farm
from fruitvision.pipeline.kept import FOLDER
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm

SIZE = FarmSize(blocks=60, trees=100, fruit_a_photo=84, forecasts=0, large_blocks=0)
MADE_ON = date(2026, 8, 20)


def resident_mb() -> float:
    """Memory of this process, MB; of Linux."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    (found,) = [line for line in lines if line.startswith("VmRSS")]
    return int(found.split()[1]) / 1024


def main() -> None:
    """Forecast, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("farm", type=Path)
    parser.add_argument("--make", action="store_true")
    given = parser.parse_args()
    if given.make and not given.farm.exists():
        bench_farm(given.farm, SIZE).close()
    shutil.rmtree(given.farm / FOLDER, ignore_errors=True)
    asked = 0
    with open_farm(given.farm, create=False) as store:

        def tell(*of_event: Any) -> None:
            nonlocal asked
            if "FROM fruit" not in of_event[2]:
                return
            asked += 1
            if asked % 10 == 1:
                kinds = [type(one) for one in gc.get_objects()]
                held = f"{kinds.count(Fruit)} fruit and {kinds.count(TreeSample)} trees held"
                print(f"block {asked}: {resident_mb():.0f} MB, {held}")  # noqa: T201

        event.listen(store._engine, "before_cursor_execute", tell)
        table = load_size_table("box_counts_42lb")
        what_if = Choices(pick_shift_days=1)
        forecast_farm(store, table, Settings(), made_on=MADE_ON, choices=what_if)
    # Linux counts it in kB.
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{asked} times asked; peak {peak_mb:.0f} MB")  # noqa: T201


if __name__ == "__main__":
    main()
