"""What it costs to store a photo's result, by size of the group and of the farm."""

from __future__ import annotations

import hashlib
import shutil
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from fruitvision.domain import Fruit, MeasuredPhoto
from fruitvision.store import DATABASE_NAME, FarmStore, open_farm
from fruitvision.store.move import move_to_server
from fruitvision.store.place import checked_server
from tests.postgres_server import started, why_not
from tests.records import MADE_WITH, measured

# Fruit found in a photo: those of the invented farm of `fruitvision bench app`.
FRUIT = 40
# Photos of each size of group.
PHOTOS = 512
GROUPS = (1, 8, 64)
# Photos that the farm has when it is looked at again.
FARM_SIZES = (2_000, 8_000)


def store_lines(folder: Path, postgresql: str) -> Iterator[str]:
    """Rows of a table: milliseconds a photo."""
    yield "| store | photos in the farm | photos a transaction | processor ms | wall ms | kB |"
    yield "|---|---|---|---|---|---|"
    farm = folder / "store"
    shutil.rmtree(farm, ignore_errors=True)
    with open_farm(farm) as store:
        yield from _rows("SQLite", store, farm)
    if postgresql:
        yield from _on_server(farm, postgresql)
    elif why_not():
        yield f"PostgreSQL: {why_not()}"
    else:
        with started() as url:
            yield from _on_server(farm, url)


def _on_server(farm: Path, url: str) -> Iterator[str]:
    shutil.rmtree(farm, ignore_errors=True)
    with open_farm(farm):
        pass
    move_to_server(farm, checked_server(url, f"bench_{int(time.time())}"))
    with open_farm(farm) as store:
        yield from _rows("PostgreSQL, client's part", store, None)


def _rows(name: str, store: FarmStore, farm: Path | None) -> Iterator[str]:
    stored = 0
    for size in GROUPS:
        yield _row(name, store, stored, size, None)
        stored += PHOTOS
    for wanted in FARM_SIZES:
        before = _bytes(farm)
        grown = wanted - stored
        _save(store, _photos(stored, wanted), GROUPS[-1])
        each = (_bytes(farm) - before) / grown if farm else None
        stored = wanted
        yield _row(name, store, stored, GROUPS[-1], each)
        stored += PHOTOS
    yield _known(name, store, stored)


def _row(name: str, store: FarmStore, stored: int, size: int, each: float | None) -> str:
    photos = _photos(stored, stored + PHOTOS)
    wall, processor = time.perf_counter(), time.process_time()
    _save(store, photos, size)
    spent = (time.process_time() - processor, time.perf_counter() - wall)
    numbers = " | ".join(f"{1000 * one / PHOTOS:.2f}" for one in spent)
    disk = "" if each is None else f"{each / 1000:.1f}"
    return f"| {name} | {stored:,} | {size} | {numbers} | {disk} |"


def _known(name: str, store: FarmStore, stored: int) -> str:
    ids = [_id(number) for number in range(0, stored, max(1, stored // 500))][:500]
    wall, processor = time.perf_counter(), time.process_time()
    if len(store.measured_ids(ids, MADE_WITH)) != len(ids):
        raise RuntimeError("a stored photo is not known")
    spent = (time.process_time() - processor, time.perf_counter() - wall)
    numbers = " | ".join(f"{1000 * one / len(ids):.3f}" for one in spent)
    return f"| {name}, looked up | {stored:,} | 500 | {numbers} | |"


def _save(store: FarmStore, photos: Sequence[MeasuredPhoto], size: int) -> None:
    for first in range(0, len(photos), size):
        store.save_measured_photos(photos[first : first + size])


def _bytes(farm: Path | None) -> int:
    return sum(path.stat().st_size for path in farm.glob(f"{DATABASE_NAME}*")) if farm else 0


def _photos(first: int, end: int) -> list[MeasuredPhoto]:
    found = _fruit()
    return [
        measured(photo_id, [replace(one, photo_id=photo_id) for one in found])
        for photo_id in map(_id, range(first, end))
    ]


def _id(number: int) -> str:
    return hashlib.sha256(str(number).encode()).hexdigest()


def _fruit() -> list[Fruit]:
    rng = np.random.default_rng(1)
    return [
        Fruit(
            photo_id="",
            fruit_id=str(number),
            centre_x_px=float(rng.uniform(0, 1500)),
            centre_y_px=float(rng.uniform(0, 2000)),
            width_px=float(rng.uniform(40, 60)),
            height_px=float(rng.uniform(35, 40)),
            angle_deg=float(rng.uniform(-90, 90)),
            diameter_px=float(rng.uniform(40, 60)),
            diameter_mm=float(rng.uniform(55, 85)),
            diameter_error_mm=float(rng.uniform(2, 4)),
            visible_share=float(rng.uniform(0.3, 1)),
            score=float(rng.uniform(0.4, 1)),
            on_this_row=True,
        )
        for number in range(FRUIT)
    ]
