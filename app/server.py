"""The server's process: Streamlit, and what its pages will need loaded while nobody has asked yet.

Without it the first visitor waits for all imports and for the farm to be read.
"""

from __future__ import annotations

import inspect
import json
import logging
import os
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
# Scripts, not modules: Streamlit runs them.
SCRIPTS = ("app.main", "app.server", "app.screens")


def load() -> None:
    """Import what pages import, and work out the farm's blocks."""
    for module in walk_packages(app.__path__, "app."):
        if not module.name.startswith(SCRIPTS):
            import_module(module.name)
    # Streamlit asks for its callers at the first element, and the first answer takes longest.
    inspect.stack()
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

    data.standings()
    data.attention()
    session.farm().forecasts()


def main() -> None:
    """Serve the app, behind its gate, as the variables say."""
    from starlette.middleware import Middleware
    from streamlit.starlette import App

    from app.gate.doors import doors_of
    from app.gate.gate import Gate

    doors = doors_of(
        Path(os.environ[FARM_VARIABLE]),
        always_shut=bool(os.environ.get(SHUT_VARIABLE)),
        proxy_header=os.environ.get(PROXY_VARIABLE, ""),
    )
    Thread(target=_load_ahead, daemon=True).start()
    script = Path(__file__).with_name("main.py")
    served = App(script, middleware=[Middleware(Gate, doors=doors)])
    served.run(config=json.loads(os.environ[OPTIONS_VARIABLE]))


if __name__ == "__main__":
    main()
