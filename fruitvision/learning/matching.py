"""Bin tickets and packed lots put together: what came in of a block in a season.

The ticket is the key: it names the block, the day and the lot. A lot of several blocks is split by
their bins. What matches nothing is listed and stays out; what a strange block's bins bring a mixed
lot is taken out with them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fruitvision.domain import (
    BinTicket,
    Block,
    CulledFruit,
    PackedCartons,
    PackedLot,
    PickPlan,
    SeasonNote,
)
from fruitvision.errors import did_you_mean
from fruitvision.learning.pick_season import BlockSeason, block_seasons, season_on

# Bins of a lot by its tickets and by its own paper may differ by so much. Our choice: a bin in ten.
BINS_MAY_DIFFER = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Loose:
    """Something of the packing house that matches nothing: what it is, and what to do."""

    name: str
    what: str
    fix: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LotPiece:
    """A block's part of a lot, by bins. `of_lot` is that part, 1 where the lot is all its own."""

    lot: str
    bins: float
    of_lot: float
    size_table: str
    cartons: tuple[PackedCartons, ...]
    culled: tuple[CulledFruit, ...] = ()
    cull_share: float | None = None
    bin_kg: float | None = None
    fruit_per_bin: float | None = None

    @property
    def culled_kg(self) -> float | None:
        """Weight that was not packed; None where no weight is known."""
        return sum(one.kg for one in self.culled) if self.culled else None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonResult:
    """What came in of one block in one season.

    Attributes
    ----------
    season : int
        The year that the harvest is called by, see `pick_season`.
    begins : date
        The day that it is known by.
    bins : float
        By its tickets, else by its lots.
    first_day, mean_day : date or None
        Of the pick, the second by bins; None without tickets.
    pieces : tuple of LotPiece
        What was packed of it.
    note : SeasonNote or None
        What the papers can't tell.
    """

    block_id: str
    variety: str
    season: int
    begins: date
    bins: float
    first_day: date | None
    mean_day: date | None
    pieces: tuple[LotPiece, ...]
    note: SeasonNote | None = None

    @property
    def packed_bins(self) -> float:
        """Bins in packed lots."""
        return sum(one.bins for one in self.pieces)

    @property
    def missing_bins(self) -> float:
        """Bins that hung at the pick and never came in, by the note."""
        return 0.0 if self.note is None else self.note.missing_bins

    def days_late(self, plan: PickPlan) -> int:
        """Days by which the bins came later than planned, on average; 0 without tickets."""
        if self.mean_day is None:
            return 0
        total = sum(one.share for one in plan.picks) or 1.0
        planned = sum(one.pick_date.toordinal() * one.share for one in plan.picks) / total
        return round(self.mean_day.toordinal() - planned)

    @property
    def left_out(self) -> str:
        """Why nothing is to be learned of it; empty: it counts."""
        return "" if self.note is None else self.note.left_out


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Results by block and season, and what matches nothing."""

    results: tuple[SeasonResult, ...]
    loose: tuple[Loose, ...]


# A block and the season of its pick.
Key = tuple[str, BlockSeason]
# Harvests by block.
Seasons = Mapping[str, Sequence[BlockSeason]]


def seasons_of(
    tickets: Iterable[BinTicket], pick_days: Mapping[str, Sequence[date]]
) -> dict[str, tuple[BlockSeason, ...]]:
    """Every harvest of every block that was planned or has tickets; `pick_days` : as below."""
    picked: dict[str, list[date]] = {}
    for ticket in tickets:
        picked.setdefault(ticket.block_id, []).append(ticket.picked_on)
    return {
        name: block_seasons(pick_days.get(name, ()), picked.get(name, ()))
        for name in {*pick_days, *picked}
    }


def season_results(
    tickets: Sequence[BinTicket],
    lots: Sequence[PackedLot],
    notes: Iterable[SeasonNote],
    blocks: Sequence[Block],
    pick_days: Mapping[str, Sequence[date]],
) -> Matched:
    """Every block and season of which bins are known.

    Parameters
    ----------
    pick_days : mapping
        Planned days of first picks by block, of all seasons, in the order in which they were
        planned: a lot without tickets is of the latest pick before it was packed, since apples are
        packed into the next year.
    """
    varieties = {block.block_id: block.variety for block in blocks}
    seasons = seasons_of(tickets, pick_days)
    loose = list(_strange_tickets(tickets, varieties))
    pieces: dict[Key, list[LotPiece]] = {}
    for lot in lots:
        shares, why = _shares_of(lot, tickets, pick_days, seasons)
        loose += why
        total = sum(shares.values())
        for key, bins in shares.items():
            strange = _strange_block(lot, key[0], varieties)
            if strange is not None:
                loose.append(strange)
            else:
                pieces.setdefault(key, []).append(_piece(lot, bins, bins / total))
    of_block = {(note.block_id, note.season): note for note in notes}
    by_ticket = _by_block_and_season(tickets, varieties, seasons)
    results = [
        _result(key, varieties, by_ticket.get(key, ()), pieces.get(key, ()), of_block)
        for key in sorted({*by_ticket, *pieces}, key=lambda one: (one[1].season, one[0]))
    ]
    loose += [one for result in results for one in _not_packed(result)]
    return Matched(results=tuple(results), loose=tuple(loose))


# ---------------------------------------------------------------- lots


def _shares_of(
    lot: PackedLot,
    tickets: Sequence[BinTicket],
    pick_days: Mapping[str, Sequence[date]],
    seasons: Seasons,
) -> tuple[dict[Key, float], list[Loose]]:
    """Bins of a lot by block and season: by its tickets, else by its own paper."""
    shares: dict[Key, float] = {}
    for ticket in tickets:
        if ticket.lot == lot.lot:
            key = _key(ticket, seasons)
            shares[key] = shares.get(key, 0.0) + ticket.bins
    on_paper = sum(part.bins for part in lot.parts)
    if shares:
        by_ticket = sum(shares.values())
        if lot.parts and abs(on_paper - by_ticket) > BINS_MAY_DIFFER * by_ticket:
            return shares, [
                Loose(
                    name=f"Lot {lot.lot}",
                    what=f"Its bins are {by_ticket:g} by tickets, {on_paper:g} by its own paper.",
                    fix="The tickets were used. Correct what is wrong.",
                )
            ]
        return shares, []
    for part in lot.parts:
        key = part.block_id, _packed_season(part.block_id, lot.packed_on, pick_days, seasons)
        shares[key] = shares.get(key, 0.0) + part.bins
    if shares:
        return shares, []
    return {}, [
        Loose(
            name=f"Lot {lot.lot}",
            what="No ticket names it, and its own paper names no block.",
            fix="Load its bin tickets, or its blocks and bins in lots.csv.",
        )
    ]


def _packed_season(
    block_id: str, packed_on: date, pick_days: Mapping[str, Sequence[date]], seasons: Seasons
) -> BlockSeason:
    before = [day for day in pick_days.get(block_id, ()) if day <= packed_on]
    return season_on(max(before, default=packed_on), seasons.get(block_id, ()))


def _strange_block(lot: PackedLot, block_id: str, varieties: Mapping[str, str]) -> Loose | None:
    """Why a block's part of a lot can't be used; None if it can."""
    if block_id not in varieties:
        return Loose(
            name=f"Lot {lot.lot}",
            what=f"Block '{block_id}' is not in the list of blocks.",
            fix=did_you_mean(block_id, varieties),
        )
    variety = varieties[block_id]
    if lot.variety and lot.variety.casefold() != variety.casefold():
        return Loose(
            name=f"Lot {lot.lot}",
            what=f"It is of variety {lot.variety}, block {block_id} bears {variety}.",
            fix="Correct the lot, or the block of its tickets.",
        )
    return None


def _piece(lot: PackedLot, bins: float, part: float) -> LotPiece:
    return LotPiece(
        lot=lot.lot,
        bins=bins,
        of_lot=part,
        size_table=lot.size_table,
        cartons=tuple(
            PackedCartons(size_class=one.size_class, grade=one.grade, cartons=part * one.cartons)
            for one in lot.cartons
        ),
        culled=tuple(CulledFruit(cause=one.cause, kg=part * one.kg) for one in lot.culled),
        cull_share=lot.cull_share,
        bin_kg=lot.bin_kg,
        fruit_per_bin=lot.fruit_per_bin,
    )


# ---------------------------------------------------------------- tickets


def _strange_tickets(tickets: Sequence[BinTicket], varieties: Mapping[str, str]) -> Iterable[Loose]:
    """One line a block that is not known."""
    bins: dict[str, float] = {}
    for ticket in tickets:
        if ticket.block_id not in varieties:
            bins[ticket.block_id] = bins.get(ticket.block_id, 0.0) + ticket.bins
    for name, number in bins.items():
        yield Loose(
            name=f"Tickets of '{name}', 1 bin"
            if number == 1
            else f"Tickets of '{name}', {number:g} bins",
            what=f"Block '{name}' is not in the list of blocks.",
            fix=did_you_mean(name, varieties),
        )


def _by_block_and_season(
    tickets: Sequence[BinTicket], varieties: Mapping[str, str], seasons: Seasons
) -> dict[Key, list[BinTicket]]:
    found: dict[Key, list[BinTicket]] = {}
    for ticket in tickets:
        if ticket.block_id in varieties:
            found.setdefault(_key(ticket, seasons), []).append(ticket)
    return found


def _key(ticket: BinTicket, seasons: Seasons) -> Key:
    return ticket.block_id, season_on(ticket.picked_on, seasons.get(ticket.block_id, ()))


def _result(
    key: Key,
    varieties: Mapping[str, str],
    tickets: Sequence[BinTicket],
    pieces: Sequence[LotPiece],
    notes: Mapping[tuple[str, int], SeasonNote],
) -> SeasonResult:
    block_id, season = key
    by_ticket = sum(ticket.bins for ticket in tickets)
    days = [ticket.picked_on.toordinal() * ticket.bins for ticket in tickets]
    return SeasonResult(
        block_id=block_id,
        variety=varieties[block_id],
        season=season.season,
        begins=season.begins,
        bins=max(by_ticket, sum(one.bins for one in pieces)),
        first_day=min((ticket.picked_on for ticket in tickets), default=None),
        mean_day=date.fromordinal(round(sum(days) / by_ticket)) if tickets else None,
        pieces=tuple(pieces),
        note=notes.get((block_id, season.season)),
    )


def _not_packed(result: SeasonResult) -> list[Loose]:
    """That bins of a block are in no packed lot."""
    waiting = result.bins - result.packed_bins
    if waiting <= 1e-6 * result.bins:
        return []
    return [
        Loose(
            name=f"{result.block_id} {result.season}",
            what=f"{waiting:,.4g} of {result.bins:,.4g} bins are in no packed lot.",
            fix="Load the lots when they are packed, or give the tickets their lot.",
        )
    ]
