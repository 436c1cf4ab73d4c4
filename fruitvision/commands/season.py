"""The command `fruitvision season delete`."""

from __future__ import annotations

from typing import Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import day, farm_store, login_name
from fruitvision.errors import FieldDataError

season_cli = typer.Typer(
    help="A season as a whole.\n\nExample: fruitvision season delete 2024 --farm larkhill",
    no_args_is_help=True,
)

# What a row of each table is, and several, for people.
_WORDS = {
    "fruit": ("fruit found in them", "fruit found in them"),
    "photo_edit": ("edit of photos", "edits of photos"),
    "pointed_reference": ("reference that was pointed at", "references that were pointed at"),
    "calipered_fruit": ("fruit calipered in photos", "fruit calipered in photos"),
    "hand_count": ("hand count", "hand counts"),
    "caliper_reading": ("caliper reading", "caliper readings"),
    "visited_place": ("place visited", "places visited"),
    "walk_plan": ("walk drawn", "walks drawn"),
}


@season_cli.callback()
def _group() -> None:
    """Keep `delete` a command of its own, though it is the only one yet."""


@season_cli.command("delete")
def delete_command(
    season: Annotated[int, typer.Argument(help="Its year, such as 2026.")],
    farm: Farm,
    first: Annotated[
        str | None, typer.Option("--first", help="Its first day; else 1 January of that year.")
    ] = None,
    last: Annotated[
        str | None, typer.Option("--last", help="Its last day; else 31 December of that year.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Really delete it.")] = False,
    by: Annotated[
        str | None, typer.Option("--by", help="Who deletes it; else the name of this login.")
    ] = None,
) -> int:
    """Delete photos, counts and results of a season for good; forecasts stay.

    Without --yes it says what would go. Where a season goes over New Year, name its days.

    Example: fruitvision season delete 2024 --farm larkhill
    """
    from fruitvision.pipeline.season import season_days, season_holds, take_season_off
    from fruitvision.report import many
    from fruitvision.store.place import kept_aside

    usual = season_days(season)
    begins = usual[0] if first is None else day(first, option="--first")
    ends = usual[1] if last is None else day(last, option="--last")
    if not begins.year <= season <= ends.year:
        raise FieldDataError(
            f"{begins} to {ends} has no day in {season}.", fix="Correct the year or its days."
        )
    with farm_store(farm, create=False) as store:
        holds = season_holds(store, begins, ends)
        counts = [many(len(holds.photo_ids), "photo")]
        counts += [
            many(holds.rows[name], *words) for name, words in _WORDS.items() if name in holds.rows
        ]
        counts += [many(holds.jobs, "job")] if holds.jobs else []
        who_entered = "entry of who entered what", "entries of who entered what"
        counts += [many(holds.changes, *who_entered)] if holds.changes else []
        typer.echo(f"Season {season}, {begins} to {ends}: {', '.join(counts)}.")
        if not yes:
            typer.echo(
                "Nothing is deleted yet, and nothing comes back: later seasons can no longer "
                "lean on its counts and growth. Keep an archive first:\n"
                f"  fruitvision archive make --farm {farm} --out {farm.resolve().name}.zip\n"
                "Forecasts, blocks, register, weights and what the packing house told stay. "
                "To delete the season, add --yes."
            )
            return 2
        who = login_name() if by is None else by
        taken = take_season_off(store, begins, ends, expected=holds, about=str(season), who=who)
        on_server = store.on_server
    typer.echo(f"Deleted, with {taken.files} photo files. It is noted under who changed what.")
    for one in kept_aside(farm):
        typer.echo(f"! {one} still has the season: delete it too.")
    if on_server:
        typer.echo("The server's own journal and backups may still have it: ask who runs it.")
    if not taken.traceless:
        typer.echo(
            "Somebody was reading on the server meanwhile: deleted rows are still in the files of "
            "its tables. Ask who runs it to write the farm's tables anew (VACUUM FULL)."
            if on_server
            else "The farm is open elsewhere: traces stay in its journal until the app is closed "
            "there."
        )
    return 0 if taken.traceless else 1
