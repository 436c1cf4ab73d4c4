"""Photos of both faces of a tree: in at once, checked at once, one line of what to do if not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date

import streamlit as st

from app import files, session, show
from app.walk import look
from app.walk.hand_work import is_counting
from app.wording import measure, say, sentence
from fruitvision.capture import CaptureCheck, CaptureFault
from fruitvision.domain import Block, Doubt, KeptWalk, MeasuredPhoto, TreeId, TreePhoto
from fruitvision.errors import FruitVisionError
from fruitvision.overlay import small_overlay
from fruitvision.photo import read_small
from fruitvision.pipeline.lines import photo_numbers
from fruitvision.pipeline.views import take_off
from fruitvision.pipeline.walking import (
    MOST_OF_A_FACE,
    Aim,
    Taken,
    TakenPhoto,
    capture_check,
    measure_taken,
    measured_of,
    take_photos,
)
from fruitvision.settings import Settings
from fruitvision.store import FarmStore
from fruitvision.unit_system import Unit
from fruitvision.walk_data import FACES
from fruitvision.walk_progress import Stop

# With `image/*` a phone offers its camera beside its gallery, at full resolution. The camera box of
# the browser itself gives 1080 lines at most, no date and no lens, and needs a certificate.
PHOTOS = "image/*"
# Long side of a photo with its outlines, px. Our choice: sharp on a phone, about 150 kB by wifi.
SHOWN_PX = 1000
# Pictures and checks kept in memory. Our choice: the trees of a walk, and of a large one.
KEPT = 40
CHECKS_KEPT = 400
FACE_WORDS = {"A": "walk.face_a", "B": "walk.face_b"}

# Keys of the session state.
_ROUND = "walk round"
_SAID = "walk said"
_OTHER_DAY = "walk other day"
_CLOCK_WRONG = "walk clock wrong"


def both_faces(
    store: FarmStore,
    walk: KeptWalk,
    stop: Stop,
    block: Block,
    measured: Mapping[str, MeasuredPhoto],
) -> bool:
    """A part for each face: its photos with what was seen in them, and a box for more.

    Returns
    -------
    bool
        Whether the latest photo of a face should be taken again.
    """
    say_once()
    faulty = False
    good: list[str] = []
    for face in FACES:
        st.markdown(f"**{say(FACE_WORDS[face])}**")
        photos = [photo for photo in stop.photos if photo.face == face]
        for photo in photos:
            _show(store, block, measured.get(photo.photo_id), photo, hidden=is_counting(stop))
        again = fault_of(store, block, measured, photos) is not None
        faulty = faulty or again
        if photos and not again:
            good.append(face)
        else:
            instead_of = photos[-1].photo_id if again else ""
            _box(store, Aim(walk=walk, stop=stop, face=face, instead_of=instead_of))
    if good and session.may_change():
        # Behind both faces: whoever goes round the tree finds the box of the other side first.
        with st.expander(say("walk.another_head"), key=f"walk another {stop.tree}"):
            st.write(say("walk.another_why"))
            for face in good:
                st.markdown(f"**{say(FACE_WORDS[face])}**")
                _box(store, Aim(walk=walk, stop=stop, face=face))
    refused = st.session_state.get(_OTHER_DAY)
    if refused is not None:
        st.checkbox(say("walk.clock_wrong", day=refused), key=_ticked(refused))
    return faulty


def _ticked(day: date | None) -> str:
    """Key of the tick that photos of this day are of today."""
    return f"{_CLOCK_WRONG} {day}"


def _show(
    store: FarmStore,
    block: Block,
    measured: MeasuredPhoto | None,
    photo: TreePhoto,
    *,
    hidden: bool,
) -> None:
    if measured is None:
        look.wait(say("walk.measuring"))
        return
    face = say(FACE_WORDS[photo.face])
    with show.errors():
        check = check_of(store, measured, block)
        if check.fault is None:
            # Without a tree spacing or a scale nothing tells whether both sides are in.
            seen = "walk.look_ok" if check.sides_known else "walk.look_ok_top"
            look.good(say("walk.good"), say(seen))
        else:
            look.bad(say(f"walk.fault_{check.fault.value}"))
        if Doubt.VIEWS_NOT_JOINED in measured.doubts:
            look.wait(say("walk.not_together"), say("walk.not_together_what"))
        if hidden:
            st.image(session.thumbnail(photo.photo_id), width="stretch", alt=face)
            look.wait(say("walk.hidden"))
        else:
            st.image(outlined(store, measured), width="stretch", alt=face)
            st.write(seen_words(measured))


def seen_words(measured: MeasuredPhoto) -> str:
    """`71 fruit seen, 40 sized, mean 68 mm`."""
    found = photo_numbers(measured)
    words = say("walk.fruit_seen", n=found.fruit_count)
    if found.sized:
        mean = measure(found.mean_mm, session.units().diameter)
        words += ", " + say("walk.fruit_mean", n=found.sized, mean=mean)
    return words


def fault_of(
    store: FarmStore,
    block: Block,
    measured: Mapping[str, MeasuredPhoto],
    photos: Sequence[TreePhoto],
) -> CaptureFault | None:
    """What is wrong with the latest photo of a face; None also if there is none yet."""
    latest = measured.get(photos[-1].photo_id) if photos else None
    with show.errors():
        return None if latest is None else check_of(store, latest, block).fault
    return None


def stops_to_redo(store: FarmStore, block: Block, stops: Sequence[Stop]) -> frozenset[TreeId]:
    """Trees of which the latest photo of some face should be taken again."""
    settings = session.settings()
    key = f"{session.farm_folder()} {store.stamp} {settings.sha256} {block.block_id}"
    return _to_redo(key, store, block, tuple(stops), settings)


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _to_redo(
    key: str, _store: FarmStore, _block: Block, _stops: tuple[Stop, ...], _settings: Settings
) -> frozenset[TreeId]:
    found = set()
    for stop in _stops:
        latest = {photo.face: photo.photo_id for photo in stop.photos}
        measured = measured_of(_store, stop, _settings) if latest else {}
        for photo_id in latest.values():
            # A photo whose file is gone is told of where its tree is shown.
            with suppress(FruitVisionError):
                if photo_id in measured and check_of(_store, measured[photo_id], _block).fault:
                    found.add(stop.tree)
    return frozenset(found)


def _box(store: FarmStore, aim: Aim) -> None:
    if not session.may_change():
        return
    taken = any(photo.face == aim.face for photo in aim.stop.photos)
    words = "walk.take_again" if aim.instead_of else "walk.take_another" if taken else "walk.take"
    key = f"face-{aim.face.lower()}"
    with st.container(key=key):
        look.name_button(key, say(words))
        uploads = st.file_uploader(
            say(FACE_WORDS[aim.face]),
            type=PHOTOS,
            accept_multiple_files=True,
            label_visibility="collapsed",
            key=f"photos {aim.face} {aim.stop.tree} {_round(aim)}",
        )
    if not uploads:
        return
    if len(uploads) > MOST_OF_A_FACE:
        look.bad(say("walk.too_many", n=len(uploads), most=MOST_OF_A_FACE))
        return
    with show.errors(), st.spinner(say("walk.checking")):
        _take(store, aim, uploads)


def _take(store: FarmStore, aim: Aim, uploads: Sequence[files.Upload]) -> None:
    other_day = st.session_state.get(_OTHER_DAY)
    wrong_day = other_day if st.session_state.get(_ticked(other_day)) else None
    with files.saved(list(uploads)) as saved:
        taken = take_photos(saved, store, aim, on=session.today(), wrong_day=wrong_day)
    # The box is emptied first: what is kept is not sent again, whatever comes now.
    st.session_state[_counter(aim)] = _round(aim) + 1
    st.session_state[_SAID] = [_words(one) for one in taken if one.outcome is not Taken.KEPT]
    refused = next((one.day for one in taken if one.outcome is Taken.OTHER_DAY), wrong_day)
    st.session_state[_OTHER_DAY] = refused
    kept = {one.placed.photo_id: one.name for one in taken if _kept(one) and one.placed}
    if kept:
        before = sum(photo.face == aim.face for photo in aim.stop.photos) - bool(aim.instead_of)
        several = before + len(kept) > 1
        measured = measure_taken(store, kept, session.settings(), together=several)
        st.session_state[_SAID] += [
            say("walk.not_measured", reason=sentence(one.what)) for one in measured.refused
        ]
    st.rerun()


def _kept(one: TakenPhoto) -> bool:
    return one.outcome is Taken.KEPT


def _words(one: TakenPhoto) -> str:
    if one.problem is not None:
        return f"{sentence(one.problem.what)} {sentence(one.problem.fix)}"
    if one.outcome is Taken.OTHER_TREE and one.placed is not None:
        tree = one.placed.tree
        return say(
            "walk.taken_other_tree", name=one.name, row=str(tree.row), tree=str(tree.position)
        )
    if one.outcome is Taken.OTHER_DAY and one.day is not None:
        return say("walk.taken_other_day", name=one.name, day=one.day)
    return say("walk.taken_known", name=one.name)


def say_once() -> None:
    """What became of the last upload, where there is something to say."""
    for words in st.session_state.pop(_SAID, ()):
        look.bad(words)


def take_off_form(store: FarmStore, stop: Stop) -> None:
    """Take the latest photo of a face off this tree, as it shows another."""
    st.write(say("walk.take_off_help"))
    for face in FACES:
        photos = [photo for photo in stop.photos if photo.face == face]
        words = say(f"walk.take_off_face_{face.lower()}")
        if photos and st.button(words, width="stretch"):
            with show.errors(), st.spinner(say("walk.measuring")):
                take_off(store, photos[-1], photos[:-1], settings=session.settings())
                st.rerun()


def _round(aim: Aim) -> int:
    return int(st.session_state.get(_counter(aim), 0))


def _counter(aim: Aim) -> str:
    """Key of a number that grows with every upload, one a face: a photo of the other face that
    comes while this one is measured must find its box unchanged."""
    return f"{_ROUND} {aim.face} {aim.stop.tree}"


# ---------------------------------------------------------------- pictures and checks, kept


def check_of(store: FarmStore, measured: MeasuredPhoto, block: Block) -> CaptureCheck:
    """Whether a photo can be used.

    Raises
    ------
    StoreError, PhotoUnreadable
        If the farm's copy of the photo is missing or damaged.
    """
    key = repr((measured.photo.photo_id, hash(measured), block.tree_spacing_m))
    return _check(key, store, measured, block)


@st.cache_resource(show_spinner=False, max_entries=CHECKS_KEPT)
def _check(key: str, _store: FarmStore, _measured: MeasuredPhoto, _block: Block) -> CaptureCheck:
    return capture_check(_store, _measured, _block)


def outlined(store: FarmStore, measured: MeasuredPhoto) -> bytes:
    """The photo with its outlines, small enough for wifi in the field, as JPEG."""
    unit = session.units().diameter
    key = repr((measured.photo.photo_id, hash(measured), unit.symbol))
    return _outlined(key, store, measured, unit)


@st.cache_data(show_spinner=False, max_entries=KEPT)
def _outlined(key: str, _store: FarmStore, _measured: MeasuredPhoto, _unit: Unit) -> bytes:
    image = read_small(_store.photo_path(_measured.photo.photo_id), SHOWN_PX)
    return small_overlay(image, _measured, SHOWN_PX, _unit)
