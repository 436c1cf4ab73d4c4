"""A farm folder that the app is started for: empty, or with a walk."""

from __future__ import annotations

from pathlib import Path

import pytest

from fruitvision.serve import FARM_VARIABLE
from fruitvision.store import open_farm
from tests.app.pages import fill


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(FARM_VARIABLE, str(tmp_path / "farm"))
    return tmp_path / "farm"


@pytest.fixture
def filled(folder: Path) -> Path:
    with open_farm(folder) as store:
        fill(store)
    return folder
