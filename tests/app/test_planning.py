"""Thinning on a block's page; where to thin first and what pays to measure next on the list."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app import session
from app.charts_thinning import load_chart
from fruitvision.domain import Block, CartonPrice, ThingKind
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.farm_entries import settings_of
from fruitvision.pipeline.standing import standings
from fruitvision.pipeline.thinning import thinning_of_farm
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from fruitvision.thinning import ThinningCheck
from tests.app.pages import block_page, page, press, text
from tests.records import PICK, WALK, block


@pytest.fixture(autouse=True)
def _in_the_season(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "today", lambda: WALK)


@pytest.fixture
def with_block(filled: Path) -> Callable[..., Path]:
    """The farm with the block's notes changed."""

    def change(**notes: object) -> Path:
        with open_farm(filled) as store:
            store.save_blocks([replace(block(), **notes)])  # type: ignore[arg-type]
        return filled

    return change


def check(folder: Path) -> ThinningCheck:
    """About 34 (30-40) fruit per tree hang in this farm."""
    with open_farm(folder) as store:
        (found,) = thinning_of_farm(standings(store, Settings()), Settings(), on=WALK, plans={})
    return found


def number_box(app: AppTest, label: str):
    (found,) = (item for item in app.number_input if item.label.startswith(label))
    return found


def forecast(folder: Path) -> None:
    with open_farm(folder) as store:
        forecast_farm(store, load_size_table("classes_5mm"), Settings(draws=200), made_on=WALK)


# ---------------------------------------------------------------- one block


def test_a_block_that_bears_too_much_is_told_fruit_to_take_off_and_no_material(
    with_block: Callable[..., Path],
) -> None:
    notes = {"target_fruit_per_tree": 25.0, "trunk_area_cm2": 5.0, "area_ha": 0.4}
    found = check(with_block(**notes, full_bloom_on=date(2026, 6, 28)))
    assert found.take_off is not None
    words = text(block_page())
    low, high = round(found.take_off.p10), round(found.take_off.p90)
    assert f"Take off about {low} to {high} fruit per tree" in words
    assert "45 days after full bloom, late: little size gain." in words
    assert "about 24 hours (12 to 36)" in words
    assert "target 5.0, guide 6" in words
    assert "licensed adviser" in words


@pytest.mark.parametrize("target", [25.0, 32.0])
@pytest.mark.parametrize(("today", "bloom"), [(WALK, date(2026, 4, 28)), (date(2026, 8, 14), None)])
def test_late_after_bloom_or_near_the_pick_nothing_is_taken_off_for_size(
    with_block: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    today: date,
    bloom: date | None,
    target: float,
) -> None:
    with_block(target_fruit_per_tree=target, area_ha=0.4, full_bloom_on=bloom)
    monkeypatch.setattr(session, "today", lambda: today)
    for words in (text(block_page()), text(page("blocks"))):
        assert "Too late to thin for size" in words
        assert "Take off" not in words
        assert "Where to thin first" not in words
        assert "before you decide" not in words


def test_a_range_over_the_target_asks_for_more_trees_and_not_for_thinning(
    with_block: Callable[..., Path],
) -> None:
    found = check(with_block(target_fruit_per_tree=32.0))
    assert found.more is not None
    words = text(block_page())
    assert "The range straddles the target: photograph" in words
    assert "enter the day of full bloom" in words
    assert "Take off" not in words


def test_in_time_the_size_at_the_target_is_told_with_its_range(
    with_block: Callable[..., Path],
) -> None:
    folder = with_block(
        target_fruit_per_tree=25.0, trunk_area_cm2=4.0, full_bloom_on=date(2026, 7, 10)
    )
    assert "heavier" in text(block_page())
    forecast(folder)
    words = text(block_page())
    assert "33 days after full bloom: in time for size." in words
    assert "on average at the pick instead of" in words


def test_without_target_and_trunk_the_page_says_what_to_enter(filled: Path) -> None:
    words = text(block_page())
    assert "No target is set: enter the fruit wanted per tree, or the trunks, in Set-up." in words


