"""The kinds of table that a farm takes in, and how a table's kind is told from its header.

What a row means is told by one reader a kind, the same for a file that is loaded as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fruitvision.csv_file import CsvFile
from fruitvision.field_data import read_blocks, read_calipers, read_hand_counts
from fruitvision.field_table import FieldTable
from fruitvision.office_data import read_gaps, read_picks, read_register, read_weighed
from fruitvision.orders import read_orders
from fruitvision.packed_data import read_lot_parts, read_packed, read_tickets
from fruitvision.packout_data import read_culls, read_grades
from fruitvision.papers.measures import MEASURES, measure_of
from fruitvision.papers.words import columns_called, plain, unit_apart
from fruitvision.price_data import read_prices

# Kinds of names and words that stand in tables. Those of a farm must be known to it; words of the
# others are a few, in `words.toml`.
BLOCK, VARIETY, SIZE_CLASS, GRADE = "block", "variety", "class", "grade"
TREE_KIND, PROTOCOL, ORDER_KIND, CLASSES = "tree_kind", "protocol", "order_kind", "classes"
FEW_WORDS = {
    TREE_KIND: ("bearing", "replant", "pollinizer", "missing"),
    PROTOCOL: ("two faces", "one face", "panel", "panel, one face"),
    ORDER_KIND: ("firm", "option"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperKind:
    """A kind of table.

    Attributes
    ----------
    required, optional, one_of : tuple of str
        Its columns, as its reader asks for them; of `one_of` at least one must be there.
    days, shares : frozenset of str
        Columns that hold a day; columns that hold a share, which may be typed in percent.
    names : mapping of str to str
        Columns that hold a name or one of few words, and which.
    new_names : frozenset of str
        Of these, columns in which a name need not be known to the farm.
    whole : str
        Column of what stays out as a whole where one of its rows does; empty: each row by itself.
    read : callable
        Its reader: records of a table with these columns.
    """

    name: str
    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    days: frozenset[str] = frozenset()
    shares: frozenset[str] = frozenset()
    names: Mapping[str, str] = field(default_factory=dict)
    new_names: frozenset[str] = frozenset()
    whole: str = ""
    read: Callable[[CsvFile], FieldTable[Any]]

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns, those that must be there first."""
        return tuple(dict.fromkeys((*self.required, *self.one_of, *self.optional)))

    def lacking(self, columns: Iterable[str]) -> tuple[str, ...]:
        """Columns that must be there and are not; of a measure that is not there, both columns."""
        there = set(columns)
        lacks = tuple(column for column in self.required if column not in there)
        return lacks if there & set(self.one_of) else (*lacks, *self.one_of)


def _plans(table: CsvFile) -> FieldTable[Any]:
    """Pick plans, a row a block; the line is that of its first pass."""
    found = read_picks(table)
    first: dict[str, int] = {}
    for row in table.rows:
        first.setdefault(row.text("block"), row.line)
    return FieldTable(
        file=table.name,
        rows=tuple(found.plans.items()),
        lines=tuple(first[block] for block in found.plans),
        refused=found.refused,
    )


_TREE = ("block", "row", "position")

