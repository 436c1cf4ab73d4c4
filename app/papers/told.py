"""What was understood of a table, and what it would change."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from html import escape

import streamlit as st

from app import show
from app.papers.words import column_words, lines_words, meant_words, thing_words, what_words
from app.wording import day, number, say
from fruitvision.domain import NameMapping
from fruitvision.papers.columns import number_in
from fruitvision.papers.days import sure_day
from fruitvision.papers.measures import measure_of
from fruitvision.papers.sheets import Sheet
from fruitvision.papers.understand import Understood
from fruitvision.pipeline.paper_records import Preview, ThingSeen
from fruitvision.pipeline.photos import refused_row

# Things that are named. Our choice: a screen of a phone.
NAMED = 8
_LOOK = """<style>
.fv-wide { overflow-x: auto; margin: .2rem 0 .6rem; }
.fv-wide table { border-collapse: collapse; font-size: .95rem; }
.fv-wide th, .fv-wide td { padding: .3rem .6rem .3rem .1rem; text-align: left;
  white-space: nowrap; }
.fv-wide thead th { border-bottom: 2px solid #7a3b2e; }
.fv-wide tbody td { border-top: 1px solid #d8ccba; }
</style>"""


def why_this_kind(preview: Preview) -> None:
    """Why a table is taken for what it is, and where its header stands."""
    words = []
    if preview.kind_said is not None:
        words.append(_said(preview.kind_said))
    elif preview.kind_by_file:
        words.append(say("papers.why_file"))
    elif preview.fitting:
        columns = ", ".join(map(column_words, preview.fitting))
        words.append(say("papers.why_header", columns=columns))
    if preview.heading is not None:
        words.append(say("papers.header_on", line=str(preview.heading.line)))
    st.caption(" ".join(words))


def _said(one: NameMapping) -> str:
    on = day(one.at.astimezone().date())
    if not one.who:
        return say("papers.why_said", day=on)
    return say("papers.why_said_by", who=show.plain(one.who), day=on)


def about_sheet(sheet: Sheet) -> None:
    """What is not plain in a sheet."""
    words = []
    if sheet.hidden_rows:
        words.append(say("papers.hidden", lines=lines_words(sheet.hidden_rows)))
    if sheet.merged:
        words.append(say("papers.merged"))
    if sheet.formulas:
        words.append(say("papers.formulas"))
    if not sheet.looked_through:
        words.append(say("papers.too_large"))
    if words:
        st.info("  \n".join(words))


def understood_cells(found: Understood) -> None:
    """How dates were read, which names stand for others, what was converted."""
    lines = []
    if found.days.proof and found.days.order is not None:
        order = say(f"papers.day_order_{found.days.order.name.lower()}")
        lines.append(say("papers.day_proof", order=order, proof=show.plain(found.days.proof)))
    for used in found.names_used:
        meant = show.plain(meant_words(used.what, used.meant))
        words = {"what": what_words(used.what), "written": show.plain(used.written)}
        if used.said is None:
            lines.append(say("papers.name_used", meant=meant, **words))
        else:
            on = day(used.said.at.astimezone().date())
            lines.append(say("papers.name_used_said", meant=meant, day=on, **words))
    converted = [
        say(
            "papers.converted_cell",
            line=str(one.line),
            label=show.plain(one.label),
            typed=show.plain(one.typed),
            became=number(float(one.became), _decimals(one.became)),
            column=column_words(one.column),
        )
        for one in found.converted
    ]
    if converted:
        lines.append(say("papers.converted", cells="; ".join(_first(converted))))
    if lines:
        st.markdown("\n".join(f"- {line}" for line in _first(lines)))


def _decimals(text: str) -> int:
    return len(text.partition(".")[2])


def _first(words: Sequence[str]) -> list[str]:
    more = len(words) - NAMED
    return [*words[:NAMED], *([say("papers.more", n=more)] if more > 0 else [])]


def first_rows(preview: Preview) -> None:
    """The first rows in the farm's columns; a wide table moves in a box of its own."""
    if not preview.first_rows or preview.understood is None:
        return
    columns, days = preview.understood.table.columns, preview.understood.kind.days
    head = say("papers.first_rows")
    heads = "".join(
        f'<th scope="col">{escape(words)}</th>'
        for words in (say("papers.line"), *map(column_words, columns))
    )
    lines = "".join(
        f"<tr><td>{row.line}</td>"
        + "".join(
            f"<td>{escape(_cell_words(row.text(column), column, days))}</td>" for column in columns
        )
        + "</tr>"
        for row in preview.first_rows
    )
    st.markdown(f"**{head}**")
    st.html(_LOOK)
    st.markdown(
        f'<div class="fv-wide" role="region" aria-label="{escape(head)}" tabindex="0"><table>'
        f"<thead><tr>{heads}</tr></thead><tbody>{lines}</tbody></table></div>",
        unsafe_allow_html=True,
    )


def _cell_words(cell: str, column: str, days: Collection[str]) -> str:
    """A cell as the visitor's language writes it: what it goes in as, not what was typed."""
    if column in days and cell:
        found = sure_day(cell)
        return cell if found is None else day(found)
    value = number_in(cell) if measure_of(column) else None
    # A cell of several lines is told in one.
    return " ".join(cell.split()) if value is None else number(value, _decimals(cell))


def left_out(preview: Preview) -> None:
    """Rows that are refused, and those whose names are not known."""
    show.refused([refused_row(row) for row in preview.refused])
    found = preview.understood
    if found is not None and found.rows_out:
        st.warning(say("papers.rows_out", n=found.rows_out), icon=":material/block:")


def would_change(preview: Preview) -> None:
    """How much would be new, changed, as it is and gone; what would change and go by name."""
    st.subheader(say("papers.would"))
    counts = (
        ("new", len(preview.new)),
        ("changed", len(preview.changed)),
        ("same", preview.same),
        ("go", len(preview.gone)),
    )
    show.numbers([(say(f"papers.would_{name}"), number(count), "") for name, count in counts])
    _things("papers.changes_head", preview.changed)
    _things("papers.goes_head", preview.gone)


def _things(head: str, things: Sequence[ThingSeen]) -> None:
    if things:
        words = [show.plain(thing_words(one)) for one in things[:NAMED]]
        more = len(things) - NAMED
        words += [say("papers.more", n=more)] * (more > 0)
        st.markdown("\n".join((say(head), "", *(f"- {line}" for line in words))))
