"""The walk as a list to print: large type, one stop a line, room to write."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from io import BytesIO
from pathlib import Path

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from fruitvision.domain import PlannedPlace, RegisteredTree, TreeId, TreeKind, WalkPlan
from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.printed_letters import printable
from fruitvision.sampling import way_into
from fruitvision.whole_file import write_asked_for

PAPERS = {"A4": A4, "Letter": LETTER}

# Our choice: to be read at arm's length in the sun, and written on with gloves.
LINE_MM, STOP_POINTS, WORD_POINTS = 19.0, 22, 12
MARGIN_MM = 14.0
TOP_MM, BOTTOM_MM = 34.0, 22.0
# Left edges of the columns, mm from the margin.
PLACE_MM, STEPS_MM, BOXES_MM, COUNT_MM = 14.0, 76.0, 104.0, 142.0

CAUTION = (
    "Work from the ground. Mind tractors, platforms and ladders, drink and rest in heat, and "
    "keep out of blocks closed after spraying: labels and local rules apply."
)


def write_walk_list(
    plan: WalkPlan, path: Path, *, register: Sequence[RegisteredTree], paper: str = "A4"
) -> int:
    """Write the list as a PDF and return its number of pages.

    Parameters
    ----------
    register : sequence of RegisteredTree
        All positions of the block: they tell at which end each row is entered.

    Raises
    ------
    SettingsError
        If the paper is unknown.
    StoreError
        If the file can't be written.
    """
    if paper not in PAPERS:
        raise SettingsError(f"Unknown paper '{paper}'.", fix=did_you_mean(paper, PAPERS))
    pages = _pages(plan.places, PAPERS[paper][1])
    sheet = BytesIO()
    # Invariant: no clock and no random id in the file, same in same out.
    canvas = Canvas(sheet, pagesize=PAPERS[paper], invariant=1)
    canvas.setTitle(f"Walk through {plan.block_id}, {_stops(plan)}")
    canvas.setCreator("fruitvision")
    first, ways = 1, _ways_in(plan.places, register)
    for number, places in enumerate(pages, start=1):
        page = f"page {number} of {len(pages)}"
        _draw_page(canvas, PAPERS[paper], plan, page, places, first, ways)
        canvas.showPage()
        first += len(places)
    canvas.save()
    write_asked_for(path, sheet.getvalue())
    return len(pages)


def _stops(plan: WalkPlan) -> str:
    return f"{len(plan.places)} stop{'' if len(plan.places) == 1 else 's'}"


def _ways_in(
    places: Sequence[PlannedPlace], register: Sequence[RegisteredTree]
) -> dict[TreeId, tuple[str, str]]:
    """How to come to each stop that is the first of its row, in two lines."""
    found = {}
    before: TreeId | None = None
    for place in places:
        tree = place.tree
        goes_on = before is not None and before.row == tree.row
        # Trees that were added later start a second way: its first stop goes on from no other.
        if before is None or not goes_on or abs(tree.position - before.position) != place.steps:
            way = way_into(tree, register)
            if way is not None:
                end = f"{'far' if way.far else 'near'} end, tree {way.end}"
                found[tree] = f"{way.steps} in from", end
        before = tree
    return found


def _pages(places: Sequence[PlannedPlace], height: float) -> list[Sequence[PlannedPlace]]:
    lines = int((height / mm - TOP_MM - BOTTOM_MM) // LINE_MM)
    return [places[start : start + lines] for start in range(0, len(places), lines)]


def _draw_page(
    canvas: Canvas,
    size: tuple[float, float],
    plan: WalkPlan,
    page: str,
    places: Sequence[PlannedPlace],
    first: int,
    ways: Mapping[TreeId, tuple[str, str]],
) -> None:
    width, height = size
    left, right = MARGIN_MM * mm, width - MARGIN_MM * mm
    canvas.setFont("Helvetica-Bold", STOP_POINTS)
    canvas.drawString(left, height - 17 * mm, printable(plan.block_id))
    canvas.setFont("Helvetica", WORD_POINTS)
    counted = sum(place.count_by_hand for place in plan.places)
    canvas.drawString(
        left,
        height - 25 * mm,
        f"{_stops(plan)}, {counted} to count by hand. Date __________  Name __________",
    )
    canvas.drawRightString(right, height - 17 * mm, page)
    for line, place in enumerate(places):
        middle = height - (TOP_MM + (line + 0.5) * LINE_MM) * mm
        _draw_stop(canvas, left, middle, first + line, place, ways.get(place.tree))
        canvas.setLineWidth(0.4)
        canvas.line(left, middle - LINE_MM / 2 * mm, right, middle - LINE_MM / 2 * mm)
    canvas.setFont("Helvetica", 8)
    half = CAUTION.index(" ", len(CAUTION) // 2)
    canvas.drawString(left, 13 * mm, CAUTION[:half])
    canvas.drawString(left, 9 * mm, CAUTION[half + 1 :])


def _draw_stop(
    canvas: Canvas,
    left: float,
    middle: float,
    number: int,
    place: PlannedPlace,
    way_in: tuple[str, str] | None,
) -> None:
    """Number, row and tree in large type, steps to go, boxes to tick, room for the count."""
    base = middle - 2.5 * mm
    canvas.setFont("Helvetica", WORD_POINTS)
    canvas.drawString(left, base, f"{number}")
    canvas.setFont("Helvetica-Bold", STOP_POINTS)
    row, position = place.tree.row, place.tree.position
    canvas.drawString(left + PLACE_MM * mm, base, f"Row {row}  Tree {position}")
    canvas.setFont("Helvetica", 8)
    canvas.drawString(left + PLACE_MM * mm, base - 5 * mm, printable(_remarks(place)))
    canvas.setFont("Helvetica", WORD_POINTS)
    steps, end = way_in or (f"{place.steps} on", "")
    canvas.drawString(left + STEPS_MM * mm, base, steps)
    canvas.setFont("Helvetica", 8)
    canvas.drawString(left + STEPS_MM * mm, base - 5 * mm, end)
    for shift, word in enumerate(("A", "B", "gap")):
        x = left + (BOXES_MM + 12 * shift) * mm
        canvas.rect(x, base - 1 * mm, 6 * mm, 6 * mm)
        canvas.setFont("Helvetica", 8)
        canvas.drawString(x, base - 5 * mm, word)
    if place.count_by_hand:
        canvas.setFont("Helvetica-Bold", WORD_POINTS)
        canvas.drawString(left + COUNT_MM * mm, base, "count ______")


def _remarks(place: PlannedPlace) -> str:
    remarks = [
        place.stratum,
        "as last time" if place.repeat else "",
        "register: gap" if place.kind is TreeKind.MISSING else "",
        "register: young tree" if place.kind is TreeKind.REPLANT else "",
    ]
    return ", ".join(remark for remark in remarks if remark)
