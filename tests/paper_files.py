"""Tables as people send them, for tests: written into files, and a farm to take them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from openpyxl import Workbook

from fruitvision.domain import Block
from fruitvision.papers.answers import Answers, Remembered
from fruitvision.papers.kinds import KINDS
from fruitvision.papers.sheets import heading_of, read_sheets
from fruitvision.papers.understand import Understood, understand
from fruitvision.store import FarmStore

BLOCKS = (
    Block(block_id="Gala North 1", variety="Gala", positions=4, pick_date=date(2026, 9, 3)),
    Block(block_id="Gala North 4", variety="Gala", positions=4, group="old"),
    Block(block_id="Fuji Slope", variety="Fuji", positions=6),
)
KNOWN = {
    "block": tuple(block.block_id for block in BLOCKS),
    "variety": ("Gala", "Fuji"),
    "class": ("88", "100", "113"),
    "grade": ("fancy",),
}


def paper(folder: Path, text: str, name: str = "paper.csv", *, encoding: str = "utf-8") -> Path:
    """A text file."""
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def workbook(folder: Path, sheets: dict[str, list[list[object]]], name: str = "paper.xlsx") -> Path:
    """A workbook with these sheets."""
    book = Workbook()
    book.remove(book.worksheets[0])
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    path = folder / name
    book.save(path)
    return path


def understood(
    path: Path,
    kind: str,
    answers: Answers | None = None,
    before: Remembered | None = None,
) -> Understood:
    """What a file says as a table of a kind, to a farm with `KNOWN` names."""
    (sheet,) = read_sheets(path)
    return understand(
        heading_of(sheet),
        KINDS[kind],
        file=path.name,
        answers=answers or Answers(),
        known=KNOWN,
        before=before or Remembered(),
    )


def fill(store: FarmStore) -> None:
    """Three blocks and nothing else."""
    store.save_blocks(BLOCKS)
