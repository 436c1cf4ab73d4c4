"""A large invented farm: 60 blocks, 5,040 photos, 200,000 fruit, straight into a store.

No photo is measured. Fruit are drawn around a tree's load and a block's size; their numbers only
have to be of the kind, and as many, as a season's work leaves behind.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.bench_app.picture import numbered_jpeg, orchard_jpeg
from fruitvision.domain import (
    Block,
    CaliperedFruit,
    CaliperReading,
    Doubt,
    Fruit,
    HandCount,
    MadeWith,
    MeasuredPhoto,
    Photo,
    Reference,
    RegisteredTree,
    Scale,
    TreeId,
    TreeKind,
    TreePhoto,
)
from fruitvision.errors import StoreError
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.photos import made_with
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from fruitvision.store.photos import PHOTOS_NAME

FARM_NAME = "Larkhill"
VARIETIES = ("Gala", "Fuji", "Braeburn")
# The first walk, the second one three weeks later, and the pick after that.
WALKS = (date(2026, 7, 22), date(2026, 8, 12))
PICK = date(2026, 9, 3)
NINE = time(9)
ROWS, PER_ROW = 20, 50
REGISTERED_SHARE = 3
HAND_COUNTED, CALIPERED = 6, 8
# D³ grows linearly; from 62 to 68 mm in three weeks.
MEANS_MM = (62.0, 68.0)
SPREAD_MM, ERROR_MM = 5.0, 3.0
SEED = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmSize:
    """How large a farm to invent. Photos: blocks · trees · two faces · two walks.

    Photos of the first `large_blocks` are as large as a phone's: their pictures are timed.
    Without `pictures` the farm has the rows of its photos and no files: no page can show one.
    """

    blocks: int = 60
    trees: int = 21
    fruit_a_photo: int = 40
    forecasts: int = 2
    large_blocks: int = 1
    pictures: bool = True

    @property
    def photos(self) -> int:
        """Photos of all blocks."""
        return self.blocks * self.trees * 2 * len(WALKS)


def block_name(number: int) -> str:
    """Name of a block, from 1 on."""
    return f"{VARIETIES[number % len(VARIETIES)]} {number:02d}"


def bench_farm(folder: Path, size: FarmSize) -> FarmStore:
    """The invented farm in a folder, open; made if the folder is new or empty.

    Raises
    ------
    StoreError
        If the folder holds something else, or a farm of another size or version.
    """
    if folder.exists() and any(folder.iterdir()):
        store = open_farm(folder, create=False)
        origin = made_with(choose_detector(), Settings())
        found = len(store.measured_photos_of(block_name(size.blocks), origin))
        if (len(store.blocks()), found) != (size.blocks, size.photos // size.blocks):
            raise StoreError(
                f"{folder} holds no invented farm of this size and version.",
                fix="Name a new folder; it is filled within a minute or two.",
            )
        return store
    store = open_farm(folder, name=FARM_NAME)
    fill(store, size)
    return store


def fill(store: FarmStore, size: FarmSize) -> None:
    """Put the invented farm into an empty store."""
    origin = made_with(choose_detector(), Settings())
    store.save_blocks(_block(number) for number in range(1, size.blocks + 1))
    for number in range(1, size.blocks + 1):
        _fill_block(store, number, size, origin)
    table = load_size_table("box_counts_42lb")
    for number in range(size.forecasts):
        made_on = WALKS[-1] + timedelta(days=1 + number)
        forecast_farm(store, table, Settings(), made_on=made_on)


def _block(number: int) -> Block:
    variety = VARIETIES[number % len(VARIETIES)]
    return Block(
        block_id=block_name(number),
        variety=variety,
        positions=ROWS * PER_ROW,
        pick_date=PICK + timedelta(days=number % 20),
        group=f"{variety}, young" if number % 2 else "",
        target_fruit_per_tree=100.0,
        target_diameter_mm=72.0,
    )


def _fill_block(store: FarmStore, number: int, size: FarmSize, origin: MadeWith) -> None:
    draw = np.random.default_rng((SEED, number))
    name = block_name(number)
    places = np.sort(draw.choice(ROWS * PER_ROW, size.trees, replace=False))
    trees = [TreeId(name, 1 + int(k) // PER_ROW, 1 + int(k) % PER_ROW) for k in places]
    loads = draw.normal(size.fruit_a_photo, size.fruit_a_photo / 5, size.trees).clip(4)
    photos: list[MeasuredPhoto] = []
    placed: list[TreePhoto] = []
    for walk, day in enumerate(WALKS):
        for tree, load in zip(trees, loads, strict=True):
            for face in "AB":
                taken = datetime.combine(day, NINE) + timedelta(minutes=len(photos))
                large = number <= size.large_blocks
                file = _file_of(store.folder, f"{number} {len(photos)}", size, large=large)
                photo = replace(file, name=f"{name} {len(photos):03d}.jpg", taken_at=taken)
                fruit = tuple(_fruit(photo, draw, int(draw.poisson(load)), MEANS_MM[walk]))
                photos.append(_measured(photo, fruit, origin))
                placed.append(
                    TreePhoto(tree=tree, face=face, photo_id=photo.photo_id, walked_on=day)
                )
    store.save_measured_photos(photos)
    store.save_tree_photos(placed)
    _hand_work(store, trees, loads, draw)
    store.save_calipered_fruit(_pairs(photos) if number % 10 == 1 else ())
    if number % REGISTERED_SHARE == 1:
        store.save_register(_register(name, set(trees), draw))


# ---------------------------------------------------------------- photos


def _file_of(folder: Path, words: str, size: FarmSize, *, large: bool) -> Photo:
    """A photo, its file kept if the farm has any; its words make it another one than all others."""
    content, width_px, height_px = orchard_jpeg(large=large)
    content = numbered_jpeg(content, words)
    photo_id = hashlib.sha256(content).hexdigest()
    path = folder / PHOTOS_NAME / f"{photo_id}.jpg"
    if size.pictures:
        path.parent.mkdir(parents=True, exist_ok=True)
        # No write of its own with a sync: this farm can be made again.
        path.write_bytes(content)
    return Photo(
        photo_id=photo_id,
        name=path.name,
        width_px=width_px,
        height_px=height_px,
        focal_35mm=26.0,
        sharpness=4.0,
        brightness=0.5,
    )


def _fruit(photo: Photo, draw: np.random.Generator, count: int, mean_mm: float) -> Iterator[Fruit]:
    """Fruit all over a photo: seven of eight sized, one of twenty of a row behind."""
    wide = photo.width_px / 30
    at: NDArray[np.float64] = draw.uniform(0.05, 0.95, (count, 2))
    mm = draw.normal(mean_mm, SPREAD_MM, count) + draw.normal(0, ERROR_MM, count)
    shares, chances = draw.uniform(0.3, 1, count), draw.uniform(0.5, 1, count)
    for number in range(count):
        sized = number % 8 != 7
        px = wide * float(mm[number]) / mean_mm
        yield Fruit(
            photo_id=photo.photo_id,
            fruit_id=f"{number:03d}",
            centre_x_px=float(at[number, 0]) * photo.width_px,
            centre_y_px=float(at[number, 1]) * photo.height_px,
            width_px=px,
            height_px=0.93 * px,
            angle_deg=float(number % 180),
            diameter_px=px,
            diameter_mm=float(mm[number]) if sized else None,
            diameter_error_mm=ERROR_MM if sized else None,
            visible_share=float(shares[number]),
            score=float(chances[number]),
            on_this_row=number % 20 != 19,
            doubts=() if sized else (Doubt.NOT_SIZED, Doubt.PARTLY_HIDDEN),
            diameter_error_px=px / 30,
        )


def _measured(photo: Photo, fruit: tuple[Fruit, ...], origin: MadeWith) -> MeasuredPhoto:
    """A measured photo with one marker in its middle."""
    side_px = photo.width_px / 15
    x, y = photo.width_px / 2, photo.height_px / 2
    mm_per_px = 150 / side_px
    marker = Reference(
        marker_id=7,
        side_mm=150.0,
        corners_px=((x, y), (x + side_px, y), (x + side_px, y + side_px), (x, y + side_px)),
        side_px=side_px,
        tilt_deg=4.0,
        mm_per_px=mm_per_px,
        mm_per_px_error=mm_per_px / 100,
    )
    return MeasuredPhoto(
        photo=photo,
        references=(marker,),
        scale=Scale(mm_per_px=mm_per_px, mm_per_px_error=mm_per_px / 100, distance_mm=2300.0),
        fruit=fruit,
        doubts=(),
        made_with=origin,
    )


# ---------------------------------------------------------------- hand work


def _hand_work(
    store: FarmStore, trees: list[TreeId], loads: NDArray[np.float64], draw: np.random.Generator
) -> None:
    """Counts of half as many fruit again as both faces show, and calipers at both walks."""
    store.save_hand_counts(
        HandCount(tree=tree, fruit_count=int(draw.poisson(3 * load)), counted_on=WALKS[-1])
        for tree, load in zip(trees[:HAND_COUNTED], loads, strict=False)
    )
    store.save_caliper_readings(
        CaliperReading(
            tree=tree,
            measured_on=day,
            diameter_mm=float(draw.normal(mean_mm, SPREAD_MM)),
            fruit=str(tag),
        )
        for day, mean_mm in zip(WALKS, MEANS_MM, strict=True)
        for tree in trees[:CALIPERED]
        for tag in range(1, 11)
    )


def _pairs(photos: list[MeasuredPhoto]) -> Iterator[CaliperedFruit]:
    """Five calipered fruit in each of the last five photos."""
    for photo in photos[-5:]:
        for fruit in [one for one in photo.fruit if one.diameter_mm is not None][:5]:
            yield CaliperedFruit(
                photo_id=photo.photo.photo_id,
                x_px=fruit.centre_x_px,
                y_px=fruit.centre_y_px,
                diameter_mm=(fruit.diameter_mm or 0.0) + 1.0,
            )


def _register(
    name: str, walked: set[TreeId], draw: np.random.Generator
) -> Iterator[RegisteredTree]:
    """All places, old rows apart; gaps and pollinizers where nothing was photographed."""
    chances = draw.uniform(0, 1, (ROWS, PER_ROW))
    for row in range(1, ROWS + 1):
        for position in range(1, PER_ROW + 1):
            tree, chance = TreeId(name, row, position), chances[row - 1, position - 1]
            kind = TreeKind.BEARING
            if tree not in walked and chance < 0.06:
                kind = TreeKind.MISSING if chance < 0.02 else TreeKind.POLLINIZER
            yield RegisteredTree(
                tree=tree,
                kind=kind,
                stratum="old rows" if row > ROWS * 3 // 4 else "",
                bearing_share=1.0 if kind is TreeKind.BEARING else 0.0,
                variety="Braeburn" if kind is TreeKind.POLLINIZER else "",
            )
