"""Rows of field tables that can't be (a day out of the season or still to come, a place that the
block has not), and what of a block can be and is hardly meant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, TypeVar

from fruitvision.domain import Block, PickPlan, TreeId, TreeKind, VisitedPlace
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable, without
from fruitvision.register import spacing_words, trees_by_spacing
from fruitvision.store import Store
from fruitvision.tree import WALK_DAYS

# Days after full bloom to which fruit hang. Our choice: the latest apples take some 200.
LONGEST_SEASON_DAYS = 240
# Share by which positions may differ from what area and spacing make before it is asked about. Our
# choice: an area rounded to a tenth of a hectare errs by as much in a small block, and headlands
# take some; a foot taken for a metre, or an acre for a hectare, is far beyond.
ODD_SPACING = 0.25

Row = TypeVar("Row")


class KnownPlaces:
    """The places that the farm's blocks have, each block looked up once."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.blocks = {block.block_id: block for block in store.blocks()}
        self._registers: dict[str, frozenset[TreeId]] = {}

    def check(self, tree: TreeId) -> None:
        """Refuse a place that its block has not; of a block that the farm lacks any place goes.

        Raises
        ------
        FieldDataError
            As `check_place`.
        """
        name = tree.block_id
        if name not in self.blocks:
            return
        if name not in self._registers:
            self._registers[name] = frozenset(one.tree for one in self._store.register(name))
        check_place(tree, self.blocks[name], self._registers[name])


def believable_rows(
    table: FieldTable[Row],
    store: Store,
    *,
    tree_of: Callable[[Row], TreeId],
    day_of: Callable[[Row], date],
    today: date | None,
) -> FieldTable[Row]:
    """The table without rows of a day or a place that can't be; those are refused.

    Parameters
    ----------
    today : date or None
        Later days are still to come; None: no day is.
    """
    places = KnownPlaces(store)

    def check(row: Row) -> None:
        check_past(day_of(row), today)
        tree = tree_of(row)
        block = places.blocks.get(tree.block_id)
        if block is not None:
            places.check(tree)
            check_day(day_of(row), block)

    return _without_those(table, check)


def believable_places(
    table: FieldTable[VisitedPlace], store: Store, today: date | None
) -> FieldTable[VisitedPlace]:
    """Visited places without days to come, places that their block has not, and trees that are said
    to be missing though a photo of the same walk shows them."""
    places = KnownPlaces(store)
    seen: dict[TreeId, list[date]] = {}
    for photo in store.tree_photos():
        seen.setdefault(photo.tree, []).append(photo.walked_on)

    def check(place: VisitedPlace) -> None:
        check_past(place.visited_on, today)
        places.check(place.tree)
        if place.found is TreeKind.MISSING:
            _check_not_seen(place, seen.get(place.tree, ()))

    return _without_those(table, check)


def _without_those(table: FieldTable[Row], check: Callable[[Row], None]) -> FieldTable[Row]:
    """Without the rows that `check` refuses."""
    bad: dict[int, tuple[str, str]] = {}
    for line, row in zip(table.lines, table.rows, strict=True):
        try:
            check(row)
        except FieldDataError as err:
            bad[line] = err.what, err.fix
    return without(table, bad)


def _check_not_seen(place: VisitedPlace, days: Sequence[date]) -> None:
    near = [day for day in days if abs((day - place.visited_on).days) < WALK_DAYS]
    if near:
        seen_on = max(near)
        raise FieldDataError(
            f"{place.tree} is said to be missing, and was photographed on {seen_on}.",
            fix="Correct the place or what was found there, or take the photo off its tree.",
        )


def check_past(day: date, today: date | None, *, ahead: int = 0) -> None:
    """Refuse a day that is still to come.

    Parameters
    ----------
    today : date or None
        The day on the computer's clock; None: no day is refused.
    ahead : int
        Days that whoever wrote it may be ahead of this computer.

    Raises
    ------
    FieldDataError
        If it is later.
    """
    if today is not None and day > today + timedelta(days=ahead):
        raise FieldDataError(
            f"{day} is a day to come.", fix="Correct the day, or the computer's clock."
        )


