"""By which size table the lots of a block were packed."""

from __future__ import annotations

from collections.abc import Callable

from fruitvision.domain import SizeTable
from fruitvision.learning.matching import LotPiece, SeasonResult
from fruitvision.learning.packed_sizes import unknown_classes

# Size table by name; None where the farm has none of that name.
TableOf = Callable[[str], SizeTable | None]


def of_one_table(
    result: SeasonResult, usual: SizeTable, table_of: TableOf
) -> tuple[tuple[LotPiece, ...], SizeTable, tuple[str, ...]]:
    """The pieces by the size table that most cartons are of; others are told and left out."""
    cartons: dict[str, float] = {}
    for piece in result.pieces:
        name = piece.size_table or usual.name
        cartons[name] = cartons.get(name, 0.0) + sum(one.cartons for one in piece.cartons)
    remarks: list[str] = []
    for name in sorted(cartons, key=lambda one: -cartons[one]):
        table = usual if name == usual.name else table_of(name)
        if table is None:
            remarks.append(f"There is no size table '{name}': its lots are left out.")
            continue
        pieces = [one for one in result.pieces if (one.size_table or usual.name) == name]
        kept = []
        for piece in pieces:
            strange = unknown_classes(piece.cartons, table)
            if strange:
                names = ", ".join(strange)
                remarks.append(f"Lot {piece.lot} has classes that {name} lacks: {names}.")
            else:
                kept.append(piece)
        others = len(result.pieces) - len(pieces)
        if others == 1:
            remarks.append("1 lot is by another size table and left out.")
        elif others:
            remarks.append(f"{others} lots are by another size table and left out.")
        return tuple(kept), table, tuple(remarks)
    return (), usual, tuple(remarks)
