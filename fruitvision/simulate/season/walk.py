"""A scouting walk without pictures: what the chain would receive from a block.

Photos are not rendered: a walk sees a share of the fruit of each tree, and measures diameters with
a marker that hangs at a wrong depth, fruit at various depths, and an outline error.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import (
    Block,
    CaliperReading,
    HandCount,
    Pick,
    PickPlan,
    Protocol,
    RegisteredTree,
    TreeId,
    TreeSample,
)
from fruitvision.simulate.season.dial import (
    FACES,
    FALSE_FRUIT,
    SLIPS,
    check_dials,
    check_seed,
    dial,
    stream,
)
from fruitvision.simulate.season.draw import SeasonBlock
from fruitvision.simulate.season.register import KINDS

Ints = NDArray[np.int64]

# Camera to marker, mm: what the walk card asks for.
DISTANCE_MM = 2300.0
# Diameter whose error is the dial's, mm: a photo states its errors as a share of what it reads.
STATED_AT_MM = 70.0
# Fruit by which a slipped hand count is off. Our choice: one is lost, one or two are counted twice.
SLIPS_FRUIT = (-1, 1, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkErrors:
    """Every source of error of a walk; the defaults are larger than what rendered photos show."""

    hidden_share: float = dial(
        0.38, unit="of a tree's fruit, from both faces", low=0.0, high=1.0, source="our choice"
    )
    hidden_share_sd: float = dial(
        0.06, unit="between trees", low=0.0, high=0.5, source="our choice: K strays by 10 %"
    )
    hidden_by_load: float = dial(
        0.0,
        unit="more of the fruit hidden on a tree of twice the usual load",
        low=-1.0,
        high=1.0,
        source="our choice: none",
    )
    false_fruit: float = dial(
        0.0, unit="leaves and the like called fruit, per tree", low=0.0, high=500.0, source="none"
    )
    unsized_share: float = dial(
        0.5, unit="of the seen fruit", low=0.0, high=1.0, source="our choice: half are too hidden"
    )
    sized_by_size: float = dial(
        0.0,
        unit="power of the diameter in the chance of being sized",
        low=0.0,
        high=10.0,
        source="our choice: all alike",
    )
    marker_depth_mm: float = dial(
        50.0, unit="mm, sd, one for the walk", low=0.0, high=500.0, source="our choice"
    )
    photo_depth_mm: float = dial(
        40.0, unit="mm, sd, one for the photos of a tree", low=0.0, high=500.0, source="our choice"
    )
    fruit_depth_mm: float = dial(
        100.0, unit="mm, sd, each fruit", low=0.0, high=500.0, source="our choice: a slender canopy"
    )
    outline_mm: float = dial(
        1.5, unit="mm, sd, each fruit", low=0.0, high=20.0, source="our choice: a pixel at 2.3 m"
    )
    stated_error_mm: float = dial(
        3.8,
        unit="mm, the standard error that a diameter of 70 mm says of itself; others by their size",
        low=0.0,
        high=30.0,
        source="our choice: sd of the depths above and the outline at 70 mm is 3.9 mm",
    )
    caliper_mm: float = dial(
        0.5, unit="mm, sd of a reading", low=0.0, high=5.0, source="our choice: a dial caliper"
    )
    slip_share: float = dial(
        1 / 3,
        unit="of the hand counts are off by a fruit or two",
        low=0.0,
        high=1.0,
        source="our choice: about 1-2 % off",
    )
    bin_fill_sd: float = dial(
        0.03, unit="of a full bin, from pick to pick", low=0.0, high=0.3, source="our choice"
    )

    def __post_init__(self) -> None:
        check_dials(self)


# A walk that sees and sizes every fruit, and reads, counts and weighs it rightly.
NO_ERRORS = WalkErrors(**dict.fromkeys(WalkErrors.__dataclass_fields__, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """What a scout brings home from one block.

    `face_counts` : fruit called on face A and on face B of each tree, as in `trees`; they add up
    to its visible count.
    """

    trees: tuple[TreeSample, ...]
    face_counts: tuple[tuple[int, int], ...]
    hand_counts: tuple[HandCount, ...]
    readings: tuple[CaliperReading, ...]


def walk(block: SeasonBlock, seed: int, errors: WalkErrors | None = None) -> Walk:
    """A walk on the block's day: photographed, hand-counted and calipered trees.

    Parameters
    ----------
    seed : int
        Usually that of the season; each block has its own streams of it.
    errors : WalkErrors, optional
        The usual ones if left out.

    Raises
    ------
    SimulationError
        If the seed is below 0.
    """
    check_seed(seed)
    errors = errors or WalkErrors()
    letter = block.plan.letter
    rng = np.random.default_rng([seed, ord(letter)])
    slips, faces = stream(seed, letter, SLIPS), stream(seed, letter, FACES)
    false_fruit = stream(seed, letter, FALSE_FRUIT)
    marker_mm = float(rng.normal(0.0, errors.marker_depth_mm))
    trees: list[TreeSample] = []
    counts: list[HandCount] = []
    readings: list[CaliperReading] = []
    for index in block.photographed:
        false = int(false_fruit.poisson(errors.false_fruit))
        trees.append(_tree_sample(block, index, (marker_mm, false), errors, rng))
        if index in block.hand_counted:
            counts.append(_hand_count(block, index, errors, slips))
        if index in block.calipered:
            readings += _calipers(block, index, errors, rng)
    on_face_a = [int(faces.binomial(tree.visible_count, 0.5)) for tree in trees]
    return Walk(
        trees=tuple(trees),
        face_counts=tuple(
            (seen, tree.visible_count - seen) for seen, tree in zip(on_face_a, trees, strict=True)
        ),
        hand_counts=tuple(counts),
        readings=tuple(readings),
    )


def tree_id(block: SeasonBlock, tree: int) -> TreeId:
    """Name of a bearing tree as the chain knows it."""
    return TreeId(block.plan.block_id, *map(int, block.places[tree]))


def _tree_sample(
    block: SeasonBlock,
    index: int,
    given: tuple[float, int],
    errors: WalkErrors,
    rng: np.random.Generator,
) -> TreeSample:
    """`given` : depth of the marker on this walk, mm, and things taken for fruit on this tree."""
    fruit = block.fruit_of(index)
    marker_mm, false = given
    load = len(fruit) / block.plan.fruit_per_tree - 1.0 if block.plan.fruit_per_tree else 0.0
    share = rng.normal(1.0 - errors.hidden_share, errors.hidden_share_sd)
    seen = int(rng.binomial(len(fruit), np.clip(share - errors.hidden_by_load * load, 0.0, 1.0)))
    sized = _sized(block, fruit, seen, errors, rng)
    photos_mm = marker_mm + float(rng.normal(0.0, errors.photo_depth_mm))
    depth_mm = photos_mm + rng.normal(0.0, errors.fruit_depth_mm, len(sized))
    noise_mm = rng.normal(0.0, errors.outline_mm, len(sized))
    read_mm = block.diameter_mm[sized] * (1.0 + depth_mm / DISTANCE_MM) + noise_mm
    read_mm = np.maximum(read_mm, 1.0)
    return TreeSample(
        tree=tree_id(block, index),
        walked_on=block.plan.walked_on,
        protocol=Protocol.TWO_FACES,
        visible_count=seen + false,
        diameters_mm=tuple(read_mm.tolist()),
        diameter_errors_mm=tuple((errors.stated_error_mm * read_mm / STATED_AT_MM).tolist()),
    )


def _sized(
    block: SeasonBlock, fruit: Ints, seen: int, errors: WalkErrors, rng: np.random.Generator
) -> Ints:
    """Indices of the fruit whose diameter is read: at least one of a tree that bears."""
    wanted = min(len(fruit), max(1, int(seen * (1.0 - errors.unsized_share))))
    if errors.sized_by_size <= 0.0:
        return rng.choice(fruit, wanted, replace=False) if wanted else fruit
    chance = block.diameter_mm[fruit] ** errors.sized_by_size
    return rng.choice(fruit, wanted, replace=False, p=chance / chance.sum()) if wanted else fruit


def _hand_count(
    block: SeasonBlock, index: int, errors: WalkErrors, rng: np.random.Generator
) -> HandCount:
    slipped, slip = rng.random() < errors.slip_share, int(rng.choice(SLIPS_FRUIT))
    fruit = len(block.fruit_of(index))
    return HandCount(
        tree=tree_id(block, index),
        fruit_count=max(0, fruit + slip * slipped),
        counted_on=block.plan.walked_on,
    )


def _calipers(
    block: SeasonBlock, index: int, errors: WalkErrors, rng: np.random.Generator
) -> list[CaliperReading]:
    """The same tagged fruit on the earlier day and on the day of the walk."""
    plan, fruit = block.plan, block.fruit_of(index)
    tagged = rng.choice(fruit, min(plan.tagged_fruit, len(fruit)), replace=False)
    readings = []
    days = ((plan.earlier_calipers_on, block.earlier_mm), (plan.walked_on, block.diameter_mm))
    for day, diameters_mm in days:
        read_mm = diameters_mm[tagged] + rng.normal(0.0, errors.caliper_mm, len(tagged))
        readings += [
            CaliperReading(
                tree=tree_id(block, index),
                measured_on=day,
                diameter_mm=float(diameter),
                fruit=block.fruit_id(one),
            )
            for one, diameter in zip(tagged, read_mm, strict=True)
        ]
    return readings


# ---------------------------------------------------------------- what the office knows


def office_block(block: SeasonBlock) -> Block:
    """The block as blocks.csv has it: replants count as bearing."""
    plan = block.plan
    notes = {} if plan.office is None else asdict(plan.office)
    return Block(
        block_id=plan.block_id,
        variety=plan.variety,
        positions=plan.positions,
        missing=plan.missing,
        pollinizers=plan.pollinizers,
        pick_date=plan.pick_date,
        **notes,
    )


def registered_trees(block: SeasonBlock) -> tuple[RegisteredTree, ...]:
    """Every position of the block with its kind and stratum, row by row."""
    plan, register = block.plan, block.register
    names = [*(stratum.name for stratum in plan.register.strata), ""]
    bearing = (1.0, plan.register.replant_share, 0.0, 0.0)
    return tuple(
        RegisteredTree(
            tree=TreeId(plan.block_id, row, position),
            kind=KINDS[kind],
            stratum=names[stratum],
            bearing_share=bearing[kind],
        )
        for (row, position), kind, stratum in zip(
            register.places.tolist(), register.kind.tolist(), register.stratum.tolist(), strict=True
        )
    )


def pick_plan(block: SeasonBlock) -> PickPlan:
    """The passes that the farm intends, as the chain knows them."""
    picking = block.plan.picking
    return PickPlan(
        picks=tuple(
            Pick(pick_date=day, share=share)
            for day, share in zip(block.plan.pick_dates, picking.shares, strict=True)
        ),
        doubling_g=picking.doubling_g,
    )
