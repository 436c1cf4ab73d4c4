"""Farms that tests make at once are those that people get."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from fruitvision.store import DATABASE_NAME, open_farm
from tests.quick_farms import real_farms


def _new(folder: Path) -> list[str]:
    """All statements of a new farm's database."""
    open_farm(folder).close()
    with sqlite3.connect(folder / DATABASE_NAME) as connection:
        return sorted(connection.iterdump())


def test_a_farm_made_at_once_is_as_the_migrations_make_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The first one of a process is made by the migrations, which the second one is taken from.
    quick = [_new(tmp_path / name) for name in ("first", "second")]
    real_farms(monkeypatch)
    assert quick == [_new(tmp_path / "real")] * 2
    assert any("CREATE TABLE block" in one for one in quick[0])
