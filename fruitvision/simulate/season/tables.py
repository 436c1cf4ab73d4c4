"""A season as the tables that a farm keeps, and as the truth that a farm never sees.

| file | who would know it | one line per |
|---|---|---|
| blocks.csv | office | block |
| walk.csv | field | photo |
| hand_counts.csv | field | hand-counted tree |
| calipers.csv | field | reading |
| register.csv | office | position |
| harvest.csv | packing house | pick |
| truth_trees.csv | nobody | bearing tree |
| truth.csv | nobody | fruit |
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from dataclasses import fields
from datetime import timedelta
from pathlib import Path, PurePosixPath

import numpy as np

from fruitvision.domain import SizeTable
from fruitvision.simulate.season.draw import FATES, SeasonBlock
from fruitvision.simulate.season.harvest import harvest
from fruitvision.simulate.season.plan import OfficeNotes
from fruitvision.simulate.season.walk import registered_trees
from fruitvision.size_table import load_size_table

# Standard deviation of one caliper reading, mm. Our choice for a dial caliper in the tree.
CALIPER_ERROR_MM = 0.5
FACES = ("A", "B")
# Classes in which the packing house of the invented farm reports. Our choice.
HARVEST_TABLE = "box_counts_42lb"

Row = tuple[object, ...]


def photo_name(block: SeasonBlock, tree: int, face: str, step: int = 0) -> str:
    """File of a photo, relative to the folder of the tables; `step` as in `picture.shot.Shot`."""
    row, position = block.places[tree]
    aside = f"_step{step}" if step else ""
    return f"photos/{block.plan.variety.lower()}_r{row}_t{position:02d}_{face}{aside}.jpg"


def second_place(name: str) -> str:
    """Name of the photo of the same face, one step aside of the first."""
    path = PurePosixPath(name)
    return str(path.with_stem(f"{path.stem}_step1"))


def one_place(number: int, face: str) -> int:
    """Photos of a face of the photographed tree of that number: one."""
    return 1


def write_field_data(
    blocks: tuple[SeasonBlock, ...],
    folder: Path,
    seed: int,
    faces: tuple[str, ...] = FACES,
    places: Callable[[int, str], int] = one_place,
) -> tuple[Path, ...]:
    """Write the eight tables of a season (UTF-8) and return their paths.

    Counting and caliper errors have their own stream of `seed`. `faces` : those photographed;
    `places` : how many photos there are of a face of the photographed tree of a number.
    """
    rng = np.random.default_rng([seed, 1])
    tables = {
        "blocks.csv": _blocks(blocks),
        "walk.csv": _walk(blocks, faces, places),
        "hand_counts.csv": _hand_counts(blocks, faces, rng),
        "calipers.csv": _calipers(blocks, rng),
        "truth_trees.csv": _truth_trees(blocks),
        "truth.csv": _truth(blocks),
        "register.csv": _register(blocks),
        "harvest.csv": _harvest(blocks, load_size_table(HARVEST_TABLE)),
    }
    return tuple(write_table(folder / name, rows) for name, rows in tables.items())


def write_table(path: Path, rows: Iterable[Row]) -> Path:
    """Write rows, the header first, as CSV."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)
    return path


def _blocks(blocks: tuple[SeasonBlock, ...]) -> Iterable[Row]:
    """The office's notes are columns only where it has some of a block."""
    noted = any(block.plan.office for block in blocks)
    names = tuple(one.name for one in fields(OfficeNotes)) if noted else ()
    yield ("block", "variety", "positions", "missing", "pollinizers", "pick_date", *names)
    for block in blocks:
        plan = block.plan
        positions = plan.rows * plan.trees_per_row
        yield (
            plan.block_id,
            plan.variety,
            positions,
            plan.missing,
            plan.pollinizers,
            plan.pick_date,
            *("" if plan.office is None else getattr(plan.office, name) for name in names),
        )


def _walk(
    blocks: tuple[SeasonBlock, ...], faces: tuple[str, ...], places: Callable[[int, str], int]
) -> Iterable[Row]:
    yield ("photo", "block", "row", "position", "face")
    for block in blocks:
        for number, tree in enumerate(block.photographed):
            for face in faces:
                place = block.places[tree].tolist()
                for step in range(places(number, face)):
                    yield (photo_name(block, tree, face, step), block.plan.block_id, *place, face)


