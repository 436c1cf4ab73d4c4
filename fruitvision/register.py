"""The tree register: what stands at each place, and whether the walk finds the same.

Forecasts count in full-tree equivalents: a bearing tree is 1, a replant its bearing share, a
missing tree or a pollinizer 0. Where no register is entered, the block's own numbers serve.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from fruitvision.domain import (
    Block,
    Pollinizers,
    RegisterCheck,
    RegisteredTree,
    Stratum,
    TreeId,
    TreeKind,
    VisitedPlace,
)
from fruitvision.errors import FieldDataError
from fruitvision.units import trees_per_hectare

# Standard error of a register that nobody checked, of its bearing trees: 2 % was taken as the
# half-width of a 90 % range. Our choice, to be replaced by what walks find.
UNCHECKED_ERROR = 0.012
# A find that a right register would give in fewer than 1 of 20 walks is more than chance.
# Common practice.
CHANCE = 0.05
# A tree found as a replant has this bearing share where the register has no replant to tell.
# Our choice: half-way.
ASSUMED_REPLANT_SHARE = 0.5
# Spacing overstates trees by headlands, ditches and gaps. Our choice: up to 15 % is not remarked
# on; more trees than the ground holds, by over 2 %, always are.
LARGEST_SHORTFALL = 0.15
LARGEST_EXCESS = 0.02

# Kinds that bear the block's own fruit.
STANDS = (TreeKind.BEARING, TreeKind.REPLANT)


def equivalent(tree: RegisteredTree) -> float:
    """Crop of a place against a full tree: 0 for a missing tree or a pollinizer."""
    return tree.bearing_share if tree.kind in STANDS else 0.0


def strata_of(block: Block, register: Sequence[RegisteredTree]) -> tuple[Stratum, ...]:
    """The strata of a block by name; without a register one stratum of the block's numbers.

    Raises
    ------
    FieldDataError
        If the register contradicts itself or the block, or no tree bears.
    """
    if not register:
        strata: tuple[Stratum, ...] = (_whole_block(block),)
    else:
        check_register_rows(block, register)
        names = sorted({tree.stratum for tree in register})
        strata = tuple(
            _stratum(name, [tree for tree in register if tree.stratum == name]) for name in names
        )
    if sum(stratum.bearing_trees for stratum in strata) <= 0:
        raise FieldDataError(
            f"{block.block_id} has no bearing tree: {block.positions} positions, {block.missing} "
            f"missing, {block.pollinizers} pollinizers.",
            fix="Correct positions, missing and pollinizers, or the register.",
        )
    return strata


def _whole_block(block: Block) -> Stratum:
    return Stratum(
        name="",
        bearing=block.bearing_trees,
        replants=0,
        pollinizers=block.pollinizers,
        missing=block.missing,
        bearing_trees=float(block.bearing_trees),
    )


def _stratum(name: str, trees: Sequence[RegisteredTree]) -> Stratum:
    return Stratum(
        name=name,
        bearing=_count(trees, TreeKind.BEARING),
        replants=_count(trees, TreeKind.REPLANT),
        pollinizers=_count(trees, TreeKind.POLLINIZER),
        missing=_count(trees, TreeKind.MISSING),
        bearing_trees=float(sum(equivalent(tree) for tree in trees)),
    )


def _count(trees: Iterable[RegisteredTree], kind: TreeKind) -> int:
    return sum(tree.kind is kind for tree in trees)


def pollinizers_of(block: Block, register: Sequence[RegisteredTree]) -> tuple[Pollinizers, ...]:
    """Pollinizers by variety: they belong to another forecast and have a line of their own."""
    if not register:
        return (Pollinizers(variety="", trees=block.pollinizers),) if block.pollinizers else ()
    varieties = [tree.variety for tree in register if tree.kind is TreeKind.POLLINIZER]
    return tuple(
        Pollinizers(variety=variety, trees=varieties.count(variety))
        for variety in sorted(set(varieties))
    )


def check_register_rows(block: Block, register: Sequence[RegisteredTree]) -> None:
    """Refuse a register that contradicts itself or the number of places of its block.

    Raises
    ------
    FieldDataError
        If a place is of another block or there twice, a bearing share is no share, or the block
        has another number of positions.
    """
    seen: set[TreeId] = set()
    for tree in register:
        if tree.tree.block_id != block.block_id:
            raise FieldDataError(
                f"The register of {block.block_id} has a place of another block: {tree.tree}.",
                fix="Give the rows of one block at a time.",
            )
        if tree.tree in seen:
            raise FieldDataError(
                f"{tree.tree} is in the register twice.", fix="Keep one of the two rows."
            )
        if not 0 <= tree.bearing_share <= 1:
            raise FieldDataError(
                f"{tree.tree} has a bearing share of {tree.bearing_share:g}.",
                fix="Give a share from 0 (no crop) to 1 (full crop).",
            )
        seen.add(tree.tree)
    if len(seen) != block.positions:
        raise FieldDataError(
            f"{block.block_id}: the register lists {len(seen):,} places, the block has "
            f"{block.positions:,} positions.",
            fix="List every place in the register, gaps and pollinizers too, or correct the block.",
        )


def register_notes(block: Block, register: Sequence[RegisteredTree]) -> tuple[str, ...]:
    """Sentences on where block, register and spacing disagree; the register is used."""
    notes = []
    for kind, in_block in (
        (TreeKind.MISSING, block.missing),
        (TreeKind.POLLINIZER, block.pollinizers),
    ):
        listed = _count(register, kind)
        if register and listed != in_block:
            notes.append(
                f"{block.block_id}: the block has {in_block:,} as {kind.value}, its register lists "
                f"{listed:,}. The register is used."
            )
    if by_spacing := spacing_words(block):
        notes.append(by_spacing)
    return tuple(notes)


def spacing_words(block: Block) -> str:
    """That a block's positions are not what its area holds at its spacing; empty where they are, or
    where one of the three is not known."""
    expected = trees_by_spacing(block)
    if not expected:
        return ""
    apart = block.positions / expected - 1
    if -LARGEST_SHORTFALL <= apart <= LARGEST_EXCESS:
        return ""
    return (
        f"{block.block_id}: {block.positions:,} positions, but area and spacing make "
        f"{expected:,} ({100 * apart:+.0f} %). Check area, spacing and positions."
    )


def trees_by_spacing(block: Block) -> int | None:
    """Trees that the block's area holds at its spacing; None if one of the three is not known."""
    if block.area_ha is None or block.row_spacing_m is None or block.tree_spacing_m is None:
        return None
    return round(block.area_ha * trees_per_hectare(block.row_spacing_m, block.tree_spacing_m))


