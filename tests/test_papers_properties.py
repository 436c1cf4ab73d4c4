"""Whatever a table holds and however it is saved, it comes back the same; rubbish is told."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fruitvision.errors import FieldDataError
from fruitvision.papers.answers import Answers, Remembered
from fruitvision.papers.days import day_orders, iso_day, sure_day
from fruitvision.papers.kinds import KINDS
from fruitvision.papers.names import likeness
from fruitvision.papers.sheets import heading_of, read_sheets
from fruitvision.papers.understand import understand
from fruitvision.text_file import encoding_of
from fruitvision.xlsx_file import ZIP
from tests.paper_files import KNOWN

ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")
HEADER = ("Block", "Row", "Tree", "Date", "Diameter")


def _cells(encoding: str) -> st.SearchStrategy[str]:
    """Printable text that the encoding can write, without spaces around it."""
    letters = st.characters(
        codec="utf-8" if encoding.startswith("utf") else encoding,
        categories=("L", "M", "N", "P", "S", "Zs"),
    )
    # Outer spaces are dropped on purpose, and a quote at the start is how CSV quotes a cell.
    return st.text(letters, max_size=12).map(str.strip)


@st.composite
def _tables(draw: st.DrawFn) -> tuple[list[list[str]], str, str]:
    encoding = draw(st.sampled_from(ENCODINGS))
    row = st.lists(_cells(encoding), min_size=len(HEADER), max_size=len(HEADER)).filter(any)
    rows = draw(st.lists(row, min_size=1, max_size=6))
    return rows, encoding, draw(st.sampled_from(",;\t"))


@settings(max_examples=60, deadline=None)
@given(_tables())
def test_any_printable_table_comes_back_the_same(table: tuple[list[list[str]], str, str]) -> None:
    rows, encoding, delimiter = table
    stream = io.StringIO()
    csv.writer(stream, delimiter=delimiter).writerows([HEADER, *rows])
    content = stream.getvalue().encode(encoding)
    # Words such as "Ã©" in Windows-1252 are right in UTF-8 too: no file tells which.
    assume(encoding != "cp1252" or content.isascii() or encoding_of(content) == "cp1252")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "paper.csv"
        path.write_bytes(content)
        (sheet,) = read_sheets(path)
    heading = heading_of(sheet)
    assert heading.labels == HEADER
    assert [list(cells) for _, cells in heading.rows] == rows


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=400),
        st.binary(max_size=200).map(lambda rest: ZIP + rest),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.text("block;row,tree\t\"'\n\r#=01.9/-", max_size=200).map(str.encode),
    )
)
def test_rubbish_is_told_in_a_sentence(content: bytes) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "paper.csv"
        path.write_bytes(content)
        try:
            sheets = read_sheets(path)
        except FieldDataError as err:
            told, sheets = err, ()
    assert sheets or (told.what.endswith(".") and told.fix)
    for sheet in sheets:
        heading = heading_of(sheet)
        for kind in KINDS.values():
            found = understand(
                heading,
                kind,
                file="x",
                answers=Answers(inches=True),
                known=KNOWN,
                before=Remembered(),
            )
            if not found.must_ask:
                table = kind.read(found.table)
                lines = [*table.lines, *(row.line for row in table.refused)]
                assert set(lines) <= {line for line, _ in heading.rows}


@given(st.text(max_size=24))
def test_a_date_is_an_iso_day_or_stays_as_it_is(text: str) -> None:
    found = day_orders([text])
    day = iso_day(text, found.order)
    assert day == text or sure_day(day) is not None


@given(st.text(max_size=20), st.text(max_size=20))
def test_likeness_is_a_share_and_nearly_whole_for_the_name_itself(one: str, other: str) -> None:
    assert 0 <= likeness(one, other) <= 1
    if any(sign.isalnum() for sign in one):
        assert likeness(one, one) > 0.85
