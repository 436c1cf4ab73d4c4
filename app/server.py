"""The server's process: Streamlit, and what its pages will need loaded while nobody has asked yet.

Without it the first visitor waits for all imports and for the farm to be read.
"""

from __future__ import annotations

import inspect
import json
import logging
import mimetypes
import os
import socket
import sys
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages
from threading import Thread
from time import sleep

import app
from fruitvision.serve import (
    FARM_VARIABLE,
    OPTIONS_VARIABLE,
    PROXY_VARIABLE,
    SHUT_VARIABLE,
)

# So long the server has its process to itself, s. Our choice: it answers within a second or two.
HEAD_START_S = 1.5
# Connections that wait to be taken. Our choice: several browsers, each with its six.
BACKLOG = 128
# Largest message of a page's connection, as Streamlit's own default: 200 MB of 2^20 bytes.
LARGEST_MESSAGE_BYTES = 200 * 2**20
# Scripts, not modules: Streamlit runs them.
SCRIPTS = ("app.main", "app.server", "app.screens")


def load() -> None:
    """Import what pages import, and work out the farm's blocks."""
    for module in walk_packages(app.__path__, "app."):
        if not module.name.startswith(SCRIPTS):
            import_module(module.name)
    # What the library itself leaves for its first use.
    import_module("scipy.stats")
    # Streamlit asks for its callers at the first element, and the first answer takes longest.
    inspect.stack()
    # The table of file types is read from disk when the first picture is shown.
    mimetypes.init()
    _work_out_blocks()


def _load_ahead() -> None:
    sleep(HEAD_START_S)
    try:
        load()
    except Exception as err:  # The page that meets it says it; the server goes on.
        logging.getLogger(__name__).info("Not everything was loaded ahead: %s", err)


def _work_out_blocks() -> None:
    """What the first page shows, and the documents of all forecasts: they stay in memory."""
    from app import session
    from app.blocks import data
    from app.since import since

    data.standings()
    data.attention()
    data.thinning()
    if (made := data.forecast()) is not None:
        since(made)
    session.farm().forecasts()


def listening(address: str, port: int) -> socket.socket:
    """A socket that listens there, and sends small answers at once.

    Sockets of the protocol 0, which servers make when they are left to it, get no TCP_NODELAY from
    asyncio: each file then waits for the browser's word on its first part, 40 ms by RFC 1122's
    delayed acknowledgement as Linux does it, and the first page is made of 70 files.

    Raises
    ------
    OSError
        If it can't listen there.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    found = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    # There it would let two programs listen on one port.
    if sys.platform != "win32":
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    found.bind((address, port))
    found.listen(BACKLOG)
    return found


def main() -> None:
    """Serve the app, behind its gate, as the variables say."""
    import uvicorn
    from starlette.middleware import Middleware
    from streamlit.starlette import App
    from streamlit.web import bootstrap

    from app.gate.doors import doors_of
    from app.gate.gate import Gate

    doors = doors_of(
        Path(os.environ[FARM_VARIABLE]),
        always_shut=bool(os.environ.get(SHUT_VARIABLE)),
        proxy_header=os.environ.get(PROXY_VARIABLE, ""),
    )
    options = json.loads(os.environ[OPTIONS_VARIABLE])
    bootstrap.load_config_options(options)
    Thread(target=_load_ahead, daemon=True).start()
    script = Path(__file__).with_name("main.py")
    served = App(script, middleware=[Middleware(Gate, doors=doors)])
    address, port = options["server.address"], options["server.port"]
    config = uvicorn.Config(
        served,
        host=address,
        port=port,
        ws="websockets-sansio",
        ws_max_size=LARGEST_MESSAGE_BYTES,
        ws_per_message_deflate=False,
        access_log=False,
        log_level="warning",
    )
    with listening(address, port) as found:
        uvicorn.Server(config).run(sockets=[found])


if __name__ == "__main__":
    main()
