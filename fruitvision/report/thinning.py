"""The thinning check in words."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.crop_load import buds_per_tree
from fruitvision.domain import Estimate
from fruitvision.report.words import many, range_words
from fruitvision.thinning import MoreTrees, RankedThinning, ThinningCheck, Verdict
from fruitvision.thinning_effect import EARLY_DAYS, LATE_DAYS, Lateness, ReturnBloom, SizeGain
from fruitvision.unit_system import METRIC, Unit, Units

# Width of the words before a number.
WORDS = 24
THINNING_CAUTION = (
    "Hand work only: for any material follow the label, local rules and a licensed adviser. Tops "
    "from a platform, or a ladder as trained. Keep out until re-entry times have passed."
)
# People thin by spacing, not by size (trade press, thinning by size, after McArtney).
THINNING_TIP = (
    "Caliper ten fruit on the ground and ten left on the tree: alike means that the crew thins by "
    "place, not by size. Take off small and marked fruit, and single out clusters."
)


def thinning_lines(found: ThinningCheck, units: Units = METRIC) -> list[str]:
    """A block's load against its target, and what to do."""
    lines = [f"{found.block_id} ({found.variety})", _line("fruit per tree", _load_words(found))]
    if found.load_per_cm2 is not None:
        lines.append(_line("per cm² of trunk", _trunk_words(found, found.load_per_cm2)))
    lines.append(_line("to do", verdict_words(found)))
    if found.verdict is Verdict.TAKE_OFF:
        lines.append(_line("hand work", _hours_words(found.hours)))
        lines.append(_line("when", lateness_words(found)))
        lines.append(_line("size at the target", _size_words(found, units.diameter)))
    if found.return_bloom is not None:
        lines.append(_line("bloom next year", _BLOOM[found.return_bloom]))
    return lines


def bud_lines(found: ThinningCheck, fruitful_share: float | None) -> list[str]:
    """Buds to leave at pruning for the target; nothing without it or without a share."""
    if fruitful_share is None or found.target is None:
        return []
    buds = buds_per_tree(fruit_per_tree=found.target, fruitful_share=fruitful_share)
    words = f"{buds} a tree, of which {fruitful_share:.0%} bear, for {found.target:.0f} fruit"
    return [_line("buds at pruning", words)]


def ranked_lines(found: Sequence[RankedThinning], currency: str) -> list[str]:
    """Which block comes first; nothing where none bears too much."""
    if not found:
        return []
    by_worth = any(one.worth is not None for one in found)
    lines = [f"First to last, by surplus fruit{' and what a fruit is worth' if by_worth else ''}:"]
    for one in found:
        money = (
            "" if one.worth is None else f", which hang for {one.worth:,.0f} {currency}".rstrip()
        )
        lines.append(f"  {one.check.block_id}: {one.fruit:,.0f} fruit too many{money}")
    if by_worth:
        lines.append(
            "  What they hang for is their price at the size of the forecast, not what thinning "
            "gains or costs."
        )
    return lines


def _line(what: str, words: str) -> str:
    return f"  {what:<{WORDS}}{words}"


def _load_words(found: ThinningCheck) -> str:
    now = range_words(found.fruit_per_tree, digits=1)
    if found.target is None:
        return f"{now}, no target"
    whose = " by the trunk guide" if found.by_trunk else ""
    return f"{now} for {found.target:.0f}{whose}"


def _trunk_words(found: ThinningCheck, load: Estimate) -> str:
    now = range_words(load, digits=1)
    target = "" if found.target_per_cm2 is None else f", target {found.target_per_cm2:.1f}"
    return f"{now}{target}, guide {found.guide_per_cm2:g}"


def verdict_words(found: ThinningCheck) -> str:
    """What the load asks for."""
    if found.verdict is Verdict.TAKE_OFF and found.take_off and found.total:
        return _take_off_words(found, found.take_off, found.total)
    if found.verdict is Verdict.TOO_LATE:
        return _too_late_words(found, found.take_off)
    if found.verdict is Verdict.COUNT_MORE and found.more:
        return f"the range straddles the target: {_more_words(found.more, panels=found.panels)}"
    return _VERDICTS[found.verdict]


