"""A farm folder that the app is started for: empty, or with a walk."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from streamlit.components.v2 import manifest_scanner

from app import show_chart
from app.charts import Chart
from fruitvision.serve import FARM_VARIABLE
from fruitvision.store import open_farm
from tests.app.pages import fill


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(FARM_VARIABLE, str(tmp_path / "farm"))
    return tmp_path / "farm"


@pytest.fixture(scope="session")
def with_a_walk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm with a walk, to be copied: nobody may change it."""
    farm = tmp_path_factory.mktemp("filled") / "farm"
    with open_farm(farm) as store:
        fill(store)
    return farm


@pytest.fixture
def filled(folder: Path, with_a_walk: Path) -> Path:
    shutil.copytree(with_a_walk, folder)
    return folder


@pytest.fixture(scope="session", autouse=True)
def _packages_are_read_once() -> Iterator[None]:
    """Each AppTest looks through all packages that are installed for parts of pages, as a server
    does once at its start."""
    with pytest.MonkeyPatch.context() as patch:
        once = cache(manifest_scanner.scan_component_manifests)
        patch.setattr(manifest_scanner, "scan_component_manifests", once)
        yield


@pytest.fixture(autouse=True)
def charts_are_valid(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every chart that a test shows is held against Vega-Lite's schema, which pages leave out."""
    monkeypatch.setattr(show_chart, "unchecked_spec", _checked_spec)


# Charts that were found to be valid, but for their rows and for the numbers that Altair gives out.
_valid: set[str] = set()


def _checked_spec(chart: Chart) -> dict[str, Any]:
    """The same chart with other rows is not held against the schema again: that takes a quarter of
    a page's time, and the schema lets rows be what they are."""
    spec: dict[str, Any] = chart.to_dict(validate=False)
    shape = re.sub(r"_\d+\b", "", json.dumps(_without_rows(spec), sort_keys=True, default=str))
    if shape not in _valid:
        chart.to_dict(validate=True)
        _valid.add(shape)
    return spec


def _without_rows(part: object) -> object:
    if isinstance(part, dict):
        kept = ((name, one) for name, one in part.items() if name not in ("data", "datasets"))
        return {name: _without_rows(one) for name, one in kept}
    return [_without_rows(one) for one in part] if isinstance(part, list) else part
