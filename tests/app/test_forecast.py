"""The forecast page: make one, look at it, freeze it for sales."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import Selectbox

from app import charts, charts_forecast
from fruitvision.accounts import Role
from fruitvision.domain import Bridge, BridgeStep, ClassForecast, Estimate, Pick, PickPlan
from fruitvision.forecast.growth import Weather
from fruitvision.forecast.size_bands import SizeBand
from fruitvision.pipeline.size_tables import farm_size_table
from fruitvision.serve import DAY_VARIABLE
from fruitvision.store import open_farm
from fruitvision.unit_system import UnitSystem, units_of
from tests import records
from tests.app.pages import fill, page, press, radio, text, upload
from tests.walked_farm import add_good_block

OWN_TABLE = """class,from_g,to_g,carton_kg
small,80,160,18
large,160,400,18
"""


def box(app: AppTest, label: str) -> Selectbox[str]:
    (found,) = (item for item in app.selectbox if item.label == label)
    return found


def test_a_forecast_can_be_made_and_taken_to_sales(filled: Path) -> None:
    app = page("forecast")
    assert not app.download_button
    press(app, "Make forecast")
    assert not app.exception
    assert [item.label for item in app.download_button] == ["XLSX", "CSV", "Weeks, CSV", "JSON"]
    shown = text(app)
    assert "A forecast, not an offer" in shown
    assert "Next best action" in shown
    with open_farm(filled) as store:
        (kept,) = store.forecasts()
    assert box(app, "Version").value == kept.forecast_id


def test_a_what_if_stands_beside_the_forecast_of_record_and_is_not_kept(filled: Path) -> None:
    app = press(page("forecast"), "Make forecast")
    radio(app, "Weather up to the pick").set_value(Weather.DRY).run()
    press(app, "Show what if")
    assert not app.exception
    assert "What if: dry season up to the pick.** It is not kept." in text(app)
    both = next(item.value for item in app.table if "As planned" in item.value)
    now, planned = (float(both[name].tolist()[2].split()[0]) for name in ("What if", "As planned"))
    # Mean size at the pick: a dry season makes smaller fruit.
    assert now < planned
    # The bars are of means, the table of P50: that they differ is said.
    assert "are the mean of all that may come in" in text(app)
    with open_farm(filled) as store:
        assert len(store.forecasts()) == 1


def test_weeks_of_two_passes_can_be_chosen_and_the_uses_are_shown(filled: Path) -> None:
    with open_farm(filled) as store:
        passes = (records.PICK, 0.3), (records.PICK + timedelta(days=7), 0.7)
        picks = tuple(Pick(pick_date=day, share=share) for day, share in passes)
        store.save_pick_plan(records.BLOCK_ID, PickPlan(picks=picks))
    app = press(page("forecast"), "Make forecast")
    weeks = box(app, "Week of Gala")
    # 10 September, with most of the fruit, is in week 37.
    assert str(weeks.value) == "2026-09-07"
    sold = next(item.value for item in app.table if "P10 (safe)" in item.value)
    assert sold["Class"].tolist()[-1] == "All"
    shown = text(app)
    assert "To promise" in shown
    assert "rounded down; less comes in with a chance of 10%" in shown
    assert "rounded up; less comes in with a chance of 50%" in shown


def test_a_second_forecast_says_why_it_changed(filled: Path) -> None:
    press(page("forecast"), "Make forecast")
    with open_farm(filled) as store:
        store.save_hand_counts([records.hand_count(n, 4 * (6 + n)) for n in range(1, 6)])
    app = press(page("forecast"), "Make forecast")
    assert not app.exception
    assert "Why it changed" in text(app)
    assert "No. 2, " in box(app, "Version").options[0]


def test_a_size_table_of_ones_own_comes_in_by_upload_and_stays(filled: Path) -> None:
    label = "Your own size table"
    app = page("forecast")
    upload(app, label, ("bad.csv", OWN_TABLE.replace("large,160", "large,170").encode()))
    press(app, "Keep this size table")
    assert "leave out 160 to 170 g" in app.error[0].value
    app = page("forecast")
    upload(app, label, ("classes_5mm.csv", OWN_TABLE.encode()))
    press(app, "Keep this size table")
    assert "has the name of a size table that comes along" in app.error[0].value
    app = page("forecast")
    upload(app, label, ("../My line.csv", OWN_TABLE.encode()))
    press(app, "Keep this size table")
    assert not app.exception
    assert "My\\_line: 2 classes are in." in app.success[0].value
    assert box(app, "Size table").value == "My_line"
    press(app, "Make forecast")
    with open_farm(filled) as store:
        (forecast,) = store.forecasts()
        assert forecast.size_table == "My_line"
        table = farm_size_table("My_line", store.folder)
    assert [one.name for one in table.classes] == ["small", "large"]
    (kept,) = (filled / "size_tables").iterdir()
    assert kept.name == "My_line.csv"
    kept.write_text("class,from_g\nsmall,80\n")
    app = page("forecast")
    box(app, "Size table").set_value("My_line").run()
    assert not app.exception
    assert "My_line.csv has no limits" in app.error[0].value.replace("\\", "")


def test_who_may_only_look_finds_no_box_for_a_size_table(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for role in (Role.MANAGER, Role.READER):
        monkeypatch.setattr("app.session.role", lambda role=role: role)
        for name in ("forecast", "setup"):
            app = page(name)
            assert not app.exception
            boxes = [one.label for one in app.file_uploader if "size table" in one.label]
            assert len(boxes) == (role is Role.MANAGER)
    # A page that was open before the role was taken away: the farm itself refuses.
    monkeypatch.setattr("app.session.may_change", lambda: True)
    app = page("forecast")
    upload(app, "Your own size table", ("My line.csv", OWN_TABLE.encode()))
    press(app, "Keep this size table")
    assert "You may look at this farm and change nothing." in text(app)
    assert not (filled / "size_tables").exists()


def test_a_pick_date_before_the_photos_is_an_error_with_its_fix(folder: Path) -> None:
    with open_farm(folder) as store:
        fill(store, pick_date=date(2026, 8, 1))
    app = press(page("forecast"), "Make forecast")
    assert not app.exception
    assert "The pick date 2026-08-01 is before the photos" in app.error[0].value
    assert "Correct the pick date" in app.error[0].value
    assert not app.download_button


def typed(app: AppTest, label: str, value: str) -> None:
    (found,) = (item for item in app.text_input if item.label == label)
    found.set_value(value)


def test_a_version_is_frozen_by_name_and_stays_in_the_list(filled: Path) -> None:
    app = press(page("forecast"), "Make forecast")
    assert "This version is not frozen" in text(app)
    press(app, "Freeze this version")
    assert "A frozen version bears a name" in app.error[0].value
    typed(app, "Who freezes it", "Ines")
    typed(app, "Why (if you want to say it)", "first quote")
    press(app, "Freeze this version")
    assert not app.exception
    assert "sales works with this version" in app.success[0].value
    assert "frozen by Ines, " in text(app)
    assert ", frozen (" in box(app, "Version").options[0]
    listed = next(item.value for item in app.table if "Why" in item.value)
    assert (listed["Who"].tolist(), listed["Why"].tolist()) == (["Ines"], ["first quote"])
    # The same again is no new one.
    typed(app, "Who freezes it", "Paul")
    typed(app, "Why (if you want to say it)", "first quote")
    press(app, "Freeze this version")
    assert "frozen already" in app.success[0].value
    with open_farm(filled) as store:
        (one,) = store.frozen_forecasts()
        assert (one.frozen_by, one.note) == ("Ines", "first quote")
        assert one.forecast_id == store.forecasts()[0].forecast_id


def test_a_later_version_is_told_from_the_one_that_sales_works_with(filled: Path) -> None:
    app = press(page("forecast"), "Make forecast")
    typed(app, "Who freezes it", "Ines")
    press(app, "Freeze this version")
    with open_farm(filled) as store:
        store.save_hand_counts([records.hand_count(n, 4 * (6 + n)) for n in range(1, 6)])
    app = press(page("forecast"), "Make forecast")
    assert "This version is not frozen" in text(app)
    typed(app, "Who freezes it", "Ines")
    press(app, "Freeze this version")
    box(app, "Version").set_value(box(app, "Version").options[1]).run()
    assert "sales works with a later one by now" in text(app)


def test_a_kept_what_if_has_no_button_to_freeze_it(filled: Path) -> None:
    press(page("forecast"), "Make forecast")
    with open_farm(filled) as store:
        (kept,) = store.forecasts()
        store.save_forecast(
            replace(kept, forecast_id="2026-08-14-00000000", number=2, what_if="dry season")
        )
    app = page("forecast")
    box(app, "Version").set_value("2026-08-14-00000000").run()
    assert not app.exception
    assert "A what-if can't be frozen" in text(app)
    assert "Freeze this version" not in [item.label for item in app.button]


def test_sizes_at_the_pick_are_shown_with_the_limits_of_the_classes(filled: Path) -> None:
    app = press(page("forecast"), "Make forecast")
    assert "Size at the walk and at the pick" in text(app)
    with open_farm(filled) as store:
        (kept,) = store.forecasts()
        # A forecast of an earlier version can't be drawn again: its page stands without the curve.
        bare = replace(kept, forecast_id="2026-08-14-00000000", table=None, settings_text="")
        store.save_forecast(bare)
    app = page("forecast")
    box(app, "Version").set_value("2026-08-14-00000000").run()
    assert not app.exception
    assert "Size at the walk and at the pick" not in text(app)


def test_of_many_varieties_one_is_shown_with_its_blocks(filled: Path) -> None:
    press(page("forecast"), "Make forecast")
    with open_farm(filled) as store:
        (kept,) = store.forecasts()
        names = ("Gala", "Fuji", "Braeburn")
        crops = tuple(replace(kept.varieties[0], variety=name, name=name) for name in names)
        blocks = tuple(replace(kept.blocks[0], variety=name, name=f"{name} 1") for name in names)
        store.save_forecast(
            replace(
                kept,
                forecast_id="2026-08-14-00000000",
                number=2,
                varieties=crops,
                blocks=blocks,
                inputs=(),
            )
        )
    app = page("forecast")
    box(app, "Version").set_value("2026-08-14-00000000").run()
    box(app, "Variety").set_value("Fuji").run()
    assert not app.exception
    heads = [item.value for item in app.subheader]
    assert "Fuji: pack-out" in heads
    assert "Gala: pack-out" not in heads
    assert box(app, "Block").options == ["Fuji 1, pick 3 Sep 2026 (week 36)"]
    assert app.query_params["variety"] in ("Fuji", ["Fuji"])


def test_a_pick_date_that_is_past_is_told_once(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for day, times in (("2026-09-03", 0), ("2026-09-04", 1)):
        monkeypatch.setenv(DAY_VARIABLE, day)
        app = press(page("forecast"), "Make forecast")
        assert not app.exception
        told = "\n".join([text(app), *(item.value for item in app.warning)])
        found = re.findall(r"hung on the trees|was past when this was made", told)
        assert len(set(found)) == times
        # Why nothing is promised stands beside the number, in a sentence of its own.
        assert ("The pick date is past: set it anew (Gala North)." in told) == bool(times)


def test_the_cause_other_names_the_block_that_came(filled: Path) -> None:
    press(page("forecast"), "Make forecast")
    with open_farm(filled) as store:
        add_good_block(store, "Mill")
    app = press(page("forecast"), "Make forecast")
    assert "Other: new block Mill." in text(app)
    with open_farm(filled) as store:
        latest = store.forecasts()[-1]
    assert latest.bridge is not None
    assert latest.total.cartons is not None
    both = f"Expected cartons ({latest.bridge.cartons:,.0f}) are the mean"
    assert both in text(app)
    assert f"P50 ({latest.total.cartons.p50:,.0f}) is its middle" in text(app)


# ---------------------------------------------------------------- charts


def rows_with(chart: charts.Chart, name: str) -> list[dict[str, Any]]:
    """The rows of a chart's data that hold a field."""
    sets = chart.to_dict()["datasets"].values()
    return [row for rows in sets for row in rows if name in row]


