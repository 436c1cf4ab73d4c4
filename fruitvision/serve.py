"""Starts the app: on this computer only, without telemetry, without a browser's questions."""

from __future__ import annotations

import errno
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from fruitvision.accounts import AccountBook
from fruitvision.errors import FruitVisionError, ServeError
from fruitvision.photo_folder import MOST_FILE_BYTES
from fruitvision.share import shared_folder

# Where the app finds the farm that it was started for.
FARM_VARIABLE = "FRUITVISION_FARM"
# The day that the app takes for today, such as 2026-08-14; without it this computer's own.
DAY_VARIABLE = "FRUITVISION_TODAY"
# Largest file that the browser sends, MB of 2^20 bytes: what `photo` opens. Several hundred photos
# may come at once; they lie in memory until they are in the farm.
UPLOAD_LIMIT_MB = MOST_FILE_BYTES // 2**20
# Header in which a proxy on this computer tells whom it signed in; not set where there is none.
PROXY_VARIABLE = "FRUITVISION_PROXY_HEADER"
# Options of Streamlit and its server, as JSON.
OPTIONS_VARIABLE = "FRUITVISION_SERVER"
# Set where the app listens to a network: then nobody comes in without signing in.
SHUT_VARIABLE = "FRUITVISION_SIGN_IN"
# Addresses that only this computer reaches.
THIS_COMPUTER = ("127.0.0.1", "::1", "localhost")
# A server that is told to end is given so long, s. Our choice.
STOP_S = 10.0


def app_environment(farm: Path) -> dict[str, str]:
    """Variables that the app's process needs beside those that there are.

    Matrices of a few hundred rows are worked out by one thread: several of them wait for each other
    longer than they work, most of all where the computer has something else to do.
    """
    paths = (str(shared_folder("app").parent), os.environ.get("PYTHONPATH", ""))
    return {
        FARM_VARIABLE: str(farm.resolve()),
        "PYTHONPATH": os.pathsep.join(path for path in paths if path),
        "OPENBLAS_NUM_THREADS": os.environ.get("OPENBLAS_NUM_THREADS", "1"),
    }


def serve_app(
    farm: Path,
    *,
    address: str,
    port: int,
    proxy_header: str = "",
    tell: Callable[[str], None] | None = None,
) -> int:
    """Run the app until it is stopped; its exit status.

    Parameters
    ----------
    farm : Path
        The farm's folder; made if missing.
    address : str
        Address to listen on.
    port : int
        Port to listen on.
    proxy_header : str
        The header in which a proxy on this computer tells whom it signed in.
    tell : callable
        Told at the start, a line at a time, where the app listens, and that a farm is begun.

    Raises
    ------
    ServeError
        If another program listens there, or a network would reach the app and nobody has an
        account.
    """
    network = address not in THIS_COMPUTER
    _refuse_open_door(farm, address, network=network, proxy_header=proxy_header)
    _refuse_taken(address, port)
    if tell is not None:
        for line in _start_lines(farm, address, port):
            tell(line)
    _go_on_with_work(farm)
    environment = os.environ | app_environment(farm)
    environment |= {SHUT_VARIABLE: "1" if network else "", PROXY_VARIABLE: proxy_header}
    options = {
        "server.address": address,
        "server.port": port,
        "server.headless": True,
        "server.maxUploadSize": UPLOAD_LIMIT_MB,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        # No trace back on a page: the log has it, see `app/built_in.py`.
        "client.showErrorDetails": "none",
        "theme.base": "light",
        "theme.primaryColor": "#7a3b2e",
        "theme.backgroundColor": "#faf6ee",
        "theme.secondaryBackgroundColor": "#efe7da",
        "theme.textColor": "#2b251e",
        "theme.linkColor": "#7a3b2e",
        "theme.headingFont": "serif",
        "theme.baseRadius": "small",
    }
    environment |= {OPTIONS_VARIABLE: json.dumps(options)}
    return _run([sys.executable, "-m", "app.server"], environment)


def _start_lines(farm: Path, address: str, port: int) -> list[str]:
    """Where the app listens, and whether a farm is begun: a misspelt folder is a new farm."""
    from fruitvision.store import has_farm

    begun = [] if has_farm(farm) else [f"There was no farm in {farm}: a new one is begun."]
    host = f"[{address}]" if ":" in address else address
    return [*begun, f"The app listens at http://{host}:{port}; Ctrl+C ends it."]


def _run(command: Sequence[str], environment: Mapping[str, str]) -> int:
    """Run the server until it ends, or this process is told to end; its exit status."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    # The program is this interpreter and the arguments are our own.
    server = subprocess.Popen(command, env=environment)  # noqa: S603
    try:
        return server.wait()
    except KeyboardInterrupt:
        server.terminate()
        with suppress(subprocess.TimeoutExpired):
            server.wait(STOP_S)
        return 0
    finally:
        signal.signal(signal.SIGTERM, before)
        if server.poll() is None:
            server.kill()


def _refuse_taken(address: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family) as probe:
        # As the server does: a port that was given up a moment ago is free.
        if sys.platform != "win32":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as err:
            if err.errno != errno.EADDRINUSE:
                raise ServeError(
                    f"The app can't listen on {address}, port {port}: {err.strerror}.",
                    fix="Give another --port or --address.",
                ) from err
            raise ServeError(
                f"Port {port} of {address} is in use.",
                fix=f"If the app is open already, go to http://{address}:{port} in the browser. "
                f"If not, or for another farm, choose another port: --port {port % 65535 + 1}.",
            ) from err


def _refuse_open_door(farm: Path, address: str, *, network: bool, proxy_header: str) -> None:
    """Nobody who is not asked for a password reaches the farm from another computer."""
    if proxy_header and network:
        raise ServeError(
            f"With a proxy that signs people in, the app can't listen on {address}: whoever goes "
            f"around the proxy could claim to be anybody.",
            fix="Leave --address out, and let the proxy ask 127.0.0.1.",
        )
    if (network or proxy_header) and not AccountBook(farm).accounts():
        raise ServeError(
            "Nobody has an account, and a network would reach this farm.",
            fix="Give yourself one first: "
            f"fruitvision people add NAME --role manager --farm {farm}",
        )


def _go_on_with_work(farm: Path) -> None:
    """Photos that were not measured when the computer was shut down wait for no page."""
    from fruitvision.store import open_farm
    from fruitvision.work import keep_working

    # A farm that can't be opened is said on its pages.
    with suppress(FruitVisionError), open_farm(farm, create=False) as store:
        keep_working(store)
