"""What every form of a sales sheet says, in the same words; and what its files are called."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from datetime import date

from fruitvision.domain import BridgeStep
from fruitvision.export.words import NOTE, pick_week
from fruitvision.forecast.summary import ALL
from fruitvision.sheet import SalesSheet, SheetVersion
from fruitvision.sheet.stage import AFTER_THE_PICK, PICKED
from fruitvision.unit_system import METRIC, Units

NOT_FROZEN = "NOT FROZEN: may change until somebody freezes it"
# What a buyer reads instead, who is not to freeze anything.
NOT_FINAL = "NOT FINAL: the numbers may still change"
NO_HISTORY = "no history yet"
HOW_SUMS = (
    "Means and changes add up, of classes to the week and of weeks to the variety. P10, P50 and "
    "P90 do not: not all are low at once."
)
HOW_SAFE = (
    "Safe is meant for one line alone: who promises several at once breaks one of them more often."
)
# Reasons that are named for a change, as on the page of sales.
NAMED_REASONS = 2
# A class that brings less than this at P90 in every week has no line on paper. Our choice.
LEAST_CARTONS = 1.0
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# Longest name of a variety in a file's name. Our choice.
_LONGEST_STEM = 60


def title_of(sheet: SalesSheet) -> str:
    """`Gala: sales sheet`, and whose copy it is."""
    return f"{sheet.variety}: sales sheet{', copy for buyers' if sheet.for_buyer else ''}"


def version_words(version: SheetVersion, *, for_buyer: bool = False) -> str:
    """`Forecast no. 3 of 14 Aug 2026 (2026-08-14-119e6bcf), frozen by Ines on 17 Aug 2026`."""
    number = f"no. {version.number} " if version.number else ""
    return (
        f"Forecast {number}of {day_words(version.made_on)} ({version.forecast_id}), "
        f"{frozen_words(version, for_buyer=for_buyer)}"
    )


def frozen_words(version: SheetVersion, *, for_buyer: bool = False) -> str:
    """Who froze it and when, as far as it is told."""
    if version.frozen_at is None:
        return NOT_FINAL if for_buyer else NOT_FROZEN
    by = f" by {version.frozen_by}" if version.frozen_by else ""
    return f"frozen{by} on {day_words(version.frozen_at.date())} {version.frozen_at:%H:%M} UTC"


def stage_words(sheet: SalesSheet) -> str:
    """`41 days before the pick (3 Sep to 15 Sep 2026 ± 2 days)`."""
    pick = sheet.pick
    if pick is None:
        return sheet.stage
    error = f" ± {pick.error_days:.3g} days" if pick.error_days else ""
    first, last = day_words(pick.first), day_words(pick.last)
    if pick.first == pick.last:
        return f"{sheet.stage} ({last}{error})"
    if pick.first.year == pick.last.year:
        first = first.removesuffix(f" {pick.first.year}")
    return f"{sheet.stage} ({first} to {last}{error})"


def track_words(sheet: SalesSheet) -> str:
    """How often earlier ranges came true at this stage."""
    record = sheet.track_record
    if record is None:
        return NO_HISTORY
    results = "result" if record.of == 1 else "results"
    inside = f"{record.inside} of {record.of} {results} ended inside P10 to P90"
    return f"{inside} told {record.stage}"


def no_promise_words(sheet: SalesSheet) -> str:
    """Why nothing of a sheet is promised; empty where something is."""
    if sheet.first_look:
        return "First look: too few trees were photographed, so nothing is promised."
    if sheet.stage == PICKED:
        return "All of it is picked, so nothing more is promised: see the packing house's numbers."
    if sheet.stage == AFTER_THE_PICK:
        return (
            "The pick date was past when this forecast was made, so nothing is promised. Set the "
            "date anew and forecast again."
        )
    return ""


def left_out_words(sheet: SalesSheet) -> str:
    """How many blocks are not in the numbers, and which, as far as it is told; empty for none."""
    if not sheet.left_out:
        return ""
    many = "1 block is" if sheet.left_out == 1 else f"{sheet.left_out} blocks are"
    names = f": {', '.join(sheet.left_out_blocks)}" if sheet.left_out_blocks else ""
    why = "as nothing is promised of them: too few trees, or their pick is past"
    return f"{many} not in these numbers, {why}{names}."


def moved_words(sheet: SalesSheet) -> str:
    """That the farm's passes are not the forecast's, and of which blocks, as far as it is told."""
    if not sheet.moved:
        return ""
    names = f" ({', '.join(sheet.moved_blocks)})" if sheet.moved_blocks else ""
    return (
        f"The pick is planned otherwise than in this forecast{names}. The weeks here are the "
        "forecast's; a new forecast tells the planned ones."
    )


def change_words(sheet: SalesSheet) -> str:
    """Which version the change is told from, or why none is told."""
    if sheet.no_change or sheet.earlier is None:
        return sheet.no_change
    earlier = version_words(sheet.earlier)
    return f"Change of the expected cartons, against {earlier[:1].lower()}{earlier[1:]}"


def carton_words(sheet: SalesSheet, units: Units = METRIC) -> str:
    """`cartons of 19.05 kg`."""
    if sheet.carton_kg is None:
        return "cartons"
    return f"cartons of {units.carton.shown(sheet.carton_kg):.4g} {units.carton.symbol}"


def why_words(steps: Iterable[BridgeStep], most: int = NAMED_REASONS) -> str:
    """`size -150, count -60`: the largest causes with what each moved, in cartons."""
    return ", ".join(f"{step.cause} {step.cartons:+,.0f}" for step in tuple(steps)[:most])


def day_words(day: date) -> str:
    """`3 Sep 2026`."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def week_words(week: date | None) -> str:
    """The ISO week of a Monday; "all" of none."""
    return ALL if week is None else pick_week(week)


