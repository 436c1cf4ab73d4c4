"""A PostgreSQL server for tests: Debian's programs, a folder of its own, a socket, no network."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

# Where Debian puts them, the newest last.
_VERSIONS = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
USER = "coop"


def why_not() -> str:
    """Why no server can be started here; empty if one can."""
    if not _VERSIONS:
        return "PostgreSQL's server is not installed (apt install postgresql)"
    if os.getuid() == 0 and not shutil.which("runuser"):
        return "PostgreSQL does not run as root, and there is no runuser"
    return ""


@dataclass(frozen=True, slots=True)
class Running:
    """A server that runs: the address of its empty database by its socket, its port on this
    computer (0: none), and how it is stopped and started."""

    url: str
    port: int
    control: Callable[[str], None]

    def crash(self) -> None:
        """End it as a cut of power does, and start it again: it goes on from its log."""
        self.control("stop")
        self.control("start")


@contextmanager
def started(*, connections: int = 40) -> Iterator[str]:
    """Address of an empty database on a server that runs as long as the block."""
    with running(connections=connections) as server:
        yield server.url


@contextmanager
def running(*, connections: int = 40, tls: tuple[Path, Path] | None = None) -> Iterator[Running]:
    """A server that runs as long as the block. It never syncs: nothing of it is to outlive the
    tests.

    Parameters
    ----------
    tls : two paths, optional
        Certificate and key, with which it listens on a port of this computer too.
    """
    programs = _VERSIONS[-1].parent
    # As any user can read it, and short: a socket's path ends at 107 letters.
    home = Path(tempfile.mkdtemp(prefix="fv-pg-", dir="/tmp"))
    try:
        _owned_by_server(home)
        data, log = home / "data", home / "log"
        # Another order of letters than C, so that tests see where it counts.
        order = ["--locale=C.UTF-8", "--locale-provider=icu", "--icu-locale=en-US"]
        _run(programs / "initdb", "-D", data, "-U", USER, "-A", "trust", "--no-sync", *order)
        port, listens = (_free_port(), _with_tls(home, *tls)) if tls else (0, "")
        options = (
            f"-k {home} -c listen_addresses='{'localhost' if tls else ''}' -c fsync=off "
            f"-c max_connections={connections} -c autovacuum=off -c shared_buffers=32MB"
        )
        options += f" -p {port} {listens}" if tls else ""
        where = f"host={home}" + (f"&port={port}" if tls else "")

        def control(what: str) -> None:
            how = ("-l", log, "-o", options) if what == "start" else ("-m", "immediate")
            _run(programs / "pg_ctl", "-D", data, *how, "-w", what)

        control("start")
        try:
            at = ("-p", port) if tls else ()
            _run(programs / "createdb", "-h", home, *at, "-U", USER, "coop")
            yield Running(f"postgresql://{USER}@/coop?{where}", port, control)
        finally:
            control("stop")
    finally:
        shutil.rmtree(home, ignore_errors=True)


def _with_tls(home: Path, certificate: Path, key: Path) -> str:
    """Options of a server that has a certificate, in copies that are its own."""
    found = []
    for name, path in (("ssl_cert_file", certificate), ("ssl_key_file", key)):
        own = home / path.name
        shutil.copyfile(path, own)
        own.chmod(0o600)
        if os.getuid() == 0:
            shutil.chown(own, "postgres", "postgres")
        found.append(f"-c {name}={own}")
    return f"-c ssl=on {' '.join(found)}"


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _owned_by_server(home: Path) -> None:
    if os.getuid() == 0:
        shutil.chown(home, "postgres", "postgres")
    home.chmod(0o755)


def _run(*words: object) -> None:
    """Run a program of the server, as its own user where we are root.

    A process that stays must not hold what is read of it: output goes to a file.
    """
    as_server = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    with tempfile.TemporaryFile() as told:
        done = subprocess.run(  # noqa: S603
            [*as_server, *map(str, words)], stdout=told, stderr=told, cwd="/", check=False
        )
        told.seek(0)
        if done.returncode:
            raise RuntimeError(f"{words[0]}: {told.read().decode(errors='replace')}")
