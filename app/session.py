"""The one place that knows the farm folder, the cached store and what a visitor did last."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, date, datetime
from html import escape
from pathlib import Path

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from app import remembered, show, show_crop
from app.gate.gate import SIGN_OUT, signed_in
from app.gate.pages import pages_of
from app.wording import (
    LANGUAGE_IN_ADDRESS,
    LANGUAGES,
    chosen_language,
    forget_language,
    language,
    say,
    set_language,
)
from fruitvision.accounts import Role
from fruitvision.domain import Block, Forecast, MeasuredPhoto, SizeTable
from fruitvision.errors import FruitVisionError
from fruitvision.overlay import small_jpeg, small_numbers
from fruitvision.photo import read_photo, read_small
from fruitvision.pipeline import BlockWalks, Measured, Refused, estimate_blocks
from fruitvision.pipeline.additions import farm_settings
from fruitvision.pipeline.pictures import thumbnail_of
from fruitvision.pipeline.size_tables import farm_size_table, size_tables_of
from fruitvision.serve import DAY_VARIABLE, FARM_VARIABLE
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.unit_system import Units, UnitSystem, units_of

# Keys of the session state. Widgets of a page are forgotten on another page; these are not.
_MEASURED = "measured"
_REFUSED = "refused"
_BLOCK = "block_id"
_SIZES = "size_table"
_VERSION = "forecast_id"
_WHAT_IF = "what_if"
_NOTE = "note"
_BUT = "but"
_ROUND = "round"
_UNITS, UNITS_IN_ADDRESS = remembered.UNITS, remembered.UNITS_IN_ADDRESS
_PERSON = "person"
PERSON_IN_ADDRESS = "who"
# Our choice: a name and a family name.
LONGEST_NAME = 40

# Pictures kept in memory. Our choice: some 20 trees of two faces, about 1 MB each.
OVERLAYS_KEPT = 40

# Long side of a photo that is shown to draw in. Our choice: sharp on a laptop, about 300 kB.
SMALL_PHOTO_PX = 1400

# Farms whose block estimates are kept in memory. Our choice: one is open, another was before it.
WALKS_KEPT = 2


def farm_folder() -> Path:
    """The folder that the app was started for; `farm` in the working folder if none was named."""
    return Path(os.environ.get(FARM_VARIABLE, "farm")).resolve()


@st.cache_resource(show_spinner=False)
def _open(folder: str) -> FarmStore:
    return open_farm(Path(folder))


def farm() -> FarmStore:
    """The farm's store, shared by all visitors: every call of it has a connection of its own.

    Whoever may only look gets one that refuses every change.

    Raises
    ------
    StoreError
        If the farm can't be opened.
    """
    store = _open(str(farm_folder()))
    known = role()
    return store if known is None or known.may_change else store.for_a_reader()


def role() -> Role | None:
    """What the visitor may do; None where nobody needs to sign in."""
    found = _signed_in()
    return None if found is None else found[1]


def may_change() -> bool:
    """Whether the visitor may change anything of the farm."""
    known = role()
    return known is None or known.may_change


def makes_forecasts() -> bool:
    """Whether the visitor may make a forecast."""
    return may_change() and "forecast" in pages_of(role())


def plans_harvest() -> bool:
    """Whether the visitor may set what the harvest is planned with."""
    known = role()
    return known is None or known.plans_harvest


def brings(kind: str) -> bool:
    """Whether the visitor may bring tables of a kind."""
    known = role()
    return known is None or known.brings(kind)


def _signed_in() -> tuple[str, Role] | None:
    # What the server works out before anybody comes is nobody's.
    if get_script_run_ctx(suppress_warning=True) is None:
        return None
    return signed_in(st.context.headers.to_dict())


def settings() -> Settings:
    """The farm's settings."""
    return farm_settings(farm())


def units() -> Units:
    """The units that this visitor chose, else those of the address, else the farm's."""
    chosen = st.session_state.get(_UNITS) or st.query_params.get(UNITS_IN_ADDRESS)
    known = [one.value for one in UnitSystem]
    return units_of(chosen if chosen in known else settings().units)


