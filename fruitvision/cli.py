"""The command line: one sub-command a use-case, in the order of the work."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Annotated

import typer
from typer.main import get_command

from fruitvision import __version__
from fruitvision.commands.accounts import people_cli
from fruitvision.commands.archive import archive_cli
from fruitvision.commands.bench import bench_cli
from fruitvision.commands.blocks import block, plan
from fruitvision.commands.calipers import calipers_cli
from fruitvision.commands.cluster import cluster_cli
from fruitvision.commands.database import database_cli
from fruitvision.commands.demo import demo
from fruitvision.commands.forecasting import export, forecast
from fruitvision.commands.learning import learn, lots_cli, score
from fruitvision.commands.lens import lens_cli
from fruitvision.commands.measuring import load, marker, measure, work
from fruitvision.commands.models import models_cli
from fruitvision.commands.options import Farm
from fruitvision.commands.orders import orders_cli
from fruitvision.commands.outlines import outlines_cli
from fruitvision.commands.papers import papers_cli
from fruitvision.commands.papers_out import card, fruit_table, geojson
from fruitvision.commands.planning import thinning, worth
from fruitvision.commands.sales import freeze, harvest
from fruitvision.commands.season import season_cli
from fruitvision.commands.sheet import sheet
from fruitvision.commands.trail import changes
from fruitvision.errors import FruitVisionError
from fruitvision.simulate.command import simulate_cli
from fruitvision.train.command import train_cli

cli = typer.Typer(
    help="Row photos in, pack-out forecast out. Works offline; nothing leaves this computer.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
cli.add_typer(models_cli, name="models")
cli.add_typer(lens_cli, name="lens")
cli.add_typer(calipers_cli, name="calipers")
cli.add_typer(outlines_cli, name="outlines")
cli.add_typer(orders_cli, name="orders")
cli.add_typer(lots_cli, name="lots")
cli.add_typer(papers_cli, name="table")
cli.add_typer(archive_cli, name="archive")
cli.add_typer(season_cli, name="season")
cli.add_typer(cluster_cli, name="cluster")
cli.add_typer(database_cli, name="database")
cli.add_typer(people_cli, name="people")
cli.add_typer(simulate_cli, name="simulate")
cli.add_typer(bench_cli, name="bench")
cli.add_typer(train_cli, name="train")


@cache
def _commands() -> Callable[..., object]:
    """All commands, put together once a process: that takes longer than many of them."""
    return get_command(cli)


def main(arguments: list[str] | None = None) -> int:
    """Run one command. 0: done; 1: done, with something left out; 2: a user's error."""
    try:
        result = _commands()(args=arguments, standalone_mode=False, prog_name="fruitvision")
    except FruitVisionError as err:
        typer.echo(f"{err.what}\n{err.fix}", err=True)
        return 2
    except typer.Abort:
        typer.echo("Stopped. What was measured is kept: start again to go on.", err=True)
        return 130
    except Exception as err:
        if hasattr(err, "show") and hasattr(err, "exit_code"):  # a usage error of the options
            err.show()
            return int(err.exit_code)
        raise
    return result if isinstance(result, int) else 0


@cli.callback()
def _start(
    verbose: Annotated[bool, typer.Option("-v", "--verbose", help="Show log lines.")] = False,
) -> None:
    logging.basicConfig(
        level=logging.INFO if verbose else logging.ERROR, format="%(levelname)s %(message)s"
    )


cli.command()(demo)
cli.command()(marker)
cli.command()(measure)
cli.command()(load)
cli.command()(plan)
cli.command()(block)
cli.command()(forecast)
cli.command()(export)
cli.command("fruit")(fruit_table)
cli.command()(geojson)
cli.command()(card)
cli.command()(freeze)
cli.command()(harvest)
cli.command()(score)
cli.command()(learn)
cli.command()(sheet)
cli.command()(thinning)
cli.command()(worth)
cli.command()(changes)


@cli.command()
def app(
    farm: Farm = Path("farm"),
    address: Annotated[
        str, typer.Option("--address", help="127.0.0.1 is this computer only.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65535)] = 8501,
    proxy_header: Annotated[
        str,
        typer.Option("--proxy-header", help="Header in which a proxy tells whom it signed in."),
    ] = "",
) -> int:
    """Open the app in the browser, on this computer only unless asked otherwise.

    Where other computers reach it, people sign in: see `fruitvision people`.
    Example: fruitvision app --farm larkhill
    """
    from fruitvision.serve import serve_app

    return serve_app(farm, address=address, port=port, proxy_header=proxy_header, tell=typer.echo)


cli.command()(work)


@cli.command()
def version() -> None:
    """The version of this program.

    Example: fruitvision version
    """
    typer.echo(__version__)
