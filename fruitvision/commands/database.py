"""The commands of `fruitvision database`: where a farm's rows are, and how they move."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import farm_store

database_cli = typer.Typer(
    help="Where a farm's rows are: in a file of its folder, or on a PostgreSQL server.\n\n"
    "Example: fruitvision database to-server postgresql://ines@server.example/coop --farm larkhill",
    no_args_is_help=True,
)


@database_cli.command()
def show(farm: Farm) -> None:
    """Say where the rows of a farm are, and whether they can be read.

    Example: fruitvision database show --farm larkhill
    """
    from fruitvision.report import many
    from fruitvision.store.place import DATABASE_NAME, server_of

    with farm_store(farm, create=False) as store:
        name, blocks = store.farm_name, len(store.blocks())
    server = server_of(farm)
    where = farm / DATABASE_NAME if server is None else f"{server.url}, schema {server.schema}"
    typer.echo(f"{name}, {many(blocks, 'block')}: {where}.")
    if server is not None:
        typer.echo("Photos, accounts and what is worked out from them are in the farm's folder.")


@database_cli.command("to-server")
def to_server(
    url: Annotated[str, typer.Argument(help="postgresql://USER@SERVER:5432/DATABASE")],
    farm: Farm,
    schema: Annotated[
        str | None,
        typer.Option("--schema", help="Name of the farm on the server; else that of its folder."),
    ] = None,
) -> None:
    """Move a farm's rows to a PostgreSQL server, into a schema of their own, and check each.

    The password is taken from PGPASSWORD or ~/.pgpass. Stop the app first. Photos stay in the
    folder, which is opened as before.

    Example: fruitvision database to-server postgresql://ines@server.example/coop --farm larkhill
    """
    from fruitvision.store.move import move_to_server
    from fruitvision.store.place import checked_server, schema_name

    server = checked_server(url, schema or schema_name(farm))
    moved = move_to_server(farm, server)
    _say_rows(moved.rows)
    typer.echo(
        f"They are in the schema {server.schema} now, each checked. The file as it was is kept as "
        f"{moved.kept}: delete it when you are sure, it is no longer written to."
    )


@database_cli.command("to-file")
def to_file(farm: Farm) -> None:
    """Move a farm's rows from a PostgreSQL server back into its folder, and check each.

    Example: fruitvision database to-file --farm larkhill
    """
    from fruitvision.store.move import move_to_file

    moved = move_to_file(farm)
    _say_rows(moved.rows)
    typer.echo(
        f"They are in the farm's folder now, each checked. On the server the schema as it was is "
        f"kept as {moved.kept}: drop it when you are sure."
    )


def _say_rows(rows: Mapping[str, int]) -> None:
    from fruitvision.report import many

    fruit, photos = rows.get("fruit", 0), rows.get("photo", 0)
    typer.echo(
        f"{many(sum(rows.values()), 'row')} moved; of these {many(photos, 'photo')}, {fruit:,} "
        "fruit."
    )
