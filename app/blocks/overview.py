"""All blocks of the farm: a table on a wide screen, a card a block on a phone."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from statistics import median

import streamlit as st

from app import session, show
from app.blocks import data, ranges, words
from app.blocks.ranges import range_picture
from app.since import bins_of, since, since_part
from app.wording import day_span, number, say
from fruitvision.domain import Estimate
from fruitvision.pipeline.since import SinceForecast
from fruitvision.pipeline.standing import BlockStanding, Urgency
from fruitvision.target import SizeAgainstTarget
from fruitvision.trust import Trust
from fruitvision.unit_system import Unit

# Days on either side of being on time in the picture of a size. Our choice: three weeks hold what
# can still be called early or late.
DAYS_EACH_WAY = 21
# Reasons that are told in a line; the block's own page tells all. Our choice.
REASONS = 2
_OPEN = (Urgency.ACT, Urgency.SURER)
# From so many bins on they are shown whole. Our choice: half a bin matters in a small block.
WHOLE_BINS = 20
# The axis of fruit per tree leaves out what is so many times the median block, from so many blocks
# on. Our choice: one bar three times as long as the others leaves them a third of the width.
FAR_OFF = 2.5
FEWEST_TO_CLIP = 4
# From so many blocks on they can be narrowed down. Our choice: more than a screen.
MANY_BLOCKS = 8

_LOOK = (
    f"<style>{ranges.LOOK}"
    + """
[data-testid="stMainBlockContainer"] { max-width: 78rem; }
.fv-group > summary { font-size: 1.15rem; font-weight: 650; padding: .7rem 0 .3rem;
  cursor: pointer; }
