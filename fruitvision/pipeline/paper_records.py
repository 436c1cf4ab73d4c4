"""What a table would do to the farm, before anybody said yes."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.csv_file import CsvRow
from fruitvision.domain import FieldChange, NameMapping
from fruitvision.field_table import RefusedRow
from fruitvision.papers.sheets import Heading, Sheet
from fruitvision.papers.understand import Understood
from fruitvision.pipeline.believable import OddBlock
from fruitvision.pipeline.odd_counts import OddCount
from fruitvision.pipeline.odd_tickets import OddTicket
from fruitvision.pipeline.paper_tables import Key


@dataclass(frozen=True, slots=True, kw_only=True)
class ThingSeen:
    """A thing of the farm that the table would add, change or take away, and how."""

    key: Key
    fields: tuple[FieldChange, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """What a table says, what must be asked, and what it would change; nothing is changed yet.

    Attributes
    ----------
    sheets : tuple of str
        Names of the workbook's sheets; `sheet` is empty while one of several must be chosen.
    kinds : tuple of str
        What the table may be, the likeliest first; `kind` is empty while it must be chosen.
    kind_clear : bool
        Whether the header tells the kind, so that nobody needs to say it.
    kind_said : NameMapping or None
        Who said so of a table with this header.
    understood : Understood or None
        None while sheet or kind must be chosen.
    rows : int
        Rows that would go in.
    first_rows : tuple of CsvRow
        The first of them in the farm's columns.
    new, changed, gone : tuple of ThingSeen
        What would be added, would be another one, and would go. `same` : rows that change nothing.
    stamp : str
        Another text where the table would do something else to the farm.
    """

    file: str
    sheets: tuple[str, ...]
    sheet: str = ""
    kinds: tuple[str, ...] = ()
    kind: str = ""
    fitting: tuple[str, ...] = ()
    kind_by_file: bool = False
    kind_clear: bool = False
    kind_said: NameMapping | None = None
    read_from: Sheet | None = None
    heading: Heading | None = None
    understood: Understood | None = None
    rows: int = 0
    first_rows: tuple[CsvRow, ...] = ()
    refused: tuple[RefusedRow, ...] = ()
    odd_counts: tuple[OddCount, ...] = ()
    odd_tickets: tuple[OddTicket, ...] = ()
    odd_blocks: tuple[OddBlock, ...] = ()
    new: tuple[ThingSeen, ...] = ()
    changed: tuple[ThingSeen, ...] = ()
    gone: tuple[ThingSeen, ...] = ()
    same: int = 0
    stamp: str = ""

    @property
    def must_ask(self) -> bool:
        """Whether nothing can go in before a person has answered."""
        return self.understood is None or self.understood.must_ask

    @property
    def changes_nothing(self) -> bool:
        """Whether the farm has all of it already."""
        return not (self.new or self.changed or self.gone)

    @property
    def left_out(self) -> int:
        """Rows that stay out: refused, of unknown names, or odd and not confirmed."""
        odd: tuple[OddCount | OddTicket | OddBlock, ...]
        odd = (*self.odd_counts, *self.odd_tickets, *self.odd_blocks)
        unknown = self.understood.rows_out if self.understood else 0
        return len(self.refused) + unknown + sum(not one.meant for one in odd)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenIn:
    """What a table brought: as the preview said it. `changed` : false where all was there."""

    preview: Preview
    changed: bool
