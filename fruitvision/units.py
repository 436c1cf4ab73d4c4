"""Units of the trade, and the numbers and dates that people type.

Inside the package lengths are mm, masses g or kg, areas ha; this module is the only way in and
out. Numbers come as a caliper, a spreadsheet or a person wrote them: "71,5", "3,000", "1.234,5".
"""

from __future__ import annotations

import re
from datetime import date

from fruitvision.errors import FieldDataError

# International yard and pound agreement, 1959: exact.
MM_PER_INCH = 25.4
M_PER_FOOT = 0.3048
KG_PER_POUND = 0.45359237
# 66 ft by 660 ft, the definition of the acre.
SQUARE_FEET_PER_ACRE = 43_560.0
SQUARE_METRES_PER_HECTARE = 10_000.0
HECTARES_PER_ACRE = SQUARE_FEET_PER_ACRE * M_PER_FOOT**2 / SQUARE_METRES_PER_HECTARE

# Our choice: more trees or fruit than this in one cell is a slip of the keyboard.
LARGEST_COUNT = 10_000_000


def mm_from_inches(inches: float) -> float:
    """Millimetres of a length in inches."""
    return inches * MM_PER_INCH


def inches_from_mm(mm: float) -> float:
    """Inches of a length in millimetres."""
    return mm / MM_PER_INCH


def metres_from_feet(feet: float) -> float:
    """Metres of a length in feet."""
    return feet * M_PER_FOOT


def feet_from_metres(metres: float) -> float:
    """Feet of a length in metres."""
    return metres / M_PER_FOOT


def kg_from_pounds(pounds: float) -> float:
    """Kilograms of a mass in pounds."""
    return pounds * KG_PER_POUND


def pounds_from_kg(kg: float) -> float:
    """Pounds of a mass in kilograms."""
    return kg / KG_PER_POUND


def hectares_from_acres(acres: float) -> float:
    """Hectares of an area in acres."""
    return acres * HECTARES_PER_ACRE


def acres_from_hectares(hectares: float) -> float:
    """Acres of an area in hectares."""
    return hectares / HECTARES_PER_ACRE


def trees_per_acre(row_ft: float, tree_ft: float) -> float:
    """Trees on one acre at this spacing, without headlands and gaps.

    Parameters
    ----------
    row_ft, tree_ft : float
        Distance between rows, and between trees along the row, in feet.

    Raises
    ------
    FieldDataError
        If a spacing is not above 0.
    """
    return SQUARE_FEET_PER_ACRE / _area_per_tree(row_ft, tree_ft, "ft")


def trees_per_hectare(row_m: float, tree_m: float) -> float:
    """Trees on one hectare at this spacing, without headlands and gaps.

    Parameters
    ----------
    row_m, tree_m : float
        Distance between rows, and between trees along the row, in metres.

    Raises
    ------
    FieldDataError
        If a spacing is not above 0.
    """
    return SQUARE_METRES_PER_HECTARE / _area_per_tree(row_m, tree_m, "m")


def _area_per_tree(row: float, tree: float, unit: str) -> float:
    if not (row > 0 and tree > 0):
        raise FieldDataError(
            f"A spacing of {row:g} × {tree:g} {unit} has no area.",
            fix=f"Give both distances above 0 {unit}.",
        )
    return row * tree


# ---------------------------------------------------------------- numbers as people type them

# Space, no-break space, thin space, narrow no-break space: all stand between thousands somewhere.
_SPACES = " \u00a0\u2009\u202f"
_PLAIN = re.compile(r"[0-9]+([.,][0-9]+)?|[.,][0-9]+")
_COMMA_GROUPS = re.compile(r"[1-9][0-9]{0,2}(,[0-9]{3})+(\.[0-9]+)?")
_POINT_GROUPS = re.compile(r"[1-9][0-9]{0,2}((\.[0-9]{3})+,[0-9]+|(\.[0-9]{3}){2,})")
_SPACE_GROUPS = re.compile(rf"[1-9][0-9]{{0,2}}([{_SPACES}][0-9]{{3}})+([.,][0-9]+)?")
_ONE_POINT_GROUP = re.compile(r"[-+−]?[1-9][0-9]{0,2}\.[0-9]{3}")


