"""The sales sheet of a variety: what may be promised by class and week, as one record.

`make_sheet` makes it, `for_buyer` gives the copy that leaves the farm, `words` says it in plain
English. The writers in `export` put the same record into a workbook, a table, a document and a
page.
"""

from fruitvision.sheet.buyer import for_buyer
from fruitvision.sheet.make import BehindSheets, make_sheet
from fruitvision.sheet.record import (
    PickWindow,
    SalesSheet,
    SheetLine,
    SheetVersion,
    TrackRecord,
)

__all__ = [
    "BehindSheets",
    "PickWindow",
    "SalesSheet",
    "SheetLine",
    "SheetVersion",
    "TrackRecord",
    "for_buyer",
    "make_sheet",
]