# ---------------------------------------------------------------- what the walk found


def check_register(
    block: Block, register: Sequence[RegisteredTree], visited: Sequence[VisitedPlace]
) -> RegisterCheck:
    """Hold the walk's finds against the register, and say how many trees to count on.

    The test is on missing trees (exact binomial). As long as the difference may be chance the
    register's number stands, with an error of what a register usually errs and what the walk
    could still have missed; beyond chance the walk's number is taken, with the walk's error. The
    walk's number is the register's, corrected by the mean difference at the visited places, apart
    for places of each kind.

    Raises
    ------
    FieldDataError
        If a visited place is not in the register, or the register contradicts itself.
    """
    strata = strata_of(block, register)
    trees = sum(stratum.bearing_trees for stratum in strata)
    missing = sum(stratum.missing for stratum in strata) / max(block.positions, 1)
    finds = _latest(block, register, visited)
    gone = sum(place.found is TreeKind.MISSING for place in finds)
    chance = _chance_of(gone, len(finds), min(missing, 1.0)) if finds else 1.0
    change, error = _walk_change(block, register, finds)
    # A walk that saw every place knows the trees, however few of them are other than written.
    differs = chance < CHANCE or (error == 0 and change != 0)
    if not differs:
        # Two independent witnesses, weighted by their variance; the register's word is kept.
        register_error = UNCHECKED_ERROR * trees
        error = _both_errors(register_error, error) if finds else register_error
        change = 0.0
    return RegisterCheck(
        block_id=block.block_id,
        visited=len(finds),
        missing_found=gone,
        missing_share=missing,
        chance=chance,
        differs=differs,
        register_trees=trees,
        bearing_trees=max(trees + change, float(len(finds) - gone)),
        bearing_trees_error=error,
    )


