"""A table that was looked at, in words: what it is, what is asked, what it would change."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fruitvision.domain import NameMapping
from fruitvision.papers.answers import TABLES, columns_from_text
from fruitvision.papers.columns import ColumnSeen, Why
from fruitvision.papers.days import DayOrder
from fruitvision.papers.sheets import Sheet
from fruitvision.papers.understand import NameQuestion, Understood
from fruitvision.pipeline.paper_records import Preview, ThingSeen
from fruitvision.report.words import many

# Things of a kind that are listed. Our choice: a screen of a terminal.
LISTED = 8
# Letters by which the command line names an order of days.
DAY_ORDERS = {
    "dmy": DayOrder.DAY_FIRST,
    "mdy": DayOrder.MONTH_FIRST,
    "ymd": DayOrder.YEAR_FIRST,
}
_WHY = {
    Why.NAME: "by its name",
    Why.WORD: "by its name",
    Why.NUMBERS: "no unit: by its numbers",
    Why.ANSWER: "as you say",
}


def preview_lines(preview: Preview, *, taking: bool = False) -> list[str]:
    """All that a preview says; what must be answered names the option that answers it.

    `taking` : whether its rows are taken in right after.
    """
    lines = [f"{preview.file}:{'' if taking else ' nothing is changed yet.'}"]
    if not preview.read_from:
        return [*lines, "? Which sheet? --sheet NAME, one of:", *_listed(preview.sheets)]
    lines += _about_sheet(preview, preview.read_from)
    if preview.understood is None:
        names = ", ".join(preview.kinds[:LISTED])
        return [*lines, f"? What is this table? --kind KIND, likely: {names}."]
    lines += _columns(preview.understood.columns)
    lines += _questions(preview, preview.understood)
    if not preview.must_ask:
        lines += _rows(preview, preview.understood)
    return lines


def _listed(names: Sequence[str]) -> list[str]:
    return [f"    {name}" for name in names]


def _about_sheet(preview: Preview, sheet: Sheet) -> Iterator[str]:
    heading = preview.heading
    where = f" of sheet {sheet.name}" if sheet.name else ""
    if heading is not None:
        yield f"Header on line {heading.line}{where}, {many(len(heading.rows), 'row')} below it."
    if preview.kind:
        if preview.kind_said:
            why = _said(preview.kind_said)
        elif preview.fitting:
            why = f"its header names {', '.join(preview.fitting)}"
        else:
            why = "as you say"
        yield f"Taken as: {preview.kind} ({why})."
    if sheet.hidden_rows:
        yield f"! Rows that the sheet hides are read too: {_numbers(sheet.hidden_rows)}."
    if sheet.merged:
        yield f"! {many(sheet.merged, 'merged cell')}: each of their cells has the text."
    if sheet.formulas:
        yield f"! {many(sheet.formulas, 'formula')}: the value last shown counts."
    if not sheet.looked_through:
        yield "! Too large to look for hidden rows, merged cells and formulas."


def _said(one: NameMapping) -> str:
    by = f", {one.who}" if one.who else ""
    return f"as you said on {one.at.astimezone().date()}{by}"


def _numbers(lines: Sequence[int]) -> str:
    more = len(lines) - LISTED
    return ", ".join(map(str, lines[:LISTED])) + (f" and {more} more" if more > 0 else "")


def _columns(columns: Sequence[ColumnSeen]) -> Iterator[str]:
    yield "Columns:"
    for one in columns:
        sample = f" (such as {one.sample})" if one.sample else ""
        if one.choices:
            yield f"    {one.label} -> asked{sample}"
        elif one.column:
            why = _said(one.said) if one.said else _WHY[one.why]
            yield f"    {one.label} -> {one.column}, {why}{sample}"
        else:
            twice = ", another column is called so too" if one.why is Why.TWICE else ""
            yield f"    {one.label} -> not used{twice}{sample}"


def _questions(preview: Preview, found: Understood) -> Iterator[str]:
    for column in found.lacking:
        yield f"? Which column is {column}? --column 'HEADER={column}'"
    for one in found.columns:
        if one.choices:
            ways = " or ".join(f"--column '{one.label}={choice}'" for choice in one.choices)
            yield f"? {one.label} has no unit. {ways}"
    question = found.days.question
    if question and found.days.order is None:
        words = {order: letters for letters, order in DAY_ORDERS.items()}
        ways = " or ".join(
            f"--dates {words[order]} ({day or 'no such day'})" for order, day in question.readings
        )
        yield f"? {question.shown} may be several days: {ways}"
    elif found.days.proof:
        yield f"Dates are {found.days.order}: {found.days.proof} tells it."
    if found.inch_cells and found.inches is None:
        cells = ", ".join(
            f"line {one.line}: {one.typed} in = {one.mm:.1f} mm"
            for one in found.inch_cells[:LISTED]
        )
        yield f"? Inches among millimetres? --inches or --no-inches; until then left out. {cells}"
    for name in found.names_asked:
        yield from _name_question(name)
    yield from _odd_rows(preview)


def _odd_rows(preview: Preview) -> Iterator[str]:
    for odd in preview.odd_counts:
        if not odd.meant:
            shown = " + ".join(str(seen) for seen in odd.faces)
            photos = f" whose photos show {shown}" if shown else ""
            yield (
                f"? Line {odd.line}: {odd.fruit_count:,} fruit on {odd.tree}{photos}, a slip? "
                f"--odd {odd.line} if they are meant; else it stays out."
            )
    for strange in preview.odd_tickets:
        if not strange.meant:
            yield (
                f"? Line {strange.line}, ticket {strange.ticket.ticket}: {strange.why} "
                f"--odd {strange.line} if it is meant; else it stays out."
            )
    for block in preview.odd_blocks:
        if not block.meant:
            yield (
                f"? Line {block.line}: {block.why} "
                f"--odd {block.line} if it is meant; else it stays out."
            )


def _name_question(one: NameQuestion) -> Iterator[str]:
    rows = f"{many(len(one.lines), 'row')} left out (line {_numbers(one.lines)})"
    yield f"? {one.what} '{one.written}' is not known: {rows}."
    choices = one.proposed or one.choices[:LISTED]
    for name in choices:
        yield f"    --name '{one.what}:{one.written}={name}'"
    if one.may_stay:
        yield f"    --name '{one.what}:{one.written}={one.written}' as it is written"


def _rows(preview: Preview, found: Understood) -> Iterator[str]:
    for used in found.names_used:
        why = f", {_said(used.said)}" if used.said else ""
        yield f"{used.what} '{used.written}' is {used.meant}{why}."
    for one in found.converted[:LISTED]:
        yield f"Line {one.line}, {one.label}: {one.typed} goes in as {one.became} ({one.column})."
    if preview.first_rows:
        yield "First rows as understood:"
        for row in preview.first_rows:
            cells = ", ".join(f"{name} {text}" for name, text in row.cells.items() if text)
            yield f"    line {row.line}: {cells}"
    for refused in preview.refused:
        yield f"Left out: {refused}"
    if found.rows_out:
        yield f"{many(found.rows_out, 'row')} left out until their names are known."
    yield (
        f"Would take in {many(preview.rows, 'row')}: {len(preview.new):,} new, "
        f"{len(preview.changed):,} changed, {preview.same:,} as they are; "
        f"{len(preview.gone):,} would go."
    )
    yield from _things("changed", preview.changed)
    yield from _things("goes", preview.gone)


def _things(word: str, things: Sequence[ThingSeen]) -> Iterator[str]:
    for one in things[:LISTED]:
        name = ", ".join(str(part) for part in one.key if part != "")
        fields = "; ".join(f"{each.name} {each.before} -> {each.after}" for each in one.fields)
        yield f"    {word}: {name}{': ' if fields else ''}{fields}"
    if len(things) > LISTED:
        yield f"    {word}: {len(things) - LISTED:,} more"


def name_lines(names: Sequence[NameMapping]) -> list[str]:
    """What was said of names, columns and kinds, one line each."""
    lines = []
    for one in names:
        meant = one.meant
        if one.kind.startswith(f"{TABLES} "):
            columns = columns_from_text(one.meant)
            meant = ", ".join(
                f"{label} = {column or 'not used'}" for label, column in columns.items()
            )
        lines.append(f"{one.kind}: '{one.written}' is {meant} ({_said(one)})")
    return lines
