"""Every measured fruit of a farm as Parquet or CSV, written a piece at a time.

One row a fruit of a photo, in metric units. `counted` is true for fruit of this row in the first
photo of its face (`place` 1), which are those that a tree's count adds up; a block also leaves out
photos that can't be used and trees that lack a face. `same_as_photo` and `same_as_fruit` name the
same fruit in another photo of the face. `photo_doubts` are of the photo, `doubts` of the fruit.
`diameter_mm` is empty for fruit that are counted and not sized; `diameter_error_mm` is one standard
error. `visible_share` is the part of the outline (0 to 1) that is seen. `by_hand` is true where
people put the fruit right. Doubts are codes joined by ';'.

Both files hold the same values. In CSV, text that a spreadsheet would run as a formula has an
apostrophe before it. No place on the map is in it; names of blocks are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import astuple, dataclass, fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from fruitvision.errors import FieldDataError, StoreError
from fruitvision.export.csv_text import Cell, row_bytes
from fruitvision.whole_file import fix_of, whole_file

if TYPE_CHECKING:
    import pyarrow as pa

ENDINGS = (".parquet", ".csv")
# Rows that are held at once, and that a group of a Parquet file holds. Our choice: some megabytes.
PIECE_ROWS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FruitRow:
    """A fruit as a row of the table; its fields are the columns."""

    block: str
    variety: str
    row: int
    position: int
    face: str
    place: int
    walked_on: date
    photo: str
    photo_sha256: str
    fruit_id: str
    centre_x_px: float
    centre_y_px: float
    width_px: float
    height_px: float
    angle_deg: float
    diameter_px: float
    diameter_mm: float | None
    diameter_error_mm: float | None
    visible_share: float
    score: float
    on_this_row: bool
    counted: bool
    depth_grade: str
    distance_mm: float | None
    same_as_photo: str
    same_as_fruit: str
    by_hand: bool
    doubts: str
    photo_doubts: str


COLUMNS = tuple(field.name for field in fields(FruitRow))


def write_fruit_table(rows: Iterable[FruitRow], path: Path, *, farm: str, made_on: date) -> int:
    """Write the table in the form that the file's name ends with; how many rows it has.

    Raises
    ------
    FieldDataError
        If the name ends otherwise.
    StoreError
        If the file can't be written.
    """
    ending = path.suffix.casefold()
    if ending not in ENDINGS:
        raise FieldDataError(
            f"{path.name} does not tell what to write.", fix="End its name in .parquet or .csv."
        )
    try:
        with whole_file(path) as stream:
            if ending == ".csv":
                return _write_csv(rows, stream)
            return _write_parquet(rows, stream, {"farm": farm, "made_on": made_on.isoformat()})
    except OSError as err:
        raise StoreError(
            f"Can't write {path}: {err.strerror}.",
            fix=fix_of(err, "Close the file if it is open elsewhere, or choose another folder."),
        ) from err


def _pieces(rows: Iterable[FruitRow]) -> Iterator[list[FruitRow]]:
    """Rows, so many at a time; none of an empty table."""
    piece: list[FruitRow] = []
    for row in rows:
        piece.append(row)
        if len(piece) == PIECE_ROWS:
            yield piece
            piece = []
    if piece:
        yield piece


def _write_csv(rows: Iterable[FruitRow], stream: BinaryIO) -> int:
    stream.write(row_bytes([COLUMNS]))
    done = 0
    for piece in _pieces(rows):
        stream.write(row_bytes(map(_cells, piece)))
        done += len(piece)
    return done


def _cells(row: FruitRow) -> Sequence[Cell]:
    return [one.isoformat() if isinstance(one, date) else one for one in astuple(row)]


def _write_parquet(rows: Iterable[FruitRow], stream: BinaryIO, about: dict[str, str]) -> int:
    from pyarrow import RecordBatch
    from pyarrow.parquet import ParquetWriter

    schema = _schema(about)
    done = 0
    with ParquetWriter(stream, schema, compression="zstd") as writer:
        for piece in _pieces(rows):
            columns = {name: [getattr(row, name) for row in piece] for name in COLUMNS}
            writer.write_batch(RecordBatch.from_pydict(columns, schema=schema))
            done += len(piece)
    return done


def _schema(about: dict[str, str]) -> pa.Schema:
    import pyarrow as pa

    # The kinds as `FruitRow` writes them: annotations are text here.
    kinds: dict[str, Any] = {
        "str": pa.string(),
        "int": pa.int32(),
        "float": pa.float64(),
        "bool": pa.bool_(),
        "date": pa.date32(),
    }
    columns = []
    for field in fields(FruitRow):
        kind, _, rest = str(field.type).partition(" ")
        columns.append(pa.field(field.name, kinds[kind], nullable=bool(rest)))
    return pa.schema(columns, metadata=about)
