"""The walk list: which tree, or which panel of trees, each photo shows.

CSV or XLSX::

    walk.csv  photo, block, row, position, face, [trees, vigour]

A photo of several trees stands at the first of them. Several photos of one face, a line each, are
photos from places a step apart: the first line is the one that counts. Refused rows are as in
`field_data`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from fruitvision.csv_file import CsvRow
from fruitvision.domain import TreeId
from fruitvision.errors import FieldDataError
from fruitvision.field_data import above_zero, read_tree
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats, without
from fruitvision.units import parse_count

FACES = ("A", "B")
# Most trees that one photo shows. Our choice: posts 10 m apart hold twenty trees at 0.5 m.
MOST_TREES = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkPhoto:
    """One line of the walk list: which tree and face the photo file shows.

    `file_name` is relative to the photo folder, with forward slashes; `trees` and `vigour` are as
    in `TreePhoto`.
    """

    file_name: str
    tree: TreeId
    face: str
    trees: int = 1
    vigour: float | None = None


def read_walk(path: Path) -> FieldTable[WalkPhoto]:
    """The walk list: photo file, tree and face.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path,
        _walk_photo,
        required=("photo", "block", "row", "position", "face"),
        optional=("trees", "vigour"),
    )
    table = refuse_repeats(
        table,
        key=lambda photo: photo.file_name,
        name=lambda photo: f"Photo {photo.file_name}",
        fix="A photo shows one face of one tree: correct the wrong line.",
    )
    return without(table, _faces_that_differ(table))


def _faces_that_differ(table: FieldTable[WalkPhoto]) -> dict[int, tuple[str, str]]:
    """Lines of trees whose faces are said to show other numbers of trees."""
    numbers: dict[TreeId, set[int]] = {}
    for row in table.rows:
        numbers.setdefault(row.tree, set()).add(row.trees)
    return {
        line: (
            f"The faces of {row.tree} show "
            f"{' and '.join(str(number) for number in sorted(numbers[row.tree]))} trees.",
            "Both faces show the same trees: write one number.",
        )
        for line, row in zip(table.lines, table.rows, strict=True)
        if len(numbers[row.tree]) > 1
    }


def _walk_photo(row: CsvRow) -> WalkPhoto:
    file_name = row.required_text("photo").replace("\\", "/")
    path = PurePosixPath(file_name)
    if path.is_absolute() or ".." in path.parts or ":" in path.parts[0]:
        raise FieldDataError(
            f"photo is '{file_name}', which leads out of the photo folder.",
            fix="Give the file name only.",
        )
    face = row.text("face").upper()
    if face not in FACES:
        raise FieldDataError(f"face is '{row.text('face')}'.", fix="Write A or B.")
    return WalkPhoto(
        file_name=file_name,
        tree=read_tree(row),
        face=face,
        trees=_trees_in_photo(row.text("trees")),
        vigour=above_zero(row, "vigour"),
    )


def _trees_in_photo(text: str) -> int:
    trees = parse_count(text or "1", field="trees")
    _check_trees(trees)
    return trees


def _check_trees(trees: int) -> None:
    if not 1 <= trees <= MOST_TREES:
        raise FieldDataError(
            f"trees is {trees}.",
            fix=f"It is the number of trees in the photo, {MOST_TREES} at most.",
        )


def check_walk_photo(photo: WalkPhoto) -> None:
    """Refuse a line that was typed in boxes and can't be, as `read_walk` refuses one of a table.

    Raises
    ------
    FieldDataError
        If row or place is below 1, no tree or too many are shown, or vigour is not above 0.
    """
    tree = photo.tree
    for value, what in ((tree.row, "row"), (tree.position, "place in the row")):
        if value < 1:
            raise FieldDataError(f"A number is too small: {what} {value}.", fix="Type 1 or more.")
    _check_trees(photo.trees)
    if photo.vigour is not None and photo.vigour <= 0:
        raise FieldDataError(
            f"vigour is {photo.vigour:g}.", fix="Give a number above 0, or nothing."
        )
