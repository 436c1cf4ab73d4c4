"""What somebody said once about the names in other papers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class NameMapping:
    """A name as other papers write it, and what it means on this farm.

    `kind` : of what it is the name, such as a block. `who`, `at` (UTC) : who said so, and when.
    """

    kind: str
    written: str
    meant: str
    who: str
    at: datetime
