"""`fruitvision freeze` and `fruitvision harvest`: a version for sales, and the work of picking."""

from __future__ import annotations

from datetime import UTC, datetime
from getpass import getuser
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import (
    check_outside,
    farm_settings_or,
    farm_store,
    say,
    say_not_printed,
)
from fruitvision.errors import SettingsError, StoreError


def freeze(
    farm: Farm,
    version: Annotated[
        str | None,
        typer.Option("--version", help="Forecast version; the latest that is no what-if."),
    ] = None,
    note: Annotated[str, typer.Option("--note", help="Why, if you want to say it.")] = "",
    by: Annotated[
        str | None, typer.Option("--by", help="Who freezes it; else the name of this login.")
    ] = None,
) -> int:
    """Make a kept forecast the one that sales works with.

    Example: fruitvision freeze --farm larkhill --by Ines --note "first quote"
    """
    from fruitvision.pipeline.sales import freeze as freeze_forecast
    from fruitvision.pipeline.sales import kept_forecast
    from fruitvision.report import past_lines
    from fruitvision.report.forecast import picked_lines

    now = datetime.now(UTC)
    with farm_store(farm, create=False) as store:
        who = _login() if by is None else by
        frozen = freeze_forecast(store, version, by=who, at=now, note=note)
        forecast = kept_forecast(store.forecasts(), frozen.forecast_id)
        past, picked = past_lines(forecast), picked_lines(forecast)
    why = f" ({frozen.note})" if frozen.note else ""
    done = "was frozen already" if frozen.frozen_at != now else "is frozen"
    typer.echo(
        f"Forecast {frozen.forecast_id} {done} for sales, by {frozen.frozen_by} on "
        f"{frozen.frozen_at:%Y-%m-%d %H:%M} UTC{why}."
    )
    say([*past, *picked])
    return 1 if past else 0


def _login() -> str:
    try:
        return getuser()
    except (OSError, KeyError):
        return ""


def harvest(
    farm: Farm,
    out: Annotated[Path | None, typer.Option("--out", help="Also write it as this CSV.")] = None,
    move: Annotated[
        list[str] | None,
        typer.Option("--move", help="Try 'Gala North:1=+3' (days), a date, or a share as 40%."),
    ] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Keep --move as the pick plan.")] = False,
    tickets: Annotated[
        bool, typer.Option("--tickets", help="What is picked and still to come; into the log too.")
    ] = False,
    done: Annotated[
        list[str] | None, typer.Option("--done", help="A finished pass: 'Gala North:1'.")
    ] = None,
    not_done: Annotated[
        list[str] | None, typer.Option("--not-done", help="A pass that goes on after all.")
    ] = None,
    margins: Annotated[bool, typer.Option("--margins", help="Passes that may not pay.")] = False,
    as_forecast: Annotated[
        bool, typer.Option("--as-forecast", help="All on the forecast's dates, without tickets.")
    ] = False,
    by: Annotated[str | None, typer.Option("--by", help="Who says so; else this login.")] = None,
    ics: Annotated[
        Path | None, typer.Option("--ics", help="Also as iCalendar, for phones: one event a pass.")
    ] = None,
    pdf: Annotated[Path | None, typer.Option("--pdf", help="Also as one page to hang up.")] = None,
    paper: Annotated[str, typer.Option("--paper", help="Of the page: A4 or Letter.")] = "A4",
) -> int:
    """Bins and pickers by pass and day, by the forecast that sales works with.

    Example: fruitvision harvest --farm larkhill --out harvest.csv
    """
    from fruitvision.commands.harvest import AskedHarvest, asked_harvest
    from fruitvision.export import write_harvest_csv
    from fruitvision.export.calendar_ics import passes_gone, write_harvest_ics
    from fruitvision.export.calendar_pdf import printed_version, write_harvest_pdf
    from fruitvision.pipeline.calendar_number import next_sequence
    from fruitvision.pipeline.pick_plans import moved_blocks, moved_words
    from fruitvision.pipeline.sales import frozen_before, sold_from
    from fruitvision.report import harvest_lines, past_lines

    _check_files(out, ics, pdf)
    check_outside(farm, out, ics, pdf)
    with farm_store(farm, create=False) as store:
        sold = sold_from(store)
        earlier = frozen_before(store, sold)
        if sold is None:
            raise StoreError(
                f"{farm} holds no forecast yet.", fix=f"Run: fruitvision forecast --farm {farm}."
            )
        asked = AskedHarvest(
            moves=move or (),
            keep=keep,
            tickets=tickets,
            margins=margins,
            done=done or (),
            not_done=not_done or (),
            as_forecast=as_forecast,
            who=_login() if by is None else by,
            farm=str(farm),
        )
        settings = farm_settings_or(store, None)
        calendar = asked_harvest(store, sold.forecast, settings, asked).calendar
        # Without --as-forecast the calendar is that of the moved passes, and says so.
        moved = moved_blocks(store, sold.forecast) if as_forecast else ()
    say(harvest_lines(calendar))
    say(past_lines(sold.forecast))
    if moved:
        typer.echo(moved_words(moved))
    if sold.frozen is None:
        typer.echo(f"This forecast is not frozen. Run: fruitvision freeze --farm {farm}.")
    if out is not None:
        write_harvest_csv(calendar, out)
        typer.echo(f"Written: {out}.")
    now = datetime.now(UTC)
    if ics is not None:
        sequence = next_sequence(farm, now)
        gone = passes_gone(calendar, sold.forecast, earlier)
        frozen = sold.frozen is not None
        write_harvest_ics(
            calendar, ics, written_at=now, sequence=sequence, gone=gone, is_frozen=frozen
        )
        typer.echo(f"Written: {ics}. Import it again after each new version: events are replaced.")
    if pdf is not None:
        write_harvest_pdf(
            calendar,
            pdf,
            written_on=now.astimezone().date(),
            version=printed_version(sold.forecast, sold.frozen),
            paper=paper,
        )
        typer.echo(f"Written: {pdf}.")
        names = [calendar.farm, *(one.block_id for one in calendar.passes), *calendar.unknown]
        return 1 if say_not_printed(names) else 0
    return 0


def _check_files(out: Path | None, ics: Path | None, pdf: Path | None) -> None:
    for option, path, ending in (("--ics", ics, ".ics"), ("--pdf", pdf, ".pdf")):
        if path is not None and path.suffix.casefold() != ending:
            raise SettingsError(
                f"{option} is to be {path}.", fix=f"Name a file that ends in {ending}."
            )
    if out is not None and out.suffix.casefold() in (".ics", ".pdf", ".xlsx"):
        raise SettingsError(
            f"--out writes a CSV table, not {out}.",
            fix="Name it .csv; --ics and --pdf write the other files.",
        )
