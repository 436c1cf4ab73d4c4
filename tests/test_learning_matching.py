"""Lots, tickets and blocks put together; what matches nothing is listed."""

from datetime import date

import pytest

from fruitvision.domain import (
    BinTicket,
    Block,
    CulledFruit,
    LotPart,
    PackedCartons,
    PackedLot,
    SeasonNote,
)
from fruitvision.learning.matching import Matched, season_results

NORTH = Block(block_id="Gala North", variety="Gala", positions=300)
SOUTH = Block(block_id="Gala South", variety="Gala", positions=300)
DAY = date(2026, 9, 3)
PACKED = date(2027, 2, 10)


def ticket(
    number: int, bins: float, *, block: str = "Gala North", lot: str = "", day: date = DAY
) -> BinTicket:
    return BinTicket(ticket=str(number), block_id=block, picked_on=day, bins=bins, lot=lot)


def lot(
    name: str = "L1", *, parts: tuple[LotPart, ...] = (), variety: str = "", cartons: float = 100
) -> PackedLot:
    return PackedLot(
        lot=name,
        packed_on=PACKED,
        variety=variety,
        parts=parts,
        cartons=(PackedCartons(size_class="113", cartons=cartons),),
        culled=(CulledFruit(cause="bruise", kg=200.0),),
    )


def matched(
    tickets: list[BinTicket], lots: list[PackedLot], notes: tuple[SeasonNote, ...] = ()
) -> Matched:
    return season_results(tickets, lots, notes, [NORTH, SOUTH], {"Gala North": [DAY]})


def test_a_lot_of_two_blocks_is_split_by_bins() -> None:
    found = matched([ticket(1, 6, lot="L1"), ticket(2, 2, lot="L1", block="Gala South")], [lot()])
    north, south = found.results
    assert (north.block_id, north.season, north.bins) == ("Gala North", 2026, 6.0)
    assert north.pieces[0].cartons[0].cartons == pytest.approx(75.0)
    assert north.pieces[0].culled_kg == pytest.approx(150.0)
    assert south.pieces[0].cartons[0].cartons == pytest.approx(25.0)
    assert south.pieces[0].of_lot == 0.25
    assert found.loose == ()


def test_the_lots_own_paper_tells_where_no_ticket_does_and_its_season_is_that_of_the_pick() -> None:
    # Packed in February: the crop of the year before.
    found = matched([], [lot(parts=(LotPart(block_id="Gala North", bins=8),))])
    (north,) = found.results
    assert (north.season, north.bins, north.packed_bins, north.mean_day) == (2026, 8, 8, None)


def test_tickets_have_the_word_before_the_lots_paper_and_a_difference_is_told() -> None:
    found = matched(
        [ticket(1, 10, lot="L1")], [lot(parts=(LotPart(block_id="Gala North", bins=14),))]
    )
    assert found.results[0].bins == 10
    assert "Its bins are 10 by tickets, 14 by its own paper." in found.loose[0].what


def test_the_mean_day_of_the_pick_is_by_bins() -> None:
    found = matched([ticket(1, 30), ticket(2, 10, day=date(2026, 9, 7))], [])
    assert (found.results[0].first_day, found.results[0].mean_day) == (DAY, date(2026, 9, 4))


def test_what_matches_nothing_is_listed_and_nothing_is_dropped_unseen() -> None:
    found = matched(
        [
            ticket(1, 6, lot="L1"),
            ticket(2, 2, lot="L1", block="GALA N-4"),
            ticket(3, 5, lot="L9"),
            ticket(4, 1),
        ],
        [
            lot(),
            lot("L2"),
            lot("L3", parts=(LotPart(block_id="Gala North", bins=3),), variety="Fuji"),
        ],
    )
    (north,) = found.results
    # 6 of 8 bins of the mixed lot; those of the strange block went with it.
    assert north.pieces[0].cartons[0].cartons == pytest.approx(75.0)
    assert north.bins == 12
    said = [f"{one.name}: {one.what}" for one in found.loose]
    assert any(one.startswith("Tickets of 'GALA N-4', 2 bins") for one in said)
    assert any(one.startswith("Lot L1: Block 'GALA N-4'") for one in said)
    assert any(one.startswith("Lot L2: No ticket names it") for one in said)
    assert any(one.startswith("Lot L3: It is of variety Fuji") for one in said)
    assert any(one == "Gala North 2026: 6 of 12 bins are in no packed lot." for one in said)
    assert len(said) == 5


def test_a_note_goes_with_its_block_and_season() -> None:
    note = SeasonNote(
        block_id="Gala North", season=2026, left_bins=2, stolen_bins=1, left_out="hail"
    )
    found = matched([ticket(1, 6), ticket(2, 5, day=date(2025, 9, 1))], [], (note,))
    before, now = found.results
    assert (before.season, before.left_out, before.missing_bins) == (2025, "", 0)
    assert (now.left_out, now.missing_bins) == ("hail", 3)
