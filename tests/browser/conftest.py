"""A browser for the tests of this folder."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

# Where Debian and its like put it.
CHROMIUM = Path("/usr/bin/chromium")
MISSING = f"No browser at {CHROMIUM}: apt-get install chromium, to test the app in it."


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium; where it is missing the test is left out, but never in a check by CI."""
    if not CHROMIUM.exists():
        if os.environ.get("CI"):
            pytest.fail(MISSING)
        pytest.skip(MISSING)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        yield started
        started.close()
