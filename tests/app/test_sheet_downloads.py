"""Sales sheets on the page for sales: both copies of the variety that is chosen."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from app.downloads import SheetSource, sheet_bytes
from fruitvision.forecast.words import use_quantiles
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.sales import freeze, sold_from
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from fruitvision.unit_system import METRIC
from tests import records
from tests.app.pages import page, text

SETTINGS = Settings(draws=400)
FORMS = ("PDF", "XLSX", "CSV", "JSON")


def freeze_one(folder: Path) -> None:
    with open_farm(folder) as store:
        made, _ = forecast_farm(
            store, load_size_table("box_counts_42lb"), SETTINGS, made_on=records.WALK
        )
        note = f"{records.BLOCK_ID} looks good"
        at = datetime(2026, 8, 17, 6, 0, tzinfo=UTC)
        freeze(store, made.forecast_id, by="Ines", at=at, note=note)


def test_both_copies_of_a_variety_are_there_in_every_form(filled: Path) -> None:
    assert not page("sales").download_button
    freeze_one(filled)
    app = page("sales")
    assert not app.exception
    labels = [item.label for item in app.download_button]
    assert [one for one in labels if one.startswith("Sheet")] == [f"Sheet, {f}" for f in FORMS]
    assert [one for one in labels if one.startswith("Buyer")] == [f"Buyer, {f}" for f in FORMS]
    assert "Gala: sales sheet to send" in text(app)


def test_a_buyers_file_of_the_page_names_no_block(filled: Path) -> None:
    freeze_one(filled)
    with open_farm(filled) as store:
        sold = sold_from(store)
        assert sold is not None
        own, buyers = (
            SheetSource(
                variety="Gala",
                sold=sold,
                quantiles=use_quantiles(SETTINGS),
                store=store,
                units=METRIC,
                hidden=hidden,
            )
            for hidden in (None, (records.BLOCK_ID,))
        )
        assert records.BLOCK_ID in sheet_bytes(own, "json").decode()
        assert records.BLOCK_ID not in sheet_bytes(buyers, "json").decode()
        assert own.name("pdf") == "Gala-sales-sheet-no1.pdf"
        assert buyers.name("pdf") == "Gala-sales-sheet-no1-buyer.pdf"
        assert sheet_bytes(buyers, "pdf").startswith(b"%PDF")