def choose_mine() -> None:
    """What holds for this visitor alone: language, units, and the name that entries are kept by.

    All are kept for this visit and in the address of the page, language and units also for the
    next visit.
    """
    with st.popover(say("common.mine"), icon=":material/person:"):
        codes = list(LANGUAGES)
        chosen = st.selectbox(
            say("common.language"),
            codes,
            index=codes.index(language()),
            format_func=lambda code: LANGUAGES[code],
        )
        if chosen != language():
            set_language(chosen)
            _remember(language=chosen)
            st.rerun()
        systems = list(UnitSystem)
        before = units().system
        system = st.radio(
            say("common.units"),
            systems,
            index=systems.index(before),
            format_func=show.units_words,
        )
        st.session_state[_UNITS] = UnitSystem(system).value
        if system != before:
            _remember(units=UnitSystem(system).value)
        if role() is None:
            name = st.text_input(
                say("common.who"),
                value=person(),
                max_chars=LONGEST_NAME,
                help=say("common.who_help"),
            )
            st.session_state[_PERSON] = name.strip()
        else:
            st.write(say("gate.signed_in", name=show.plain(person())))
            # A plain link: this address is no page of the app.
            st.html(f'<a href="{SIGN_OUT}" target="_self">{escape(say("gate.sign_out"))}</a>')
    if any(st.query_params.get(one) != value for one, value in mine_in_address().items()):
        st.query_params.update(mine_in_address())


def mine_in_address() -> dict[str, str]:
    """What a visitor chose as it stands in the address of a page.

    A link to another page takes it along: to add it there would be one more step for the
    browser's way back.
    """
    mine = {
        LANGUAGE_IN_ADDRESS: chosen_language(),
        UNITS_IN_ADDRESS: units().system.value,
        PERSON_IN_ADDRESS: person(),
    }
    return {name: value for name, value in mine.items() if value}


def page_link(page: str | st.Page, label: str | None = None, icon: str | None = None) -> None:
    """A link to another page of the app, which takes along what the visitor chose.

    There is none to a page that is not for this visitor.
    """
    if isinstance(page, str) and Path(page).stem not in pages_of(role()):
        return
    st.page_link(page, label=label, icon=icon, query_params=mine_in_address())


def person() -> str:
    """The name that this visitor's entries are kept by; empty if none was given."""
    found = _signed_in()
    if found is not None:
        return found[0]
    name = st.session_state.get(_PERSON) or st.query_params.get(PERSON_IN_ADDRESS) or ""
    return str(name)[:LONGEST_NAME]


def recall() -> None:
    """Take up what this visitor chose in an earlier visit; to be called first in every run."""
    found = _signed_in()
    remembered.recall(farm_folder(), None if found is None else found[0])


def use_farm_units() -> None:
    """From now on the farm's units stand, until another choice."""
    st.session_state.pop(_UNITS, None)
    st.query_params.pop(UNITS_IN_ADDRESS, None)
    _remember(units="")


def use_farm_language() -> None:
    """From now on the farm's language stands, until another choice."""
    forget_language()
    _remember(language="")


def _remember(*, language: str | None = None, units: str | None = None) -> None:
    """Keep a choice for the next visit; where that fails it holds for this one."""
    found = _signed_in()
    with suppress(FruitVisionError):
        remembered.remember(
            farm_folder(), None if found is None else found[0], language=language, units=units
        )


def walks() -> tuple[tuple[BlockWalks, ...], tuple[Refused, ...]]:
    """Every block of the farm as of its latest walk; worked out again only after a change."""
    store, known = farm(), settings()
    return _walks(f"{farm_folder()} {store.stamp} {known.sha256}", store, known)


def walks_of(block_id: str) -> BlockWalks | None:
    """What a block's walks gave so far; None if nothing can be told of them."""
    found, _ = walks()
    return next((one for one in found if one.estimate.block.block_id == block_id), None)


@st.cache_resource(show_spinner=False, max_entries=WALKS_KEPT)
def _walks(
    key: str, _store: FarmStore, _settings: Settings
) -> tuple[tuple[BlockWalks, ...], tuple[Refused, ...]]:
    return estimate_blocks(_store, _settings)


def today() -> date:
    """The day on this computer's clock, for what is made now.

    A test sets another one by `DAY_VARIABLE`, as 2026-08-14, so that pages look the same on every
    day.
    """
    given = os.environ.get(DAY_VARIABLE, "")
    return date.fromisoformat(given) if given else datetime.now(UTC).astimezone().date()


def thumbnail(photo_id: str) -> bytes:
    """A small JPEG of the kept photo, 480 px on its long side.

    Raises
    ------
    StoreError, PhotoUnreadable
        If the farm's copy of the photo is missing or damaged.
    """
    return thumbnail_of(photo_id, farm())


def numbered(measured: MeasuredPhoto) -> bytes:
    """The kept photo with the numbers of its sized fruit and no millimetres, as JPEG.

    Raises
    ------
    StoreError, PhotoUnreadable
        If the farm's copy of the photo is missing or damaged.
    """
    return _numbered(repr((measured.photo.photo_id, measured.made_with)), measured)


