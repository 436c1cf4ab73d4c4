"""A simulated farm with its truth, walked through the whole job and scored. Run by hand.

fruitvision simulate block --preset sample-farm --out FOLDER --seed 2028    (extra [simulate])
python -m tests.bench.bench_farm FOLDER
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date
from pathlib import Path

from fruitvision.pipeline import estimate_blocks, forecast_farm, load_walk
from fruitvision.report import block_lines
from fruitvision.settings import Settings
from fruitvision.simulate.score import score_lines, score_of
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm


def main(folder: Path, table_name: str = "box_counts_42lb") -> None:
    """Print every block's estimate, and its forecast beside the truth."""
    settings, table = Settings(), load_size_table(table_name)
    with tempfile.TemporaryDirectory() as scratch, open_farm(Path(scratch) / "farm") as store:
        load_walk(folder, store, settings=settings, workers=2)
        walks, _ = estimate_blocks(store, settings)
        forecast, _ = forecast_farm(store, table, settings, made_on=date(2026, 8, 14))
    lines = [line for walk in walks for line in block_lines(walk)]
    sys.stdout.write("\n".join([*lines, *score_lines(score_of(forecast, folder, table))]) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:3])
