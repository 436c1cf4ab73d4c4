"""What a carton brings: the table of prices.

One table, CSV or XLSX::

    prices.csv   per_carton, [variety, size_class, grade]

`per_carton` is in the farm's own currency. A cell of variety, size_class or grade that is left
empty stands for all of them; a line that names more comes before one that names less.
"""

from __future__ import annotations

from collections.abc import Collection

from fruitvision.csv_file import CsvRow, Source
from fruitvision.domain import CartonPrice
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats, without
from fruitvision.units import parse_number


def read_prices(path: Source) -> FieldTable[CartonPrice]:
    """Prices by variety, size class and grade.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path, _price, required=("per_carton",), optional=("variety", "size_class", "grade")
    )
    return refuse_repeats(
        table,
        key=lambda one: (one.variety.casefold(), one.size_class, one.grade.casefold()),
        name=lambda one: f"The price of {words_of(one)}",
        fix="Keep one line.",
    )


def check_price_classes(
    table: FieldTable[CartonPrice], classes: Collection[str]
) -> FieldTable[CartonPrice]:
    """The table without prices of classes that no size table has; those are refused."""
    bad = {
        line: (
            f"No size table has a class '{row.size_class}'.",
            did_you_mean(row.size_class, sorted(classes)),
        )
        for line, row in zip(table.lines, table.rows, strict=True)
        if row.size_class and row.size_class not in classes
    }
    return without(table, bad)


def words_of(price: CartonPrice) -> str:
    """What a price is of, `Gala 113 premium`; `every carton` where nothing is named."""
    named = " ".join(filter(None, (price.variety, price.size_class, price.grade)))
    return named or "every carton"


def _price(row: CsvRow) -> CartonPrice:
    text = row.required_text("per_carton")
    per_carton = parse_number(text, field="per_carton")
    if per_carton < 0:
        raise FieldDataError(f"per_carton is {text}.", fix="Give 0 or more.")
    return CartonPrice(
        per_carton=per_carton,
        variety=row.text("variety"),
        size_class=row.text("size_class"),
        grade=row.text("grade"),
    )
