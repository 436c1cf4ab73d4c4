"""What the office keeps and a walk corrects: tree register, gaps found, pick plans, weighed fruit.

One table each, CSV or XLSX, dates as year-month-day::

    register.csv  block, row, position, [kind, stratum, bearing_share, variety, latitude_deg,
                  longitude_deg]
    gaps.csv      block, row, position, visited_on, found
    picks.csv     block, pick_date, [share, date_error_days, doubling_g, left_share]
    weighed.csv   variety, weighed_on, diameter_mm or diameter_in, mass_g or mass_oz, [fruit]

`kind` and `found` are bearing, replant, pollinizer or missing. A block has one line of picks.csv
for each pass. A row that makes no sense is refused with its line number and the rest goes on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fruitvision.csv_file import CsvRow, Source
from fruitvision.domain import (
    Pick,
    PickPlan,
    RegisteredTree,
    TreeKind,
    VisitedPlace,
    WeighedFruit,
)
from fruitvision.errors import FieldDataError
from fruitvision.field_data import read_diameter_mm, read_tree
from fruitvision.field_table import FieldTable, RefusedRow, read_rows, refuse_repeats, without
from fruitvision.unit_system import US
from fruitvision.units import parse_date, parse_number

# Lightest and heaviest fruit that is believed, g. Our choice: fruitlets to twice a large apple.
LIGHTEST_G, HEAVIEST_G = 5.0, 800.0
# Passes of a block may miss a sum of 1 by so much, since shares are typed with two decimals.
SHARE_ROUNDING = 0.02
# A step that nobody typed: that of the farm's setting, when the plan is used.
BY_SETTING = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PickPlans:
    """Plans by block, and the rows that were refused."""

    plans: Mapping[str, PickPlan]
    refused: tuple[RefusedRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _PlannedPass:
    block_id: str
    pick: Pick
    shared: bool
    doubling_g: float
    left_share: float


def read_register(path: Source) -> FieldTable[RegisteredTree]:
    """Every position of the register.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path,
        _registered_tree,
        required=("block", "row", "position"),
        optional=(
            "kind",
            "stratum",
            "bearing_share",
            "variety",
            "latitude_deg",
            "longitude_deg",
        ),
    )
    return refuse_repeats(
        table, key=lambda item: item.tree, name=lambda item: str(item.tree), fix="Keep one line."
    )


def read_gaps(path: Source) -> FieldTable[VisitedPlace]:
    """What a walk found at drawn positions.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path, _visited_place, required=("block", "row", "position", "visited_on", "found")
    )
    return refuse_repeats(
        table,
        key=lambda place: (place.tree, place.visited_on),
        name=lambda place: f"{place.tree} on {place.visited_on}",
        fix="Keep the line that says what stands there.",
    )


def read_weighed(path: Source) -> FieldTable[WeighedFruit]:
    """Diameter and mass of single fruit.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    return read_rows(
        path,
        _weighed_fruit,
        required=("variety", "weighed_on"),
        optional=("fruit", "diameter_mm", "diameter_in", "mass_g", "mass_oz"),
        one_of=("diameter_mm", "diameter_in"),
    )


