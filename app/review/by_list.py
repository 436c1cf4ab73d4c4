"""Putting a photo right without its picture: a list of fruit, and numbers."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app import session, show
from app.review.editor import fruit_words, kind_of
from app.wording import say
from fruitvision.domain import (
    AddedFruit,
    Correction,
    Fruit,
    GroundLine,
    Outline,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
)
from fruitvision.review import PARTLY_SEEN, Reviewed, drawn_outline, drawn_sides

Save = Callable[[Correction], None]


def correct_by_list(reviewed: Reviewed, save: Save) -> None:
    """One of the fruit to take out, put off or on the row, or outline; a new one; and the lines."""
    st.caption(say("review.list_help"))
    with show.errors():
        _one_fruit(reviewed, save)
        _new_fruit(reviewed, save)
        _ground(reviewed, save)
        _sides(reviewed, save)


def _one_fruit(reviewed: Reviewed, save: Save) -> None:
    fruit = list(reviewed.photo.fruit)
    if not fruit:
        return
    unit = session.units().diameter
    one = st.selectbox(
        say("review.which_fruit"), fruit, format_func=lambda item: fruit_words(item, reviewed, unit)
    )
    here = kind_of(one, reviewed) in ("sized", "counted")
    place = {"x_px": one.centre_x_px, "y_px": one.centre_y_px}
    with st.container(horizontal=True):
        if st.button(say("review.not_fruit"), key="list not fruit"):
            _saved(RemovedFruit(**place), save)
        if st.button(say("review.not_this_row" if here else "review.this_row"), key="list row"):
            _saved(RowOfFruit(**place, on_this_row=not here), save)
    with st.form(f"outline {one.fruit_id}"):
        drawn = _outline_boxes(one, reviewed, one.fruit_id)
        if st.form_submit_button(say("review.keep_outline")):
            outline, share = drawn()
            _saved(ReshapedFruit(**place, outline=outline, visible_share=share), save)


def _new_fruit(reviewed: Reviewed, save: Save) -> None:
    with st.form("new fruit"):
        st.write(say("review.missing"))
        drawn = _outline_boxes(None, reviewed, "new")
        if st.form_submit_button(say("review.add")):
            outline, share = drawn()
            _saved(AddedFruit(outline=outline, visible_share=share), save)


def _outline_boxes(
    fruit: Fruit | None, reviewed: Reviewed, name: str
) -> Callable[[], tuple[Outline, float]]:
    """Boxes for an outline's numbers, and what reads them."""
    photo = reviewed.photo.photo
    size = 0.04 * photo.width_px
    start = (photo.width_px / 2, photo.height_px / 2, size, size, 0.0)
    if fruit is not None:
        at = fruit.outline
        start = (at.centre_x_px, at.centre_y_px, at.width_px, at.height_px, at.angle_deg)
    columns = st.columns(5)
    numbers = [
        column.number_input(
            say(f"review.outline_{part}"),
            value=round(value, 1),
            step=1.0,
            format="%.1f",
            key=f"{part} {name} {value}",
        )
        for column, part, value in zip(columns, ("x", "y", "w", "h", "a"), start, strict=True)
    ]
    whole = st.radio(
        say("review.seen"),
        [True, False],
        format_func=lambda one: say("review.seen_whole" if one else "review.seen_partly"),
        horizontal=True,
        key=f"seen {name}",
    )
    return lambda: (
        drawn_outline(photo, *numbers),
        1.0 if whole else PARTLY_SEEN,
    )


def _ground(reviewed: Reviewed, save: Save) -> None:
    height = reviewed.photo.photo.height_px
    now = reviewed.ground or GroundLine(left_y_px=height - 1.0, right_y_px=height - 1.0)
    with st.form("ground"):
        left, right = (
            column.number_input(
                say(f"review.ground_{end}"), value=round(value), step=5, key=f"{end} {value}"
            )
            for column, end, value in zip(
                st.columns(2), ("left", "right"), (now.left_y_px, now.right_y_px), strict=True
            )
        )
        if st.form_submit_button(say("review.keep_ground")):
            _saved(GroundLine(left_y_px=float(left), right_y_px=float(right)), save)


def _sides(reviewed: Reviewed, save: Save) -> None:
    now = reviewed.sides
    known = (0.0, reviewed.photo.photo.width_px - 1.0)
    if now is not None:
        known = (now.left_x_px, now.right_x_px)
    with st.form("sides"):
        left, right = (
            column.number_input(
                say(f"review.side_{end}"), value=round(value), step=5, key=f"side {end} {value}"
            )
            for column, end, value in zip(st.columns(2), ("left", "right"), known, strict=True)
        )
        if st.form_submit_button(say("review.keep_sides")):
            _saved(drawn_sides(float(left), float(right)), save)


def _saved(correction: Correction, save: Save) -> None:
    save(correction)
    st.rerun()
