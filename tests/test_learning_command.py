"""`fruitvision lots`, `score` and `learn`, on a farm whose season came back."""

import shutil
from pathlib import Path

import pytest

from fruitvision.store import open_farm
from tests.test_bad_input import run
from tests.test_learning_farm import make, packed
from tests.walked_farm import add_good_block


@pytest.fixture(autouse=True)
def _after_the_pick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tickets of September are of no day to come, whatever the clock says."""
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-10-15")


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("walked") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        add_good_block(store, "Hill")
        make(store)
    return folder


@pytest.fixture
def farm(walked: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(walked, tmp_path / "farm"))


def bring_in(farm: Path, *, fruit: float = 1.2, mm: float = 1.5) -> None:
    with open_farm(farm) as store:
        packed(store, fruit=fruit, mm=mm)


def test_a_farm_without_a_season_says_so(farm: Path) -> None:
    status, text = run("score", "--farm", str(farm))
    assert (status, text.splitlines()[0][:14]) == (0, "No history yet")
    status, text = run("learn", "--farm", str(farm), "--accept", "all", "--by", "Ines")
    assert status == 2
    assert "Nothing was learned yet." in text
    assert "Load bin tickets and packed lots" in text


def test_the_score_tells_coverage_and_each_layer(farm: Path) -> None:
    bring_in(farm)
    status, text = run("score", "--farm", str(farm))
    assert status == 0, text
    assert "0 of 1 result ended inside P10–P90; 8 of 10 should." in text
    (line,) = (one for one in text.splitlines() if one.startswith("Gala 2026"))
    # A fifth more came in: 1 / 1.2 is 17 % low; 1.5 mm larger.
    assert "was 17 % low in count, 1.5 mm low in size, pack-out as assumed." in line
    assert "Main cause: the number of fruit." in line
    assert line.endswith("The number rested on 12 trees and 6 hand counts.")
    _, inches = run("score", "--farm", str(farm), "--units", "us")
    assert "0.06 in low in size" in inches


def test_corrections_are_shown_before_anything_is_used(farm: Path) -> None:
    bring_in(farm)
    status, text = run("learn", "--farm", str(farm))
    assert status == 0
    assert "Nothing is used that nobody accepted." in text
    assert "nobody accepted or refused it yet" in text
    assert "rests on 1 season of its own" in text
    status, text = run(
        *("learn", "--farm", str(farm), "--accept", "Gala", "--by", "Ines", "--note", "young trees")
    )
    assert status == 0
    assert "accepted by Ines on" in text
    assert "(young trees)" in text
    assert "those that were made stay" in text
    status, text = run("learn", "--farm", str(farm), "--refuse", "Hill", "--by", "Paul")
    assert "refused by Paul on" in text


def test_accept_and_refuse_at_once_is_asked_about(farm: Path) -> None:
    status, text = run("learn", "--farm", str(farm), "--accept", "all", "--refuse", "all")
    assert status == 2
    assert "Accept and refuse are both given." in text


def test_lots_are_loaded_and_what_matches_nothing_is_told(farm: Path, tmp_path: Path) -> None:
    (tmp_path / "tickets.csv").write_text(
        "ticket,block,picked_on,bins,lot\n1,Hill,2026-09-03,2,L1\n2,Hil,2026-09-03,5,\n"
    )
    (tmp_path / "packed.csv").write_text(
        "lot,packed_on,size_class,cartons,culled_kg\n"
        "L1,2026-10-01,125,300,\nL1,,113,200,\nL1,,,,900\nL2,2026-10-01,113,20,\n"
    )
    status, text = run("lots", "load", str(tmp_path), "--farm", str(farm), "--by", "Ines")
    assert status == 1
    assert "2 bin tickets, 2 packed lots" in text
    assert "Tickets of 'Hil', 5 bins" in text
    assert "Did you mean 'Hill'?" in text
    assert "Lot L2: No ticket names it" in text


def test_a_load_of_which_every_row_is_taken_is_done_whatever_waits_elsewhere(
    farm: Path, tmp_path: Path
) -> None:
    older, new = tmp_path / "older.csv", tmp_path / "tickets.csv"
    older.write_text("ticket,block,picked_on,bins\n2,Hil,2026-09-03,5\n")
    new.write_text("ticket,block,picked_on,bins\n1,Hill,2026-09-03,2\n")
    assert run("lots", "load", str(older), "--farm", str(farm))[0] == 1
    status, text = run("lots", "load", str(new), "--farm", str(farm))
    # An older ticket matches nothing, and nothing is packed: said, and no fault of this load.
    assert "Tickets of 'Hil', 5 bins" in text
    assert status == 0


@pytest.mark.parametrize("season", ["26", "20226"])
def test_a_note_is_of_a_season_that_can_be(farm: Path, season: str) -> None:
    status, text = run("lots", "note", "Hill", season, "--left", "2", "--farm", str(farm))
    assert status == 2
    assert f"There is no season {season}." in text


def test_a_season_is_left_out_with_a_reason_and_taken_back(farm: Path) -> None:
    bring_in(farm)
    status, text = run(
        *("lots", "note", "Hill", "2026", "--leave-out", "hail", "--left", "2.5"),
        *("--farm", str(farm), "--by", "Ines"),
    )
    assert (status, text.strip()) == (
        0,
        "Hill 2026: 2.5 bins that never came in, left out of learning: hail.",
    )
    _, text = run("score", "--farm", str(farm))
    assert "1 result left out, with a reason of the farm's own." in text
    assert "No history yet" in text
    status, text = run("lots", "note", "Hill", "2026", "--leave-out", "", "--farm", str(farm))
    assert "Hill 2026: 2.5 bins that never came in." in text
    _, text = run("score", "--farm", str(farm))
    assert "0 of 1 result" in text


def test_a_season_that_a_block_does_not_have_is_refused_with_those_it_has(farm: Path) -> None:
    bring_in(farm)
    note = ("--leave-out", "hail", "--farm", str(farm))
    status, text = run("lots", "note", "Hill", "2019", *note)
    assert status == 2
    assert "Hill has no season 2019." in text
    assert "Give one that was forecast or brought bins: 2026." in text
    with open_farm(farm) as store:
        assert store.season_notes() == ()
    status, text = run("lots", "note", "Hill", "1926", *note)
    assert (status, "There is no season 1926." in text) == (2, True)
