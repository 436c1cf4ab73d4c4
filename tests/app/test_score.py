"""The page Score: how forecasts went, what was learned and accepted, what papers can't tell."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from app.score.chart import against_ranges
from fruitvision.domain import BinTicket, PackedCartons, PackedLot, SeasonNote
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.additions import farm_settings
from fruitvision.pipeline.learning import farm_score
from fruitvision.pipeline.packing import note_season
from fruitvision.pipeline.picked import mark_pass
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from tests import records
from tests.app import pseudo
from tests.app.pages import page, press, text, visit
from tests.app.test_untranslated import untranslated

TABLE = load_size_table("box_counts_42lb")


@pytest.fixture
def came_back(filled: Path) -> Path:
    """A farm whose season was forecast, picked and packed: far more than forecast."""
    with open_farm(filled) as store:
        settings = replace(farm_settings(store), draws=400)
        made, _ = forecast_farm(store, TABLE, settings, made_on=records.WALK + timedelta(days=1))
        (crop,) = made.blocks
        day = records.PICK
        ticket = BinTicket(
            ticket="1",
            block_id=records.BLOCK_ID,
            picked_on=day,
            bins=1.8 * crop.bins.p50,
            lot="L1",
        )
        cartons = tuple(
            PackedCartons(size_class=one.size_class, cartons=1.8 * one.cartons.p50)
            for one in crop.classes
            if one.cartons.p50 > 0
        )
        lot = PackedLot(lot="L1", packed_on=day + timedelta(days=30), cartons=cartons)
        store.save_bin_tickets([ticket, replace(ticket, ticket="2", block_id="GALA N-4", lot="")])
        store.save_packed_lots([replace(lot, cull_share=0.2)])
        mark_pass((records.BLOCK_ID, 1), made, store, finished=True, who="Ines")
    return filled


def test_a_block_that_is_picked_is_named_and_not_judged(came_back: Path) -> None:
    with open_farm(came_back) as store:
        (made,) = store.forecasts()
        mark_pass((records.BLOCK_ID, 1), made, store, finished=False, who="Ines")
    shown = text(page("score"))
    assert "1 block is still being picked" in shown
    assert "0 of 1" not in shown
    assert "Nothing yet: it takes a season" in shown


def choices(farm: Path) -> list[tuple[str, bool, str]]:
    with open_farm(farm) as store:
        return [(one.block_id, one.accepted, one.who) for one in store.learned_choices()]


def test_without_a_season_the_page_says_what_is_needed(filled: Path) -> None:
    app = page("score")
    assert not app.exception
    assert "No history yet" in text(app)
    assert "it takes a season that was forecast" in text(app)


def test_an_empty_farm_has_a_page_too(folder: Path) -> None:
    app = page("score")
    assert not app.exception
    assert "No history yet" in text(app)


def test_the_page_tells_how_the_season_went(came_back: Path) -> None:
    app = page("score")
    assert not app.exception
    shown = text(app)
    assert "0 of 1" in shown
    assert "80% should lie inside" in shown
    assert "low in count" in shown
    assert "Main cause: the number of fruit." in shown
    assert "31 to 60 days" not in shown.split("What was learned")[0]
    # A ticket of a block that is not known is told every time.
    assert "GALA N" in "".join(item.value for item in app.warning)


def test_the_chart_marks_a_crop_outside_by_shape_and_words(came_back: Path) -> None:
    with open_farm(came_back) as store:
        last = farm_score(store).score.last
    chart = against_ranges(last)
    assert chart is not None
    spec = chart.to_dict()
    marks = [layer["mark"] for layer in spec["layer"]]
    assert [one["shape"] for one in marks if one["type"] == "point"] == ["diamond"]
    assert [one["fontWeight"] for one in marks if one["type"] == "text"] == ["bold"]
    assert spec["layer"][0]["encoding"]["x"]["title"] == "% of the forecast (P50)"
    (row,) = spec["datasets"][spec["layer"][0]["data"]["name"]]
    came = 100 * last[0].actual_cartons / last[0].cartons.p50
    assert row["low"] < 100 < row["high"] < row["at"] == pytest.approx(came)
    assert row["name"] == f"{records.BLOCK_ID} {records.PICK.year}"
    inside = replace(last[0], actual_cartons=last[0].cartons.p50)
    marks = [layer["mark"] for layer in against_ranges([inside]).to_dict()["layer"]]
    assert [one["shape"] for one in marks if one["type"] == "point"] == ["circle"]
    unknown = replace(last[0], actual_cartons=None, actual_fruit=None)
    assert against_ranges([unknown]) is None


def test_a_correction_is_accepted_and_refused_by_name(came_back: Path) -> None:
    app = page("score")
    app = press(app, "Use in forecasts")
    assert "Give the name of who does it." in "".join(item.value for item in app.error)
    assert choices(came_back) == []
    name = next(item for item in app.text_input if item.label == "Your name" and item.key is None)
    name.set_value("Ines")
    app = press(app, "Use in forecasts")
    assert choices(came_back) == [(records.BLOCK_ID, True, "Ines")]
    assert "Used from the next season on: 1 block." in text(app)
    assert "used, said Ines" in text(app)
    app.multiselect[0].set_value([records.BLOCK_ID])
    for item in app.text_input:
        if item.label == "Your name":
            item.set_value("Paul")
    app = press(app, "Do not use")
    assert choices(came_back)[-1] == (records.BLOCK_ID, False, "Paul")
    assert "not used, said Paul" in text(app)


def test_a_season_left_out_is_out_of_score_and_learning(came_back: Path) -> None:
    app = page("score")
    year = records.PICK.year
    app.selectbox(key="season year").set_value(year)
    app = app.run()
    reason = next(item for item in app.text_input if item.label.startswith("Leave this season"))
    reason.set_value("hail")
    left = next(item for item in app.number_input if item.label.startswith("Bins left"))
    left.set_value(1.5)
    app = press(app, "Save")
    assert not app.exception
    with open_farm(came_back) as store:
        (note,) = store.season_notes()
        assert (note.left_bins, note.left_out, note.season) == (1.5, "hail", year)
        assert farm_score(store).proposals == ()
    assert "1 result is left out" in text(app) or "No history yet" in text(app)


def test_no_text_of_the_page_is_untranslated(
    came_back: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    press(page("score"), "Use in forecasts")
    pseudo.speak(monkeypatch, tmp_path / "texts")
    app = visit("score", timeout_s=60)
    assert untranslated(app, came_back, "GALA N-4", "P10–P90", "P50") == {}


def test_sales_read_how_such_forecasts_went_and_that_there_is_no_history(came_back: Path) -> None:
    shown = text(page("sales"))
    assert "no history yet" not in shown
    assert "Track record: 0 of 1 earlier results, forecast 15 to 30 days before" in shown
    with open_farm(came_back) as store:
        year = records.PICK.year
        note = SeasonNote(block_id=records.BLOCK_ID, season=year, left_out="hail")
        note_season(note, None, store, who="Ines")
    assert "Track record: no history yet." in text(page("sales"))
