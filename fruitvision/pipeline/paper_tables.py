"""Tables of each kind against the farm: what is there, what would be there, how it is kept."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any, TypeVar

from fruitvision.domain import (
    BinTicket,
    Block,
    CaliperReading,
    CartonPrice,
    HandCount,
    OrderLine,
    PackedLot,
    PickPlan,
    RegisteredTree,
    TreeId,
    VarietyCull,
    VarietyGrade,
    VisitedPlace,
    WeighedFruit,
)
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable, without
from fruitvision.orders import order_doubts
from fruitvision.packed_data import PartOfLot, with_parts
from fruitvision.pipeline.additions import keep_blocks, keep_calipers, keep_hand_counts
from fruitvision.pipeline.believable import believable_places, believable_rows
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.known_blocks import checked_blocks
from fruitvision.pipeline.packing import of_other_seasons
from fruitvision.pipeline.sales import sold_from
from fruitvision.pipeline.size_tables import known_classes
from fruitvision.pipeline.told_columns import fields_told, with_fields_of
from fruitvision.price_data import check_price_classes
from fruitvision.register import check_register_rows
from fruitvision.store import Store
from fruitvision.store.things import kept_pick_plan

Row = TypeVar("Row")
# A thing that a table says something of: its name among those of its kind, in parts.
Key = tuple[Hashable, ...]
Things = dict[Key, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmTable:
    """How one kind of table meets the farm.

    Attributes
    ----------
    present : callable
        The farm's records of this kind by their key.
    after : callable
        Those that are there once the rows are in; no row takes nothing away.
    save : callable
        Keeps the rows; `who` brought them.
    checked : callable
        The table without rows that contradict the farm, or are of a day to come; no day is if it is
        told None for today.
    """

    present: Callable[[Store], Things]
    after: Callable[[Things, Sequence[Any]], Things]
    save: Callable[[Sequence[Any], Store, str], object]
    checked: Callable[[FieldTable[Any], Store, date | None], FieldTable[Any]] = (
        lambda table, _store, _today: table
    )


def completed(
    kind: str, rows: Sequence[Row], columns: Iterable[str], present: Things
) -> tuple[Row, ...]:
    """Rows of which fields that the table has no column for are as the farm has them."""
    key = COMPLETED[kind]
    told = fields_told(columns)
    return tuple(with_fields_of(row, present.get(key(row)), told) for row in rows)


# ---------------------------------------------------------------- keys


def _block_key(block: Block) -> Key:
    return (block.block_id,)


def _tree_key(one: RegisteredTree) -> Key:
    return _of_tree(one.tree)


def _of_tree(tree: TreeId) -> Key:
    return tree.block_id, tree.row, tree.position


def _place_key(place: VisitedPlace) -> Key:
    return *_of_tree(place.tree), place.visited_on


def _count_key(count: HandCount) -> Key:
    return *_of_tree(count.tree), count.counted_on, count.protocol


def _order_key(line: OrderLine) -> Key:
    return line.customer, line.variety, line.classes, line.week, line.firm, line.grade, line.pack


def _by(key: Callable[[Any], Key], rows: Iterable[Any]) -> Things:
    return {key(row): row for row in rows}


def _numbered(rows: Iterable[Any], key: Callable[[Any], Key]) -> Things:
    """Rows by a key that ends in a name; those without one are numbered."""
    found: Things = {}
    counted: dict[Key, int] = {}
    for row in rows:
        one = key(row)
        if not one[-1]:
            counted[one] = counted.get(one, 0) + 1
            one = (*one[:-1], f"#{counted[one]}")
        found[one] = row
    return found


def _caliper_key(reading: CaliperReading) -> Key:
    return *_of_tree(reading.tree), reading.measured_on, reading.fruit


def _weighed_key(fruit: WeighedFruit) -> Key:
    return fruit.variety, fruit.weighed_on, fruit.fruit


# ---------------------------------------------------------------- what is there afterwards


def _added(key: Callable[[Any], Key], present: Things, rows: Sequence[Any]) -> Things:
    """Rows beside those that are there; one of the same key in its place."""
    return present | _by(key, rows)


def _instead_of_parts(
    key: Callable[[Any], Key], parts: int, present: Things, rows: Sequence[Any]
) -> Things:
    """Rows in place of all that share the first parts of their key."""
    new = _by(key, rows)
    named = {one[:parts] for one in new}
    return {one: row for one, row in present.items() if one[:parts] not in named} | new


def _instead_of_unnamed(key: Callable[[Any], Key], present: Things, rows: Sequence[Any]) -> Things:
    """Rows beside those that are there; those without a name in place of the unnamed set."""
    sets = {key(row)[:-1] for row in rows if not key(row)[-1]}
    kept = {
        one: row
        for one, row in present.items()
        if not (one[:-1] in sets and str(one[-1]).startswith("#"))
    }
    return kept | _numbered(rows, key)


# ---------------------------------------------------------------- what contradicts the farm


def _checked_blocks(
    table: FieldTable[Block], store: Store, _today: date | None
) -> FieldTable[Block]:
    return checked_blocks(table, store)


def _checked_register(
    table: FieldTable[RegisteredTree], store: Store, _today: date | None
) -> FieldTable[RegisteredTree]:
    """Without the registers that contradict their block, each as a whole."""
    of_block: dict[str, list[tuple[int, RegisteredTree]]] = {}
    for line, row in zip(table.lines, table.rows, strict=True):
        of_block.setdefault(row.tree.block_id, []).append((line, row))
    bad: dict[int, tuple[str, str]] = {}
    for block in store.blocks():
        found = of_block.get(block.block_id, [])
        try:
            if found:
                check_register_rows(block, [row for _, row in found])
        except FieldDataError as err:
            bad |= {line: (err.what, err.fix) for line, _ in found}
    return without(table, bad)


def _checked_counts(
    table: FieldTable[HandCount], store: Store, today: date | None
) -> FieldTable[HandCount]:
    return believable_rows(
        table, store, tree_of=lambda one: one.tree, day_of=lambda one: one.counted_on, today=today
    )


def _checked_calipers(
    table: FieldTable[CaliperReading], store: Store, today: date | None
) -> FieldTable[CaliperReading]:
    return believable_rows(
        table, store, tree_of=lambda one: one.tree, day_of=lambda one: one.measured_on, today=today
    )


def _checked_tickets(
    table: FieldTable[BinTicket], store: Store, _today: date | None
) -> FieldTable[BinTicket]:
    known = {one.ticket: one.picked_on for one in store.bin_tickets()}
    return without(
        table,
        of_other_seasons(
            table, lambda one: (f"Ticket {one.ticket}", one.picked_on, known.get(one.ticket))
        ),
    )


def _checked_lots(
    table: FieldTable[PackedLot], store: Store, _today: date | None
) -> FieldTable[PackedLot]:
    known = {one.lot: one.packed_on for one in store.packed_lots()}
    return without(
        table,
        of_other_seasons(table, lambda one: (f"Lot {one.lot}", one.packed_on, known.get(one.lot))),
    )


def _checked_orders(
    table: FieldTable[OrderLine], store: Store, _today: date | None
) -> FieldTable[OrderLine]:
    sold = sold_from(store)
    return table if sold is None else without(table, order_doubts(table, sold.forecast))


def _checked_parts(
    table: FieldTable[PartOfLot], store: Store, _today: date | None
) -> FieldTable[PartOfLot]:
    known = {lot.lot for lot in store.packed_lots()}
    bad = {
        line: (f"There is no packed lot {row.lot}.", "Load the packed lots first.")
        for line, row in zip(table.lines, table.rows, strict=True)
        if row.lot not in known
    }
    return without(table, bad)


# ---------------------------------------------------------------- how rows are kept


def _save_blocks(rows: Sequence[Block], store: Store, who: str) -> None:
    keep_blocks(rows, store, who=who)


def _save_counts(rows: Sequence[HandCount], store: Store, who: str) -> None:
    keep_hand_counts(rows, store, who=who)


def _save_calipers(rows: Sequence[CaliperReading], store: Store, who: str) -> None:
    keep_calipers(rows, store, who=who)


def _instead(new: PickPlan, _before: PickPlan | None) -> PickPlan:
    return new


def _save_picks(rows: Sequence[tuple[str, PickPlan]], store: Store, who: str) -> None:
    changes = [(kept_pick_plan(block), partial(_instead, plan)) for block, plan in rows]
    store.save_each(changes, who=who, at=now_utc())


def _lot_parts(store: Store) -> Things:
    return {(lot.lot,): lot.parts for lot in store.packed_lots() if lot.parts}


def _parts_by_lot(rows: Sequence[PartOfLot]) -> Things:
    found: Things = {}
    for row in rows:
        found[row.lot,] = (*found.get((row.lot,), ()), row.part)
    return found


def _save_parts(rows: Sequence[PartOfLot], store: Store, _who: str) -> None:
    named = {row.lot for row in rows}
    store.save_packed_lots(
        with_parts([lot for lot in store.packed_lots() if lot.lot in named], rows)
    )


# ---------------------------------------------------------------- the kinds


def _plans(rows: Iterable[tuple[str, PickPlan]]) -> Things:
    return {(block,): plan for block, plan in rows}


def _cull_key(cull: VarietyCull) -> Key:
    return cull.variety, cull.size_class


def _grade_key(grade: VarietyGrade) -> Key:
    return grade.variety, grade.size_class, grade.grade


def _price_key(price: CartonPrice) -> Key:
    return price.variety, price.size_class, price.grade


def _ticket_key(ticket: BinTicket) -> Key:
    return (ticket.ticket,)


def _lot_key(lot: PackedLot) -> Key:
    return (lot.lot,)


# Kinds whose records have fields that a table may leave out, and that stay then.
COMPLETED: Mapping[str, Callable[[Any], Key]] = {"blocks": _block_key, "register": _tree_key}

FARM_TABLES: Mapping[str, FarmTable] = {
    "blocks": FarmTable(
        present=lambda store: _by(_block_key, store.blocks()),
        after=partial(_added, _block_key),
        save=_save_blocks,
        checked=_checked_blocks,
    ),
    "register": FarmTable(
        present=lambda store: _by(_tree_key, store.register()),
        after=partial(_instead_of_parts, _tree_key, 1),
        save=lambda rows, store, _: store.save_register(rows),
        checked=_checked_register,
    ),
    "gaps": FarmTable(
        present=lambda store: _by(_place_key, store.visited_places()),
        after=partial(_added, _place_key),
        save=lambda rows, store, _: store.save_visited_places(rows),
        checked=believable_places,
    ),
    "hand_counts": FarmTable(
        present=lambda store: _by(_count_key, store.hand_counts()),
        after=partial(_added, _count_key),
        save=_save_counts,
        checked=_checked_counts,
    ),
    "calipers": FarmTable(
        present=lambda store: _numbered(store.caliper_readings(), _caliper_key),
        after=partial(_instead_of_unnamed, _caliper_key),
        save=_save_calipers,
        checked=_checked_calipers,
    ),
    "weighed": FarmTable(
        present=lambda store: _numbered(store.weighed_fruit(), _weighed_key),
        after=partial(_instead_of_unnamed, _weighed_key),
        save=lambda rows, store, _: store.save_weighed_fruit(rows),
    ),
    "picks": FarmTable(
        present=lambda store: _plans(store.pick_plans().items()),
        after=lambda present, rows: present | _plans(rows),
        save=_save_picks,
    ),
    "orders": FarmTable(
        present=lambda store: _by(_order_key, store.order_book()),
        after=partial(_instead_of_parts, _order_key, 0),
        save=lambda rows, store, _: store.save_order_book(rows),
        checked=_checked_orders,
    ),
    "tickets": FarmTable(
        present=lambda store: _by(_ticket_key, store.bin_tickets()),
        after=partial(_added, _ticket_key),
        save=lambda rows, store, _: store.save_bin_tickets(rows),
        checked=_checked_tickets,
    ),
    "packed": FarmTable(
        present=lambda store: _by(_lot_key, store.packed_lots()),
        after=partial(_added, _lot_key),
        save=lambda rows, store, _: store.save_packed_lots(rows),
        checked=_checked_lots,
    ),
    "lots": FarmTable(
        present=_lot_parts,
        after=lambda present, rows: present | _parts_by_lot(rows),
        save=_save_parts,
        checked=_checked_parts,
    ),
    "prices": FarmTable(
        present=lambda store: _by(_price_key, store.prices()),
        after=partial(_instead_of_parts, _price_key, 0),
        save=lambda rows, store, _: store.save_prices(rows),
        checked=lambda table, store, _today: check_price_classes(table, known_classes(store)),
    ),
    "culls": FarmTable(
        present=lambda store: _by(_cull_key, store.culls()),
        after=partial(_instead_of_parts, _cull_key, 1),
        save=lambda rows, store, _: store.save_culls(rows),
    ),
    "grades": FarmTable(
        present=lambda store: _by(_grade_key, store.grades()),
        after=partial(_instead_of_parts, _grade_key, 1),
        save=lambda rows, store, _: store.save_grades(rows),
    ),
}
