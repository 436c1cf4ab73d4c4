"""A PostgreSQL server for tests: Debian's programs, a folder of its own, a socket, no network."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
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


@contextmanager
def started(*, connections: int = 40) -> Iterator[str]:
    """Address of an empty database on a server that runs as long as the block.

    It never syncs: nothing of it is to outlive the tests.
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
        options = (
            f"-k {home} -c listen_addresses='' -c fsync=off "
            f"-c max_connections={connections} -c autovacuum=off -c shared_buffers=32MB"
        )
        _run(programs / "pg_ctl", "-D", data, "-l", log, "-o", options, "-w", "start")
        try:
            _run(programs / "createdb", "-h", home, "-U", USER, "coop")
            yield f"postgresql://{USER}@/coop?host={home}"
        finally:
            _run(programs / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(home, ignore_errors=True)


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
