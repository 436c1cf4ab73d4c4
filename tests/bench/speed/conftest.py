"""What `fruitvision bench speed` tells the bench."""

from __future__ import annotations

from pathlib import Path

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options of the bench alone: they are there where its file is named on the command line."""
    parser.addoption("--rounds", type=int, default=5, help="runs of each step, of each photo")
    parser.addoption("--photo-px", type=int, nargs=2, default=(3000, 4000))
    parser.addoption("--photos", type=int, default=6, help="kinds of block, a photo of each")
    parser.addoption("--farm", type=Path, default=None, help="folder of the invented farm")
    parser.addoption("--blocks", type=int, default=60, help="of the invented farm")
    parser.addoption("--large-blocks", type=int, default=120, help="of the large farm, rows only")