.fv-blocks { border-collapse: collapse; width: 100%; font-size: .95rem; line-height: 1.35; }
.fv-blocks th, .fv-blocks td { text-align: left; vertical-align: top; padding: .5rem .6rem; }
.fv-blocks tr.one > * { border-top: 1px solid #cdbfa9; }
.fv-blocks thead th { font-size: .85rem; border-bottom: 2px solid #7a3b2e; }
.fv-blocks .axis { display: block; font-weight: 400; font-size: .78rem; }
.fv-blocks .mid { font-weight: 650; font-size: 1.1rem; }
.fv-blocks .below { display: block; font-size: .85rem; font-weight: 400; }
.fv-blocks a { color: #7a3b2e; font-weight: 650; font-size: 1.1rem; overflow-wrap: anywhere; }
.fv-blocks .sign { letter-spacing: .1em; white-space: nowrap; }
.fv-blocks ul { margin: .1rem 0 0; padding-left: 1rem; font-size: .85rem; }
.fv-blocks li { margin: 0; padding: 0; font-size: .85rem; }
.fv-blocks .what { display: none; }
@media (min-width: 821px) {
  .fv-blocks { table-layout: fixed; }
  .fv-blocks col.name { width: 16%; } .fv-blocks col.load { width: 17%; }
  .fv-blocks col.size { width: 19%; } .fv-blocks col.bins { width: 9%; }
  .fv-blocks col.trust { width: 23%; } .fv-blocks col.next { width: 16%; }
}
@media (max-width: 820px) {
  .fv-blocks, .fv-blocks tbody, .fv-blocks tr, .fv-blocks td, .fv-blocks th { display: block; }
  .fv-blocks thead, .fv-blocks colgroup, .fv-blocks .wide { display: none; }
  .fv-blocks tr.one { border: 1px solid #7a3b2e; border-left-width: 5px; margin: 0 0 .7rem;
    padding: .25rem 0; background: #fbf7f0; }
  .fv-blocks tr.one > * { border: 0; padding: .1rem .7rem; display: grid;
    grid-template-columns: 5.4rem minmax(0, 1fr); column-gap: .5rem; align-items: baseline; }
  .fv-blocks tr.one > th { display: block; }
  .fv-blocks .what { display: block; font-weight: 400; font-size: .85rem; }
  .fv-blocks td.none { display: none !important; }
  .fv-blocks .bit { display: inline; }
  .fv-blocks .bit::before { content: "\\00a0· "; }
  .fv-blocks .mid { font-size: 1.02rem; }
  .fv-blocks .mid + .below.beside { display: inline; padding-left: .4rem; }
  .fv-blocks ul { padding: 0; } .fv-blocks li { display: inline; list-style: none; }
  .fv-blocks li + li::before { content: "; "; }
  .fv-range { max-width: none; }
  .fv-blocks tr.fine .fv-range, .fv-blocks tr.surer .fv-range { display: none; }
}
@media print {
  .fv-blocks tr { break-inside: avoid; }
  .fv-group::details-content { content-visibility: visible; height: auto; }
}
</style>"""
)


def overview(stands: Sequence[BlockStanding]) -> None:
    """A button to find a block, then every block with what needs somebody on top."""
    st.html(_LOOK)
    # Behind a button: boxes to choose from take a browser longest to show, a third of a second.
    with st.popover(say("blocks.find"), icon=":material/search:"):
        _open_box([one.block.block_id for one in stands])
        shown = _narrowed(stands) if len(stands) >= MANY_BLOCKS else stands
    if len(shown) < len(stands):
        st.caption(say("blocks.narrowed", n=len(shown), every=len(stands)))
    changed = None
    if (made := data.forecast()) is not None:
        since_part(made, only_bins=True)
        changed = since(made)
    if shown:
        if any(one.walks for one in shown):
            most = round(_most_fruit(shown))
            st.caption(say("blocks.legend", most=most, days=DAYS_EACH_WAY))
            if off := _off_axis(shown, most):
                st.caption(say("blocks.off_axis", most=most, names=show.plain(off)))
        st.html(blocks_tables(shown, changed))
    else:
        st.write(say("blocks.nothing_here"))
    _version()
    without = sum(not _has_target(one) for one in stands)
    if without:
        st.caption(say("blocks.no_targets", n=without))
        session.page_link("screens/setup.py", label=say("blocks.to_setup"))


def _has_target(one: BlockStanding) -> bool:
    block = one.block
    return block.target_fruit_per_tree is not None or block.target_diameter_mm is not None


def _version() -> None:
    """Which forecast the bins are of."""
    found = data.forecast()
    if found is None:
        st.caption(say("blocks.no_forecast"))
        session.page_link("screens/forecast.py", label=say("blocks.to_forecast"))
    elif found.number:
        st.caption(say("blocks.from_forecast", number=found.number, made_on=found.made_on))
    else:
        st.caption(say("blocks.from_forecast_unnumbered", made_on=found.made_on))


def _open_box(names: Sequence[str]) -> None:
    def go() -> None:
        data.choose(st.session_state["open block"])

    st.selectbox(
        say("blocks.open"),
        sorted(names),
        index=None,
        placeholder=say("blocks.open_hint"),
        key="open block",
        on_change=go,
    )


def _narrowed(stands: Sequence[BlockStanding]) -> Sequence[BlockStanding]:
    """The blocks of one variety, or one group, where a visitor asks for it."""
    left, right = st.columns(2)
    groups = {one.value: _group_words(one) for one in Urgency}
    group = _kept_choice(right, say("blocks.show"), "show", groups, say("blocks.show_all"))
    varieties = {name: name for name in sorted({one.block.variety for one in stands})}
    variety = _kept_choice(
        left, say("blocks.variety"), "variety", varieties, say("blocks.every_variety")
    )
    return [
        one
        for one in stands
        if group in ("", one.urgency.value) and variety in ("", one.block.variety)
    ]


def _kept_choice(
    where: st.delta_generator.DeltaGenerator,
    label: str,
    name: str,
    choices: dict[str, str],
    everything: str,
) -> str:
    """A box whose choice is kept in the address; empty for everything."""
    values = ["", *choices]
    kept = str(st.query_params.get(name, ""))
    chosen = where.selectbox(
        label,
        values,
        index=values.index(kept) if kept in values else 0,
        format_func=lambda value: choices.get(value, everything),
        key=f"blocks {name}",
    )
    if chosen:
        st.query_params[name] = chosen
    else:
        st.query_params.pop(name, None)
    return str(chosen or "")


def _group_words(urgency: Urgency) -> str:
    return say(f"blocks.group_{urgency.value}")


# ---------------------------------------------------------------- the table


def blocks_tables(stands: Sequence[BlockStanding], changed: SinceForecast | None) -> str:
    """The blocks as HTML: a table for each group, which can be folded.

    On a farm of many blocks those with nothing to do are folded at first.

    Parameters
    ----------
    changed : SinceForecast or None
        What changed since the forecast that the bins are of.
    """
    most = _most_fruit(stands)
    groups = []
    for urgency in Urgency:
        of_group = [one for one in stands if one.urgency is urgency]
        if of_group:
            is_open = urgency in _OPEN or len(stands) < MANY_BLOCKS
            rows = "".join(_row(one, most, changed) for one in of_group)
            head = _head(of_group, most)
            groups.append(
                _group(urgency, len(of_group), head + f"<tbody>{rows}</tbody>", is_open=is_open)
            )
    return "".join(groups)


def _group(urgency: Urgency, blocks: int, content: str, *, is_open: bool) -> str:
    columns = "".join(
        f'<col class="{name}">' for name in ("name", "load", "size", "bins", "trust", "next")
    )
    name = say("blocks.group_count", group=_group_words(urgency), number=blocks)
    return (
        f'<details class="fv-group"{" open" if is_open else ""}><summary>{escape(name)}</summary>'
        f'<table class="fv-blocks"><colgroup>{columns}</colgroup>{content}</table></details>'
    )


def _most_fruit(stands: Sequence[BlockStanding]) -> float:
    """The end of the common axis of fruit per tree.

    A block far off the others does not flatten them: its bar ends at the axis, with an arrow.
    """
    ends = [_end(one) for one in stands if one.walks]
    if len(ends) >= FEWEST_TO_CLIP:
        usual = FAR_OFF * median(ends)
        ends = [end for end in ends if end <= usual]
    return 1.05 * max([*ends, 1.0])


def _end(one: BlockStanding) -> float:
    """What the axis has to reach for a block: its range and its target."""
    now = one.walks.estimate.fruit_per_tree.p90 if one.walks else 0.0
    return max(now, one.block.target_fruit_per_tree or 0.0)


def _off_axis(stands: Sequence[BlockStanding], most: float) -> str:
    """Names of the blocks whose bar ends beyond the axis."""
    return ", ".join(one.block.block_id for one in stands if one.walks and _end(one) > most)


def _head(stands: Sequence[BlockStanding], most: float) -> str:
    """Names of the columns, with the axis of those in which something is drawn."""
    axes = {}
    if any(one.walks for one in stands):
        axes["load"] = _load_axis(most)
    if any(one.size for one in stands):
        axes["size"] = _days_axis()
    cells = "".join(
        f'<th scope="col">{escape(say(f"blocks.column_{name}"))}'
        + (f'<span class="axis">{escape(axes[name])}</span>' if name in axes else "")
        + "</th>"
        for name in ("block", "load", "size", "bins", "trust", "next")
    )
    return f"<thead><tr>{cells}</tr></thead>"


def _row(one: BlockStanding, most: float, changed: SinceForecast | None) -> str:
    unit = session.units().diameter
    return (
        f'<tr class="one {one.urgency.value}">{_name(one)}'
        f"{_cell('load', _load(one, most))}{_cell('size', _size(one, unit))}"
        f"{_cell('bins', _bins(one, changed))}{_cell('trust', _trust(one))}"
        f"{_cell('next', _next(one))}</tr>"
    )


def _cell(name: str, content: str) -> str:
    """A cell; on a phone its column's name stands beside it, and empty cells are left out."""
    if not content:
        return f'<td class="none">{escape(say("blocks.no_sign"))}</td>'
    what = escape(say(f"blocks.column_{name}"))
    return f'<td><span class="what" aria-hidden="true">{what}</span><div>{content}</div></td>'


def _below(*texts: str, kind: str = "") -> str:
    """Small lines; `kind` : "beside" goes on in the line before on a phone, "bit" in one line,
    "wide" is left out there."""
    return "".join(
        f'<span class="{f"below {kind}".strip()}">{escape(text)}</span>' for text in texts if text
    )


def _mid(text: str) -> str:
    return f'<span class="mid">{escape(text)}</span>'


def _name(one: BlockStanding) -> str:
    block = one.block
    pick = (
        say("blocks.picked", day=day_span(one.pick_days))
        if one.pick_days
        else say("blocks.no_pick")
    )
    walked = say("blocks.walked", day=one.walks.estimate.walked_on) if one.walks else ""
    link = (
        f'<a href="{escape(data.address_of(block.block_id))}" target="_self">'
        f"{escape(block.block_id)}</a>"
    )
    return f'<th scope="row">{link}{_below(block.variety, pick, walked, kind="bit")}</th>'


def _load(one: BlockStanding, most: float) -> str:
    if one.walks is None:
        return ""
    now, target = one.walks.estimate.fruit_per_tree, one.block.target_fruit_per_tree
    text = words.range_words(now)
    visible = say("blocks.load_visible") if one.walks.estimate.factor is None else ""
    if one.load is None or target is None:
        label, standing = say("blocks.load_label_no_target", range=text), ""
    else:
        label = say("blocks.load_label", range=text, target=number(target))
        standing = f"{words.load_standing(one.load)}, {say('blocks.target', target=number(target))}"
    picture = range_picture(now, between=(0.0, most), mark=target, label=label)
    return f"{_mid(text)}{_below(standing, visible, kind='beside')}{picture}"


def _size(one: BlockStanding, unit: Unit) -> str:
    if one.walks is None:
        return ""
    found = one.size
    if found is None:
        return _below(words.mean_without_target(one, unit))
    standing, days = words.size_standing(found), words.days_range(found)
    return (
        f"{_mid(standing)}{_below(days, kind='beside')}{_days_picture(found, days)}"
        f"{_below(words.size_needs(found, unit), kind='wide')}"
    )


def _days_picture(found: SizeAgainstTarget, days: str) -> str:
    """Behind is on the left of being on time, ahead on the right."""
    behind = found.behind_days
    if behind is None:
        return ""
    ahead = Estimate(-behind.p90, -behind.p50, -behind.p10)
    return range_picture(
        ahead,
        between=(-DAYS_EACH_WAY, DAYS_EACH_WAY),
        mark=0.0,
        label=say("blocks.size_label", days=days),
    )


def _load_axis(most: float) -> str:
    return say("blocks.axis_load", most=round(most))


def _days_axis() -> str:
    return say("blocks.axis_days", days=DAYS_EACH_WAY)


def _bins(one: BlockStanding, changed: SinceForecast | None) -> str:
    if one.crop is None:
        return ""
    bins = one.crop.bins
    if bins is None:
        return _below(say("blocks.no_bins"))
    digits = 0 if bins.p50 >= WHOLE_BINS else 1
    low, middle, high = (number(one, digits) for one in (bins.p10, bins.p50, bins.p90))
    span = _below(say("blocks.bins_range", low=low, high=high), kind="beside")
    return f"{_mid(middle)}{span}{_below(_older(one, changed))}"


def _older(one: BlockStanding, changed: SinceForecast | None) -> str:
    """What the bins are of, where something changed since."""
    if changed is None or one.crop is None:
        return ""
    return bins_of(one.crop, changed.of(one.block.block_id))


def _trust(one: BlockStanding) -> str:
    if one.trust is None:
        return ""
    grade = one.trust.grade
    head = (
        f'<span class="sign" aria-hidden="true">{words.SIGNS[grade]}</span> '
        f"{_mid(words.grade(grade))}"
    )
    return f"{head}{_reasons(one.trust)}"


def _reasons(found: Trust) -> str:
    told = [words.reason(one) for one in found.reasons[:REASONS]]
    if not told:
        told = [say("blocks.nothing_against"), words.half_range(found)]
    more = len(found.reasons) - REASONS
    if more > 0:
        told.append(say("blocks.more_reasons", n=more))
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in told)}</ul>"


def _next(one: BlockStanding) -> str:
    refused = words.refused(one)
    return f"{_mid(words.todo(one))}{_below(words.gain(one), refused, kind='beside')}"
