"""`python -m fruitvision.work FARM`: the process that works in the background."""

from __future__ import annotations

import faulthandler
import logging
import os
import sys
from argparse import ArgumentParser
from pathlib import Path

from fruitvision.batch import LocalProcesses
from fruitvision.errors import FruitVisionError
from fruitvision.work.worker import PROCESSES, work_off

# Steps that the process steps back behind pages and other programs (0 to 19). Our choice.
NICER = 10


def main(arguments: list[str] | None = None) -> int:
    """Do the jobs of a farm. 0: done; 2: the farm can't be opened."""
    parser = ArgumentParser(prog="fruitvision.work", description=__doc__)
    parser.add_argument("farm", type=Path)
    parser.add_argument("--workers", type=int, default=PROCESSES)
    chosen = parser.parse_args(arguments)
    faulthandler.enable()
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(message)s")
    if sys.platform != "win32":
        os.nice(NICER)
    try:
        work_off(chosen.farm, workers=LocalProcesses(chosen.workers, apart=True))
    except FruitVisionError as err:
        logging.getLogger(__name__).error("%s", err)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
