"""Balls and sheets of known size that a person points at in a photo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import streamlit as st

from app import charts, session, show
from app.forms.calipers import photo_words
from app.forms.hand_work import measure_again
from app.show_chart import show_chart
from app.wording import measure, say
from fruitvision.domain import Block, PointedReference, ReferenceKind
from fruitvision.pipeline.lines import PlacedPhoto, placed_photos
from fruitvision.pipeline.references import keep_pointed
from fruitvision.reference_table import pointed_reference
from fruitvision.store import FarmStore
from fruitvision.units import parse_number

KINDS = [ReferenceKind.BALL, ReferenceKind.SQUARE]
# In the order of `drawn_sides`; names among the texts.
SIDES = ("left", "top", "right", "bottom")
# Name of the box that is drawn in the picture.
BOX = "box"


def reference_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """A photo to draw a box in, what hangs there, and what was pointed at before."""
    st.caption(say("forms.point_words"))
    if not st.toggle(say("forms.point")):
        return
    name = st.selectbox(say("forms.block_with_photo"), [block.block_id for block in blocks])
    placed = placed_photos(str(name), store, session.settings())
    if not placed:
        st.write(say("forms.no_photos_of_block"))
        return
    photo = st.selectbox(say("forms.photo_to_point"), placed, format_func=photo_words)
    known = store.pointed_references(photo.placed.photo_id)
    with show.errors():
        _known(store, photo, known)
        _new(store, photo, known)


def _new(store: FarmStore, photo: PlacedPhoto, known: Sequence[PointedReference]) -> None:
    photo_id = photo.placed.photo_id
    jpeg, size_px = session.plain_photo(photo_id)
    drawn = show_chart(
        charts.picture_to_draw_in(jpeg, size_px, BOX),
        on_select="rerun",
        selection_mode=BOX,
        key=f"picture {photo_id}",
        width="content",
    )
    unit = session.units().diameter
    sides = drawn_sides(drawn.get("selection", {}).get(BOX, {}))
    kind = st.radio(say("forms.what_hangs"), KINDS, format_func=_kind, horizontal=True)
    size = st.text_input(say("forms.its_size", unit=unit.symbol))
    st.caption(say("forms.box_in_px"))
    columns = st.columns(4)
    typed = [
        column.number_input(
            say(f"forms.side_{side}"), value=value, step=1, key=f"{side} {photo_id} {value}"
        )
        for column, side, value in zip(columns, SIDES, sides, strict=True)
    ]
    if st.button(say("forms.measure_with_it")):
        size_mm = parse_number(size, field="The size") * unit.size
        new = pointed_reference(kind, size_mm, [float(value) for value in typed])
        _measure_with(store, photo, [*known, new])


def _measure_with(
    store: FarmStore, photo: PlacedPhoto, references: Sequence[PointedReference]
) -> None:
    photo_id = photo.placed.photo_id
    names = {photo_id: photo.measured.photo.name} if photo.measured else None
    keep_pointed(photo_id, references, store, who=session.person())
    measure_again(store, names)


def _known(store: FarmStore, photo: PlacedPhoto, known: Sequence[PointedReference]) -> None:
    unit = session.units().diameter
    for number, one in enumerate(known):
        x0, y0, x1, y1 = one.box_px
        left, right = st.columns([3, 1])
        left.write(
            say(
                "forms.pointed",
                kind=_kind(one.kind),
                size=measure(one.size_mm, unit, 1),
                x0=f"{x0:.0f}",
                x1=f"{x1:.0f}",
                y0=f"{y0:.0f}",
                y1=f"{y1:.0f}",
            )
        )
        if right.button(say("forms.take_out"), key=f"out {photo.placed.photo_id} {number}"):
            _measure_with(store, photo, [*known[:number], *known[number + 1 :]])


def drawn_sides(box: Mapping[str, Sequence[float]]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the drawn box in px; zeros while none is drawn."""
    if not {"x", "y"} <= set(box):
        return 0, 0, 0, 0
    (left, right), (top, bottom) = sorted(box["x"]), sorted(box["y"])
    return round(max(left, 0)), round(max(top, 0)), round(max(right, 0)), round(max(bottom, 0))


def _kind(kind: ReferenceKind) -> str:
    return say(f"forms.kind_{kind.value}")
