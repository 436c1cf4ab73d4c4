"""Sales sheets as a browser takes them from the page for sales."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
from openpyxl import load_workbook
from playwright.sync_api import Browser

from fruitvision.store import open_farm
from tests.browser.serving import Served, served
from tests.browser.visitor import DESKTOP, Visitor, visitor
from tests.sheet_records import BLOCKS, frozen_twice

FORMS = ("PDF", "XLSX", "CSV", "JSON")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("sheets") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        frozen_twice(store)
    with served(folder) as app:
        yield app


@pytest.fixture(scope="module")
def ana(browser: Browser, app: Served) -> Iterator[Visitor]:
    with visitor(browser, app, DESKTOP) as ana:
        ana.open("sales")
        yield ana


def taken(ana: Visitor, row: str, form: str) -> tuple[str, bytes]:
    label = ana.say(f"sales.sheet_file_{row}", kind=form)
    with ana.page.expect_download() as waited:
        ana.page.get_by_role("button", name=label, exact=True).click()
    return waited.value.suggested_filename, Path(waited.value.path()).read_bytes()


def test_every_file_comes_one_after_the_other(ana: Visitor) -> None:
    """A button that ran the page again would take its own file away."""
    own = {form: taken(ana, "own", form) for form in FORMS}
    buyers = {form: taken(ana, "buyer", form) for form in FORMS}
    assert {name for name, _ in own.values()} == {
        f"Gala-sales-sheet-no2.{form.lower()}" for form in FORMS
    }
    assert {name for name, _ in buyers.values()} == {
        f"Gala-sales-sheet-no2-buyer.{form.lower()}" for form in FORMS
    }
    (page,) = pypdf.PdfReader(io.BytesIO(buyers["PDF"][1])).pages
    assert "FORECAST, NOT AN OFFER" in page.extract_text()
    assert load_workbook(io.BytesIO(own["XLSX"][1])).sheetnames[0] == "Sales sheet"
    document = json.loads(own["JSON"][1])
    assert document["version"]["note"] == f"after {BLOCKS[1]}"
    told = buyers["JSON"][1].decode() + buyers["CSV"][1].decode() + page.extract_text()
    assert [name for name in BLOCKS if name in told] == []


def test_another_variety_has_its_own(ana: Visitor) -> None:
    ana.open("sales", more="&variety=Fuji")
    ana.reads("Fuji: sales sheet to send")
    name, content = taken(ana, "own", "CSV")
    assert name == "Fuji-sales-sheet-no2.csv"
    assert content.decode().splitlines()[1].startswith("Fuji,2026-W")
