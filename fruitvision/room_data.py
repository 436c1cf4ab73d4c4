"""Cold rooms: the table of their places.

One table, CSV or XLSX::

    rooms.csv   room, bins, [daily_share, variety]

`bins` are the full bins that the room holds, `daily_share` the part of them (0 to 1) that may come
in on one day, 0.1 where it is left empty. A room with a variety takes no other.
"""

from __future__ import annotations

from fruitvision.csv_file import CsvRow, Source
from fruitvision.domain import USUAL_DAILY_SHARE, ColdRoom
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats
from fruitvision.units import parse_count, parse_number


def read_rooms(path: Source) -> FieldTable[ColdRoom]:
    """Cold rooms by name.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(path, _room, required=("room", "bins"), optional=("daily_share", "variety"))
    return refuse_repeats(
        table,
        key=lambda room: room.name.casefold(),
        name=lambda room: f"The cold room {room.name}",
        fix="Keep one line.",
    )


def _room(row: CsvRow) -> ColdRoom:
    text = row.text("daily_share")
    share = parse_number(text, field="daily_share") if text else USUAL_DAILY_SHARE
    if not 0 < share <= 1:
        raise FieldDataError(f"daily_share is {text}.", fix="It is a share: above 0, up to 1.")
    return ColdRoom(
        name=row.required_text("room"),
        bins=parse_count(row.required_text("bins"), field="bins"),
        daily_share=share,
        variety=row.text("variety"),
    )
