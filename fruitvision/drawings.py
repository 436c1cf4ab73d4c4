"""Line drawings for the help and the card, made here: how to take a photo, and what spoils one.

Pictures are SVG texts of 240 × 170 units without any words, so that they are the same in every
language. What is right bears a tick, what is wrong a cross and a broken frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

WIDTH, HEIGHT = 240, 170
_INK, _FRUIT, _PALE, _PAPER = "#3f3528", "#7a3b2e", "#b9ac98", "#fbf8f2"
# Fruit of a tree: across and up, as shares of its width and height.
_FRUIT_PLACES = (
    (-0.28, 0.36), (0.22, 0.33), (-0.05, 0.45), (0.3, 0.52), (-0.32, 0.57), (0.05, 0.63),
    (-0.17, 0.75), (0.2, 0.76), (0.02, 0.88),
)  # fmt: skip


def _line(x0: float, y0: float, x1: float, y1: float, *, extra: str = "") -> str:
    return f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" {extra}/>'


def _circle(x: float, y: float, r: float, *, extra: str = "") -> str:
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" {extra}/>'


def _path(points: Sequence[tuple[float, float]], *, extra: str = "") -> str:
    joined = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline points="{joined}" {extra}/>'


def _box(x: float, y: float, w: float, h: float, *, extra: str = "") -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{h:.1f}" {extra}/>'


def _drawn(*parts: str, right: bool) -> str:
    """The whole picture: a frame, what is drawn in it, and a tick or a cross."""
    broken = "" if right else 'stroke-dasharray="7 5"'
    mark = (
        _path([(208, 22), (216, 31), (231, 9)], extra='stroke-width="5"')
        if right
        else _line(210, 10, 230, 30, extra='stroke-width="5"')
        + _line(230, 10, 210, 30, extra='stroke-width="5"')
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="480" '
        f'height="340" fill="none" stroke="{_INK}" stroke-width="2.5" stroke-linecap="round" '
        f'stroke-linejoin="round">'
        + _box(1.5, 1.5, WIDTH - 3, HEIGHT - 3, extra=f'rx="6" fill="{_PAPER}" {broken}')
        + "".join(parts)
        + mark
        + "</svg>"
    )


def _tree(
    x: float, ground: float, height: float, *, width: float = 0.55, fruit: bool = True
) -> str:
    """A slender tree: trunk, limbs, the outline of its leaves, and fruit."""
    wide = width * height
    outline = [
        (x - 0.12 * wide, ground - 0.16 * height), (x - 0.5 * wide, ground - 0.24 * height),
        (x - 0.52 * wide, ground - 0.5 * height), (x - 0.34 * wide, ground - 0.78 * height),
        (x, ground - height), (x + 0.34 * wide, ground - 0.78 * height),
        (x + 0.52 * wide, ground - 0.5 * height), (x + 0.5 * wide, ground - 0.24 * height),
        (x + 0.12 * wide, ground - 0.16 * height),
    ]  # fmt: skip
    limbs = "".join(
        _line(x, ground - share * height, x + side * 0.3 * wide, ground - (share + 0.1) * height)
        for share, side in ((0.3, -1), (0.42, 1), (0.56, -1), (0.68, 1))
    )
    fruits = "".join(
        _circle(x + across * wide, ground - up * height, 0.035 * height, extra=f'fill="{_FRUIT}"')
        for across, up in _FRUIT_PLACES
    )
    return (
        _path(outline, extra=f'stroke="{_PALE}" stroke-width="2"')
        + f'<g stroke="{_PALE}" stroke-width="1.5">{limbs}</g>'
        + _line(x, ground, x, ground - 0.92 * height)
        + (fruits if fruit else "")
    )


def _marker(x: float, y: float, side: float, *, turn: float = 0.0) -> str:
    """The printed sheet: a black square with a pattern of its own."""
    cell = side / 5
    inside = "".join(
        _box(x + across * cell, y + down * cell, cell, cell, extra='fill="#fff" stroke="none"')
        for across, down in ((1, 1), (3, 1), (2, 2), (1, 3))
    )
    return (
        f'<g transform="rotate({turn} {x + side / 2} {y + side / 2})">'
        + _box(x - 3, y - 3, side + 6, side + 6, extra='fill="#fff" stroke-width="1.5"')
        + _box(x, y, side, side, extra=f'fill="{_INK}" stroke="none"')
        + inside
        + "</g>"
    )


def _sun(x: float, y: float) -> str:
    rays = "".join(
        _line(x + 15 * dx, y + 15 * dy, x + 22 * dx, y + 22 * dy)
        for dx, dy in (
            (1, 0), (-1, 0), (0, 1), (0, -1), (0.7, 0.7), (-0.7, 0.7), (0.7, -0.7), (-0.7, -0.7),
        )
    )  # fmt: skip
    return _circle(x, y, 10) + rays


def _person(x: float, ground: float, *, facing: int) -> str:
    """Somebody who holds a phone out, to the right (1) or the left (-1)."""
    return (
        _circle(x, ground - 62, 8)
        + _line(x, ground - 54, x, ground - 24)
        + _path([(x - 8, ground), (x, ground - 24), (x + 8, ground)])
        + _path([(x, ground - 46), (x + 12 * facing, ground - 42), (x + 22 * facing, ground - 54)])
        + _box(x + (20 if facing > 0 else -25), ground - 66, 5, 15, extra=f'fill="{_INK}"')
    )


def _phone(x: float, y: float, w: float, h: float) -> str:
    return _box(x, y, w, h, extra='rx="7" stroke-width="4"')


def _arrow(x0: float, y0: float, x1: float, y1: float) -> str:
    """A line with its head at the second point; straight across or up and down."""
    dx, dy = (1 if x1 > x0 else -1 if x1 < x0 else 0), (1 if y1 > y0 else -1 if y1 < y0 else 0)
    head = [(x1 - 8 * dx - 6 * dy, y1 - 8 * dy - 6 * dx), (x1, y1),
            (x1 - 8 * dx + 6 * dy, y1 - 8 * dy + 6 * dx)]  # fmt: skip
    return _line(x0, y0, x1, y1) + _path(head)


def whole_tree() -> str:
    """The whole tree in an upright phone, the marker among its fruit."""
    return _drawn(_phone(72, 12, 96, 146), _tree(120, 148, 124), _marker(124, 74, 15), right=True)


def marker_among_fruit() -> str:
    """From the side: camera, then marker and fruit at one distance."""
    return _drawn(
        _line(12, 150, 228, 150, extra=f'stroke="{_PALE}"'),
        _person(48, 150, facing=1),
        _tree(172, 150, 120, width=0.6),
        _marker(150, 72, 16),
        _line(158, 96, 158, 164, extra='stroke-dasharray="4 4" stroke-width="1.5"'),
        right=True,
    )


def sun_behind() -> str:
    """The sun stands behind the person and lights the tree."""
    return _drawn(
        _line(12, 150, 228, 150, extra=f'stroke="{_PALE}"'),
        _sun(36, 34),
        _person(76, 150, facing=1),
        _tree(176, 150, 112, width=0.6),
        right=True,
    )


def two_faces() -> str:
    """From above: a row, and a phone in the alley on either side of it."""
    crowns = "".join(_circle(x, 85, 17, extra=f'stroke="{_PALE}"') for x in (40, 80, 120, 160, 200))
    letters = (
        f'<g fill="{_INK}" stroke="none" font-family="sans-serif" font-size="20" '
        'font-weight="700"><text x="140" y="34">A</text><text x="140" y="152">B</text></g>'
    )
    return _drawn(
        crowns,
        _line(14, 85, 226, 85),
        _box(112, 18, 16, 6, extra=f'fill="{_INK}"'),
        _arrow(120, 32, 120, 62),
        _box(112, 146, 16, 6, extra=f'fill="{_INK}"'),
        _arrow(120, 138, 120, 108),
        letters,
        right=True,
    )


def level_and_still() -> str:
    """A phone upright and level in two hands."""
    return _drawn(
        _phone(84, 16, 72, 128),
        _tree(120, 134, 104),
        _path([(60, 150), (66, 112), (84, 100)], extra='stroke-width="4"'),
        _path([(180, 150), (174, 112), (156, 100)], extra='stroke-width="4"'),
        _line(20, 80, 62, 80, extra='stroke-dasharray="5 4"'),
        _line(178, 80, 222, 80, extra='stroke-dasharray="5 4"'),
        right=True,
    )


def step_aside() -> str:
    """From above: a second photo of the same face, a step to the side."""
    crowns = "".join(_circle(x, 44, 20, extra=f'stroke="{_PALE}"') for x in (66, 120, 174))
    return _drawn(
        crowns,
        _box(94, 138, 18, 7, extra=f'fill="{_INK}"'),
        _box(128, 138, 18, 7, extra=f'fill="{_INK}"'),
        _line(103, 130, 117, 68),
        _line(137, 130, 123, 68),
        _arrow(96, 156, 146, 156),
        right=True,
    )


def marker_in_front() -> str:
    """The marker hangs before the row, nearer than the fruit."""
    return _drawn(
        _line(12, 150, 228, 150, extra=f'stroke="{_PALE}"'),
        _person(40, 150, facing=1),
        _tree(178, 150, 120, width=0.55),
        _line(108, 60, 108, 150, extra=f'stroke="{_PALE}"'),
        _marker(99, 66, 18),
        right=False,
    )


def top_cut_off() -> str:
    """The top of the tree does not fit into the phone."""
    return _drawn(
        _phone(76, 50, 88, 108),
        _tree(120, 152, 142),
        _marker(124, 84, 15),
        right=False,
    )


def into_the_sun() -> str:
    """The sun stands behind the tree and shines into the camera."""
    return _drawn(
        _line(12, 150, 228, 150, extra=f'stroke="{_PALE}"'),
        _sun(196, 52),
        _person(48, 150, facing=1),
        _tree(140, 150, 112, width=0.55),
        right=False,
    )


def marker_covered() -> str:
    """A leaf over the marker, and the sheet hangs askew."""
    return _drawn(
        _marker(84, 48, 70, turn=24),
        f'<path d="M70 96 C 90 60 130 70 140 104 C 110 122 84 118 70 96 Z" fill="{_PALE}"/>',
        _line(72, 96, 138, 104),
        right=False,
    )


# In the order of the help; the name is also that of the words under the picture.
RIGHT: dict[str, Callable[[], str]] = {
    "whole_tree": whole_tree,
    "marker_among_fruit": marker_among_fruit,
    "sun_behind": sun_behind,
    "two_faces": two_faces,
    "level_and_still": level_and_still,
    "step_aside": step_aside,
}
WRONG: dict[str, Callable[[], str]] = {
    "marker_in_front": marker_in_front,
    "top_cut_off": top_cut_off,
    "into_the_sun": into_the_sun,
    "marker_covered": marker_covered,
}
