"""A small picture of one range, drawn by the page's own style: it fits any width and prints.

Sixty blocks have a hundred and twenty of these: as pictures of their own they took a browser longer
than all else on the page.
"""

from __future__ import annotations

from html import escape

from app.charts import BARK, SAND
from fruitvision.domain import Estimate

# A range wholly beyond an end keeps a sliver there, % of the width. Our choice: it is seen.
SLIVER = 2.0

# A line along the middle, a bar on it, a stroke at P50, and a broken line with a triangle over it
# for the target. Borders, since grounds are not printed everywhere.
LOOK = (
    f".fv-range {{ --bark: {BARK}; --sand: {SAND}; }}"
    + """
.fv-range { display: block; position: relative; width: 100%; max-width: 16rem; height: 26px;
  color: var(--bark); overflow: hidden; }
.fv-range::before { content: ""; position: absolute; left: 0; right: 0; top: 17px;
  border-top: 1px solid var(--bark); opacity: .5; }
.fv-range i { position: absolute; box-sizing: border-box; font-style: normal; }
.fv-range .bar { top: 13px; height: 10px; min-width: 1%; border: 1px solid var(--bark);
  background: var(--sand); print-color-adjust: exact; -webkit-print-color-adjust: exact; }
.fv-range .p50 { top: 11px; height: 14px; margin-left: -1.5px; border-left: 3px solid var(--bark); }
.fv-range .mark { top: 9px; height: 17px; border-left: 1.5px dashed var(--bark); }
.fv-range .mark::before { content: "▼"; position: absolute; top: -10px; left: -5px;
  font-size: 11px; line-height: 1; }
.fv-range .first, .fv-range .last { top: 8px; font: 700 16px/1 sans-serif; }
.fv-range .first { left: 0; } .fv-range .last { right: 0; }
.fv-range .first::before { content: "‹"; } .fv-range .last::before { content: "›"; }
"""
)


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

    left = min(place(value.p10), 100.0 - SLIVER)
    right = max(place(value.p90), SLIVER)
    parts = [
        f'<i class="bar" style="left:{left:.1f}%;width:{right - left:.1f}%"></i>',
        _at("p50", place(value.p50)),
        *(['<i class="first"></i>'] if value.p10 < first else []),
        *(['<i class="last"></i>'] if value.p90 > last else []),
        *([] if mark is None else [_at("mark", place(mark))]),
    ]
    return f'<span class="fv-range" role="img" aria-label="{escape(label)}">{"".join(parts)}</span>'


def _at(what: str, place: float) -> str:
    return f'<i class="{what}" style="left:{place:.1f}%"></i>'
