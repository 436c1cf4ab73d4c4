"""What is picked and what is still to come, in lines."""

from __future__ import annotations

from fruitvision.harvest.tickets import PassState
from fruitvision.harvest.update import HarvestUpdate, PassProgress, RestUpdate
from fruitvision.report.harvest_stock import day_words, few_words
from fruitvision.report.words import many

# A cause that moves a rest by less is not named, relative. Our choice: what no plan is changed for.
LEAST_EFFECT = 0.01
# Causes that are named. Our choice: one line.
NAMED_CAUSES = 3
# What the numbers are not.
UPDATE_CAUTION = (
    "The rest by bin tickets is no forecast of record: cartons, classes and promises stay those of "
    "the forecast until a new one is made and frozen."
)


def update_lines(update: HarvestUpdate) -> list[str]:
    """Passes so far, then the rest of each block with what moved it, varieties, the farm."""
    head = "No bin tickets of this season yet."
    if update.as_of is not None:
        head = f"By bin tickets up to {day_words(update.as_of)} {update.as_of.year}."
    lines = [
        f"{update.farm}: picked so far, and the rest by forecast {update.forecast_id}",
        head,
        "",
        f"  {'pass':<34}{'day':<12}{'':<12}{'planned, bins':>18}{'picked':>10}{'rest':>18}",
        *map(_pass_line, update.passes),
        "",
        f"  {'rest':<34}{'picked':>12}{'was, bins':>18}{'is':>18}{'moved':>9}{'in all':>18}",
    ]
    for block in update.blocks:
        lines += [_rest_line(block), *_why_lines(block)]
    lines += [_rest_line(one) for one in (*update.varieties, update.total)]
    lines += _surprise_lines(update)
    if any(one.inferred for one in update.passes):
        lines.append(
            "(taken as finished): its days are past and the next pass began. Where it goes on, "
            "or another one is finished, say so: --done, --not-done."
        )
    lines += [
        f"  ! Ticket {one.ticket.ticket}, {many(one.ticket.bins, 'bin')}, left out: {one.why}"
        for one in update.left_out
    ]
    if update.other_seasons:
        lines.append(f"{many(update.other_seasons, 'ticket')} of other seasons left aside.")
    return [*lines, "", UPDATE_CAUTION]


def _pass_line(one: PassProgress) -> str:
    name = f"{one.block_id}, pass {one.number} of {one.passes}"
    state = f"({one.state})" if one.inferred else one.state.value
    rest = "–" if one.state is PassState.FINISHED else few_words(one.rest)
    return (
        f"  {name:<34}{day_words(one.pick_date):<12}{state:<12}{few_words(one.planned):>18}"
        f"{one.picked_bins:>10,.1f}{rest:>18}"
    )


def _rest_line(one: RestUpdate) -> str:
    return (
        f"  {one.name:<34}{one.picked_bins:>12,.1f}{few_words(one.rest_before):>18}"
        f"{few_words(one.rest):>18}{one.moved_bins:>+9,.1f}{few_words(one.total):>18}"
    )


def _why_lines(one: RestUpdate) -> list[str]:
    why = _why_words(one)
    return [f"    {why}"] if why else []


def _why_words(one: RestUpdate) -> str:
    named = [
        f"{'its own tickets' if cause.block_id == one.name else cause.block_id} "
        f"{100 * cause.effect:+.0f} %"
        for cause in one.causes[:NAMED_CAUSES]
        if abs(cause.effect) >= LEAST_EFFECT
    ]
    return f"moved by {', '.join(named)}" if named else ""


def moved_lines(update: HarvestUpdate) -> list[str]:
    """Why the rest is not that of the forecast, block by block, for a calendar without the numbers
    of `update_lines`; nothing where nothing moved."""
    moved = [f"  {one.name}: {why}" for one in update.blocks if (why := _why_words(one))]
    if not moved:
        return []
    return ["What is still to come, against the forecast (more with --tickets):", *moved, ""]


def finished_line(one: PassProgress, *, finished: bool, undo: str) -> str:
    """That a pass is finished, or goes on after all, with what came in of it.

    Parameters
    ----------
    undo : str
        What takes it back, for a pass of which less came in than could be expected (P10).
    """
    came = f"{one.picked_bins:,.1f} of {one.planned.p10:,.1f} to {one.planned.p90:,.1f} bins"
    name = f"{one.block_id} pass {one.number}"
    if not finished:
        return f"Open again: {name}: {came} came in so far."
    low = one.picked_bins < one.planned.p10
    return f"Finished: {name}: {came} came in." + f" Is that meant? To take it back: {undo}" * low


def _surprise_lines(update: HarvestUpdate) -> list[str]:
    return [
        f"  ! {one.block_id}, pass {one.number}: {one.picked_bins:,.1f} bins for "
        f"{few_words(one.planned)} planned was hardly thought possible. Look for tickets that are "
        "missing or of another block, and whether the pass is finished."
        for one in update.passes
        if one.surprising
    ]