def _both_errors(one: float, other: float) -> float:
    """Error of two independent witnesses together; 0 if one of them does not err."""
    whole = float(np.hypot(one, other))
    return one * other / whole if whole > 0 else 0.0


def _chance_of(gone: int, visited: int, missing: float) -> float:
    """P value of so many missing trees among those visited (exact binomial, both sides)."""
    # Only here: it takes most of a second to load.
    from scipy.stats import binomtest

    return float(binomtest(gone, visited, missing).pvalue)


def _latest(
    block: Block, register: Sequence[RegisteredTree], visited: Sequence[VisitedPlace]
) -> list[VisitedPlace]:
    """The last visit to each place."""
    known = {tree.tree for tree in register}
    last: dict[TreeId, VisitedPlace] = {}
    for place in sorted(visited, key=lambda one: (one.tree, one.visited_on)):
        strange = place.tree not in known if register else place.tree.block_id != block.block_id
        if strange:
            raise FieldDataError(
                f"The walk visited {place.tree}, which is not in the register of {block.block_id}.",
                fix="Correct block, row and tree of the visit, or add the place to the register.",
            )
        last[place.tree] = place
    return list(last.values())


def _walk_change(
    block: Block, register: Sequence[RegisteredTree], finds: Sequence[VisitedPlace]
) -> tuple[float, float]:
    """Change of the bearing trees that the walk points to, and its standard error."""
    if not finds:
        return 0.0, 0.0
    if not register:
        return _share_change(block, finds)
    shares = {tree.tree: equivalent(tree) for tree in register}
    replants = [share for tree in register if (share := equivalent(tree)) and share < 1]
    replant = float(np.mean(replants)) if replants else ASSUMED_REPLANT_SHARE
    change, variance = 0.0, 0.0
    for stands in (True, False):
        places = sum((share > 0) is stands for share in shares.values())
        apart = [
            _found_share(place, shares[place.tree], replant) - shares[place.tree]
            for place in finds
            if (shares[place.tree] > 0) is stands
        ]
        if apart:
            change += places * float(np.mean(apart))
            variance += places**2 * _difference_variance(apart, places)
    return change, variance**0.5


def _found_share(place: VisitedPlace, registered: float, replant: float) -> float:
    """What a place bears by the walk. A replant of the register keeps its share if it stands."""
    if place.found is TreeKind.BEARING:
        return registered if 0 < registered < 1 else 1.0
    if place.found is TreeKind.REPLANT:
        return registered if 0 < registered < 1 else replant
    return 0.0


def _difference_variance(apart: Sequence[float], places: int) -> float:
    """Variance of a mean difference; never below that of one difference in two more places.

    Ten places without a difference don't prove that there is none (Agresti and Coull 1998, Am.
    Stat. 52: 119, add to finds and misses before the error is computed).
    """
    n = len(apart)
    rate = (sum(one != 0 for one in apart) + 1) / (n + 2)
    seen = float(np.var(apart, ddof=1)) if n > 1 else 0.0
    left = max(0.0, 1 - n / places)
    return max(seen, rate * (1 - rate)) / n * left


def _share_change(block: Block, finds: Sequence[VisitedPlace]) -> tuple[float, float]:
    """Without a register only the share of missing places can be compared."""
    n = len(finds)
    gone = sum(place.found is TreeKind.MISSING for place in finds)
    rate = (gone + 1) / (n + 2)
    left = max(0.0, 1 - n / block.positions)
    change = -(gone / n - block.missing / block.positions) * block.positions
    return change, block.positions * (rate * (1 - rate) / n * left) ** 0.5
