"""Make the sample farm again: `python -m fruitvision.simulate --out DIR --seed 2026`."""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

from fruitvision.errors import FruitVisionError
from fruitvision.simulate.album import Order, gather, make_photo, sidecar
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.tables import FACES, photo_name, write_field_data

logger = logging.getLogger("fruitvision.simulate")

SEED = 2026
SAMPLES = 96


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the tables, then the photos that are not there yet; 1 if a photo failed."""
    options = _parse(arguments)
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    blocks = draw_season(options.seed)
    write_field_data(blocks, options.out, options.seed)
    wanted = list(_orders(blocks, options))
    try:
        failed = _make(wanted, options.workers)
    except FruitVisionError as err:
        logger.error("%s", err)
        return 2
    gather(blocks, options.out)
    return 1 if failed else 0


def _parse(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m fruitvision.simulate", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument(
        "--photos", nargs="*", help="part of a photo's name, several allowed; none: tables only"
    )
    parser.add_argument("--samples", type=int, default=SAMPLES, help="rays per pixel")
    parser.add_argument("--shrink", type=int, default=1, help="5: a fifth of the width, to look")
    parser.add_argument("--variant", default="cuda_ad_rgb", help="of Mitsuba; or scalar_rgb")
    parser.add_argument("--workers", type=int, default=1, help="processes side by side")
    return parser.parse_args(arguments)


def _orders(blocks: tuple[SeasonBlock, ...], options: argparse.Namespace) -> Iterable[Order]:
    for number, block in enumerate(blocks):
        for tree in block.photographed:
            for face in FACES:
                name = photo_name(block, tree, face)
                parts = options.photos
                if sidecar(options.out, name).exists():
                    continue
                if parts is None or any(part in name for part in parts):
                    yield Order(
                        block=number,
                        tree=tree,
                        face=face,
                        seed=options.seed,
                        samples=options.samples,
                        shrink=options.shrink,
                        variant=options.variant,
                        folder=options.out,
                    )


def _make(orders: list[Order], workers: int) -> int:
    """Number of photos that failed; one failure leaves the others alone."""
    failed = 0
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        tasks = {pool.submit(make_photo, order): order for order in orders}
        for done, task in enumerate(as_completed(tasks), start=1):
            problem = task.exception()
            if isinstance(problem, FruitVisionError):
                raise problem
            if problem is not None:
                failed += 1
                logger.error("failed: %s: %r", tasks[task], problem)
            else:
                logger.info("%d of %d: %s", done, len(orders), task.result())
    return failed


if __name__ == "__main__":
    sys.exit(main())
