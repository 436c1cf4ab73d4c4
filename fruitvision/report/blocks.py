"""What each block holds today, what its register is worth, what to do next, what stands out."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.advice import Advice
from fruitvision.domain import (
    Attention,
    Block,
    BlockEstimate,
    CaliperCheck,
    Estimate,
    GrowthRate,
    Pollinizers,
)
from fruitvision.hidden_factor import factor_words
from fruitvision.hidden_pairs import HAND_COUNT_DAYS
from fruitvision.pipeline.blocks import BlockWalks
from fruitvision.pipeline.standing import BlockStanding
from fruitvision.register import trees_by_spacing
from fruitvision.report.words import doubt_lines, many, range_words
from fruitvision.target import LoadAgainstTarget, SizeAgainstTarget, Standing
from fruitvision.unit_system import METRIC, Unit, Units
from fruitvision.waiting_counts import WaitingCount, WaitsFor

# Width of the words before a number.
WORDS = 24


def block_lines(
    walk: BlockWalks, units: Units = METRIC, standing: BlockStanding | None = None
) -> list[str]:
    """A block as of its latest walk; with `standing` also against its targets."""
    return [
        *_count_lines(walk),
        *_size_lines(walk, units),
        *(_target_lines(standing, units) if standing else []),
        *_register_lines(walk, units),
        *doubt_lines(walk.estimate.doubts),
        *advice_lines(walk.advice),
    ]


def _line(what: str, words: str) -> str:
    return f"  {what:<{WORDS}}{words}"


def _count_lines(walk: BlockWalks) -> list[str]:
    estimate, block = walk.estimate, walk.estimate.block
    trees = walk.check.register_trees if walk.record.register else block.bearing_trees
    lines = [
        f"{block.block_id} ({block.variety}), walk of {estimate.walked_on}: "
        f"{estimate.trees_seen} of {trees:.0f} bearing trees",
        _line("visible fruit per tree", f"{estimate.visible_per_tree:.1f}"),
        _line("on tree for each seen", _factor_words(estimate)),
    ]
    if estimate.factor is not None:
        _, *more = factor_words(estimate.factor, estimate.walked_on)
        lines += [_line("", sentence) for sentence in more]
    lines += [
        _line("fruit per tree", range_words(estimate.fruit_per_tree, digits=1)),
        *(
            _line(
                f"  {part.name or 'rest of the block'}",
                f"{range_words(part.fruit_per_tree, digits=1)} ({part.sampled} of "
                f"{part.bearing_trees:,.0f} trees)",
            )
            for part in estimate.strata
        ),
        _line("fruit in the block", range_words(estimate.fruit_total)),
    ]
    return lines


def _factor_words(estimate: BlockEstimate) -> str:
    factor = estimate.factor
    if factor is None:
        return "none: visible fruit only"
    below = "below 1: photos show more than people counted; " if factor.factor < 1 else ""
    return (
        f"{factor.factor:.2f}, {below}standard error {factor.factor_error:.2f} "
        f"({many(factor.trees, 'hand count')}, {factor.protocol.value})"
    )


def _size_lines(walk: BlockWalks, units: Units) -> list[str]:
    sizes, growth = walk.estimate.sizes, walk.growth
    lines = []
    if sizes is not None:
        error = (sizes.mean_error_mm**2 + (sizes.shared_error * sizes.mean_mm) ** 2) ** 0.5
        unit = units.diameter
        mean, spread = (
            f"{unit.shown(value):.{unit.decimals(1)}f} {unit.symbol}"
            for value in (sizes.mean_mm, sizes.sd_mm)
        )
        words = (
            f"{mean}, standard error {unit.shown(error):.{unit.all_decimals(1)}f}, spread {spread} "
            f"({sizes.fruit} fruit of {many(sizes.trees, 'tree')})"
        )
        lines.append(_line("diameter", words))
        if sizes.caliper_check is not None and sizes.caliper_check.pairs:
            lines.append(_line("photos and calipers", _caliper_words(sizes.caliper_check, unit)))
    return [*lines, _line("growth of D³", growth_words(growth, units))]


def _target_lines(standing: BlockStanding, units: Units) -> list[str]:
    """Load and size against the block's targets; nothing where none is set."""
    lines = []
    if standing.load is not None:
        lines.append(_line("load against target", load_words(standing.load)))
    if standing.size is not None:
        passes = len(standing.pick_days)
        words = size_words(standing.size, units.diameter, passes=passes)
        lines.append(_line("size against target", words))
    return lines


def load_words(found: LoadAgainstTarget) -> str:
    """`above: 60.1 (55.0–65.2) fruit per tree for 45`."""
    visible = ", visible fruit only" if found.visible_only else ""
    now = range_words(found.fruit_per_tree, digits=1)
    return f"{found.standing.value}: {now} fruit per tree for {found.target:.0f}{visible}"


def size_words(found: SizeAgainstTarget, unit: Unit, *, passes: int = 1) -> str:
    """`6 days behind (2 to 11): 66.0 mm on 2026-08-12, 67.9 needed for 76.0 on 2026-09-03`.

    `passes` : of several, the day of the pick is the mean one.
    """
    mean, needed, target = (
        f"{unit.shown(mm):.{unit.decimals(1)}f}"
        for mm in (found.mean_mm.p50, found.needed_mm, found.target_mm)
    )
    sizes = (
        f"{mean} {unit.symbol} on {found.measured_on}, {needed} needed for {target} on "
        f"{found.pick_day}{', the middle of its passes' if passes > 1 else ''}"
    )
    if found.behind_days is None:
        return f"{found.standing.value}: {sizes}"
    word = {
        Standing.ON_TARGET: "on time, ",
        Standing.CANT_TELL: f"{Standing.CANT_TELL.value}, ",
    }.get(found.standing, "")
    return f"{word}{_days_words(found.behind_days)}: {sizes}"


