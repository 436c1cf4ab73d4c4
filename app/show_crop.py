"""Blocks, trees and forecasts in plain words and tables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

import streamlit as st

from app import show
from fruitvision.domain import (
    ClassForecast,
    CropForecast,
    Estimate,
    Forecast,
    GrowthRate,
    HiddenFruitFactor,
    WeekForecast,
)
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import WORDS_OF_USE, use_numbers
from fruitvision.pipeline.lines import TreeLine
from fruitvision.report import range_words, unit_words
from fruitvision.report.blocks import growth_words
from fruitvision.report.forecast import week_words
from fruitvision.report.words import many
from fruitvision.unit_system import Unit, Units

_SIZE_TABLES = {
    "box_counts_42lb": "Counts per 42 lb box",
    "carton_counts_18kg": "Counts per 18 kg carton",
    "classes_5mm": "5 mm classes",
}

# ---------------------------------------------------------------- block


def factor(found: HiddenFruitFactor | None) -> tuple[str, str, str]:
    """The hidden-fruit factor for `numbers`."""
    if found is None:
        return "Hidden-fruit factor", "none", "visible fruit only"
    return (
        "Hidden-fruit factor",
        f"{found.factor:.2f}",
        f"± {found.factor_error:.2f}, {many(found.trees, 'hand count')}",
    )


def growth_sentence(growth: GrowthRate, units: Units) -> str:
    """The growth rate in a sentence."""
    return f"Growth of D³: {show.plain(growth_words(growth, units))}."


def trees(lines: Sequence[TreeLine], unit: Unit) -> None:
    """One line a photographed tree or panel."""
    show.table(
        [
            {
                "Row": f"{line.tree.row}",
                "Tree": f"{line.tree.position}"
                + (f", panel of {line.trees}" if line.trees > 1 else ""),
                "Seen": f"{line.visible_count} ± {line.visible_error:.0f}",
                "Hand count": "–" if line.hand_count is None else f"{line.hand_count}",
                "Mean": show.diameter(line.mean_mm, unit),
            }
            for line in lines
        ]
    )


# ---------------------------------------------------------------- forecast


def crop_numbers(crop: CropForecast, units: Units) -> None:
    """What a block or the farm brings: fruit, size, bins, mass, cartons."""
    mass = units.crop.name.replace("_", " ").capitalize()
    show.numbers(
        [
            show.estimate("Bins", crop.bins),
            show.estimate(mass, units.crop.shown_range(crop.tonnes), digits=1),
            show.estimate("Cartons packed", crop.cartons),
            show.estimate("Mean size at the pick", crop.diameter_mm, unit=units.diameter),
            show.estimate("Fruit picked", crop.fruit),
        ]
    )


def packout_table(crop: CropForecast) -> None:
    """Share and cartons of each class that matters, large fruit first; the range in brackets."""
    rows = [
        {
            "Class": item.size_class,
            "Share of picked, %": range_words(_percent(item.share)),
            "Cartons": range_words(item.cartons),
        }
        for item in reversed(classes_that_matter(crop))
    ]
    show.table(
        [*rows, {"Class": "All", "Share of picked, %": "", "Cartons": range_words(crop.cartons)}]
    )


def grades(crop: CropForecast) -> None:
    """Cartons of each grade, all size classes together."""
    show.table(
        [
            {"Grade": row.grade.capitalize(), "Cartons": range_words(row.cartons)}
            for row in crop.grades
            if row.size_class == ALL
        ]
    )


def weeks(crop: CropForecast) -> None:
    """Cartons by week and class for sales, starting with the week that brings most."""
    wholes = [row for row in crop.weeks if row.size_class == ALL]
    mondays = [row.week for row in wholes]
    most = max(range(len(wholes)), key=lambda index: wholes[index].cartons.p50)
    chosen = st.selectbox(
        f"Week of {crop.name}", mondays, index=most, format_func=_week_choice(wholes)
    )
    _week_table([row for row in crop.weeks if row.week == chosen])


def _week_choice(wholes: Sequence[WeekForecast]) -> Callable[[date], str]:
    cartons = {row.week: range_words(row.cartons) for row in wholes}
    return lambda monday: f"{week_words(monday)}: {cartons[monday]} cartons"


def _week_table(rows: Sequence[WeekForecast]) -> None:
    """Safe to promise, even chance, at most."""
    whole = [row for row in rows if row.size_class == ALL]
    classes = [row for row in reversed(rows) if row.size_class != ALL and row.cartons.p90 >= 1]
    show.table(
        [
            {
                "Class": row.size_class.capitalize(),
                "P10 (safe)": f"{row.cartons.p10:,.0f}",
                "P50": f"{row.cartons.p50:,.0f}",
                "P90": f"{row.cartons.p90:,.0f}",
            }
            for row in (*classes, *whole)
        ]
    )


def picks_table(crop: CropForecast, unit: Unit) -> None:
    """What each pass through a block brings in."""
    show.table(
        [
            {
                "Pass": show.day(one.pick_date),
                "Bins": range_words(one.bins),
                "Mean": unit_words(one.diameter_mm, unit),
                "Cartons": range_words(one.cartons),
            }
            for one in crop.picks
        ]
    )


def uses(forecast: Forecast) -> None:
    """The farm's number for each use."""
    numbers = [one for one in use_numbers(forecast) if one.level == "farm"]
    show.numbers(
        [
            (
                WORDS_OF_USE[one.use].capitalize(),
                f"{one.value:,.0f} {one.unit}",
                f"less comes in with a chance of {100 * one.quantile:.0f} %",
            )
            for one in numbers
        ]
    )


def beside(planned: Forecast | None, what_if: Forecast, unit: Unit) -> None:
    """A what-if beside the forecast of record; alone where there is none."""
    crops = {"What if": what_if.total} | ({"As planned": planned.total} if planned else {})
    rows = [
        {"": "Cartons packed"} | {name: range_words(c.cartons) for name, c in crops.items()},
        {"": "Bins"} | {name: range_words(c.bins) for name, c in crops.items()},
        {"": "Mean size"}
        | {name: unit_words(c.diameter_mm, unit, digits=1) for name, c in crops.items()},
    ]
    show.table(rows)


def classes_that_matter(crop: CropForecast) -> list[ClassForecast]:
    """Classes with a chance of half a percent of the fruit, or of one carton."""
    return [item for item in crop.classes if item.share.p90 >= 0.005 or item.cartons.p90 >= 1]


def _percent(share: Estimate) -> Estimate:
    return Estimate(p10=100 * share.p10, p50=100 * share.p50, p90=100 * share.p90)


def size_table_words(name: str) -> str:
    """What the trade calls a shipped size table; other tables by their name."""
    return _SIZE_TABLES.get(name, name)


def version_words(forecast: Forecast) -> str:
    """How a forecast is named in a list."""
    number = f"No. {forecast.number}, " if forecast.number else ""
    what_if = f", what if: {forecast.what_if}" if forecast.what_if else ""
    table = size_table_words(forecast.size_table)
    return f"{number}{forecast.made_on}, {table}{what_if} ({forecast.forecast_id[11:]})"
