"""What people put right in a photo, in words: which, by whom, when; and the way to take it back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import streamlit as st

from app import session, show
from app.review.place import place_words
from app.wording import say
from fruitvision.domain import (
    AddedFruit,
    Correction,
    GroundLine,
    Photo,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.errors import FruitVisionError
from fruitvision.pipeline.review import PhotoReview
from fruitvision.store import FarmStore

# Key of the session state: an error that a correction met.
_ERROR = "review error"


@contextmanager
def kept_for_next() -> Iterator[None]:
    """An error of this block waits for `tell_error`: what runs before the page has nowhere to show
    it."""
    try:
        yield
    except FruitVisionError as err:
        st.session_state[_ERROR] = err


def tell_error() -> None:
    """The error that a correction met, once."""
    met: FruitVisionError | None = st.session_state.pop(_ERROR, None)
    if met is not None:
        show.error(met)


def save(correction: Correction, photo_id: str, store: FarmStore) -> None:
    """Keep a correction with the visitor's name and the time."""
    store.save_photo_edits(
        photo_id, [correction], made_by=session.person(), made_at=datetime.now(UTC)
    )


def save_on_click(correction: Correction, photo_id: str, store: FarmStore) -> None:
    """As `save`, for a button that calls it before the page is drawn anew."""
    with kept_for_next():
        save(correction, photo_id, store)


def latest_edit(review: PhotoReview, store: FarmStore) -> None:
    """The latest edit that stands, with its undo: within reach after each correction."""
    standing = [one for one in review.edits if one.stands]
    with st.container():
        if standing:
            edit = standing[-1]
            left, right = st.columns([3, 1], vertical_alignment="center")
            left.markdown(say("review.latest", edit=edit_words(edit, review.measured.photo)))
            if not session.may_change():
                return
            right.button(
                say("review.undo_latest"),
                key="undo the latest",
                on_click=_undo,
                args=(edit, store),
                width="stretch",
            )


def all_edits(review: PhotoReview, store: FarmStore) -> None:
    """Every edit with who and when, the latest first; each can be undone, and made again, by those
    who may change anything."""
    if not review.edits:
        return
    lost = {one.number for one in review.reviewed.lost}
    photo, may_change = review.measured.photo, session.may_change()
    # Always the same name, so that it stays open while one after the other is undone.
    with st.expander(say("review.edits"), expanded=bool(lost)):
        for edit in reversed(review.edits):
            left, right = st.columns([3, 1], vertical_alignment="center")
            left.markdown(edit_words(edit, photo, gone=edit.number in lost))
            if not may_change:
                continue
            if edit.stands:
                right.button(
                    say("review.undo"),
                    key=f"undo {edit.number}",
                    on_click=_undo,
                    args=(edit, store),
                )
            else:
                right.button(
                    say("review.again"),
                    key=f"again {edit.number}",
                    on_click=save_on_click,
                    args=(edit.correction, edit.photo_id, store),
                )


def _undo(edit: PhotoEdit, store: FarmStore) -> None:
    with kept_for_next():
        store.undo_photo_edit(edit.number, undone_by=session.person(), undone_at=datetime.now(UTC))


def edit_words(edit: PhotoEdit, photo: Photo, *, gone: bool = False) -> str:
    """An edit in a line of markdown: what, by whom, when; struck out where it was undone."""
    what = correction_words(edit.correction, photo)
    line = say("review.edit", what=what, who=person_words(edit.made_by), when=edit.made_at)
    if edit.undone_at is not None:
        who = person_words(edit.undone_by or "")
        return f"~~{line}~~ {say('review.undone', who=who, when=edit.undone_at)}"
    return f"{line} **{say('review.gone')}**" if gone else line


def correction_words(correction: Correction, photo: Photo | None = None) -> str:
    """What somebody put right, in a few words, and with a photo at which place in it."""
    what = say(f"review.did_{_kind(correction)}")
    at = _place(correction)
    if at is None or photo is None:
        return what
    return say("review.did_at", what=what, place=place_words(*at, photo))


def _kind(correction: Correction) -> str:
    if isinstance(correction, RowOfFruit):
        return "put_on" if correction.on_this_row else "put_off"
    kinds = {
        RemovedFruit: "remove",
        AddedFruit: "add",
        ReshapedFruit: "shape",
        GroundLine: "ground",
        SideLimits: "sides",
    }
    return next((name for kind, name in kinds.items() if isinstance(correction, kind)), "check")


def _place(correction: Correction) -> tuple[float, float] | None:
    """Where in the photo the fruit of a correction is, px; None for what is no fruit."""
    if isinstance(correction, RemovedFruit | RowOfFruit):
        return correction.x_px, correction.y_px
    if isinstance(correction, AddedFruit | ReshapedFruit):
        return correction.outline.centre_x_px, correction.outline.centre_y_px
    return None


def person_words(name: str) -> str:
    """Who did something, or that nobody wrote a name."""
    return show.plain(name) if name else say("review.nobody")
