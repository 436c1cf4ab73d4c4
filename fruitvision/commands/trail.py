"""`fruitvision changes`: who changed what on a farm."""

from __future__ import annotations

from datetime import datetime, time
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import check_outside, day, farm_store

# Lines that are printed where no file is asked for. Our choice: two screens.
_PRINTED = 60


def changes(
    farm: Farm,
    who: Annotated[str, typer.Option("--who", help="Only what this person changed.")] = "",
    since: Annotated[str | None, typer.Option("--since", help="Only from this day on.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Table to write, such as changes.csv: all of it.")
    ] = None,
) -> None:
    """Who changed what, and when: entries, tables, photos, versions, accounts.

    Example: fruitvision changes --farm larkhill --since 2026-08-01 --out changes.csv
    """
    from fruitvision.pipeline.trail import trail, write_trail
    from fruitvision.report import many

    check_outside(farm, out)
    begins = None if since is None else datetime.combine(day(since, option="--since"), time())
    with farm_store(farm, create=False) as store:
        lines = trail(store, who=who, since=begins.astimezone() if begins else None)
    if out is not None:
        write_trail(lines, out)
        typer.echo(f"{many(len(lines), 'change')}: {out}")
        return
    for line in reversed(lines[:_PRINTED]):
        told = "; ".join(
            f"{one.field}: {one.before} → {one.after}"
            if one.before
            else f"{one.field}: {one.after}"
            for one in line.fields
        )
        about = f" {line.about}" if line.about else ""
        typer.echo(
            f"{line.at.astimezone():%Y-%m-%d %H:%M} {line.who or 'somebody'}, "
            f"{line.what}{about}" + (f" ({told})" if told else "")
        )
    if len(lines) > _PRINTED:
        typer.echo(f"{len(lines) - _PRINTED} earlier ones: write all of them with --out FILE.csv")
    if not lines:
        typer.echo("Nothing has been changed yet.")