def parse_number(text: str, *, field: str = "number") -> float:
    """The number that a person meant.

    Parameters
    ----------
    text : str
        Digits with a decimal point or comma; thousands in groups of three. Spaces around it are
        dropped, also no-break ones.
    field : str
        Name of the column or setting, for the error.

    Raises
    ------
    FieldDataError
        If the text is empty or no number.

    Notes
    -----
    "71,5" is 71.5, "1.234,5" and "1,234.5" are 1234.5. One comma before exactly three digits
    is read as thousands ("3,000" is 3000), unless the number starts with 0 ("0,125").
    """
    stripped = text.strip().strip(_SPACES)
    if not stripped:
        raise FieldDataError(f"{field} is empty.", fix="Fill it in.")
    negative = stripped[0] in "-−"
    digits = stripped[1:] if stripped[0] in "+-−" else stripped
    plain = _without_groups(digits)
    if plain is None:
        raise FieldDataError(
            f"{field} is '{stripped}', which is no number.", fix="Write digits only, such as 71.5."
        )
    return -float(plain) if negative else float(plain)


def _without_groups(digits: str) -> str | None:
    """Digits with a decimal point and no thousands signs, or None if they make no number."""
    if _COMMA_GROUPS.fullmatch(digits):
        return digits.replace(",", "")
    if _POINT_GROUPS.fullmatch(digits):
        return digits.replace(".", "").replace(",", ".")
    if _SPACE_GROUPS.fullmatch(digits):
        return re.sub(rf"[{_SPACES}]", "", digits).replace(",", ".")
    if _PLAIN.fullmatch(digits):
        return digits.replace(",", ".")
    return None


def parse_count(text: str, *, field: str = "count", lowest: int = 1) -> int:
    """The whole number that a person meant.

    Parameters
    ----------
    text : str
        As for `parse_number`; "3,000" is 3000.
    field : str
        Name of the column, for the error.
    lowest : int
        Smallest number that makes sense here.

    Raises
    ------
    FieldDataError
        If it is no number, has a fraction, is below `lowest` or beyond `LARGEST_COUNT`; also for
        "3.000", which is 3 to some and 3000 to others.
    """
    value = parse_number(text, field=field)
    shown = text.strip().strip(_SPACES)
    if _ONE_POINT_GROUP.fullmatch(shown):
        raise FieldDataError(
            f"{field} is '{shown}', which may mean {value:g} or {value * 1000:g}.",
            fix=f"Write {value * 1000:.0f} without a point.",
        )
    if value != int(value):
        raise FieldDataError(f"{field} is {shown}.", fix="Give a whole number.")
    if value < lowest:
        raise FieldDataError(
            f"{field} is {shown}.", fix=f"Give a whole number of {lowest} or more."
        )
    if value > LARGEST_COUNT:
        raise FieldDataError(
            f"{field} is {shown}.", fix=f"More than {LARGEST_COUNT:,} can't be right: correct it."
        )
    return int(value)


def parse_counts(text: str, *, field: str = "counts") -> tuple[int, ...]:
    """Whole numbers with commas between them, such as "54, 54, 52"; nothing gives none.

    Raises
    ------
    FieldDataError
        If one is no whole number of 1 or more.
    """
    return tuple(parse_count(part, field=field) for part in text.split(",") if part)


_ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_DATE_WITH_OTHER_SIGNS = re.compile(r"[0-9]{1,4}[/.\- ][0-9]{1,2}[/.\- ][0-9]{1,4}")


def parse_date(text: str, *, field: str = "date") -> date:
    """The day written as year-month-day, such as 2026-08-12.

    Raises
    ------
    FieldDataError
        For any other way of writing: 08/12/2026 is August to some and December to others.
    """
    stripped = text.strip().strip(_SPACES)
    fix = "Write year-month-day, such as 2026-08-12."
    if not stripped:
        raise FieldDataError(f"{field} is empty.", fix=fix)
    if _ISO_DATE.fullmatch(stripped):
        try:
            return date.fromisoformat(stripped)
        except ValueError as err:
            raise FieldDataError(
                f"{field} is '{stripped}', a day that does not exist.", fix=fix
            ) from err
    if _DATE_WITH_OTHER_SIGNS.fullmatch(stripped):
        raise FieldDataError(f"{field} is '{stripped}', which is ambiguous.", fix=fix)
    raise FieldDataError(f"{field} is '{stripped}', which is no date.", fix=fix)
