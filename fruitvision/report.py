"""Results in plain words for a terminal: numbers with their range and their doubts beside them."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.domain import BlockEstimate, CropForecast, Doubts, Estimate, Forecast
from fruitvision.pipeline.crop import BlockWalks
from fruitvision.pipeline.photos import Measured, Refused

# Printed under every forecast.
CAUTION = (
    "A forecast, not an offer: check it against your own counts before you promise fruit. "
    "Follow labels, local rules and licensed advisers."
)


def range_words(estimate: Estimate | None, *, digits: int = 0, unit: str = "") -> str:
    """`71 (68–74) mm`: P50, and P10 to P90 in brackets."""
    if estimate is None:
        return "not known"
    low, mid, high = (f"{value:,.{digits}f}" for value in _three(estimate))
    return f"{mid} ({low}–{high}){' ' if unit else ''}{unit}"


def _three(estimate: Estimate) -> tuple[float, float, float]:
    return estimate.p10, estimate.p50, estimate.p90


def doubt_lines(doubts: Doubts) -> list[str]:
    """One indented line for each doubt."""
    return [f"  ! {doubt.words}" for doubt in doubts]


def measured_lines(measured: Measured) -> list[str]:
    """One line a photo, then copies, refusals and remarks."""
    lines = []
    for photo in measured.photos:
        sized = sum(fruit.diameter_mm is not None for fruit in photo.fruit)
        lines.append(f"{photo.photo.name}: {photo.fruit_count} fruit, {sized} sized")
        lines += doubt_lines(photo.doubts)
        lines += [f"  ! {remark}" for remark in photo.remarks]
    lines += [f"{copy} is the same photo as {first}: used once." for copy, first in measured.copies]
    return lines + refused_lines(measured.refused)


def refused_lines(refused: Sequence[Refused]) -> list[str]:
    """What was left out, why, and what to do."""
    return [f"Left out: {item}" for item in refused]


def block_lines(walk: BlockWalks) -> list[str]:
    """A block as of its latest walk."""
    estimate = walk.estimate
    block = estimate.block
    lines = [
        f"{block.block_id} ({block.variety}), walk of {estimate.walked_on}: {estimate.trees} of "
        f"{block.bearing_trees} bearing trees",
        f"  visible fruit per tree  {estimate.visible_per_tree:.1f}",
        f"  hidden-fruit factor     {_factor_words(estimate)}",
        f"  fruit per tree          {range_words(estimate.fruit_per_tree, digits=1)}",
        f"  fruit in the block      {range_words(estimate.fruit_total)}",
    ]
    if estimate.sizes is not None:
        sizes = estimate.sizes
        error = (sizes.mean_error_mm**2 + (sizes.shared_error * sizes.mean_mm) ** 2) ** 0.5
        lines.append(
            f"  diameter                {sizes.mean_mm:.1f} mm, standard error {error:.1f}, spread "
            f"{sizes.sd_mm:.1f} mm ({sizes.fruit} fruit of {sizes.trees} trees)"
        )
    growth = walk.growth
    lines.append(
        f"  growth of D³            {growth.mm3_per_day:,.0f} ± {growth.mm3_per_day_error:,.0f} "
        f"mm³ a day ({growth.source})"
    )
    return lines + doubt_lines(estimate.doubts)


def _factor_words(estimate: BlockEstimate) -> str:
    factor = estimate.factor
    if factor is None:
        return "none: visible fruit only"
    return (
        f"{factor.factor:.2f}, standard error {factor.factor_error:.2f} "
        f"({factor.trees} hand-counted trees, {factor.protocol.value})"
    )


def forecast_lines(forecast: Forecast) -> list[str]:
    """Pack-out table by variety, the blocks behind it, the next best action, the caution."""
    lines = [
        f"{forecast.farm}: pack-out forecast of {forecast.made_on}, version {forecast.forecast_id}",
        f"P50, with P10–P90 in brackets; size table: {forecast.size_table}. The P50 of the classes "
        "need not add up to that of all.",
    ]
    for variety in forecast.varieties:
        lines += ["", *_variety_lines(variety, forecast.blocks)]
    if len(forecast.varieties) > 1:
        lines += ["", f"Farm: {_totals(forecast.total)}"]
    return [*lines, "", f"Next best action: {forecast.next_action}", "", CAUTION]


def _variety_lines(variety: CropForecast, blocks: Sequence[CropForecast]) -> list[str]:
    lines = [variety.variety, f"  {'class':<12}{'share %':>18}{'cartons':>28}"]
    for row in variety.classes:
        if row.share.p90 >= 0.005 or row.cartons.p90 >= 1:
            percent = Estimate(*(100 * value for value in _three(row.share)))
            cartons = range_words(row.cartons) if row.cartons.p90 >= 1 else "–"
            lines.append(f"  {row.size_class:<12}{range_words(percent):>18}{cartons:>28}")
    lines.append(f"  {'all':<12}{'':>18}{range_words(variety.cartons):>28}")
    for block in blocks:
        if block.variety == variety.variety:
            week = f"week {block.pick_date.isocalendar().week}" if block.pick_date else ""
            lines.append(f"  {block.name}, pick {block.pick_date} ({week}): {_totals(block)}")
            lines += [f"  {line}" for line in doubt_lines(block.doubts)]
    return lines


def _totals(crop: CropForecast) -> str:
    return (
        f"{range_words(crop.fruit)} fruit, {range_words(crop.diameter_mm, digits=1)} mm, "
        f"{range_words(crop.bins)} bins, {range_words(crop.tonnes, digits=1)} t, "
        f"{range_words(crop.cartons)} cartons"
    )
