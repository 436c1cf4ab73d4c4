"""Bin tickets."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Column, Float, String, Table

from fruitvision.domain import BinTicket
from fruitvision.records import from_plain
from fruitvision.store import rows
from fruitvision.store.columns import Whole
from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

bin_ticket = Table(
    "bin_ticket",
    metadata,
    Column("ticket", String, primary_key=True),
    Column("block_id", String, nullable=False),
    Column("picked_on", String, nullable=False),
    Column("bins", Float, nullable=False),
    Column("pass_number", Whole, nullable=False),
    Column("lot", String, nullable=False),
)


class TicketsPart(StorePart):
    """What was picked."""

    def save_bin_tickets(self, tickets: Iterable[BinTicket]) -> None:
        """Keep tickets; one with a number that is known replaces that one."""
        self._upsert(bin_ticket, [rows.plain_row(ticket) for ticket in tickets])

    def bin_tickets(self) -> tuple[BinTicket, ...]:
        """All tickets, by number."""
        return tuple(from_plain(BinTicket, dict(row)) for row in self._all_of(bin_ticket))
