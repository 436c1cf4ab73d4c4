"""A farm folder that the app is started for: empty, or with a walk."""

from __future__ import annotations

from pathlib import Path

import pytest

from app import show_chart
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


@pytest.fixture(autouse=True)
def charts_are_valid(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every chart that a test shows is held against Vega-Lite's schema, which pages leave out."""
    monkeypatch.setattr(show_chart, "unchecked_spec", lambda chart: chart.to_dict(validate=True))
