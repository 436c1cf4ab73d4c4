"""Starts the app: on this computer only, without telemetry, without a browser's questions."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from fruitvision.share import shared_folder

# Where the app finds the farm that it was started for.
FARM_VARIABLE = "FRUITVISION_FARM"
# Photos of one upload, MB. Our choice: 40 phone photos of 10 MB.
UPLOAD_LIMIT_MB = 400


def serve_app(farm: Path, *, address: str, port: int) -> int:
    """Run the app until it is stopped; its exit status.

    Parameters
    ----------
    farm : Path
        The farm's folder; made if missing.
    address : str
        Address to listen on.
    port : int
        Port to listen on.
    """
    folder = shared_folder("app")
    environment = os.environ | {
        FARM_VARIABLE: str(farm.resolve()),
        "PYTHONPATH": os.pathsep.join(
            part for part in (str(folder.parent), os.environ.get("PYTHONPATH", "")) if part
        ),
    }
    options = {
        "server.address": address,
        "server.port": str(port),
        "server.headless": "true",
        "server.maxUploadSize": str(UPLOAD_LIMIT_MB),
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
        "theme.base": "light",
        "theme.primaryColor": "#7a3b2e",
        "theme.backgroundColor": "#faf6ee",
        "theme.secondaryBackgroundColor": "#efe7da",
        "theme.textColor": "#2b251e",
        "theme.linkColor": "#7a3b2e",
        "theme.headingFont": "serif",
        "theme.baseRadius": "small",
    }
    command = [sys.executable, "-m", "streamlit", "run", str(folder / "main.py")]
    command += [f"--{key}={value}" for key, value in options.items()]
    try:
        # The program is this interpreter and the arguments are our own.
        return subprocess.run(command, env=environment, check=False).returncode  # noqa: S603
    except KeyboardInterrupt:
        return 0
