"""The commands of `fruitvision table`: any table in, after a look at it."""

from __future__ import annotations

from getpass import getuser
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import farm_store, say, today
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.units import parse_counts

if TYPE_CHECKING:
    from fruitvision.papers.answers import Answers
    from fruitvision.pipeline.paper_records import Preview

papers_cli = typer.Typer(
    help="Tables of any form into the farm: looked at first, kept after a yes.\n\n"
    "Example: fruitvision table preview calipers.xlsx --farm larkhill",
    no_args_is_help=True,
)
File = Annotated[Path, typer.Argument(help="CSV, text or XLSX.")]
Sheet = Annotated[str, typer.Option("--sheet", help="Which sheet of the workbook.")]
Kind = Annotated[str, typer.Option("--kind", help="What the table is: calipers, tickets ...")]
Columns = Annotated[
    list[str] | None,
    typer.Option("--column", help="'Diam=diameter_mm'; 'Notes=' is not used. Remembered."),
]
Dates = Annotated[str, typer.Option("--dates", help="Order of its dates: dmy, mdy or ymd.")]
Inches = Annotated[
    bool | None, typer.Option("--inches/--no-inches", help="Small cells among mm are inches.")
]
Names = Annotated[
    list[str] | None,
    typer.Option("--name", help="'block:GALA N-4=Gala North 4'. Remembered."),
]
Odd = Annotated[
    str, typer.Option("--odd", help="Lines whose odd count, ticket or block is meant: 7,9.")
]
By = Annotated[str | None, typer.Option("--by", help="Who says so; else the name of this login.")]


@papers_cli.command("preview")
def preview_command(
    file: File,
    farm: Farm,
    sheet: Sheet = "",
    kind: Kind = "",
    column: Columns = None,
    dates: Dates = "",
    inches: Inches = None,
    name: Names = None,
    odd: Odd = "",
) -> int:
    """What a table was understood as, what is asked, and what it would change. Changes nothing.

    Example: fruitvision table preview tickets.csv --farm larkhill
    """
    from fruitvision.pipeline.papers import look_at
    from fruitvision.report.papers import preview_lines

    answers = _answers(sheet, kind, column, dates, inches, name, odd)
    with farm_store(farm, create=False) as store:
        preview = look_at(file, store, answers, today=today())
    say(preview_lines(preview))
    if preview.must_ask:
        typer.echo("Answer what stands behind ?, with the options named there.")
        return 1
    if preview.rows:
        typer.echo("To take it in: fruitvision table load, with the same options and --yes.")
    return 0


@papers_cli.command("load")
def load_command(
    file: File,
    farm: Farm,
    sheet: Sheet = "",
    kind: Kind = "",
    column: Columns = None,
    dates: Dates = "",
    inches: Inches = None,
    name: Names = None,
    odd: Odd = "",
    yes: Annotated[bool, typer.Option("--yes", help="Take the rows in.")] = False,
    by: By = None,
) -> int:
    """Take the rows of a table in; without --yes it is only looked at.

    Example: fruitvision table load tickets.csv --farm larkhill --yes --by Ines
    """
    from fruitvision.pipeline.papers import look_at, take_in
    from fruitvision.report import many
    from fruitvision.report.papers import preview_lines

    answers = _answers(sheet, kind, column, dates, inches, name, odd)
    with farm_store(farm, create=False) as store:
        preview = look_at(file, store, answers, today=today())
        taking = yes and not preview.must_ask and preview.rows > 0
        say(preview_lines(preview, taking=taking))
        if not taking:
            typer.echo(_not_taken(preview))
            return 2
        who = _login() if by is None else by
        taken = take_in(file, store, answers, who=who, seen=preview.stamp, today=today())
    if taken.changed:
        typer.echo(f"Taken in: {many(preview.rows, 'row')} of {preview.kind}.")
    elif preview.left_out:
        typer.echo("Nothing was changed: the rows that could be taken in are there already.")
    else:
        typer.echo("Nothing was changed: all of it is there already.")
    return 1 if preview.left_out else 0


def _not_taken(preview: Preview) -> str:
    if preview.must_ask:
        return "Nothing was changed."
    return "Say --yes to take it in." if preview.rows else "No row can be taken in."


@papers_cli.command("names")
def names_command(
    farm: Farm,
    forget: Annotated[
        list[str] | None,
        typer.Option("--forget", help="Take back: 'block:GALA N-4', or 'table:HEADER'."),
    ] = None,
) -> None:
    """Names, columns and kinds of tables that somebody told once; --forget takes one back.

    Example: fruitvision table names --farm larkhill
    """
    from fruitvision.pipeline.papers import forget_name, names_said
    from fruitvision.report.papers import name_lines

    with farm_store(farm, create=False) as store:
        for one in forget or []:
            kind, _, written = one.partition(":")
            forget_name(kind.strip(), written.strip(), store)
        found = names_said(store)
    say(name_lines(found) or ["Nobody told the meaning of a name yet."])


def _answers(
    sheet: str,
    kind: str,
    columns: list[str] | None,
    dates: str,
    inches: bool | None,
    names: list[str] | None,
    odd: str,
) -> Answers:
    from fruitvision.papers.answers import Answers, name_key
    from fruitvision.report.papers import DAY_ORDERS

    if dates and dates not in DAY_ORDERS:
        raise FieldDataError(f"--dates is '{dates}'.", fix=did_you_mean(dates, DAY_ORDERS))
    meant = {}
    for one in names or []:
        left, name = _two(one, "--name 'block:GALA N-4=Gala North 4'")
        what, sign, written = left.partition(":")
        if not sign:
            raise FieldDataError(
                f"'{one}' does not say what kind of name it is.",
                fix="Write it as --name 'block:GALA N-4=Gala North 4'.",
            )
        meant[what.strip(), name_key(written)] = name
    return Answers(
        sheet=sheet,
        kind=kind,
        columns=dict(_two(one, "--column 'Diam=diameter_mm'") for one in columns or []),
        day_order=DAY_ORDERS.get(dates),
        inches=inches,
        names=meant,
        odd_lines=frozenset(parse_counts(odd, field="--odd")),
    )


def _two(text: str, example: str) -> tuple[str, str]:
    """Both sides of the last equals sign."""
    left, sign, right = text.rpartition("=")
    if not sign:
        raise FieldDataError(f"'{text}' has no '='.", fix=f"Write it as {example}.")
    return left.strip(), right.strip()


def _login() -> str:
    try:
        return getuser()
    except (OSError, KeyError):
        return ""
