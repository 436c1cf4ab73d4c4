"""`fruitvision people`: who may open the farm's app with a password, and what each may do."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from getpass import GetPassWarning
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.accounts import AccountBook, Role
from fruitvision.accounts.choices import ChoiceBook
from fruitvision.commands.options import Farm
from fruitvision.console import farm_store, login_name
from fruitvision.errors import AccountError, StoreError

people_cli = typer.Typer(
    no_args_is_help=True,
    help="""Who may open the farm's app with a password, and what each may do there.

    Example: fruitvision people add Ines --role manager --farm larkhill
    """,
)

Name = Annotated[str, typer.Argument(help="The person's name, as it stands beside entries.")]
PasswordFrom = Annotated[
    Path | None,
    typer.Option("--password-from", help="A file whose first line is it (- is the input)."),
]

By = Annotated[
    str | None, typer.Option("--by", help="Who changes it; else the name of this login.")
]


@people_cli.command("list")
def list_people(farm: Farm) -> None:
    """Everybody with an account, and what each may do.

    Example: fruitvision people list --farm larkhill
    """
    accounts = _book(farm).accounts()
    if not accounts:
        typer.echo("Nobody has an account: the app opens on this computer only, for everybody.")
    for one in accounts:
        typer.echo(f"{one.name}: {one.role.value}, since {one.changed_at:%Y-%m-%d}")


@people_cli.command()
def add(
    name: Name,
    farm: Farm,
    role: Annotated[
        Role, typer.Option("--role", case_sensitive=False, help="What the person may do.")
    ] = Role.SCOUT,
    password_from: PasswordFrom = None,
    by: By = None,
) -> None:
    """Give somebody an account. The first one must be a manager's.

    Example: fruitvision people add Ines --role manager --farm larkhill
    """
    with _changed_by(farm, by) as book:
        made = book.add(name, role, _password(password_from), at=datetime.now(UTC))
    typer.echo(f"{made.name} may sign in as {made.role.value}.")


@people_cli.command()
def role(
    name: Name,
    farm: Farm,
    role: Annotated[
        Role | None,
        typer.Argument(case_sensitive=False, help="What the person may do from now on."),
    ] = None,
    by_option: Annotated[
        Role | None, typer.Option("--role", case_sensitive=False, help="The same, as an option.")
    ] = None,
    by: By = None,
) -> None:
    """Give somebody another role; the person signs in anew.

    Example: fruitvision people role Teo sales --farm larkhill
    """
    named = {one for one in (role, by_option) if one is not None}
    if len(named) != 1:
        raise AccountError(
            "Two roles are named." if named else "No role is named.",
            fix=f"Name one: {', '.join(Role)}.",
        )
    with _changed_by(farm, by) as book:
        changed = book.set_role(name, named.pop(), at=datetime.now(UTC))
    typer.echo(f"{changed.name} is {changed.role.value} now.")


@people_cli.command()
def password(name: Name, farm: Farm, password_from: PasswordFrom = None, by: By = None) -> None:
    """Set another password; who is signed in with the old one is signed out.

    Example: fruitvision people password Teo --farm larkhill
    """
    with _changed_by(farm, by) as book:
        changed = book.set_password(name, _password(password_from), at=datetime.now(UTC))
    typer.echo(f"{changed.name} has another password.")


@people_cli.command()
def remove(name: Name, farm: Farm, by: By = None) -> None:
    """Take an account out; who is signed in with it is signed out. Entries stay as they are.

    Example: fruitvision people remove Teo --farm larkhill
    """
    with _changed_by(farm, by) as book:
        book.remove(name)
    ChoiceBook(farm).forget(" ".join(name.split()))
    typer.echo(f"{name} may no longer sign in.")


def _book(farm: Path) -> AccountBook:
    """The farm's accounts to look at."""
    from fruitvision.store import has_farm

    if not has_farm(farm):
        raise StoreError(f"There is no farm in {farm}.", fix="Check the folder.")
    return AccountBook(farm)


@contextmanager
def _changed_by(farm: Path, by: str | None) -> Iterator[AccountBook]:
    """The farm's accounts to change; who does it stands among the farm's changes."""
    from fruitvision.pipeline.people import noted

    with farm_store(farm, create=False) as store:
        yield noted(_book(farm), store, who=by or login_name())


def _password(password_from: Path | None) -> str:
    if password_from is None:
        return _typed_password()
    try:
        if str(password_from) == "-":
            text = sys.stdin.readline()
        else:
            text = password_from.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise AccountError(
            f"Can't read a password from {password_from}.", fix="Give a text file of one line."
        ) from err
    return (text.splitlines() or [""])[0]


def _typed_password() -> str:
    with warnings.catch_warnings():
        # Else the password would be seen while it is typed, or be asked of nobody.
        warnings.simplefilter("error", GetPassWarning)
        try:
            return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))
        except GetPassWarning as err:
            raise AccountError(
                "There is no terminal here to type a password in.",
                fix="Give a file whose first line it is: --password-from FILE, "
                "or --password-from - for the input.",
            ) from err
