"""Records in plain words and tables: ranges, doubts, errors."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from html import escape

import streamlit as st
from PIL import Image, ImageDraw

from app import wording
from app.wording import number, say, sentence
from fruitvision import printed_letters
from fruitvision.domain import Doubts, Estimate, MeasuredPhoto
from fruitvision.errors import FruitVisionError
from fruitvision.pipeline import Measured, Progress, Refused
from fruitvision.pipeline.lines import photo_numbers
from fruitvision.unit_system import Unit, UnitSystem, units_of

_LOOK = """<style>
[data-testid="stMainBlockContainer"] { padding-top: 1.5rem; max-width: 62rem; }
h1 { font-size: 2.2rem !important; }
[data-testid="stHeader"] { background: transparent; height: 1rem; }
.fv-jumps { display: flex; flex-wrap: wrap; gap: .2rem 1.4rem; }
.fv-jumps a { min-height: 44px; display: inline-flex; align-items: center; color: #7a3b2e; }
.fv-numbers { display: grid; gap: .6rem; margin: .2rem 0 .8rem;
  grid-template-columns: repeat(auto-fit, minmax(9rem, 1fr)); }
.fv-number { background: #efe7da; border-left: 4px solid #7a3b2e; padding: .5rem .8rem; }
.fv-number .what { font-size: .95rem; }
.fv-number .mid { font-size: 1.75rem; font-weight: 650; line-height: 1.25; }
.fv-number .range { font-size: .95rem; }
[data-testid="stAlertContainer"] p { color: #2b251e; }
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p { color: #5f564b;
  opacity: 1; }
[data-testid="stApp"] :is(a, button, summary):focus-visible { outline: 3px solid #7a3b2e !important;
  outline-offset: 1px; }
.fv-caution { border: 2px solid #3f3528; padding: .5rem .8rem; margin: .2rem 0 .6rem; }
.fv-doubts { border-left: 4px dotted #7a3b2e; padding: .1rem 0 .1rem .8rem; margin: .2rem 0 1rem; }
.fv-doubts p { margin: .2rem 0; font-size: 1rem; }
.fv-pictures { display: grid; gap: .8rem;
  grid-template-columns: repeat(auto-fill, minmax(10rem, 1fr)); }
.fv-pictures figure { margin: 0; }
.fv-pictures img { width: 100%; display: block; }
.fv-pictures figcaption { margin: .3rem 0 .4rem; }
[data-testid="stTable"] th { text-align: left; }
[data-testid="stTable"] :is(td, th) { overflow-wrap: anywhere; }
@media (max-width: 640px) {
  [data-testid="stMainBlockContainer"] { padding-left: .9rem; padding-right: .9rem; }
  [data-testid="stTable"] td, [data-testid="stTable"] th { padding: .35rem .3rem; }
}
</style>"""


def look() -> None:
    """The few style rules of the app."""
    st.html(_LOOK)


def icon() -> Image.Image:
    """An apple for the browser's tab, drawn here so that nothing is fetched."""
    picture = Image.new("RGBA", (64, 64))
    draw = ImageDraw.Draw(picture)
    draw.ellipse((8, 16, 56, 62), fill="#7a3b2e")
    draw.line((32, 18, 36, 4), fill="#3f3528", width=4)
    return picture


# ---------------------------------------------------------------- words

# Where markdown would begin a link of its own accord. A sign of no width before it and a stroke
# inside keep it from that: one is looked at by who reads the signs, the other by who reads words.
_ADDRESS = re.compile(r"(?=https?://|www\.|(?<![-.+\w])[-.+\w]+@[-\w]+\.)", re.IGNORECASE)
NO_BREAK = "\u2060"


def plain(text: str) -> str:
    """Text from a file or a form, so that it is shown letter by letter and never as a link."""
    text = _ADDRESS.sub(NO_BREAK, text)
    return re.sub(r"([\\`*_\[\]|<>~$@]|:(?=\w|//))", r"\\\1", text)


def day(value: date | None) -> str:
    """`3 Sep 2026 (week 36)`."""
    if value is None:
        return wording.day(None)
    return say("common.day_and_week", day=value, week=str(value.isocalendar().week))


def error(err: FruitVisionError) -> None:
    """What happened, and what to do."""
    st.error(f"**{plain(sentence(err.what))}** {plain(sentence(err.fix))}", icon=":material/error:")


@contextmanager
def errors() -> Iterator[None]:
    """Show an error that the user can put right, and go on after the block."""
    try:
        yield
    except FruitVisionError as err:
        error(err)


# What was left out has a box each up to so many; more are a list that can be opened. Our choice.
MOST_BOXES = 4


def refused(items: Sequence[Refused]) -> None:
    """What was left out, why, and what to do."""
    for item in items[:MOST_BOXES]:
        st.warning(_left_out(item), icon=":material/block:")
    more = items[MOST_BOXES:]
    if more:
        with st.expander(say("common.left_out_more", n=len(more))):
            st.markdown("\n".join(f"- {_left_out(item)}" for item in more))


def _left_out(item: Refused) -> str:
    why = f"{plain(sentence(item.what))} {plain(sentence(item.fix))}".strip()
    return say("common.left_out", name=plain(sentence(item.name)), why=why)


def note(text: str, left_out: Sequence[Refused], but: str = "") -> None:
    """A sentence about what was just done, what was left out of it, and what is to be known of it.

    It has its place also while there is nothing to say: what stands below then stays the same
    for the browser, and an opened tab stays open.
    """
    with st.container():
        if text:
            st.success(plain(text), icon=":material/check:")
        if but:
            st.warning(plain(but), icon=":material/hourglass_empty:")
        refused(left_out)


def doubts(found: Doubts, remarks: Sequence[str] = ()) -> None:
    """Every doubt in words; remarks of the library are translated, others stay as they are."""
    words = [sentence(text) for text in (*(doubt.words for doubt in found), *remarks)]
    if words:
        lines = "".join(f"<p>{escape(text)}</p>" for text in words)
        label = escape(say("common.doubts"))
        st.markdown(
            f'<div class="fv-doubts" role="note" aria-label="{label}">{lines}</div>',
            unsafe_allow_html=True,
        )


def caution() -> None:
    """The line under every forecast."""
    words = escape(say("common.caution"))
    st.markdown(f'<div class="fv-caution" role="note">{words}</div>', unsafe_allow_html=True)


def not_printed(names: Iterable[str]) -> None:
    """Beside a PDF: which names lack letters in it; nothing where none does."""
    found = printed_letters.not_printed(names)
    if found:
        st.caption(say("common.not_printed", names=plain(", ".join(found))))


def jumps(*parts: tuple[str, str]) -> None:
    """Links to parts of a long page: the anchor of each part's heading, and its words."""
    links = "".join(
        f'<a href="#{anchor}" target="_self">{escape(words)} ↓</a>' for anchor, words in parts
    )
    st.html(f'<nav class="fv-jumps">{links}</nav>')


def numbers(shown: Sequence[tuple[str, str, str]]) -> None:
    """Big numbers side by side: what, the number, and its range or what stands behind it."""
    cells = "".join(
        f'<div class="fv-number"><div class="what">{escape(what)}</div>'
        f'<div class="mid">{escape(mid)}</div><div class="range">{escape(below)}</div></div>'
        for what, mid, below in shown
    )
    st.markdown(f'<div class="fv-numbers">{cells}</div>', unsafe_allow_html=True)


def estimate(
    what: str, value: Estimate | None, *, digits: int = 0, unit: Unit | None = None
) -> tuple[str, str, str]:
    """A metric number with its P10 to P90 for `numbers`, in a user's unit where it has one."""
    if value is None:
        return what, say("common.not_known"), say("common.see_doubts")
    numbers = [value.p10, value.p50, value.p90]
    if unit is not None:
        numbers, digits = [unit.shown(one) for one in numbers], unit.decimals(digits)
    low, mid, high = (number(one, digits) for one in numbers)
    after = f" {wording.symbol(unit)}" if unit else ""
    return what, f"{mid}{after}", f"{low}–{high}{after}"


def table(rows: Sequence[Mapping[str, str]]) -> None:
    """A plain table; cells are text."""
    shown = [{plain(head): plain(cell) for head, cell in row.items()} for row in rows]
    st.table(shown, border="horizontal", hide_index=True)


def progress() -> Progress:
    """A bar that counts photos."""
    bar = st.progress(0.0, say("common.measuring"))

    def show(done: int, of: int) -> None:
        bar.progress(done / max(of, 1), say("common.measured_of", done=done, of=of))

    return show


# ---------------------------------------------------------------- photos


def measured_photos(measured: Measured, unit: Unit) -> None:
    """One line a photo of an upload, then doubts, copies and refusals."""
    found = [(item, photo_numbers(item)) for item in measured.photos]
    if found:
        table(
            [
                {
                    say("common.photo"): item.photo.name,
                    say("common.fruit"): number(numbers_of.fruit_count),
                    say("common.sized"): number(numbers_of.sized),
                    say("common.mean"): diameter(numbers_of.mean_mm, unit),
                }
                for item, numbers_of in found
            ]
        )
    doubts((), _doubts_of_photos(measured.photos))
    for copy, first in measured.copies:
        st.info(say("common.same_photo", copy=plain(copy), first=plain(first)))
    refused(measured.refused)


def _doubts_of_photos(photos: Sequence[MeasuredPhoto]) -> list[str]:
    """Each doubt once, with the photos that it is about."""
    about: dict[str, list[str]] = {}
    for item in photos:
        for words in (*(doubt.words for doubt in item.doubts), *item.remarks):
            about.setdefault(words, []).append(item.photo.name)
    return [
        say("common.about_all_photos", words=sentence(words))
        if len(names) == len(photos) > 1
        else say("common.about_photos", photos=", ".join(names), words=sentence(words))
        for words, names in about.items()
    ]


def length(value: float, unit: Unit, *, digits: int) -> str:
    """`150.0 mm`, `5.906 in`, `7.5 ft`: with decimals that lose nothing."""
    return f"{number(unit.shown(value), unit.all_decimals(digits))} {unit.symbol}"


def diameter(mm: float | None, unit: Unit) -> str:
    """`71 mm`, `2.80 in`, or a dash where nothing was sized."""
    return wording.measure(mm, unit)


def units_words(system: UnitSystem) -> str:
    """The units of a system for a switch: `mm, t, ha`."""
    units = units_of(system)
    return ", ".join(wording.symbol(unit) for unit in (units.diameter, units.crop, units.area))


# ---------------------------------------------------------------- help


def page_help(page: str) -> None:
    """What a page is for and how to use it, behind a button; the help itself needs none."""
    if page != "help":
        with st.popover(say("help.button"), icon=":material/help:"):
            st.markdown(say(f"help.on_{page}"))