def read_picks(path: Source) -> PickPlans:
    """Pick plans by block; a block whose passes contradict each other is refused as a whole.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path,
        _planned_pass,
        required=("block", "pick_date"),
        optional=("share", "date_error_days", "doubling_g", "left_share"),
    )
    table = refuse_repeats(
        table,
        key=lambda item: (item.block_id, item.pick.pick_date),
        name=lambda item: f"The pass of {item.block_id} on {item.pick.pick_date}",
        fix="Keep one line.",
    )
    groups: dict[str, list[tuple[int, _PlannedPass]]] = {}
    for line, item in zip(table.lines, table.rows, strict=True):
        groups.setdefault(item.block_id, []).append((line, item))
    bad: dict[int, tuple[str, str]] = {}
    plans: dict[str, PickPlan] = {}
    for block_id, group in groups.items():
        passes = sorted((item for _, item in group), key=lambda item: item.pick.pick_date)
        problem = _plan_problem(block_id, passes)
        if problem:
            bad.update({line: problem for line, _ in group})
        else:
            plans[block_id] = _plan(passes)
    return PickPlans(plans=plans, refused=without(table, bad).refused)


# ---------------------------------------------------------------- one row of each file


def _registered_tree(row: CsvRow) -> RegisteredTree:
    kind = _kind(row.text("kind") or TreeKind.BEARING, "kind")
    share_text = row.text("bearing_share")
    bears = kind in (TreeKind.BEARING, TreeKind.REPLANT)
    share = (
        _share(share_text, "bearing_share")
        if share_text
        else 1.0
        if kind is TreeKind.BEARING
        else 0.0
    )
    if share > 0 and not bears:
        raise FieldDataError(
            f"A {kind.value} position has a bearing_share of {share:g}.", fix="Write 0 or nothing."
        )
    latitude, longitude = _place(row)
    return RegisteredTree(
        tree=read_tree(row),
        kind=kind,
        stratum=row.text("stratum"),
        bearing_share=share,
        variety=row.text("variety"),
        latitude_deg=latitude,
        longitude_deg=longitude,
    )


# Farthest from the equator and from the zero meridian, degrees (WGS 84).
_MOST_DEG = {"latitude_deg": 90.0, "longitude_deg": 180.0}


def _place(row: CsvRow) -> tuple[float, float] | tuple[None, None]:
    """Latitude and longitude: both or neither; 0, 0 is what devices write without a signal."""
    texts = {field: row.text(field) for field in _MOST_DEG}
    if not any(texts.values()):
        return None, None
    if not all(texts.values()):
        lacking = min(field for field, text in texts.items() if not text)
        raise FieldDataError(f"{lacking} is empty.", fix="Write both coordinates, or none.")
    latitude, longitude = (parse_number(text, field=field) for field, text in texts.items())
    for field, value in zip(_MOST_DEG, (latitude, longitude), strict=True):
        if abs(value) > _MOST_DEG[field]:
            raise FieldDataError(
                f"{field} is {texts[field]}.",
                fix=f"Write degrees from -{_MOST_DEG[field]:.0f} to {_MOST_DEG[field]:.0f}, "
                "south and west below 0.",
            )
    if latitude == longitude == 0:
        raise FieldDataError(
            "Latitude and longitude are both 0.", fix="Correct them, or leave both empty."
        )
    return latitude, longitude


def _visited_place(row: CsvRow) -> VisitedPlace:
    return VisitedPlace(
        tree=read_tree(row),
        visited_on=parse_date(row.text("visited_on"), field="visited_on"),
        found=_kind(row.required_text("found"), "found"),
    )


def _weighed_fruit(row: CsvRow) -> WeighedFruit:
    in_grams, in_ounces = row.text("mass_g"), row.text("mass_oz")
    if in_grams and in_ounces:
        raise FieldDataError(
            f"Both mass_g ({in_grams}) and mass_oz ({in_ounces}) are filled.", fix="Keep one."
        )
    field = "mass_oz" if in_ounces else "mass_g"
    typed = parse_number(row.text(field), field=field)
    mass_g = US.fruit.kept(typed) if in_ounces else typed
    if not LIGHTEST_G <= mass_g <= HEAVIEST_G:
        raise FieldDataError(
            f"{field} is {row.text(field)}.",
            fix=f"Fruit weigh {LIGHTEST_G:g} to {HEAVIEST_G:g} g: correct it or delete the line.",
        )
    return WeighedFruit(
        variety=row.required_text("variety"),
        weighed_on=parse_date(row.text("weighed_on"), field="weighed_on"),
        diameter_mm=read_diameter_mm(row.text("diameter_mm"), row.text("diameter_in")),
        mass_g=mass_g,
        fruit=row.text("fruit"),
    )


def _planned_pass(row: CsvRow) -> _PlannedPass:
    share = row.text("share")
    days = row.text("date_error_days")
    doubling = row.text("doubling_g")
    left = row.text("left_share")
    found = _PlannedPass(
        block_id=row.required_text("block"),
        pick=Pick(
            pick_date=parse_date(row.text("pick_date"), field="pick_date"),
            date_error_days=parse_number(days, field="date_error_days") if days else 0.0,
            share=_share(share, "share") if share else 1.0,
        ),
        shared=bool(share),
        doubling_g=parse_number(doubling, field="doubling_g") if doubling else BY_SETTING,
        left_share=_share(left, "left_share") if left else 0.0,
    )
    if found.pick.date_error_days < 0 or (doubling and found.doubling_g <= 0):
        raise FieldDataError(
            "date_error_days is below 0 or doubling_g is not above 0.", fix="Correct the line."
        )
    return found


# Words of the trade for the same, as people write them in a register.
_OTHER_WORDS = {"gap": TreeKind.MISSING.value, "young": TreeKind.REPLANT.value}


def _kind(text: str, field: str) -> TreeKind:
    try:
        word = text.casefold()
        return TreeKind(_OTHER_WORDS.get(word, word))
    except ValueError as err:
        raise FieldDataError(
            f"{field} is '{text}'.", fix=f"Write {', '.join(kind.value for kind in TreeKind)}."
        ) from err


def _share(text: str, field: str) -> float:
    share = parse_number(text, field=field)
    if not 0 <= share <= 1:
        raise FieldDataError(f"{field} is {text}.", fix="It is a share: write 0 to 1.")
    return share


def _plan_problem(block_id: str, passes: list[_PlannedPass]) -> tuple[str, str] | None:
    total = sum(item.pick.share for item in passes)
    if len(passes) > 1 and not all(item.shared for item in passes):
        return (
            f"{block_id} has {len(passes)} passes, and not all have a share.",
            "Write the share of the harvest that each pass takes.",
        )
    if abs(total - 1) > SHARE_ROUNDING:
        return (
            f"The shares of {block_id}'s passes add up to {total:.2f}.",
            "They are shares of the harvest: make them add up to 1.",
        )
    if len({(item.doubling_g, item.left_share) for item in passes}) > 1:
        return (
            f"{block_id} has different doubling_g or left_share on its lines.",
            "Write the same on each line of the block.",
        )
    return None


def _plan(passes: list[_PlannedPass]) -> PickPlan:
    total = sum(item.pick.share for item in passes)
    return PickPlan(
        picks=tuple(
            Pick(
                pick_date=item.pick.pick_date,
                date_error_days=item.pick.date_error_days,
                share=item.pick.share / total,
            )
            for item in passes
        ),
        doubling_g=passes[0].doubling_g,
        left_share=passes[0].left_share,
    )