def check_place(tree: TreeId, block: Block, places: frozenset[TreeId]) -> None:
    """Refuse a place that the block has not.

    Parameters
    ----------
    places : frozenset of TreeId
        Its register; empty if there is none.

    Raises
    ------
    FieldDataError
        If it is not in the register, or beyond all places of the block.
    """
    beyond = max(tree.row, tree.position) > block.positions
    if (places and tree not in places) or beyond:
        raise FieldDataError(
            f"{tree.block_id} has no row {tree.row}, tree {tree.position}.",
            fix="Correct the row and the place, or the register.",
        )


def check_day(day: date, block: Block) -> None:
    """Refuse a day on which no fruit hang.

    Raises
    ------
    FieldDataError
        If it is before the full bloom of the block, where that is known, or long after it.
    """
    bloom = block.full_bloom_on
    if bloom is not None and not 0 <= (day - bloom).days <= LONGEST_SEASON_DAYS:
        raise FieldDataError(
            f"On {day} no fruit hang in {block.block_id}: its full bloom was on {bloom}.",
            fix="Correct the day, or the full bloom of the block.",
        )


# ---------------------------------------------------------------- what is asked about


@dataclass(frozen=True, slots=True, kw_only=True)
class OddBlock:
    """A row on a block that is hardly meant: its line, why, and whether a person said it is."""

    line: int
    block_id: str
    why: str
    meant: bool


def odd_blocks(table: FieldTable[Any], store: Store, meant: frozenset[int]) -> tuple[OddBlock, ...]:
    """Rows of blocks, or of their picks, that are hardly meant and not on the farm already.

    Parameters
    ----------
    table : FieldTable
        Of blocks, or of pairs of a block's name and its passes.
    meant : frozenset of int
        Lines of which a person said so.
    """
    kept = {block.block_id: block for block in store.blocks()}
    found = []
    for line, row in zip(table.lines, table.rows, strict=True):
        if isinstance(row, Block):
            name, why = row.block_id, " ".join(hardly_meant(row, kept.get(row.block_id), store))
        else:
            name, plan = row
            why = _before_the_walk(name, _first_pick(plan), store)
        if why:
            found.append(OddBlock(line=line, block_id=name, why=why, meant=line in meant))
    return tuple(found)


def hardly_meant(block: Block, before: Block | None, store: Store) -> tuple[str, ...]:
    """What of a block is hardly meant, in sentences: a pick before its last walk, positions that
    its area does not hold. What it had of that before is passed over.

    Parameters
    ----------
    before : Block or None
        As the farm has, or had, it.
    """
    found = []
    if before is None or before.pick_date != block.pick_date:
        found.append(_before_the_walk(block.block_id, block.pick_date, store))
    if before is None or _size(before) != _size(block):
        found.append(_not_by_spacing(block))
    return tuple(filter(None, found))


def _size(block: Block) -> tuple[object, ...]:
    return block.positions, block.area_ha, block.row_spacing_m, block.tree_spacing_m


def _not_by_spacing(block: Block) -> str:
    expected = trees_by_spacing(block)
    if not expected or abs(block.positions / expected - 1) <= ODD_SPACING:
        return ""
    return spacing_words(block)


def _first_pick(plan: PickPlan) -> date | None:
    return min((pick.pick_date for pick in plan.picks), default=None)


def _before_the_walk(block_id: str, pick_date: date | None, store: Store) -> str:
    walked_on = max((one.walked_on for one in store.tree_photos(block_id)), default=None)
    if pick_date is None or walked_on is None or pick_date >= walked_on:
        return ""
    return f"{block_id} would be picked on {pick_date}, before its last walk on {walked_on}."
