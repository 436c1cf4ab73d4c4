"""`fruitvision thinning` and `worth`: what bears too much, and what pays to measure next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fruitvision.commands.options import Farm, SettingsFile, ShownUnits
from fruitvision.console import (
    day,
    farm_settings_or,
    farm_store,
    login_name,
    say,
    shown_units,
    today,
)
from fruitvision.domain import CartonPrice, ThingKind
from fruitvision.errors import FieldDataError, StoreError, did_you_mean

if TYPE_CHECKING:
    from fruitvision.pipeline.standing import BlockStanding
    from fruitvision.store import FarmStore
    from fruitvision.thinning import ThinningCheck


def thinning(
    farm: Farm,
    block_id: Annotated[
        str | None, typer.Argument(metavar="[BLOCK]", help="Name of a block; else all.")
    ] = None,
    on: Annotated[
        str | None, typer.Option("--on", help="The day of the work, 2026-06-12; else today.")
    ] = None,
    fruitful_share: Annotated[
        float | None,
        typer.Option("--fruitful-share", help="At pruning: share of buds that bear, 0.84: buds."),
    ] = None,
    settings_file: SettingsFile = None,
    units: ShownUnits = None,
) -> int:
    """Which blocks bear too much, what to take off by hand, and what it still brings.

    Example: fruitvision thinning --farm larkhill "Gala North"
    """
    from fruitvision.pipeline.standing import standings
    from fruitvision.pipeline.thinning import ranked_by_worth, thinning_of_farm
    from fruitvision.pipeline.worth import worth_if_known
    from fruitvision.report import (
        THINNING_CAUTION,
        THINNING_TIP,
        bud_lines,
        ranked_lines,
        thinning_lines,
    )
    from fruitvision.thinning import Verdict

    if fruitful_share is not None and not 0 < fruitful_share <= 1:
        raise FieldDataError(
            f"--fruitful-share is {fruitful_share:g}.", fix="Give a share above 0, up to 1."
        )
    work_day = day(on, option="--on") if on else today()
    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, settings_file)
        stands = standings(store, settings, on=work_day)
        plans = store.pick_plans()
        worth = worth_if_known(store, settings)
    names = [one.block.block_id for one in stands]
    if block_id is not None and block_id not in names:
        raise StoreError(f"There is no block '{block_id}'.", fix=did_you_mean(block_id, names))
    _refuse_before_bloom(stands, block_id, work_day, given=on is not None)
    checks = thinning_of_farm(stands, settings, on=work_day, plans=plans)
    wanted = [one for one in checks if block_id in (None, one.block_id)]
    shown = shown_units(units, settings)
    for check in wanted:
        say([*thinning_lines(check, shown), *bud_lines(check, fruitful_share), ""])
    walked = {one.block_id for one in checks}
    _say_later_walks(stands, wanted, work_day)
    missing = [name for name in names if name not in walked and block_id in (None, name)]
    say([f"{name}: not walked yet, or it can't be estimated." for name in missing])
    if block_id is None:
        say(ranked_lines(ranked_by_worth(wanted, worth), settings.currency))
    if any(one.verdict is Verdict.TAKE_OFF for one in wanted):
        typer.echo(THINNING_TIP)
    typer.echo(THINNING_CAUTION)
    return 1 if missing else 0


def _refuse_before_bloom(
    stands: Sequence[BlockStanding], block_id: str | None, work_day: date, *, given: bool
) -> None:
    """Refuse a day that was typed and lies before there is any fruit."""
    for one in stands:
        bloom = one.block.full_bloom_on
        if bloom is None or one.walks is None or block_id not in (None, one.block.block_id):
            continue
        if given and work_day < bloom <= one.walks.estimate.walked_on:
            raise FieldDataError(
                f"--on is {work_day}, and {one.block.block_id} was in full bloom on {bloom}.",
                fix="Give the day of the work, after bloom, or put full_bloom_on right.",
            )


def _say_later_walks(
    stands: Sequence[BlockStanding], checks: Sequence[ThinningCheck], work_day: date
) -> None:
    """Say where the load is of a day after the work's."""
    walks = {one.block.block_id: one.walks.estimate.walked_on for one in stands if one.walks}
    later = [one.block_id for one in checks if walks[one.block_id] > work_day]
    say(
        [
            f"{name}: the load is of the walk on {walks[name]}, after {work_day}: fruit that "
            "fell in between are not in it."
            for name in later
        ]
    )


def _loaded_words(name: str, loaded: int, before: Sequence[CartonPrice], store: FarmStore) -> str:
    """What a table of prices changed. One of which nothing can be used changes nothing."""
    if loaded:
        instead = f", in place of the {len(before)} before" if before else ""
        return f"{name}: {_prices_words(loaded)}{instead}."
    if not before:
        return f"{name}: no price of it can be used, and the farm has no others."
    of_prices = store.changes(kind=ThingKind.TABLE, about="prices", most=1)
    since = f", loaded on {of_prices[0].at.astimezone():%Y-%m-%d}" if of_prices else ""
    return (
        f"{name}: no price of it can be used. Those that the farm has stay and are used: "
        f"{_prices_words(len(before))}{since}."
    )


def _prices_words(number: int) -> str:
    return f"{number} price{'' if number == 1 else 's'}"


def worth(
    farm: Farm,
    prices: Annotated[
        Path | None,
        typer.Option("--prices", help="Table of prices; the farm keeps it, in place of its own."),
    ] = None,
    settings_file: SettingsFile = None,
    by: Annotated[
        str | None, typer.Option("--by", help="Who gives prices; else the name of this login.")
    ] = None,
) -> int:
    """What each block's cartons are worth, what is at stake, and what pays to measure next.

    Example: fruitvision worth --farm larkhill --prices prices.csv
    """
    from fruitvision.pipeline.office import load_tables
    from fruitvision.pipeline.standing import forecast_of_record
    from fruitvision.pipeline.worth import worth_now
    from fruitvision.report import WORTH_CAUTION, refused_lines, worth_lines

    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, settings_file)
        done = 0
        if prices is not None:
            before = store.prices()
            who = login_name() if by is None else by
            rows, left_out = load_tables({"prices": prices}, store, store.blocks(), who=who)
            typer.echo(_loaded_words(prices.name, rows.prices, before, store))
            say(refused_lines(left_out))
            done = 0 if rows.prices and not left_out else 1
        forecast = forecast_of_record(store)
        found = worth_now(store, forecast, settings)
    if found is None or forecast is None:
        raise StoreError(
            f"{farm} holds no forecast yet.", fix=f"Run: fruitvision forecast --farm {farm}."
        )
    typer.echo(f"By forecast {forecast.forecast_id}, {forecast.size_table}:")
    say(worth_lines(found, settings.currency))
    typer.echo(WORTH_CAUTION)
    return done
