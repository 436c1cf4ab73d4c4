"""The commands of `fruitvision orders`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import farm_store, login, say

orders_cli = typer.Typer(
    help="The order book, held against the forecast that sales works with.\n\n"
    "Example: fruitvision orders load orders.csv --farm larkhill",
    no_args_is_help=True,
)


@orders_cli.command("load")
def load_command(
    table: Annotated[
        Path,
        typer.Argument(help="CSV or XLSX: customer, variety, classes, week, cartons, kind ..."),
    ],
    farm: Farm,
    by: Annotated[
        str | None, typer.Option("--by", help="Who loads it; else the name of this login.")
    ] = None,
) -> int:
    """Keep this order book, in place of the one before.

    Example: fruitvision orders load orders.csv --farm larkhill --by Ines
    """
    from fruitvision.pipeline.orders import load_orders
    from fruitvision.report import many, refused_lines

    with farm_store(farm, create=False) as store:
        loaded = load_orders(table, store, who=login() if by is None else by)
    say(refused_lines(loaded.refused))
    if not loaded.lines and loaded.refused:
        typer.echo(f"No line was understood: the book keeps its {many(loaded.before, 'line')}.")
        return 1
    typer.echo(f"In the book: {many(loaded.lines, 'line')}, in place of {loaded.before}.")
    if not loaded.checked_by:
        typer.echo("There is no forecast yet, so classes and weeks were not checked.")
    return 1 if loaded.refused else 0


@orders_cli.command("check")
def check_command(
    farm: Farm,
    version: Annotated[
        str | None,
        typer.Option("--version", help="Forecast version; the one that sales works with."),
    ] = None,
) -> None:
    """What is sold, left and oversold by class and week, and what may yet be promised.

    Example: fruitvision orders check --farm larkhill
    """
    from fruitvision.pipeline.orders import check_farm_orders
    from fruitvision.pipeline.pick_plans import moved_blocks, moved_words
    from fruitvision.pipeline.picked import picked_since, picked_words
    from fruitvision.report import order_book_lines

    with farm_store(farm, create=False) as store:
        found = check_farm_orders(store, version)
        moved = moved_blocks(store, found.forecast)
        picked = picked_since(store, found.forecast)
    say(order_book_lines(found.checked))
    if moved:
        typer.echo(moved_words(moved))
    if picked:
        typer.echo(picked_words(picked))
    if found.forecast.what_if:
        typer.echo(f"This forecast is a what-if: {found.forecast.what_if}.")
    elif not found.frozen:
        typer.echo(f"This forecast is not frozen. Run: fruitvision freeze --farm {farm}.")