def _hand_counts(
    blocks: tuple[SeasonBlock, ...], faces: tuple[str, ...], rng: np.random.Generator
) -> Iterable[Row]:
    yield ("block", "row", "position", "fruit_count", "counted_on", "protocol")
    for block in blocks:
        counts = block.fruit_counts()
        for tree in block.hand_counted:
            # Every third count is a fruit or two off, about 1-2 %. Our choice.
            slip = int(rng.choice((-1, 1, 2))) if rng.random() < 1 / 3 else 0
            yield (
                block.plan.block_id,
                *block.places[tree].tolist(),
                int(counts[tree]) + slip,
                block.plan.walked_on + timedelta(days=1),
                "two faces" if faces == FACES else "one face",
            )


def _calipers(blocks: tuple[SeasonBlock, ...], rng: np.random.Generator) -> Iterable[Row]:
    yield ("block", "row", "position", "fruit", "measured_on", "diameter_mm")
    for block in blocks:
        plan = block.plan
        tagged = [
            (
                tree,
                np.sort(
                    rng.choice(
                        block.fruit_of(tree),
                        min(plan.tagged_fruit, len(block.fruit_of(tree))),
                        replace=False,
                    )
                ),
            )
            for tree in block.calipered
        ]
        days = ((plan.earlier_calipers_on, block.earlier_mm), (plan.walked_on, block.diameter_mm))
        for day, diameters_mm in days:
            for tree, fruit in tagged:
                read_mm = diameters_mm[fruit] + rng.normal(0.0, CALIPER_ERROR_MM, len(fruit))
                for index, reading in zip(fruit, read_mm, strict=True):
                    place = block.places[tree].tolist()
                    yield (plan.block_id, *place, block.number[index], day, f"{reading:.1f}")


def _truth_trees(blocks: tuple[SeasonBlock, ...]) -> Iterable[Row]:
    yield ("block", "row", "position", "fruit_count")
    for block in blocks:
        for place, count in zip(block.places, block.fruit_counts(), strict=True):
            yield (block.plan.block_id, *place.tolist(), int(count))


def _truth(blocks: tuple[SeasonBlock, ...]) -> Iterable[Row]:
    yield (
        "block",
        "row",
        "position",
        "fruit_id",
        "diameter_mm",
        "diameter_at_pick_mm",
        "mass_at_pick_g",
        "fate",
    )
    for block in blocks:
        for fruit, tree in enumerate(block.tree):
            yield (
                block.plan.block_id,
                *block.places[tree].tolist(),
                block.fruit_id(fruit),
                f"{block.diameter_mm[fruit]:.1f}",
                f"{block.pick_mm[fruit]:.1f}",
                f"{block.mass_g[fruit]:.1f}",
                FATES[block.fate[fruit]],
            )


def _register(blocks: tuple[SeasonBlock, ...]) -> Iterable[Row]:
    yield ("block", "row", "position", "kind", "stratum")
    for block in blocks:
        for one in registered_trees(block):
            yield (one.tree.block_id, one.tree.row, one.tree.position, one.kind, one.stratum)


def _harvest(blocks: tuple[SeasonBlock, ...], table: SizeTable) -> Iterable[Row]:
    """The true result of each pick; a cause that a block does not have is left empty."""
    causes = list(dict.fromkeys(cause.name for b in blocks for cause in b.plan.culls.causes))
    yield (
        "block",
        "pick",
        "picked_on",
        "fruit",
        "bins",
        "tonnes",
        "mean_mm",
        "culled",
        *(f"culled_{cause}" for cause in causes),
        *(f"cartons_{size_class.name}" for size_class in table.classes),
    )
    for block in blocks:
        names = [cause.name for cause in block.plan.culls.causes]
        for result in harvest(block, table):
            by_cause = dict(zip(names, result.culled_by_cause, strict=True))
            yield (
                block.plan.block_id,
                result.pick,
                result.picked_on,
                result.fruit,
                f"{result.bins:.2f}",
                f"{result.tonnes:.3f}",
                f"{result.mean_mm:.1f}" if result.fruit else "",
                result.culled,
                *(by_cause.get(cause, "") for cause in causes),
                *(f"{cartons:.2f}" for cartons in result.cartons),
            )