def about_lines(sheet: SalesSheet, units: Units = METRIC) -> list[tuple[str, str]]:
    """What a sheet says of itself: heading and words, nothing that is empty."""
    lines = [
        ("What this is", f"{NOTE[0].upper()}{NOTE[1:]}"),
        ("Farm", sheet.farm),
        ("Variety", sheet.variety),
        ("Version", version_words(sheet.version, for_buyer=sheet.for_buyer)),
        ("Note", sheet.version.note),
        ("Stage on the day of the forecast", stage_words(sheet)),
        ("Track record", track_words(sheet)),
        ("No promise", no_promise_words(sheet)),
        ("Not in it", left_out_words(sheet)),
        ("Pick moved", moved_words(sheet)),
        ("Change", change_words(sheet)),
        ("Size table", sheet.size_table),
        ("Unit", carton_words(sheet, units)),
        ("Rests on", sheet.rests_on),
        *(("Doubt", doubt.words) for doubt in sheet.doubts),
    ]
    return [(name, words) for name, words in lines if words]


def file_stem(sheet: SalesSheet, taken: Collection[str] = ()) -> str:
    """`stem_of` a sheet, other than those taken."""
    used = {name.casefold() for name in taken}
    stems = (
        stem_of(sheet.variety, sheet.version.number, for_buyer=sheet.for_buyer, again=again)
        for again in _again()
    )
    return next(stem for stem in stems if stem.casefold() not in used)


def stem_of(variety: str, number: int, *, for_buyer: bool, again: str = "") -> str:
    """`Gala-sales-sheet-no3`: the name of a sheet's files of letters, digits, `-` and `_` only."""
    name = re.sub(r"[^\w-]+", "_", variety)[:_LONGEST_STEM].strip("_") or "variety"
    version = f"-no{number}" if number else ""
    return f"{name}{again}-sales-sheet{version}{'-buyer' if for_buyer else ''}"


def _again() -> Iterable[str]:
    yield ""
    number = 2
    while True:
        yield f"-{number}"
        number += 1
