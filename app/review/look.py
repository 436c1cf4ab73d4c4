"""One photo: what was found in it, the picture to put it right in, and all that was put right."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence

import streamlit as st

from app import session, show
from app.forms.hand_work import measure_again
from app.review.by_list import correct_by_list
from app.review.choose import choose_photo
from app.review.editor import correction_of, last_edit, photo_editor, pointed_box
from app.review.edits import (
    all_edits,
    kept_for_next,
    latest_edit,
    person_words,
    save,
    save_on_click,
    tell_error,
)
from app.wording import number, say
from fruitvision.domain import (
    Block,
    CheckedPhoto,
    MeasuredPhoto,
    ReferenceKind,
)
from fruitvision.pipeline.lines import photo_numbers
from fruitvision.pipeline.outlines import COCO_FILE, LIST_FILE, outlines_of
from fruitvision.pipeline.references import keep_pointed
from fruitvision.pipeline.review import PhotoReview, photo_review
from fruitvision.reference_table import pointed_reference
from fruitvision.store import FarmStore
from fruitvision.units import parse_number

# Keys of the session state: how many corrections came back from a picture, and a box around a ball
# or sheet.
_ANSWERED = "review answered"
_BOX = "review box"


def look_at_trees(store: FarmStore, blocks: Sequence[Block], just_measured: frozenset[str]) -> None:
    """Block, tree, photo; the photo with all that was found in it; and putting it right, for those
    who may change anything."""
    placed = choose_photo(store, blocks, just_measured)
    if placed is None:
        return
    review = photo_review(placed.photo_id, store, session.settings())
    if review is None:
        if store.jobs(only_open=True):
            st.write(say("review.waits"))
            return
        st.write(say("review.not_measured"))
        if session.may_change() and st.button(say("review.measure")):
            measure_again(store)
        return
    # What is there at times only has a place of its own, so that nothing below closes for it.
    with st.container():
        tell_error()
    _numbers(review)
    _picture(review, store)
    with st.container():
        _checked(review, store)
    if session.may_change():
        with st.expander(say("review.without_picture")):
            correct_by_list(review.reviewed, lambda one: save(one, placed.photo_id, store))
    all_edits(review, store)
    _training_data(store)


# ---------------------------------------------------------------- the picture


def _numbers(review: PhotoReview) -> None:
    found, unit = photo_numbers(review.reviewed.photo), session.units().diameter
    alone = review.measured.fruit_count
    show.numbers(
        [
            (
                say("review.count"),
                number(found.fruit_count),
                say("review.count_alone", n=alone)
                if alone != found.fruit_count
                else say("review.of_this_tree"),
            ),
            (say("review.sized"), number(found.sized), say("review.whole_enough")),
            (say("review.mean"), show.diameter(found.mean_mm, unit), say("review.of_sized")),
        ]
    )


def _picture(review: PhotoReview, store: FarmStore) -> None:
    photo_id = review.measured.photo.photo_id
    key = f"photo {photo_id}"
    with show.errors():
        photo_editor(
            review.reviewed,
            key,
            answered=st.session_state.get(_ANSWERED, 0),
            on_edit=lambda: take(key, review.measured, store),
        )
    latest_edit(review, store)
    with st.container():
        if session.may_change() and not session.person():
            st.caption(say("review.who"))
        _point(review, store)
        show.doubts(review.reviewed.photo.doubts, review.reviewed.photo.remarks)


def take(key: str, measured: MeasuredPhoto, store: FarmStore) -> None:
    """Keep what came back from the picture, or the error that it met."""
    edit = last_edit(key)
    st.session_state[_ANSWERED] = st.session_state.get(_ANSWERED, 0) + 1
    with kept_for_next():
        box = pointed_box(edit)
        if box is not None:
            st.session_state[_BOX] = (measured.photo.photo_id, box)
        elif edit:
            save(correction_of(edit, measured.photo), measured.photo.photo_id, store)


def _point(review: PhotoReview, store: FarmStore) -> None:
    """What hangs in the box that was drawn, and how large it is."""
    photo = review.measured.photo
    photo_id, box = st.session_state.get(_BOX, ("", (0.0,) * 4))
    if photo_id != photo.photo_id:
        return
    unit = session.units().diameter
    with st.form("pointed at"):
        st.write(say("review.pointed"))
        kind = st.radio(
            say("review.what_hangs"),
            list(ReferenceKind),
            index=1,
            format_func=lambda one: say(f"review.kind_{one.value}"),
            horizontal=True,
        )
        size = st.text_input(say("review.how_large", unit=unit.symbol))
        with st.container(horizontal=True):
            measure = st.form_submit_button(say("review.measure_with_it"), type="primary")
            leave = st.form_submit_button(say("review.forget_box"))
    if leave:
        st.session_state.pop(_BOX)
        st.rerun()
    if measure and kind:
        with show.errors():
            size_mm = parse_number(size, field="The size") * unit.size
            new = pointed_reference(kind, size_mm, list(box))
            known = store.pointed_references(photo_id)
            keep_pointed(photo_id, [*known, new], store, who=session.person())
            st.session_state.pop(_BOX)
            measure_again(store, {photo_id: photo.name})


def _checked(review: PhotoReview, store: FarmStore) -> None:
    """Somebody looked at all of it: the photo can then teach."""
    checked = review.reviewed.checked
    if checked is not None:
        st.success(
            say("review.checked", who=person_words(checked.made_by), when=checked.made_at),
            icon=":material/check:",
        )
        return
    if not session.may_change():
        return
    st.button(
        say("review.check"),
        help=say("review.check_help"),
        on_click=save_on_click,
        args=(
            CheckedPhoto(detector=review.measured.made_with.detector),
            review.measured.photo.photo_id,
            store,
        ),
    )


# ---------------------------------------------------------------- to train on


def _training_data(store: FarmStore) -> None:
    with st.expander(say("review.training")):
        st.caption(say("review.training_help", folder=show.plain(str(store.folder))))
        if not st.toggle(say("review.training_make")):
            return
        outlines = outlines_of(store, session.settings(), made_on=session.today())
        st.write(say("review.training_photos", n=len(outlines.files)))
        if outlines.unchecked:
            st.write(say("review.training_unchecked", n=outlines.unchecked))
        show.refused(outlines.refused)
        if outlines.files:
            packed = io.BytesIO()
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr(COCO_FILE, outlines.coco)
                archive.writestr(LIST_FILE, outlines.photo_list)
            st.download_button(say("review.training_download"), packed.getvalue(), "outlines.zip")
