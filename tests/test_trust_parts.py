"""Pinned versions agree with what the project asks for."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
# What a farm's computer or a co-operative's server runs.
EXTRAS = ("cluster", "postgresql")


def _pins() -> dict[str, str]:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    found = {}
    for line in lines:
        if line.startswith("#"):
            continue
        name, sign, version = line.partition("==")
        assert sign, f"{line} names no one version"
        found[canonicalize_name(name)] = version
    return found


def _asked_for() -> list[Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    more = [one for extra in EXTRAS for one in extras[extra]]
    return list(map(Requirement, [*project["dependencies"], *more]))


def _applies(requirement: Requirement, extras: set[str]) -> bool:
    marker = requirement.marker
    return marker is None or any(marker.evaluate({"extra": one}) for one in extras | {""})


def _needed(requirement: Requirement, pins: dict[str, str]) -> Iterator[Requirement]:
    """What a part needs in turn, where just the pinned version of it is installed here."""
    try:
        installed = distribution(requirement.name)
    except PackageNotFoundError:
        return
    if installed.version == pins.get(canonicalize_name(requirement.name)):
        for text in installed.requires or ():
            if _applies(needed := Requirement(text), requirement.extras):
                yield needed


@pytest.mark.skipif(not (ROOT / "constraints.txt").exists(), reason="an installed package")
def test_every_part_that_runs_is_pinned_to_a_version_that_fits() -> None:
    """Made anew by `.ci/pinned` when a dependency is added or changed."""
    pins = _pins()
    waiting, seen = _asked_for(), set[str]()
    assert len(waiting) > 15
    while waiting:
        one = waiting.pop()
        name = canonicalize_name(one.name)
        assert name in pins, f"{one.name} is not in constraints.txt"
        assert one.specifier.contains(pins[name], prereleases=True), f"{one} but {pins[name]}"
        if (key := f"{name}{sorted(one.extras)}") not in seen:
            seen.add(key)
            waiting += _needed(one, pins)


def test_the_pins_name_no_tool_that_only_developers_use() -> None:
    assert {"pytest", "mypy", "ruff", "playwright", "torch", "limits"}.isdisjoint(_pins())