_VERDICTS = {
    Verdict.NEAR: "so near to the target that more counting does not decide: leave it",
    Verdict.NOTHING: "nothing to take off: the whole range is below the target",
    Verdict.COUNT_BY_HAND: "count 5 of the photographed trees by hand first: hidden fruit are "
    "not in",
    Verdict.NO_TARGET: "set a target, or measure trunks: target_fruit_per_tree or trunk_area_cm2",
    Verdict.PICK_NEAR: "nothing: the last pick is two weeks off or less. Leave what is too many to "
    "the pickers, by size and colour",
    Verdict.PICKED: "picked: nothing to take off any longer",
}
_BLOOM = {
    ReturnBloom.GOOD: "no sign of a weak one: the load is below the guide",
    ReturnBloom.UNSURE: "may be weak: the range of the load reaches the guide",
    ReturnBloom.AT_RISK: "at risk of being weak: this variety tends to bear every other year, and "
    "the load is above the guide",
    ReturnBloom.NO_TRUNK: "not known: this variety tends to bear every other year; measure 10 to "
    "20 trunks and give trunk_area_cm2",
}


def _take_off_words(found: ThinningCheck, per_tree: Estimate, total: Estimate) -> str:
    if found.visible_only:
        return f"take off at least {per_tree.p10:.0f} fruit per tree: hidden fruit come on top"
    return (
        f"take off about {per_tree.p10:.0f} to {per_tree.p90:.0f} fruit per tree, "
        f"{total.p10:,.0f} to {total.p90:,.0f} in all"
    )


def _too_late_words(found: ThinningCheck, above: Estimate | None) -> str:
    """As the Blocks page says it (`planning.too_late_*`)."""
    late = "too late to thin for size"
    if above is None:
        return f"{late}: whether the crop is above its target no longer matters for it"
    much = f"about {above.p10:.0f} to {above.p90:.0f}"
    if found.visible_only:
        much = f"at least {above.p10:.0f}"
    crop = f"The crop is {much} fruit per tree above its target"
    if found.for_packout:
        return (
            f"{late}. {crop}. Still useful for pack-out: small and marked fruit off, clusters "
            "singled out"
        )
    return f"{late}: leave it. {crop}"


def _more_words(more: MoreTrees, *, panels: bool) -> str:
    what = "panel" if panels else "tree"
    words = f"count {many(more.trees, f'more {what}')} by photo"
    if more.hand_counts:
        words += f", {more.hand_counts} of them or of the earlier ones also by hand"
    return f"{words}, {more.minutes:.0f} minutes, before you decide"


def _hours_words(hours: Estimate | None) -> str:
    if hours is None:
        return "not known: the block has no area and no spacing"
    return f"about {hours.p50:,.0f} hours ({hours.p10:,.0f}–{hours.p90:,.0f}), roughly"


def lateness_words(found: ThinningCheck) -> str:
    """What taking fruit off still brings."""
    if found.lateness is Lateness.NO_BLOOM:
        return (
            "not known: give full_bloom_on. Size gains most up to "
            f"{EARLY_DAYS} days after full bloom, and little after {LATE_DAYS}"
        )
    if found.lateness is Lateness.OTHER_YEAR:
        return "not known: full_bloom_on is of another year than the walk"
    days = many(found.days_after_bloom or 0, "day")
    return f"{days} after full bloom: {_LATENESS[found.lateness]}"


_LATENESS = {
    Lateness.EARLY: "in time for size",
    Lateness.LATE: "late: little size gain",
}


def _size_words(found: ThinningCheck, unit: Unit) -> str:
    if found.size is None:
        return "not known: measure 10 to 20 trunks and give trunk_area_cm2"
    return f"{_gain_words(found.size, unit)} (rough: published for one variety)"


def _gain_words(size: SizeGain, unit: Unit) -> str:
    low, middle, high = (
        100 * (one - 1) for one in (size.mass_ratio.p10, size.mass_ratio.p50, size.mass_ratio.p90)
    )
    heavier = f"fruit heavier by {middle:.0f} % ({low:.0f}–{high:.0f})"
    if size.now_mm is None or size.then_mm is None:
        return heavier
    digits = unit.decimals(1)
    now = f"{unit.shown(size.now_mm):.{digits}f}"
    then = range_words(unit.shown_range(size.then_mm), digits=digits, unit=unit.symbol)
    return f"{heavier}: {then} for {now}"
