"""The copy of a sales sheet that a buyer gets.

A sheet holds no block, tree, place or photo to begin with. The buyer's copy also leaves out what is
the seller's own matter: the column of what is safe to promise (beside "not an offer" it would read
as one), what the numbers rest on and doubts about them, which are work for the grower, and all text
that somebody typed and that bears a block's name. The range stays, and with it P10: a farm that
promises at its P10 shows the buyer that number, as the low end of a range.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from fruitvision.sheet.record import SalesSheet, SheetVersion


def for_buyer(sheet: SalesSheet, block_names: Iterable[str]) -> SalesSheet:
    """The buyer's copy; farm and variety stay, being seller and goods.

    Parameters
    ----------
    block_names : iterable of str
        Of all blocks of the farm.
    """
    names = tuple(block_names)
    earlier = sheet.earlier
    return replace(
        sheet,
        version=_bare(sheet.version, names),
        earlier=None if earlier is None else _bare(earlier, names),
        size_table="" if _bears(sheet.size_table, names) else sheet.size_table,
        lines=tuple(replace(line, safe_cartons=None) for line in sheet.lines),
        promise_quantile=None,
        doubts=(),
        rests_on="",
        left_out_blocks=(),
        moved_blocks=(),
        for_buyer=True,
    )


def _bare(version: SheetVersion, names: tuple[str, ...]) -> SheetVersion:
    """Without its note, which is typed for the farm, and without a name that is a block's."""
    by = "" if _bears(version.frozen_by, names) else version.frozen_by
    return replace(version, frozen_by=by, note="")


def _bears(text: str, names: tuple[str, ...]) -> bool:
    """Whether a text holds the name of a block, with any sign between its words."""
    plain = _plain(text)
    return any(f" {_plain(name)} " in f" {plain} " for name in names if _plain(name))


def _plain(text: str) -> str:
    """Words in small letters, one space between them."""
    return " ".join(re.findall(r"[^\W_]+", text.casefold()))
