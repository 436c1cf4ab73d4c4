"""The app's server: it ends with the command that started it, and says what to do about a port."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.server import listening
from fruitvision.accounts import AccountBook, Role
from fruitvision.errors import ServeError
from fruitvision.serve import serve_app
from fruitvision.store import open_farm
from tests.test_bad_input import run

# Plays the server: writes its process id, and waits.
SLEEPER = """
import os, pathlib, sys, time
pathlib.Path(sys.argv[1]).write_text(str(os.getpid()))
time.sleep(60)
"""
# Plays the command.
COMMAND = "import sys; from fruitvision.serve import _run; sys.exit(_run(sys.argv[1:], {}))"
PATIENCE_S = 30.0


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal")
def test_the_server_ends_when_its_command_is_told_to_end(tmp_path: Path) -> None:
    told = tmp_path / "pid"
    server = [sys.executable, "-c", SLEEPER, str(told)]
    command = subprocess.Popen([sys.executable, "-c", COMMAND, *server])  # noqa: S603
    until = time.monotonic() + PATIENCE_S
    while not (told.exists() and told.read_text()) and time.monotonic() < until:
        time.sleep(0.05)
    command.send_signal(signal.SIGTERM)
    assert command.wait(PATIENCE_S) == 0
    with pytest.raises(ProcessLookupError):
        os.kill(int(told.read_text()), 0)


def test_a_port_that_is_taken_is_said_with_what_to_do(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(ServeError, match=f"Port {port} of 127.0.0.1 is in use") as caught:
            serve_app(tmp_path / "farm", address="127.0.0.1", port=port)
    assert f"http://127.0.0.1:{port}" in caught.value.fix
    assert "--port" in caught.value.fix


def test_the_start_says_where_it_listens_and_that_a_farm_is_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fruitvision.serve._run", lambda *_: 0)
    monkeypatch.setattr("fruitvision.serve._refuse_taken", lambda *_: None)
    begun = f"There was no farm in {tmp_path / 'typo'}: a new one is begun."
    listens = "The app listens at http://127.0.0.1:8507; Ctrl+C ends it."
    command = ["app", "--port", "8507", "--farm", str(tmp_path / "typo")]
    status, told = run(*command)
    assert (status, told.splitlines()) == (0, [begun, listens])
    open_farm(tmp_path / "typo").close()
    assert run(*command)[1].splitlines() == [listens]
    told_ipv6: list[str] = []
    serve_app(tmp_path / "typo", address="::1", port=8507, tell=told_ipv6.append)
    assert told_ipv6 == ["The app listens at http://[::1]:8507; Ctrl+C ends it."]


def test_no_network_reaches_a_farm_where_nobody_has_an_account(tmp_path: Path) -> None:
    for options in ({"address": "203.0.113.9"}, {"address": "127.0.0.1", "proxy_header": "X-User"}):
        with pytest.raises(ServeError, match="Nobody has an account") as caught:
            serve_app(tmp_path, port=0, **options)
        assert "fruitvision people add NAME --role manager" in caught.value.fix
    AccountBook(tmp_path).add("Ines", Role.MANAGER, "kettle moss lantern", at=datetime.now(UTC))
    with pytest.raises(ServeError, match="could claim to be anybody"):
        serve_app(tmp_path, address="203.0.113.9", port=0, proxy_header="X-User")


def test_small_answers_leave_at_once() -> None:
    """An answer of two parts would wait 40 ms for the first one's receipt."""

    async def nodelay() -> int:
        told: asyncio.Queue[int] = asyncio.Queue()

        async def answer(_: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
            taken = out.get_extra_info("socket")
            await told.put(taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            out.close()

        with listening("127.0.0.1", 0) as found:
            async with await asyncio.start_server(answer, sock=found):
                _, out = await asyncio.open_connection(*found.getsockname())
                out.close()
                return await asyncio.wait_for(told.get(), PATIENCE_S)

    assert asyncio.run(nodelay())