def _days_words(behind: Estimate) -> str:
    """`6 days behind (2 to 11)`, `2 days behind (4 ahead to 7 behind)`."""
    low, middle, high = (round(one) for one in (behind.p10, behind.p50, behind.p90))
    side = "behind" if middle > 0 else "ahead"
    if low < 0 < high:
        span = f"{-low} ahead to {high} behind"
    else:
        span = f"{min(abs(low), abs(high))} to {max(abs(low), abs(high))}"
    return f"{many(abs(middle), 'day')} {side} ({span})"


def _caliper_words(check: CaliperCheck, unit: Unit) -> str:
    """What was corrected in the photos' diameters."""
    digits = unit.all_decimals(1)
    bias, error, noise = (
        f"{unit.shown(abs(value)):.{digits}f}"
        for value in (check.bias_mm, check.bias_error_mm, check.noise_mm)
    )
    off = "large" if check.bias_mm > 0 else "small"
    return (
        f"by {check.pairs} fruit photos read {bias} {off} (± {error} {unit.symbol}), which is put "
        f"right; one fruit strays by {noise} {unit.symbol}"
    )


def growth_words(growth: GrowthRate, units: Units) -> str:
    """`4,450 ± 200 mm³ a day (calipers, 21 days)`."""
    unit = units.cube
    rate, error = (
        f"{unit.shown(value):,.{unit.decimals(0)}f}"
        for value in (growth.mm3_per_day, growth.mm3_per_day_error)
    )
    return f"{rate} ± {error} {unit.symbol} a day ({growth.source})"


def _register_lines(walk: BlockWalks, units: Units) -> list[str]:
    area = spacing_words(walk.estimate.block, units)
    lines = [_line("area and spacing", area)] if area else []
    lines += [_line("pollinizers", pollinizer_words(one)) for one in walk.pollinizers]
    if walk.check.visited:
        lines.append(_line("register", _without_name(walk.check.words, walk)))
    return lines + [_line("", _without_name(note, walk)) for note in walk.register_notes]


def _without_name(words: str, walk: BlockWalks) -> str:
    """A sentence on a block where the block's name stands above it."""
    return words.removeprefix(f"{walk.estimate.block.block_id}: ")


def spacing_words(block: Block, units: Units) -> str:
    """`2.00 ha at 3.50 × 1.00 m: room for 5,714 trees`, with what is known of it; else nothing."""
    area, distance = units.area, units.distance
    words = [] if block.area_ha is None else [f"{area.shown(block.area_ha):.2f} {area.symbol}"]
    if block.row_spacing_m is not None and block.tree_spacing_m is not None:
        row, tree = distance.shown(block.row_spacing_m), distance.shown(block.tree_spacing_m)
        words.append(f"{row:.2f} × {tree:.2f} {distance.symbol}")
    trees = trees_by_spacing(block)
    return " at ".join(words) + ("" if trees is None else f": room for {trees:,} trees")


def pollinizer_words(pollinizers: Pollinizers) -> str:
    """`12 trees of Braeburn, not in these numbers`."""
    trees = many(pollinizers.trees, "tree")
    variety = pollinizers.variety or "a variety that is not written down"
    return f"{trees} of {variety}, not in these numbers"


def advice_lines(advice: Advice) -> list[str]:
    """Whether it is enough; else the steps that narrow the range, the best for its work first."""
    percent = f"±{100 * advice.half_range:.0f} %"
    if advice.first:
        return [_line("next", advice.first)]
    if advice.enough:
        return [_line("enough", f"the weight that hung that day is known to {percent}")]
    if not advice.steps:
        return [_line("range of the weight", f"{percent}; more trees bring little")]
    return [
        _line("range of the weight", f"{percent}; to narrow it, the best for its work first:"),
        *(
            _line("", f"{step.words}: ±{100 * step.half_range:.0f} %, {step.minutes:.0f} minutes")
            for step in advice.steps
        ),
    ]


def waiting_lines(found: Sequence[WaitingCount]) -> list[str]:
    """Hand counts of a block that enter no number, and why; nothing without any."""
    if not found:
        return []
    head = f"{many(len(found), 'hand count')} in no number:"
    return [_line("hand counts", head), *(_line("", f"  {waiting_words(one)}") for one in found)]


def waiting_words(one: WaitingCount) -> str:
    """`row 1 tree 7, counted on 2026-07-03: ...`: which count, and why it is not used."""
    tree, day = one.count.tree, one.count.counted_on
    return f"row {tree.row} tree {tree.position}, counted on {day}: {_why(one)}"


def _why(one: WaitingCount) -> str:
    day, shown = one.photos_on, one.photos_show
    return {
        WaitsFor.NO_PHOTO: "no photo of this tree",
        WaitsFor.DAYS: f"its nearest photos are of {day}, {one.days_apart} days away; a count "
        f"serves photos up to {HAND_COUNT_DAYS} days before or after it",
        WaitsFor.USABLE: f"the photos of {day} are not measured yet, not usable, or lack a face",
        WaitsFor.PROTOCOL: f"counted for {one.count.protocol.value}, the photos of {day} show "
        f"{shown.value if shown else 'something else'}",
        WaitsFor.NEARER: f"another count of this tree is nearer to the photos of {day}",
    }[one.waits_for]


def attention_lines(found: Sequence[Attention]) -> list[str]:
    """What stands out from its like: a prompt to go and look, no diagnosis."""
    if not found:
        return ["Nothing stands out from its like."]
    return ["Stands out from its like:", *(f"  {one.words}" for one in found)]
