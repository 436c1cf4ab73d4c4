"""The page of tables: what was understood, what is asked, and the yes."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from streamlit.testing.v1 import AppTest

from fruitvision.accounts import Role
from fruitvision.domain import CartonPrice, ThingKind
from fruitvision.papers.days import DayOrder
from fruitvision.pipeline.papers import names_said
from fruitvision.store import open_farm
from tests.app.pages import fill as fill_with_walk
from tests.app.pages import page, press, text, upload
from tests.paper_files import fill, workbook

CALIPERS = (
    "Mediciones de julio\nCuartel;Hilera;Árbol;Fecha;Diámetro\n"
    "GALA N-4;1;1;03/07/2026;71.2\nGala North 4;1;2;03/07/2026;70,8\n"
    "Gala North 4;1;3;03/07/2026;2.79\nGala North 4;1;4;03/07/2026;700\n"
)


@pytest.fixture(autouse=True)
def _after_the_pick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tickets of September are of no day to come, whatever the clock says."""
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-10-15")


@pytest.fixture
def three_blocks(folder: Path) -> Path:
    with open_farm(folder) as store:
        fill(store)
    return folder


def brought(content: str, name: str = "table.csv", app: AppTest | None = None) -> AppTest:
    app = app or page("papers")
    upload(app, "Table, CSV or XLSX", (name, content.encode("cp1252")))
    assert not app.exception
    return app


def select(app: AppTest, label: str) -> Any:
    (box,) = (item for item in app.selectbox if item.label.startswith(label))
    return box


def radio(app: AppTest, label: str) -> Any:
    (box,) = (item for item in app.radio if item.label.startswith(label))
    return box


def yes_buttons(app: AppTest) -> list[str]:
    return [item.label for item in app.button if item.label.startswith("Take th")]


def test_what_a_sheet_hides_merges_and_computes_is_told_and_what_proves_its_dates(
    three_blocks: Path, tmp_path: Path
) -> None:
    path = workbook(
        tmp_path,
        {
            "Picks": [
                ["Ticket", "Block", "Picked on", "Bins"],
                ["T1", "Fuji Slope", "03/09/2026", 2],
                ["T2", "Fuji Slope", "23/09/2026", "=1+1"],
            ]
        },
    )
    book = load_workbook(path)
    book["Picks"].row_dimensions[2].hidden = True
    book["Picks"].merge_cells("F1:G1")
    book.save(path)
    app = page("papers")
    upload(app, "Table, CSV or XLSX", (path.name, path.read_bytes()))
    assert not app.exception
    told = text(app)
    assert "Rows that the sheet hides are read too: 2." in told
    assert "Merged cells: each of them has the text." in told
    assert "Formulas: the value that was last shown counts" in told
    assert "Dates are read as day, month, year: 23/09/2026 tells it." in told


def test_a_table_is_asked_about_and_goes_in_at_a_yes_only(three_blocks: Path) -> None:
    app = brought(CALIPERS)
    assert select(app, "What is this table?").value == "calipers"
    assert "Answer what is asked above" in text(app)
    assert yes_buttons(app) == []
    app = radio(app, "03/07/2026 may be several days").set_value(DayOrder.DAY_FIRST).run()
    assert not app.exception
    # Without a word about the inches and the name these rows stay out.
    assert yes_buttons(app) == ["Take this 1 row in"]
    assert "diameter\\_mm is 700" in text(app)
    app = radio(app, "These look like inches").set_value(True).run()
    name = select(app, "Block “GALA N-4”")
    assert name.options[:2] == ["leave these rows out", "Gala North 4"]
    app = name.set_value("Gala North 4").run()
    assert not app.exception
    assert yes_buttons(app) == ["Take these 3 rows in"]
    with open_farm(three_blocks) as store:
        assert store.caliper_readings() == ()
    app = press(app, "Take these 3 rows in")
    assert not app.exception
    assert "table.csv: 3 rows are in. Caliper readings." in app.success[0].value.replace("\\", "")
    with open_farm(three_blocks) as store:
        readings = store.caliper_readings()
        assert [round(one.diameter_mm, 1) for one in readings] == [71.2, 70.8, 70.9]
        assert {one.measured_on for one in readings} == {date(2026, 7, 3)}
        assert [one.about for one in store.changes(kind=ThingKind.TABLE)] == ["calipers"]
        assert [one.meant for one in names_said(store)] == ["Gala North 4"]


def test_the_same_file_again_says_so_and_has_no_button(three_blocks: Path) -> None:
    content = "ticket,block,picked_on,bins\nT1,Fuji Slope,2026-09-03,2\n"
    press(brought(content), "Take this 1 row in")
    app = brought(content)
    assert "the same as what is there" in text(app)
    assert yes_buttons(app) == []


def test_two_tabs_do_not_double_a_table(three_blocks: Path) -> None:
    content = "ticket,block,picked_on,bins\nT1,Fuji Slope,2026-09-03,2\n"
    one, other = brought(content), brought(content)
    press(one, "Take this 1 row in")
    other = press(other, "Take this 1 row in")
    assert not other.exception
    with open_farm(three_blocks) as store:
        assert len(store.bin_tickets()) == 1
        assert len(store.changes(kind=ThingKind.TABLE)) == 1