@st.cache_data(show_spinner=False, max_entries=OVERLAYS_KEPT)
def plain_photo(photo_id: str) -> tuple[bytes, tuple[int, int]]:
    """The kept photo as a small JPEG, and the width and height of the whole one, px.

    Raises
    ------
    StoreError, PhotoUnreadable
        If the farm's copy of the photo is missing or damaged.
    """
    image, photo = read_photo(farm().photo_path(photo_id))
    return small_jpeg(image, SMALL_PHOTO_PX), (photo.width_px, photo.height_px)


@st.cache_data(show_spinner=False, max_entries=OVERLAYS_KEPT)
def _numbered(key: str, _measured: MeasuredPhoto) -> bytes:
    image = read_small(farm().photo_path(_measured.photo.photo_id), SMALL_PHOTO_PX)
    return small_numbers(image, _measured, SMALL_PHOTO_PX)


# ---------------------------------------------------------------- what is remembered between pages


def choose_block(blocks: Sequence[Block]) -> Block:
    """A box to choose a block, which starts with the one that was chosen last."""
    names = [block.block_id for block in blocks]
    last = st.session_state.get(_BLOCK)
    chosen = st.selectbox(
        say("common.block"), names, index=names.index(last) if last in names else 0
    )
    st.session_state[_BLOCK] = chosen
    return blocks[names.index(chosen)]


def remember_block(block_id: str) -> None:
    """Other pages start with this block."""
    st.session_state[_BLOCK] = block_id


def last_block() -> str:
    """The block that was chosen last on any page; empty if none was."""
    return str(st.session_state.get(_BLOCK, ""))


def choose_size_table() -> SizeTable:
    """A box to choose one of the size tables, which starts with the one that was chosen last.

    A table of the farm's own that someone damaged is said, and the page ends there.
    """
    names = list(size_tables_of(farm_folder()))
    last = st.session_state.get(_SIZES)
    chosen = st.selectbox(
        say("common.size_table"),
        names,
        index=names.index(last) if last in names else 0,
        format_func=show_crop.size_table_words,
    )
    use_size_table(chosen)
    try:
        return farm_size_table(chosen, farm_folder())
    except FruitVisionError as err:
        show.error(err)
        st.stop()


def use_size_table(name: str) -> None:
    """Start with this size table from now on."""
    st.session_state[_SIZES] = name


def remember_measured(measured: Measured) -> None:
    """Keep what the last upload gave, and empty the upload boxes."""
    st.session_state[_MEASURED] = measured
    st.session_state[_ROUND] = upload_round() + 1


def last_measured() -> Measured | None:
    """What the last upload gave, in this visit."""
    found: Measured | None = st.session_state.get(_MEASURED)
    return found


def upload_round() -> int:
    """Number that grows with every upload; in the key of an upload box it empties the box."""
    return int(st.session_state.get(_ROUND, 0))


def remember_version(forecast_id: str) -> None:
    """Show this forecast next."""
    st.session_state[_VERSION] = forecast_id


def last_version() -> str | None:
    """The forecast that was made last in this visit."""
    found: str | None = st.session_state.get(_VERSION)
    return found


def remember_what_if(forecast: Forecast | None) -> None:
    """Show this what-if; it is kept for this visit only. None forgets it."""
    st.session_state[_WHAT_IF] = forecast


def last_what_if() -> Forecast | None:
    """The what-if that was asked for last in this visit."""
    found: Forecast | None = st.session_state.get(_WHAT_IF)
    return found


def say_next(note: str, refused: Sequence[Refused] = (), *, but: str = "") -> None:
    """Keep a sentence, what was left out, and what is to be known of it, for the next run."""
    st.session_state[_NOTE] = note
    st.session_state[_BUT] = but
    st.session_state[_REFUSED] = tuple(refused)


def say_rows(file: str, rows: int, refused: Sequence[Refused], *, but: str = "") -> None:
    """Say in the next run of the page how many rows of a file went in; that none did is no tick."""
    if rows:
        say_next(say("forms.rows_in", file=file, n=rows), refused, but=but)
    else:
        say_next("", [Refused(name=file, what=say("forms.no_row_in"), fix=""), *refused])


def said() -> tuple[str, tuple[Refused, ...], str]:
    """What was kept to be said, once."""
    state = st.session_state
    return state.pop(_NOTE, ""), state.pop(_REFUSED, ()), state.pop(_BUT, "")
