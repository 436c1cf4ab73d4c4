"""`fruitvision lots`, `score` and `learn`: what the packing house says of the forecasts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import Farm, ShownUnits
from fruitvision.console import farm_settings_or, farm_store, login_name, say, shown_units, today
from fruitvision.errors import FieldDataError

By = Annotated[str | None, typer.Option("--by", help="Who; else the name of this login.")]
# Seasons before are typing errors: 26 for 2026. Our choice.
FIRST_SEASON = 1990
lots_cli = typer.Typer(
    help="Bin tickets and packed lots.\n\nExample: fruitvision lots load packing/ --farm larkhill",
    no_args_is_help=True,
)


@lots_cli.command("load")
def load_command(
    source: Annotated[
        Path, typer.Argument(help="Folder with tickets, packed, lots; or one such table.")
    ],
    farm: Farm,
    odd: Annotated[
        bool, typer.Option("--odd", help="Take in tickets that look wrong: they are meant.")
    ] = False,
    by: By = None,
) -> int:
    """Keep what the packing house wrote down.

    Exit status 1: a row was left out, or is of a block that the farm does not know.
    Example: fruitvision lots load packing/ --farm larkhill --by Ines
    """
    from fruitvision.pipeline.learning import farm_score
    from fruitvision.pipeline.packing import load_packing
    from fruitvision.report import many, refused_lines
    from fruitvision.report.score import loose_lines

    with farm_store(farm, create=False) as store:
        who = login_name() if by is None else by
        loaded = load_packing(source, store, who=who, today=today(), odd=odd)
        loose = farm_score(store).loose
    say(
        [
            f"{many(loaded.tickets, 'bin ticket')}, {many(loaded.lots, 'packed lot')}, "
            f"{many(loaded.parts, 'line')} on whose bins a lot is made of.",
            *refused_lines(loaded.refused),
            *loose_lines(loose),
        ]
    )
    return 1 if loaded.refused or loaded.unknown_blocks else 0


@lots_cli.command("note")
def note_command(
    block_id: Annotated[str, typer.Argument(metavar="BLOCK", help="Name of a block.")],
    season: Annotated[int, typer.Argument(help="Its year, such as 2026.")],
    farm: Farm,
    left: Annotated[float | None, typer.Option("--left", help="Bins left on the trees.")] = None,
    dropped: Annotated[
        float | None, typer.Option("--dropped", help="Bins on the ground beyond the usual fall.")
    ] = None,
    stolen: Annotated[float | None, typer.Option("--stolen", help="Bins stolen.")] = None,
    direct: Annotated[
        float | None, typer.Option("--direct", help="Bins sold to processing without a ticket.")
    ] = None,
    leave_out: Annotated[
        str | None,
        typer.Option("--leave-out", help="Why nothing is learned of it (hail); '' takes it back."),
    ] = None,
    by: By = None,
) -> None:
    """What bins and lots can't tell of a block's season.

    Example: fruitvision lots note "Gala North" 2026 --leave-out hail --farm larkhill
    """
    from fruitvision.domain import SeasonNote
    from fruitvision.pipeline.learning import seasons_known
    from fruitvision.pipeline.packing import note_season, season_note
    from fruitvision.report import many

    if not FIRST_SEASON <= season <= today().year + 1:
        raise FieldDataError(f"There is no season {season}.", fix="Give its year, such as 2026.")
    with farm_store(farm, create=False) as store:
        known = seasons_known(store, block_id)
        if known and season not in known:
            raise FieldDataError(
                f"{block_id} has no season {season}.",
                fix=f"Give one that was forecast or brought bins: {', '.join(map(str, known))}. "
                "A harvest over New Year is called by the year of its first pick.",
            )
        seen = season_note(store, block_id, season)
        before = seen or SeasonNote(block_id=block_id, season=season)
        new = replace(
            before,
            left_bins=before.left_bins if left is None else left,
            dropped_bins=before.dropped_bins if dropped is None else dropped,
            stolen_bins=before.stolen_bins if stolen is None else stolen,
            direct_bins=before.direct_bins if direct is None else direct,
            left_out=before.left_out if leave_out is None else leave_out.strip(),
        )
        note_season(new, seen, store, who=login_name() if by is None else by)
    out = f", left out of learning: {new.left_out}" if new.left_out else ""
    typer.echo(f"{block_id} {season}: {many(new.missing_bins, 'bin')} that never came in{out}.")


def score(farm: Farm, units: ShownUnits = None) -> int:
    """How forecasts went: were the ranges right, and what erred most.

    Example: fruitvision score --farm larkhill
    """
    from fruitvision.pipeline.learning import farm_score
    from fruitvision.report.score import being_picked_lines, loose_lines, score_lines

    with farm_store(farm, create=False) as store:
        found = farm_score(store)
        shown = shown_units(units, farm_settings_or(store, None))
    say(
        [
            *being_picked_lines(found.being_picked),
            *score_lines(found.score, shown),
            *([""] if found.loose else []),
            *loose_lines(found.loose),
        ]
    )
    remarks = dict.fromkeys(
        f"  {one.block_id} {one.season}: {remark}" for one in found.found for remark in one.remarks
    )
    say(remarks)
    return 1 if found.loose else 0


def learn(
    farm: Farm,
    accept: Annotated[
        list[str] | None, typer.Option("--accept", help="Block, variety or all; may come again.")
    ] = None,
    refuse: Annotated[
        list[str] | None, typer.Option("--refuse", help="Block, variety or all; may come again.")
    ] = None,
    note: Annotated[str, typer.Option("--note", help="Why, if you want to say it.")] = "",
    by: By = None,
    units: ShownUnits = None,
) -> None:
    """What past seasons would correct; nothing is used in a forecast that nobody accepted.

    Example: fruitvision learn --farm larkhill --accept Gala --by Ines
    """
    from fruitvision.pipeline.learning import accept as accept_learned
    from fruitvision.pipeline.learning import farm_score
    from fruitvision.pipeline.learning import refuse as refuse_learned
    from fruitvision.report.score import proposal_lines

    if accept and refuse:
        raise FieldDataError(
            "Accept and refuse are both given.", fix="Run the command once for each."
        )
    with farm_store(farm, create=False) as store:
        who = login_name() if by is None else by
        if accept:
            accept_learned(accept, store, who=who, note=note)
        if refuse:
            refuse_learned(refuse, store, who=who, note=note)
        shown = shown_units(units, farm_settings_or(store, None))
        lines = proposal_lines(farm_score(store).proposals, shown)
    say(lines)
    if accept:
        typer.echo("Forecasts of later seasons use it; those that were made stay.")
