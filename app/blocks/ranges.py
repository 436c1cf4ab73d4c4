"""A small picture of one range: an SVG image that fits any width and prints as it is seen."""

from __future__ import annotations

from html import escape
from urllib.parse import quote

from app.charts import BARK, SAND
from fruitvision.domain import Estimate

# Height of the picture and of its bar, px. Our choice: the mark and the bar fit in a line of text.
HEIGHT_PX = 26
BAR_PX = 10
BAR_TOP_PX = 13


def range_picture(
    value: Estimate, *, between: tuple[float, float], label: str, mark: float | None = None
) -> str:
    """A bar from P10 to P90 with a stroke at P50, on a line from one value to another, as HTML.

    Parameters
    ----------
    between : pair of float
        Values at the left and right ends; what lies beyond is drawn at the end, with an arrow.
    label : str
        The same in words, for who does not see it.
    mark : float
        The target, drawn as a triangle and a broken line.
    """
    first, last = between

    def place(number: float) -> float:
        share = (number - first) / (last - first) if last > first else 0.5
        return 100 * min(max(share, 0.0), 1.0)

    left, middle, right = place(value.p10), place(value.p50), place(value.p90)
    # A range wholly beyond an end keeps a sliver there.
    left, right = min(left, 98.0), max(right, 2.0)
    middle_px = BAR_TOP_PX + BAR_PX / 2
    parts = [
        f'<line x1="0" x2="100%" y1="{middle_px}" y2="{middle_px}" stroke="{BARK}" '
        'stroke-width="1" opacity="0.5"/>',
        f'<rect x="{left:.1f}%" y="{BAR_TOP_PX}" width="{max(right - left, 1.0):.1f}%" '
        f'height="{BAR_PX}" fill="{SAND}" stroke="{BARK}" stroke-width="1"/>',
        _stroke(middle, BAR_TOP_PX - 2, BAR_TOP_PX + BAR_PX + 2, 'stroke-width="3"'),
        *([_arrow("‹", 0.0, "start")] if value.p10 < first else []),
        *([_arrow("›", 100.0, "end")] if value.p90 > last else []),
    ]
    if mark is not None:
        parts += [
            _stroke(place(mark), 8, HEIGHT_PX, 'stroke-width="1.5" stroke-dasharray="3 2"'),
            f'<text x="{place(mark):.1f}%" y="10" text-anchor="middle" font-size="12" '
            f'fill="{BARK}">▼</text>',
        ]
    picture = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="100%" height="{HEIGHT_PX}" '
        f'font-family="sans-serif">{"".join(parts)}</svg>'
    )
    # As an image: SVG inside the page's own HTML is taken out of it for safety.
    return (
        f'<img class="fv-range" alt="{escape(label)}" height="{HEIGHT_PX}" '
        f'src="data:image/svg+xml,{quote(picture)}">'
    )


def _stroke(place: float, top: float, bottom: float, style: str) -> str:
    return (
        f'<line x1="{place:.1f}%" x2="{place:.1f}%" y1="{top}" y2="{bottom}" stroke="{BARK}" '
        f"{style}/>"
    )


def _arrow(sign: str, place: float, anchor: str) -> str:
    return (
        f'<text x="{place:.0f}%" y="{BAR_TOP_PX + BAR_PX}" text-anchor="{anchor}" font-size="16" '
        f'font-weight="700" fill="{BARK}">{sign}</text>'
    )
