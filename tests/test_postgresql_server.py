"""A PostgreSQL server as a co-operative runs one: with TLS, and stopped in the middle of a save."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import count
from pathlib import Path

import pytest
from sqlalchemy import Connection, event

from fruitvision.errors import StoreError
from fruitvision.store import open_farm, postgresql
from fruitvision.store.move import move_to_server
from fruitvision.store.place import checked_server, keep_server
from tests import postgres_server
from tests.farm_records import HILL
from tests.postgres_server import USER, Running

WHY_NOT = postgres_server.why_not() or ("" if shutil.which("openssl") else "there is no openssl")
pytestmark = pytest.mark.skipif(bool(WHY_NOT) and not os.environ.get("CI"), reason=WHY_NOT)
_numbers = count(1)


def certificate(folder: Path, name: str, *, host: str) -> tuple[Path, Path]:
    """A certificate that signs itself, and its key."""
    path, key = folder / f"{name}.pem", folder / f"{name}.key"
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"]
    command += ["-nodes", "-days", "2", "-subj", f"/CN={host}", "-addext"]
    command += [f"subjectAltName=DNS:{host}", "-keyout", str(key), "-out", str(path)]
    subprocess.run(command, check=True, capture_output=True)  # noqa: S603
    return path, key


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("certificates")


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[Running]:
    with postgres_server.running(tls=certificate(folder, "own", host="localhost")) as found:
        yield found


@pytest.fixture
def farm(server: Running, tmp_path: Path) -> Path:
    found = tmp_path / "farm"
    open_farm(found, name="Larkhill").close()
    move_to_server(found, checked_server(server.url, f"farm_{next(_numbers)}"))
    return found


def by_network(farm: Path, server: Running, trusted: Path, host: str = "localhost") -> None:
    """Let the farm's file name the server by its port, with a certificate to trust."""
    url = f"postgresql://{USER}@{host}:{server.port}/coop?sslmode=verify-full&sslrootcert={trusted}"
    schema = (farm / "database.toml").read_text(encoding="utf-8").split('schema = "')[1][:-2]
    keep_server(farm, checked_server(url, schema))


def test_a_server_that_shows_the_certificate_is_used_with_tls(
    server: Running, farm: Path, folder: Path
) -> None:
    by_network(farm, server, folder / "own.pem")
    with open_farm(farm, create=False) as store:
        store.save_blocks([HILL])
        assert store.blocks() == (HILL,)
        with store._engine.connect() as connection:
            query = "SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
            assert connection.exec_driver_sql(query).scalar_one() is True


@pytest.mark.parametrize(
    ("trusted", "host", "fix"),
    [
        ("other", "localhost", "can't show that it is the one meant"),
        ("own", "127.0.0.1", "certificate is of another name"),
        ("gone", "localhost", "Check the place of the certificate"),
    ],
)
def test_a_certificate_that_is_not_the_one_is_refused_in_words(
    server: Running, farm: Path, folder: Path, trusted: str, host: str, fix: str
) -> None:
    certificate(folder, "other", host="localhost")
    by_network(farm, server, folder / f"{trusted}.pem", host)
    with pytest.raises(StoreError) as refused:
        open_farm(farm, create=False)
    assert fix in refused.value.fix


def test_a_save_in_whose_middle_the_server_ends_is_not_kept_and_goes_again(
    server: Running, farm: Path
) -> None:
    with open_farm(farm, create=False) as store:
        store.save_blocks([HILL])
        crashed: list[str] = []

        def crash(connection: Connection, _: object, statement: str, *__: object) -> None:
            # After the first row that is written.
            if statement.startswith("INSERT") and not crashed:
                crashed.append(statement)
                server.crash()

        new = [HILL.__class__(block_id=f"Block {n}", variety="Gala", positions=90) for n in (1, 2)]
        event.listen(store._engine, "after_cursor_execute", crash)
        try:
            with pytest.raises(StoreError) as refused:
                store.save_blocks(new)
        finally:
            event.remove(store._engine, "after_cursor_execute", crash)
        assert crashed
        assert refused.value.fix.startswith("The server was stopped meanwhile.")
        # The same store goes on, without what was half.
        assert store.blocks() == (HILL,)
        store.save_blocks(new)
        assert len(store.blocks()) == 3


def test_a_server_without_a_connection_left_says_so(tmp_path: Path) -> None:
    with postgres_server.running(connections=5) as small, ExitStack() as stack:
        open_farm(tmp_path, name="Larkhill").close()
        move_to_server(tmp_path, checked_server(small.url, "small"))

        def more(number: int) -> None:
            for _ in range(number):
                stack.enter_context(open_farm(tmp_path, create=False)).blocks()

        more(1)
        with pytest.raises(StoreError, match=r"too many|reserved") as refused:
            more(9)
        assert "no connection left" in refused.value.fix


def test_a_farm_that_nobody_uses_holds_no_connection(
    farm: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(postgresql, "IDLE_MS", 100)
    with open_farm(farm, create=False) as idle:
        idle.save_blocks([HILL])
        monkeypatch.setattr(postgresql, "IDLE_MS", 60_000)
        with open_farm(farm, create=False) as other:
            query = (
                "SELECT count(*) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
            for _ in range(100):
                with other._engine.connect() as connection:
                    left = connection.exec_driver_sql(query).scalar_one()
                if not left:
                    break
                time.sleep(0.05)
            assert left == 0
        assert idle.blocks() == (HILL,)
        idle.save_blocks([HILL])