def test_bars_of_the_bridge_start_where_the_one_before_ended() -> None:
    found = Bridge(
        earlier_id="a",
        earlier_cartons=100.0,
        steps=(
            BridgeStep(cause="hidden fruit", cartons=30.0),
            BridgeStep(cause="growth", cartons=0.2),
            BridgeStep(cause="pick plan", cartons=-10.0),
        ),
        cartons=120.2,
    )
    bars = {row["cause"]: row for row in rows_with(charts_forecast.bridge(found), "cause")}
    # Growth, below half a carton, has no bar.
    assert {name: (bar["from"], bar["to"], bar["text"]) for name, bar in bars.items()} == {
        "before": (100.0, 100.0, "100"),
        "hidden fruit": (100.0, 130.0, "+30"),
        "pick plan": (pytest.approx(130.2), pytest.approx(120.2), "−10"),
        "now": (120.2, 120.2, "120"),
    }


def test_curves_are_in_percent_and_in_the_visitors_unit() -> None:
    band = SizeBand(
        low_mm=70.0, high_mm=72.0, at_walk=Estimate(0.1, 0.2, 0.3), at_pick=Estimate(0.2, 0.4, 0.5)
    )
    for system, middle in ((UnitSystem.METRIC, 71.0), (UnitSystem.US, 71.0 / 25.4)):
        unit = units_of(system).diameter
        chart = charts_forecast.sizes_at_pick([band], [("88", 60.0, 71.5)], unit)
        walk, pick = rows_with(chart, "mid")
        assert walk["at"] == pytest.approx(middle)
        assert (walk["low"], walk["mid"], walk["high"]) == pytest.approx((10, 20, 30))
        assert (pick["low"], pick["mid"], pick["high"]) == pytest.approx((20, 40, 50))
        assert f"Diameter, {unit.symbol}" in str(chart.to_dict())


def test_a_class_is_a_bar_to_p50_with_its_range() -> None:
    classes = [
        ClassForecast(size_class=name, share=Estimate(0, 0, 0), cartons=Estimate(1.26, 2, 3000))
        for name in ("undersize", "88")
    ]
    large, small = rows_with(charts_forecast.packout(classes), "p50")
    assert (large["name"], small["name"]) == ("88", "Undersize")
    assert (large["p10 told"], large["p50 told"], large["p90 told"]) == ("1.3", "2.0", "3,000")