KINDS: dict[str, PaperKind] = {
    kind.name: kind
    for kind in (
        PaperKind(
            name="blocks",
            required=("block", "variety", "positions"),
            optional=(
                "missing",
                "pollinizers",
                "pick_date",
                "row_spacing_m",
                "tree_spacing_m",
                "area_ha",
                "row_spacing_ft",
                "tree_spacing_ft",
                "area_acres",
                "group",
                "target_fruit_per_tree",
                "target_diameter_mm",
                "target_diameter_in",
                "trunk_area_cm2",
                "trunk_girth_mm",
                "trunk_girth_in",
                "trunk_diameter_mm",
                "trunk_diameter_in",
                "full_bloom_on",
            ),
            days=frozenset({"pick_date", "full_bloom_on"}),
            names={"block": BLOCK},
            new_names=frozenset({"block"}),
            read=read_blocks,
        ),
        PaperKind(
            name="register",
            required=_TREE,
            optional=(
                *("kind", "stratum", "bearing_share", "variety"),
                *("latitude_deg", "longitude_deg"),
            ),
            shares=frozenset({"bearing_share"}),
            names={"block": BLOCK, "kind": TREE_KIND},
            read=read_register,
        ),
        PaperKind(
            name="gaps",
            required=(*_TREE, "visited_on", "found"),
            days=frozenset({"visited_on"}),
            names={"block": BLOCK, "found": TREE_KIND},
            read=read_gaps,
        ),
        PaperKind(
            name="hand_counts",
            required=(*_TREE, "fruit_count", "counted_on"),
            optional=("protocol",),
            days=frozenset({"counted_on"}),
            names={"block": BLOCK, "protocol": PROTOCOL},
            read=read_hand_counts,
        ),
        PaperKind(
            name="calipers",
            required=(*_TREE, "measured_on"),
            optional=("fruit", "diameter_mm", "diameter_in"),
            one_of=("diameter_mm", "diameter_in"),
            days=frozenset({"measured_on"}),
            names={"block": BLOCK},
            read=read_calipers,
        ),
        PaperKind(
            name="weighed",
            required=("variety", "weighed_on"),
            optional=("fruit", "diameter_mm", "diameter_in", "mass_g", "mass_oz"),
            one_of=("diameter_mm", "diameter_in"),
            days=frozenset({"weighed_on"}),
            names={"variety": VARIETY},
            read=read_weighed,
        ),
        PaperKind(
            name="picks",
            required=("block", "pick_date"),
            optional=("share", "date_error_days", "doubling_g", "left_share"),
            days=frozenset({"pick_date"}),
            shares=frozenset({"share", "left_share"}),
            names={"block": BLOCK},
            read=_plans,
        ),
        PaperKind(
            name="orders",
            required=("customer", "variety", "classes", "week", "cartons"),
            optional=("kind", "grade", "pack"),
            days=frozenset({"week"}),
            names={"variety": VARIETY, "grade": GRADE, "kind": ORDER_KIND, "classes": CLASSES},
            new_names=frozenset({"classes"}),
            read=read_orders,
        ),
        PaperKind(
            name="tickets",
            required=("ticket", "block", "picked_on", "bins"),
            optional=("pass", "lot"),
            days=frozenset({"picked_on"}),
            names={"block": BLOCK},
            read=read_tickets,
        ),
        PaperKind(
            name="packed",
            required=("lot", "packed_on"),
            optional=(
                *("block", "bins", "pass", "variety", "size_table", "bin_kg", "bin_lb"),
                *("fruit_per_bin", "cull_share", "size_class", "grade", "cartons", "cull_cause"),
                *("culled_kg", "culled_lb"),
            ),
            days=frozenset({"packed_on"}),
            shares=frozenset({"cull_share"}),
            names={"block": BLOCK, "variety": VARIETY, "size_class": SIZE_CLASS, "grade": GRADE},
            whole="lot",
            read=read_packed,
        ),
        PaperKind(
            name="lots",
            required=("lot", "block", "bins"),
            optional=("pass",),
            names={"block": BLOCK},
            whole="lot",
            read=read_lot_parts,
        ),
        PaperKind(
            name="prices",
            required=("per_carton",),
            optional=("variety", "size_class", "grade"),
            names={"variety": VARIETY, "size_class": SIZE_CLASS, "grade": GRADE},
            read=read_prices,
        ),
        PaperKind(
            name="culls",
            required=("size_class", "cull_share"),
            optional=("cull_share_error", "variety"),
            shares=frozenset({"cull_share", "cull_share_error"}),
            names={"variety": VARIETY, "size_class": SIZE_CLASS},
            read=read_culls,
        ),
        PaperKind(
            name="grades",
            required=("size_class", "grade", "share"),
            optional=("variety",),
            shares=frozenset({"share"}),
            names={"variety": VARIETY, "size_class": SIZE_CLASS},
            read=read_grades,
        ),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class KindGuess:
    """What a table may be: kinds by how well its header fits them, and whether the first is clear.

    `fitting` : the columns of the first kind that the header names. `by_file` : whether the file's
    name told between two that fit alike.
    """

    kinds: tuple[str, ...]
    clear: bool
    fitting: tuple[str, ...] = ()
    by_file: bool = False


def meant_by(label: str, kind: PaperKind) -> tuple[str, str]:
    """Column of a kind that a header means, and the unit that it names; ("", "") if none.

    A measure without a unit gives the measure's name.
    """
    called = columns_called(kind.name)
    base, unit = unit_apart(label)
    as_written = "_".join(plain(label).split())
    if as_written in kind.columns:
        measure = measure_of(as_written)
        return as_written, measure.unit_of(as_written) if measure else ""
    for words in (plain(label), base):
        column = called.get(words, "")
        measure = MEASURES.get(column)
        if measure is not None and set(measure.columns) & set(kind.columns):
            if unit in measure.factors:
                return measure.column_of(unit), unit
            return measure.name, ""
        if column in kind.columns:
            return column, ""
    return "", ""


def fitting(labels: Sequence[str], kind: PaperKind) -> tuple[str, ...]:
    """Columns of a kind that a header names, each once; a measure stands for its columns."""
    found = (meant_by(label, kind)[0] for label in labels)
    return tuple(dict.fromkeys(_as_column(column) for column in found if column))


def _as_column(column: str) -> str:
    measure = MEASURES.get(column)
    return column if measure is None else measure.metric


# Columns that a walk's list alone has beside those of a tree, see `walk_data`.
_OF_WALK_LIST = frozenset({*_TREE, "photo", "face"})
# Columns of every list of measured fruit (`export/fruit_table.py`, `export/measured.py`).
_OF_FRUIT_LIST = frozenset({"photo", "fruit_id", "diameter_px", "visible_share"})


def is_walk_list(labels: Sequence[str]) -> bool:
    """Whether a header is of a list that says which tree each photo of a walk shows.

    It is no table of the farm: without the photos it says nothing.
    """
    return _named(labels) >= _OF_WALK_LIST


def is_fruit_list(labels: Sequence[str]) -> bool:
    """Whether a header is of a list of fruit that were measured in photos, as this program writes.

    It is no table of the farm either: taken for caliper readings, photos would check themselves.
    """
    return _named(labels) >= _OF_FRUIT_LIST


def _named(labels: Sequence[str]) -> set[str]:
    return {"_".join(plain(label).split()) for label in labels}


def guess_kind(labels: Sequence[str], file_name: str = "") -> KindGuess:
    """Which kind of table a header is of: it names the most of its columns.

    Of kinds of which it names as many, the one that has all that it needs; then the one that the
    file is called after. Where that leaves two, it must be asked.
    """
    fits = {name: fitting(labels, kind) for name, kind in KINDS.items()}
    whole = {name for name, found in fits.items() if not KINDS[name].lacking(found)}
    in_name = {name for name in KINDS if plain(name) in plain(file_name.rsplit(".", 1)[0])}

    def rank(name: str) -> tuple[int, bool, bool]:
        return len(fits[name]), name in whole, name in in_name

    kinds = sorted((name for name in fits if fits[name]), key=rank, reverse=True)
    if not kinds:
        return KindGuess(kinds=tuple(KINDS), clear=False)
    first = rank(kinds[0])
    second = rank(kinds[1]) if len(kinds) > 1 else (0, False, False)
    return KindGuess(
        kinds=tuple(kinds),
        clear=first > second,
        fitting=fits[kinds[0]],
        by_file=first[:2] == second[:2] and first > second,
    )
