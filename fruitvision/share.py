"""Where the app, the models and the samples lie: inside the installed package, or in a checkout."""

from __future__ import annotations

from pathlib import Path


def shared_folder(name: str) -> Path:
    """Folder `app`, `models` or `samples` that came with this installation."""
    installed = Path(__file__).parent / "share" / name
    return installed if installed.is_dir() else Path(__file__).parents[1] / name
