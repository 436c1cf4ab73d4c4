"""Four people at the app and two commands write at once, for as long as one likes.

``python -m tests.bench.soak_many --rounds 20 --times 50``: in each round, on a farm of its own,
every person writes so many entries of each kind and each command so many tables, while archives are
made and restored. Ends with 1 at the first entry that is lost or doubled, or at any error.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.many_at_once import PEOPLE, wanted, write_at_once


def main() -> int:
    """0 if every entry of every round was there once."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--archives", type=int, default=5)
    chosen = parser.parse_args()
    for number in range(1, chosen.rounds + 1):
        begun = time.monotonic()
        with TemporaryDirectory(prefix="fruitvision-soak-") as folder:
            found = write_at_once(Path(folder), chosen.times, chosen.archives)
        if found != (right := wanted(chosen.times, chosen.archives)):
            print(f"round {number}: found {found}, wanted {right}")  # noqa: T201
            return 1
        seconds = time.monotonic() - begun
        print(f"round {number}: {found.hand_counts} counts, {len(PEOPLE)} people, {seconds:.0f} s")  # noqa: T201
    return 0


if __name__ == "__main__":
    sys.exit(main())
