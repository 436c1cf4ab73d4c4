"""A sales sheet as a CSV table and as a JSON document.

VARIETY-sales-sheet.csv
    One row a week and class, week by week, large fruit first, each week's sum (`size_class` "all")
    after its classes; then all weeks together (`week` "all"). `week` is the ISO week, `monday` its
    first day. `cartons_p10` to `cartons_p90` are packed cartons; `safe_cartons` may be promised at
    the farm's quantile (not in a buyer's copy); `mean_cartons` and `change_cartons` add up, ranges
    do not; `why` are the causes of the change with their cartons; `no_promise` says why nothing of
    the variety is promised, and `pick_moved` that its weeks are older than the plan of the pick,
    where that is so.
VARIETY-sales-sheet.json
    The same and all else that the sheet holds, unrounded; `sales_sheet.schema.json` describes it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fruitvision.export.csv_text import Cell, csv_bytes, rounded
from fruitvision.export.sheet_words import (
    HOW_SUMS,
    moved_words,
    no_promise_words,
    track_words,
    week_words,
)
from fruitvision.export.words import CAUTIONS, HOW_TO_READ, NOTE, save
from fruitvision.records import to_plain
from fruitvision.sheet import SalesSheet, SheetLine
from fruitvision.unit_system import METRIC, Units

# Grows when a key comes, changes its meaning or goes.
SHEET_SCHEMA_VERSION = 2
SCHEMA_FILE = Path(__file__).with_name("sales_sheet.schema.json")

# Decimals of cartons in the table. Our choice: ranges finer than they are known, means so fine that
# a season's rows add up to a tenth of a carton.
_DECIMALS, _MEAN_DECIMALS = 1, 3


def write_sheet_csv(sheet: SalesSheet, path: Path, units: Units = METRIC) -> None:
    """Write a sheet as one flat table, numbers rounded for reading.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    columns = [
        "variety", "week", "monday", "size_class",
        *(["safe_cartons"] if not sheet.for_buyer else []),
        "cartons_p10", "cartons_p50", "cartons_p90", "mean_cartons", "change_cartons", "why",
        "note", "farm", "stage", "track_record", "forecast_number", "forecast_id", "made_on",
        "frozen_at", "frozen_by", "change_since", "blocks_left_out", "no_promise", "pick_moved",
        "size_table",
        f"carton_{units.carton.name}",
    ]  # fmt: skip
    save(path, csv_bytes(columns, _rows(sheet, units)))


def write_sheet_json(sheet: SalesSheet, path: Path) -> None:
    """Write a sheet as a JSON document, metric for everybody.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    text = json.dumps(sheet_document(sheet), ensure_ascii=False, allow_nan=False, indent=1)
    save(path, f"{text}\n".encode())


def write_sheet_schema(path: Path) -> None:
    """Write the JSON Schema (draft 2020-12) of `write_sheet_json`.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    save(path, SCHEMA_FILE.read_bytes())


def sheet_document(sheet: SalesSheet) -> dict[str, Any]:
    """A sheet as `sales_sheet.schema.json` describes it."""
    plain = to_plain(sheet)
    weeks = plain.pop("weeks")
    lines = plain.pop("lines")
    return {
        "schema_version": SHEET_SCHEMA_VERSION,
        "note": NOTE,
        "how_to_read": f"{HOW_TO_READ} {HOW_SUMS}",
        "cautions": list(CAUTIONS),
        **plain,
        "mondays": weeks,
        "lines": [
            {"week": week_words(line.week), "monday": found.pop("week"), **found}
            for line, found in zip(sheet.lines, lines, strict=True)
        ],
    }


# ---------------------------------------------------------------- rows


def _rows(sheet: SalesSheet, units: Units) -> Iterator[tuple[Cell, ...]]:
    version, earlier = sheet.version, sheet.earlier
    carton = None if sheet.carton_kg is None else units.carton.shown(sheet.carton_kg)
    origin = (
        NOTE,
        sheet.farm,
        sheet.stage,
        track_words(sheet),
        version.number,
        version.forecast_id,
        version.made_on.isoformat(),
        version.frozen_at.isoformat() if version.frozen_at else None,
        version.frozen_by,
        earlier.forecast_id if earlier else None,
        sheet.left_out,
        no_promise_words(sheet),
        moved_words(sheet),
        sheet.size_table,
        rounded(carton, 3),
    )
    for line in sheet.lines:
        yield (sheet.variety, *_cells(line, with_safe=not sheet.for_buyer), *origin)


def _cells(line: SheetLine, *, with_safe: bool) -> tuple[Cell, ...]:
    cartons = line.cartons
    return (
        week_words(line.week),
        line.week.isoformat() if line.week else None,
        line.size_class,
        *([line.safe_cartons] if with_safe else []),
        *(rounded(value, _DECIMALS) for value in (cartons.p10, cartons.p50, cartons.p90)),
        rounded(line.mean_cartons, _MEAN_DECIMALS),
        rounded(line.change_cartons, _MEAN_DECIMALS),
        "; ".join(f"{step.cause} {step.cartons:+.1f}" for step in line.steps),
    )
