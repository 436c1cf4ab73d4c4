"""The order book against a forecast, in lines: cells, what can't be filled, what it rests on."""

from __future__ import annotations

from datetime import date

from fruitvision.orders import CheckedLine, CheckedOrders, OrderCell, Taken
from fruitvision.report.words import CAUTION, many

# What brings no carton at P90 and has no order has no line.
LEAST_CARTONS = 1.0


def order_book_lines(checked: CheckedOrders) -> list[str]:
    """A table by variety, week and class, then the orders that can't be filled."""
    lines = [f"Order book against forecast {checked.forecast_id}, in cartons"]
    for variety in dict.fromkeys(cell.variety for cell in checked.cells):
        of_variety = [cell for cell in checked.cells if cell.variety == variety and _told(cell)]
        lines += ["", f"{variety}", _HEAD, *map(_cell_line, of_variety)]
    short = [one for one in checked.lines if one.short_p10 or one.short_p50]
    lines += ["", _oversold_line(checked)]
    if short:
        lines += ["", "Orders that can't be filled, in the order of the book:"]
        lines += map(_short_line, short)
    return [*lines, "", *_NOTES, CAUTION]


_COLUMNS = {
    "week": "<10",
    "class": "<12",
    "P10": ">8",
    "P50": ">8",
    "P90": ">8",
    "sold at P10": ">13",
    "left at P10": ">13",
    "sold at P50": ">13",
    "left at P50": ">13",
    "still safe": ">12",
}
_HEAD = "  " + "".join(f"{name:{width}}" for name, width in _COLUMNS.items())
_NOTES = (
    "Safe: what may yet be promised at P10 with all firm orders kept, options not counted; two "
    "lines may be the same fruit, so promise one, load the book and look again.",
    "An order is filled from fruit packed in its week or earlier; what waits in store is taken not "
    "to be lost. An order over several classes takes each carton once. Firm orders go before "
    "options, and earlier lines of the book before later ones.",
    "At P50 an order over several classes may take other ones than at P10. P10 and P50 are those "
    "of each class and week by itself. Not all are low at once, so P10 of several together is more "
    "cautious than one chance in ten.",
)


def _told(cell: OrderCell) -> bool:
    return cell.cartons.p90 >= LEAST_CARTONS or bool(cell.p10.sold or cell.p50.sold)


def _cell_line(cell: OrderCell) -> str:
    cartons = cell.cartons
    return (
        f"  {week_words(cell.week):<10}{cell.size_class:<12}"
        f"{cell.p10.there:>8,}{cell.p50.there:>8,}{cartons.p90:>8,.0f}"
        f"{_taken_words(cell.p10)}{_taken_words(cell.p50)}{cell.safe:>12,}"
    )


def _taken_words(taken: Taken) -> str:
    mark = "!" if taken.left < 0 else " "
    return f"{taken.sold:>13,}{mark:>4}{taken.left:>9,}"


def week_words(week: date) -> str:
    """`2026-W38`, as ISO 8601 writes it."""
    year, number, _ = week.isocalendar()
    return f"{year}-W{number:02}"


def _oversold_line(checked: CheckedOrders) -> str:
    at_p10 = len(checked.oversold)
    at_p50 = sum(cell.p50.left < 0 for cell in checked.cells)
    if not at_p10 and not at_p50:
        return "Nothing is oversold."
    return f"Oversold (!): {many(at_p10, 'line')} at P10, {at_p50:,} at P50."


def _short_line(one: CheckedLine) -> str:
    order = one.order
    kind = "firm" if order.firm else "option"
    what = " ".join(filter(None, (order.variety, order.grade, order.classes)))
    why = f" {one.why}" if one.why else ""
    return (
        f"  {order.customer}, {what}, {week_words(order.week)}, {kind}: of {order.cartons:,} "
        f"short {one.short_p10:,} at P10, {one.short_p50:,} at P50.{why}"
    )
