"""`fruitvision table`: a look, a yes, and the names that were told."""

from __future__ import annotations

from pathlib import Path

import pytest

from fruitvision.cli import main
from fruitvision.store import open_farm
from tests.paper_files import fill, paper

TICKETS = "Boleta;Cuartel;Fecha;Bins\nT1;GALA N-4;03/09/2026;2\nT2;Gala North 1;04/09/2026;3\n"


@pytest.fixture(autouse=True)
def _after_the_pick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tickets of September are of no day to come, whatever the clock says."""
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-10-15")


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    with open_farm(tmp_path / "farm") as store:
        fill(store)
    return tmp_path / "farm"


def tickets(farm: Path) -> list[tuple[str, str, str]]:
    with open_farm(farm) as store:
        return [(one.ticket, one.block_id, str(one.picked_on)) for one in store.bin_tickets()]


def test_a_table_is_looked_at_asked_about_and_taken_in_at_a_yes(
    farm: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(paper(tmp_path, TICKETS, "boletas.csv", encoding="cp1252"))
    assert main(["table", "preview", file, "--farm", str(farm)]) == 1
    told = capsys.readouterr().out
    assert "Taken as: tickets" in told
    assert "--dates dmy (2026-09-03) or --dates mdy (2026-03-09)" in told
    assert "--name 'block:GALA N-4=Gala North 4'" in told
    dates = ("--dates", "dmy")
    name = ("--name", "block:GALA N-4=Gala North 4")
    assert main(["table", "preview", file, "--farm", str(farm), *dates, *name]) == 0
    capsys.readouterr()
    assert main(["table", "load", file, "--farm", str(farm), *dates, *name]) == 2
    told = capsys.readouterr().out
    assert "boletas.csv: nothing is changed yet." in told
    assert "Say --yes" in told
    assert tickets(farm) == []
    load = ["table", "load", file, "--farm", str(farm), *dates, "--yes", "--by", "Ines"]
    assert main([*load, *name]) == 0
    told = capsys.readouterr().out
    assert "nothing is changed yet" not in told
    assert "Taken in: 2 rows of tickets." in told
    assert tickets(farm) == [
        ("T1", "Gala North 4", "2026-09-03"),
        ("T2", "Gala North 1", "2026-09-04"),
    ]
    assert main(load) == 0
    told = capsys.readouterr().out
    assert "as you said on" in told
    assert "all of it is there already" in told


def test_names_are_listed_and_taken_back(
    farm: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(paper(tmp_path, TICKETS, "boletas.csv"))
    names = ["table", "names", "--farm", str(farm)]
    assert main(names) == 0
    assert "Nobody told" in capsys.readouterr().out
    load = ["table", "load", file, "--farm", str(farm), "--dates", "dmy", "--yes", "--by", "Ines"]
    assert main([*load, "--name", "block:GALA N-4=Gala North 4"]) == 0
    capsys.readouterr()
    assert main(names) == 0
    assert "block: 'GALA N-4' is Gala North 4 (as you said on" in capsys.readouterr().out
    assert main([*names, "--forget", "block:GALA N-4"]) == 0
    assert "Nobody told" in capsys.readouterr().out
    assert main([*names, "--forget", "block:GALA N-4"]) == 2


@pytest.mark.parametrize(
    "options",
    [
        ("--dates", "x"),
        ("--name", "GALA N-4"),
        ("--name", "GALA N-4=Gala North 4"),
        ("--column", "x"),
        ("--odd", "x"),
        ("--kind", "x"),
        ("--sheet", "x"),
    ],
)
def test_an_answer_that_makes_no_sense_is_told(
    farm: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, str]
) -> None:
    file = str(paper(tmp_path, TICKETS))
    assert main(["table", "preview", file, "--farm", str(farm), *options]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 2


def test_a_table_of_which_nothing_can_be_taken_in_is_not_done(
    farm: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = "ticket,block,picked_on,bins\nT1,Gala North 1,2026-09-03,-2\n"
    file = str(paper(tmp_path, bad))
    assert main(["table", "preview", file, "--farm", str(farm)]) == 0
    told = capsys.readouterr().out
    assert "Would take in 0 rows" in told
    assert "To take it in" not in told
    assert main(["table", "load", file, "--farm", str(farm), "--yes"]) == 2
    assert "No row can be taken in." in capsys.readouterr().out
    junk = str(paper(tmp_path, "x,y\n1,2\n", "junk.csv"))
    assert main(["table", "load", junk, "--farm", str(farm), "--yes"]) == 2
    assert tickets(farm) == []


def test_a_ticket_of_an_odd_day_that_is_there_is_asked_about_no_more(
    farm: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    odd = "ticket,block,picked_on,bins\nT1,Gala North 1,2026-12-24,2\n"
    load = ["table", "load", str(paper(tmp_path, odd)), "--farm", str(farm), "--yes"]
    assert main(load) == 2
    assert main([*load, "--odd", "2"]) == 0
    capsys.readouterr()
    assert main(load) == 0
    assert "all of it is there already" in capsys.readouterr().out


def test_a_file_that_is_not_there_is_told(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", "preview", "nowhere.csv", "--farm", str(farm)]) == 2
    assert "Can't read nowhere.csv" in capsys.readouterr().err
