"""Size tables: the classes of a packing line, read from a CSV file that people edit.

One row per class, in any order::

    class, from_g, to_g, carton_kg, [fruit_per_carton]      classes by mass
    class, from_mm, to_mm, carton_kg, [fruit_per_carton]    classes by diameter

from_oz and to_oz, from_in and to_in, carton_lb are read as well, and kept as g, mm and kg.

A class holds fruit from its lower limit up to just below its upper limit. Classes touch: a gap or
an overlap is refused with the rows that make it. All rows have the same carton. Lines that start
with '#' above the header are notes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from fruitvision.csv_file import CsvFile, CsvRow, read_csv
from fruitvision.domain import SizeClass, SizeTable
from fruitvision.errors import FieldDataError, SizeTableError, did_you_mean
from fruitvision.unit_system import METRIC, US
from fruitvision.units import parse_count, parse_number

# Units of limits as they are typed, what is kept of them, and those of a carton.
UNITS = {"g": METRIC.fruit, "mm": METRIC.diameter, "oz": US.fruit, "in": US.diameter}
_KEPT = {"oz": "g", "in": "mm"}
CARTONS = {"carton_kg": METRIC.carton, "carton_lb": US.carton}

# Our choice: no carton, tray or bag is heavier; a "18,000" meant as 18.000 ends here.
LARGEST_CARTON_KG = 1000.0

_FOLDER = Path(__file__).with_name("size_tables")


def shipped_size_tables() -> dict[str, Path]:
    """Tables that come with the package: name and file, to use or to copy and edit."""
    return {path.stem: path for path in sorted(_FOLDER.glob("*.csv"))}


def load_size_table(name_or_path: str | Path) -> SizeTable:
    """A shipped table by its name, or the table in a file.

    Raises
    ------
    SizeTableError
        If there is no such name or file, or the table makes no sense.
    """
    shipped = shipped_size_tables()
    if str(name_or_path) in shipped:
        return read_size_table(shipped[str(name_or_path)])
    path = Path(name_or_path)
    if path.is_dir():
        raise SizeTableError(
            f"{name_or_path} is a folder, and no size table has this name.",
            fix=f"Give a file or a name. {did_you_mean(str(name_or_path), shipped)}",
        )
    if path.suffix or path.exists():
        return read_size_table(path)
    raise SizeTableError(
        f"There is no size table '{name_or_path}'.",
        fix=f"Give a file or a name. {did_you_mean(str(name_or_path), shipped)}",
    )


def read_size_table(path: Path) -> SizeTable:
    """The size table in a CSV file, named after the file.

    Raises
    ------
    SizeTableError
        If the file can't be read, a number is wrong, a name comes twice, units are mixed, cartons
        differ, or classes leave a gap or overlap.
    """
    try:
        csv_file = read_csv(
            path,
            required=("class",),
            optional=(
                *(f"{end}_{unit}" for unit in UNITS for end in ("from", "to")),
                *CARTONS,
                "fruit_per_carton",
            ),
        )
    except FieldDataError as err:
        raise SizeTableError(err.what, fix=err.fix) from err
    unit, carton = _unit(csv_file), _carton_column(csv_file)
    rows = [_row(row, unit, carton, csv_file.name) for row in csv_file.rows]
    if not rows:
        raise SizeTableError(f"{csv_file.name} has no classes.", fix="Add one row per class.")
    _refuse_repeated_names([size_class for size_class, _ in rows], csv_file.name)
    classes = sorted((size_class for size_class, _ in rows), key=lambda c: (c.low, c.high))
    _refuse_gaps_and_overlaps(classes, unit, csv_file.name)
    return SizeTable(
        name=path.stem,
        unit=_KEPT.get(unit, unit),
        carton_kg=_one_carton([carton_kg for _, carton_kg in rows], csv_file.name),
        classes=tuple(
            replace(one, low=UNITS[unit].kept(one.low), high=UNITS[unit].kept(one.high))
            for one in classes
        ),
    )


def table_of_counts(counts: Sequence[int], *, carton_kg: float, name: str) -> SizeTable:
    """Classes by mass for counts of fruit per carton.

    A fruit of a count weighs carton ÷ count. Limits between counts lie midway, the outermost half a
    step out, rounded to 0.1 g: our choice, none was found printed.

    Raises
    ------
    SizeTableError
        If there are fewer than 2 counts, one comes twice or is below 1, or the carton can't be.
    """
    small_first = sorted(counts, reverse=True)
    if len(small_first) < 2 or len(set(counts)) < len(counts) or small_first[-1] < 1:
        raise SizeTableError(
            f"Counts {', '.join(map(str, counts))} make no size table.",
            fix="Give two or more different counts of 1 or more.",
        )
    _refuse_impossible_carton(carton_kg)
    masses = [1000 * carton_kg / count for count in small_first]
    middles = [(lower + upper) / 2 for lower, upper in pairwise(masses)]
    first, last = 2 * masses[0] - middles[0], 2 * masses[-1] - middles[-1]
    limits = [round(limit, 1) for limit in (first, *middles, last)]
    return SizeTable(
        name=name,
        unit="g",
        carton_kg=carton_kg,
        classes=tuple(
            SizeClass(name=str(count), low=low, high=high, fruit_per_carton=count)
            for count, (low, high) in zip(small_first, pairwise(limits), strict=True)
        ),
    )


def at_net_weight(table: SizeTable, carton_kg: float) -> SizeTable:
    """The table for another net weight of the carton.

    Counts keep their number of fruit, so that their masses change with the carton; limits in mm,
    and those of bags, stay.

    Raises
    ------
    SizeTableError
        If the carton is impossible, or a table by mass has both counts and bags.
    """
    _refuse_impossible_carton(carton_kg)
    counted = [size_class.fruit_per_carton is not None for size_class in table.classes]
    if table.unit == "g" and any(counted) and not all(counted):
        raise SizeTableError(
            f"{table.name} has counts and bags by mass.",
            fix="Give the limits of its classes for the other carton in a table of their own.",
        )
    factor = carton_kg / table.carton_kg if table.unit == "g" and all(counted) else 1.0
    return replace(
        table,
        carton_kg=carton_kg,
        classes=tuple(
            replace(one, low=one.low * factor, high=one.high * factor) for one in table.classes
        ),
    )


def _unit(csv_file: CsvFile) -> str:
    """The unit of the limits: that of the filled columns."""
    filled = {
        unit
        for unit in UNITS
        for column in (f"from_{unit}", f"to_{unit}")
        if any(row.text(column) for row in csv_file.rows)
    }
    if len(filled) > 1:
        raise SizeTableError(
            f"{csv_file.name} mixes limits in {' and in '.join(sorted(filled))}.",
            fix="Use from_g and to_g, or from_mm and to_mm, for all classes.",
        )
    units = filled or {unit for unit in UNITS if f"from_{unit}" in csv_file.columns}
    for unit in units:
        if {f"from_{unit}", f"to_{unit}"} <= set(csv_file.columns):
            return unit
    raise SizeTableError(
        f"{csv_file.name} has no limits.",
        fix="Add the columns from_g and to_g, or from_mm and to_mm.",
    )


def _carton_column(csv_file: CsvFile) -> str:
    """The column of the cartons."""
    found = [name for name in CARTONS if name in csv_file.columns]
    if len(found) == 1:
        return found[0]
    if found:
        raise SizeTableError(
            f"{csv_file.name} has both {' and '.join(found)}.", fix="Keep one of the columns."
        )
    raise SizeTableError(
        f"{csv_file.name} has no column 'carton_kg'.",
        fix="Add the net weight of a carton as carton_kg or carton_lb.",
    )


def _row(row: CsvRow, unit: str, carton: str, file: str) -> tuple[SizeClass, float]:
    """The class in a row, in the unit of its limits, and its carton in kg."""
    try:
        row.refuse_cells_beyond_header()
        fruit = row.text("fruit_per_carton")
        size_class = SizeClass(
            name=row.required_text("class"),
            low=parse_number(row.text(f"from_{unit}"), field=f"from_{unit}"),
            high=parse_number(row.text(f"to_{unit}"), field=f"to_{unit}"),
            fruit_per_carton=parse_count(fruit, field="fruit_per_carton") if fruit else None,
        )
        carton_kg = CARTONS[carton].kept(parse_number(row.text(carton), field=carton))
        _refuse_impossible(size_class, carton_kg, unit)
    except FieldDataError as err:
        raise SizeTableError(f"{file}, line {row.line}: {err.what}", fix=err.fix) from err
    return size_class, carton_kg


def _refuse_impossible(size_class: SizeClass, carton_kg: float, unit: str) -> None:
    if size_class.low < 0:
        raise FieldDataError(f"from_{unit} is {size_class.low:g}.", fix="Give 0 or more.")
    if size_class.low >= size_class.high:
        raise FieldDataError(
            f"class {size_class.name} runs from {size_class.low:g} to {size_class.high:g} {unit}.",
            fix="The upper limit must be above the lower one.",
        )
    _refuse_impossible_carton(carton_kg)


def _refuse_impossible_carton(carton_kg: float) -> None:
    if not 0 < carton_kg <= LARGEST_CARTON_KG:
        raise SizeTableError(
            f"carton_kg is {carton_kg:g}.",
            fix=f"Give the net weight in kg, above 0 and up to {LARGEST_CARTON_KG:g}.",
        )


def _refuse_repeated_names(classes: Sequence[SizeClass], file: str) -> None:
    names = [size_class.name.casefold() for size_class in classes]
    for size_class in classes:
        if names.count(size_class.name.casefold()) > 1:
            raise SizeTableError(
                f"{file} has the class '{size_class.name}' twice.",
                fix="Give each class a name of its own.",
            )


def _refuse_gaps_and_overlaps(classes: Sequence[SizeClass], unit: str, file: str) -> None:
    for lower, upper in pairwise(classes):
        if lower.high == upper.low:
            continue
        rows = f"{_limits(lower, unit)} and {_limits(upper, unit)}"
        if lower.high < upper.low:
            raise SizeTableError(
                f"{file} has a gap: {rows} leave out {lower.high:g} to {upper.low:g} {unit}.",
                fix="End a class where the next one starts.",
            )
        end = min(lower.high, upper.high)
        raise SizeTableError(
            f"{file} has an overlap: {rows} both hold {upper.low:g} to {end:g} {unit}.",
            fix="End a class where the next one starts.",
        )


def _limits(size_class: SizeClass, unit: str) -> str:
    limits = f"{size_class.low:g}–{size_class.high:g}"
    named = "" if size_class.name.replace("-", "–") == limits else f" (class {size_class.name})"
    return f"{limits} {unit}{named}"


def _one_carton(cartons_kg: Sequence[float], file: str) -> float:
    different = sorted(set(cartons_kg))
    if len(different) > 1:
        raise SizeTableError(
            f"{file} has different cartons: {', '.join(f'{kg:g}' for kg in different)} kg.",
            fix="Give all classes the same carton_kg; make a second table for the other carton.",
        )
    return different[0]