def test_a_name_that_was_told_can_be_asked_again(three_blocks: Path) -> None:
    content = "ticket,block,picked_on,bins\nT1,GALA N-4,2026-09-03,2\n"
    app = select(brought(content), "Block “GALA N-4”").set_value("Gala North 4").run()
    app = press(app, "Take this 1 row in")
    app = brought(content.replace("T1", "T2"), app=page("papers"))
    assert "as said on" in text(app)
    assert yes_buttons(app) == ["Take this 1 row in"]
    app = select(page("papers"), "Which one shall be asked again?").set_value(0).run()
    app = press(app, "Ask it again next time")
    assert "is asked again next time" in app.success[0].value
    with open_farm(three_blocks) as store:
        assert names_said(store) == ()


def test_columns_and_kind_are_put_right(three_blocks: Path) -> None:
    app = brought("Block;Reihe;Tree;Date;Diam mm\nFuji Slope;1;2;2026-07-22;70\n")
    app = select(app, "Which column is: Row?").set_value("Reihe").run()
    assert yes_buttons(app) == ["Take this 1 row in"]
    app = select(app, "What is this table?").set_value("gaps").run()
    assert not app.exception
    assert yes_buttons(app) == []


def test_an_odd_count_waits_for_a_tick(folder: Path) -> None:
    with open_farm(folder) as store:
        fill_with_walk(store)
    app = brought("block,row,position,fruit_count,counted_on\nGala North,1,3,180,2026-08-12\n")
    assert yes_buttons(app) == []
    (box,) = (item for item in app.checkbox if item.label.startswith("Line 2: 180 fruit"))
    app = box.check().run()
    assert yes_buttons(app) == ["Take this 1 row in"]


def test_what_is_no_table_is_told_by_its_own_name(three_blocks: Path) -> None:
    app = page("papers")
    upload(app, "Table, CSV or XLSX", ("Größe.xlsx", b"\x81\x8d\x00"))
    assert not app.exception
    assert "Größe.xlsx is no text" in app.error[0].value.replace("\\", "")


def test_what_looks_like_a_page_stays_text(three_blocks: Path) -> None:
    content = 'ticket,block,picked_on,bins\n"<b onclick=x>\n\n**T**",Fuji Slope,2026-09-03,2\n'
    app = brought(content)
    (shown,) = (one.value for one in app.markdown if "fv-wide" in one.value)
    assert "&lt;b onclick=x&gt; **T**" in shown
    assert "<b onclick" not in shown
    assert "\n\n" not in shown
    press(app, "Take this 1 row in")
    with open_farm(three_blocks) as store:
        assert [one.ticket for one in store.bin_tickets()] == ["<b onclick=x>\n\n**T**"]


def test_one_of_several_sheets_is_chosen_and_what_goes_is_told(
    three_blocks: Path, tmp_path: Path
) -> None:
    with open_farm(three_blocks) as store:
        old = CartonPrice(per_carton=20.0, variety="Fuji")
        store.save_prices([old])
    rows: list[list[object]] = [["Variety", "Price per carton"], ["Gala", 25.5]]
    path = workbook(tmp_path, {"Notes": [["nothing", "here"]], "2026": rows})
    app = page("papers")
    upload(app, "Table", ("prices.xlsx", path.read_bytes()))
    assert yes_buttons(app) == []
    app = select(app, "Which sheet").set_value("2026").run()
    assert not app.exception
    assert select(app, "What is this table?").value == "prices"
    assert "These would go, since the table takes their place:\n\n- Fuji" in text(app)
    press(app, "Take this 1 row in")
    with open_farm(three_blocks) as store:
        assert store.prices() == (CartonPrice(per_carton=25.5, variety="Gala"),)


@pytest.mark.usefixtures("three_blocks")
def test_a_scout_brings_hand_work_and_no_order_book(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.session.role", lambda: Role.SCOUT)
    orders = "customer,variety,classes,week,cartons,kind\nHarbour,Gala,all,2026-W36,10,firm\n"
    app = brought(orders, "orders.csv")
    assert "Your role does not bring such tables" in text(app)
    assert yes_buttons(app) == []
    assert set(select(app, "What is this table?").options) == {
        *("Order book", "Caliper readings", "Hand counts", "Gaps that somebody went to"),
    }
    app = brought("block,row,position,fruit,date\nGala North 4,1,1,80,2026-07-21\n", "counts.csv")
    assert yes_buttons(app)


def test_a_ticket_that_can_hardly_be_meant_is_asked_about(
    three_blocks: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-09-04")
    app = brought(
        "ticket,block,picked_on,bins\nT1,Fuji Slope,2026-09-03,2\nT2,Fuji Slope,2026-12-25,2\n"
    )
    (asked,) = (one for one in app.checkbox if "ticket T2" in one.label)
    assert "a day to come" in asked.label
    assert yes_buttons(app) == ["Take this 1 row in"]
    asked.check().run()
    assert yes_buttons(app) == ["Take these 2 rows in"]
