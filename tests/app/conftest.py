"""A farm folder that the app is started for: empty, or with a walk."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from fruitvision.serve import FARM_VARIABLE
from fruitvision.store import open_farm
from tests.app.pages import fill


@pytest.fixture(autouse=True)
def _same_main_module(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that is run takes the place of the main module, which processes of later tests start
    with: after each test it is put back."""
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(FARM_VARIABLE, str(tmp_path / "farm"))
    return tmp_path / "farm"


@pytest.fixture
def filled(folder: Path) -> Path:
    with open_farm(folder) as store:
        fill(store)
    return folder