def test_after_the_pick_nothing_is_to_be_taken_off(
    with_block: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    with_block(target_fruit_per_tree=25.0)
    monkeypatch.setattr(session, "today", lambda: date(2026, 9, 4))
    words = text(block_page())
    assert "Picked: nothing to take off any longer." in words
    assert "Take off about" not in words


def test_the_picture_holds_range_target_and_trunk_guide(with_block: Callable[..., Path]) -> None:
    found = check(with_block(target_fruit_per_tree=25.0, trunk_area_cm2=5.0))
    whole = replace(block(), trunk_area_cm2=5.0)
    chart = load_chart(found, whole)
    assert chart is not None
    drawn = chart.to_json()
    assert '"target 25"' in drawn
    assert '"trunk guide 30"' in drawn
    assert f"{found.fruit_per_tree.p10:.0f}–{found.fruit_per_tree.p90:.0f}" in drawn
    assert load_chart(replace(found, target=None), block()) is None


# ---------------------------------------------------------------- all blocks


def test_the_list_ranks_blocks_to_thin_and_tells_at_stake_when_asked(
    with_block: Callable[..., Path],
) -> None:
    folder = with_block(target_fruit_per_tree=25.0)
    app = page("blocks")
    assert "Where to thin first" in text(app)
    assert "By surplus fruit: each block" in text(app)
    app.toggle(key="pays").set_value(True).run()
    assert "No forecast is made yet" in text(app)
    forecast(folder)
    app = page("blocks")
    app.toggle(key="pays").set_value(True).run()
    words = text(app)
    assert "No prices are loaded, so that every carton counts alike" in words
    assert "made of Gala North 100%" in words


def test_with_prices_the_list_is_in_the_farms_currency(with_block: Callable[..., Path]) -> None:
    folder = with_block(target_fruit_per_tree=25.0)
    with open_farm(folder) as store:
        store.save_prices([CartonPrice(per_carton=20.0)])
        store.save_farm(replace(store.farm(), settings_text='currency = "EUR"\n'))
    forecast(folder)
    app = page("blocks")
    app.toggle(key="pays").set_value(True).run()
    words = text(app)
    assert "by surplus fruit and what a fruit is worth" in words.lower()
    assert " EUR" in words
    assert "Prices are yours." in words


def test_a_block_to_count_first_is_named_with_its_trees(with_block: Callable[..., Path]) -> None:
    with_block(target_fruit_per_tree=32.0)
    words = text(page("blocks"))
    assert "Count before you decide" in words
    assert "Where to thin first" not in words


# ---------------------------------------------------------------- what is typed


def kept(folder: Path) -> Block:
    with open_farm(folder) as store:
        return store.blocks()[0]


def test_a_girth_that_is_typed_is_kept_as_the_section_with_who_and_when(filled: Path) -> None:
    app = page("setup")
    (chosen,) = (item for item in app.selectbox if item.label == "Which block")
    chosen.set_value("Gala North").run()
    number_box(app, "Or girth of a trunk").set_value(120.0)
    (bloom,) = (item for item in app.date_input if item.label.startswith("Full bloom"))
    bloom.set_value(date(2026, 4, 28))
    press(app, "Save block")
    found = kept(filled)
    # 120² ÷ 4π mm².
    assert found.trunk_area_cm2 == pytest.approx(11.459, abs=0.001)
    assert found.full_bloom_on == date(2026, 4, 28)
    with open_farm(filled) as store:
        assert store.changes(kind=ThingKind.BLOCK)[0].about == "Gala North"


def test_a_trunk_or_a_bloom_that_can_not_be_is_refused_in_words(filled: Path) -> None:
    app = page("setup")
    (chosen,) = (item for item in app.selectbox if item.label == "Which block")
    chosen.set_value("Gala North").run()
    number_box(app, "Section of a trunk").set_value(0.2)
    press(app, "Save block")
    assert "Trunks have 0.5 to 1000 cm²" in app.error[0].value
    number_box(app, "Section of a trunk").set_value(11.4)
    (bloom,) = (item for item in app.date_input if item.label.startswith("Full bloom"))
    bloom.set_value(PICK)
    press(app, "Save block")
    assert "is not before the pick" in app.error[0].value
    assert kept(filled).trunk_area_cm2 is None


def test_minutes_guides_and_currency_are_kept_and_nonsense_refused(filled: Path) -> None:
    app = page("setup")
    (currency,) = (item for item in app.text_input if item.label == "Currency of your prices")
    currency.set_value("EUR")
    number_box(app, "Minutes to photograph a tree").set_value(0.0)
    press(app, "Keep these")
    assert "minutes to photograph a tree 0" in app.error[0].value
    number_box(app, "Minutes to photograph a tree").set_value(3.0)
    press(app, "Keep these")
    with open_farm(filled) as store:
        settings = settings_of(store.farm())
    assert (settings.currency, settings.photo_tree_min) == ("EUR", 3.0)
