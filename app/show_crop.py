"""Blocks, trees and forecasts in plain words and tables."""

from __future__ import annotations

from collections.abc import Sequence

from app import show
from fruitvision.domain import (
    ClassForecast,
    CropForecast,
    Estimate,
    Forecast,
    GrowthRate,
    HiddenFruitFactor,
)
from fruitvision.pipeline.lines import TreeLine
from fruitvision.report import range_words

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
        f"± {found.factor_error:.2f}, {found.trees} hand-counted trees",
    )


def growth_words(growth: GrowthRate) -> str:
    """The growth rate in a sentence."""
    return (
        f"Growth of D³: {growth.mm3_per_day:,.0f} ± {growth.mm3_per_day_error:,.0f} mm³ a day "
        f"({show.plain(growth.source)})."
    )


def trees(lines: Sequence[TreeLine]) -> None:
    """One line a photographed tree."""
    show.table(
        [
            {
                "Row": f"{line.tree.row}",
                "Tree": f"{line.tree.position}",
                "Seen": f"{line.visible_count}",
                "Hand count": "–" if line.hand_count is None else f"{line.hand_count}",
                "Mean": show.millimetres(line.mean_mm),
            }
            for line in lines
        ]
    )


# ---------------------------------------------------------------- forecast


def crop_numbers(crop: CropForecast) -> None:
    """What a block or the farm brings: fruit, size, bins, tonnes, cartons."""
    show.numbers(
        [
            show.estimate("Bins", crop.bins),
            show.estimate("Tonnes", crop.tonnes, digits=1),
            show.estimate("Cartons packed", crop.cartons),
            show.estimate("Mean size at the pick", crop.diameter_mm, unit="mm"),
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
    return f"{forecast.forecast_id}, {size_table_words(forecast.size_table)}"
