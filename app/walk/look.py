"""How the walk page looks: huge, dark on light, for one hand in gloves and glare."""

from __future__ import annotations

from html import escape

import streamlit as st

from app.wording import say

# Key of the container that all of the page is in.
WALK = "walk"
# Key of the container of the block's choice where a walk is started.
WHICH_BLOCK = "walk-which-block"
# Key of the session state: the tree that is in view.
_TREE = "walk tree in view"

_LOOK = """<style>
.st-key-walk p, .st-key-walk label p { font-size: 1.25rem; color: #1b1610; }
.st-key-walk [data-testid="stCheckbox"] label { min-height: 56px; align-items: center; }
.st-key-walk button p { font-size: 1.35rem; font-weight: 650; }
.st-key-walk button[kind="primary"] p { color: #fffdf8; }
.st-key-walk [data-testid="stButton"] button, .st-key-walk [data-testid="stPageLink"] a,
.st-key-walk [data-testid="stFormSubmitButton"] button {
  min-height: 60px; border-width: 2px; border-color: #3f3528; }
.st-key-walk details summary { min-height: 56px; }
.st-key-walk details summary p { font-size: 1.25rem; font-weight: 650; }
.st-key-walk [data-testid="stSelectbox"] [role="group"],
.st-key-walk [data-testid="stSelectbox"] [role="group"] button { min-height: 56px; }
.st-key-walk [data-testid="stSelectbox"] button, .st-key-walk [data-testid="stSelectbox"] input {
  font-size: 1.25rem; }
.st-key-walk [data-testid="stElementContainer"]:has(script) { display: none; }
.st-key-walk [data-testid="stFileChips"] > button { min-width: 60px; min-height: 60px; }
.st-key-walk [data-testid="stFileChipDeleteBtn"] button { min-width: 48px; min-height: 48px; }
.st-key-walk h1 { font-size: 1.35rem !important; padding: 0; }
.st-key-walk-which-block [data-testid="stSelectbox"] [role="group"],
.st-key-walk-which-block [data-testid="stSelectbox"] [role="group"] button { min-height: 72px; }
.st-key-walk-which-block [data-testid="stSelectbox"] :is(button, input) {
  font-size: 2.2rem; font-weight: 800; }
.st-key-walk [data-testid="stNumberInputContainer"] { height: 64px; }
.st-key-walk [data-testid="stNumberInputField"] { font-size: 2rem; font-weight: 650; }
.st-key-walk [data-testid="stNumberInputContainer"] button { min-width: 64px; height: 60px; }
.st-key-walk [data-testid="stTextInputRootElement"] { height: 60px; }
.st-key-walk [data-testid="stTextInputRootElement"] input { font-size: 1.5rem; }
.st-key-walk [data-testid="stFileUploaderDropzone"] { padding: 0; border: 0; background: none; }
.st-key-walk [data-testid="stFileUploaderDropzone"] > span { width: 100%; }
.st-key-walk [data-testid="stFileUploaderDropzone"] > span button {
  width: 100%; min-height: 72px; border: 3px solid #3f3528; background: #fffdf8; }
.st-key-walk [data-testid="stFileUploaderDropzone"] button p { font-size: 0; }
.st-key-walk [data-testid="stFileUploaderDropzone"] button p::after {
  font-size: 1.5rem; font-weight: 700; }
.st-key-walk [data-testid="stFileUploaderDropzoneInstructions"] { display: none; }
.fv-next { border: 3px solid #1b1610; background: #fffdf8; padding: .3rem .9rem .6rem; }
.fv-next .where { font-size: 1.25rem; }
.fv-next .huge { font-size: 4.2rem; font-weight: 800; line-height: 1.02; color: #1b1610;
  overflow-wrap: anywhere; margin: 0; }
.fv-next .way { font-size: 1.35rem; font-weight: 600; margin-top: .3rem; }
.fv-next .todo { font-size: 1.35rem; font-weight: 700; margin-top: .4rem; padding: .3rem .6rem;
  background: #1b1610; color: #fffdf8; }
.fv-sign { display: flex; gap: .8rem; align-items: center; font-size: 1.6rem; font-weight: 750;
  line-height: 1.15; padding: .5rem .8rem; margin: .2rem 0; color: #1b1610; background: #fffdf8; }
.fv-sign .mark { font-size: 2.2rem; min-width: 2.4rem; text-align: center; }
.fv-sign .small { font-size: 1.25rem; font-weight: 500; display: block; }
.fv-sign.good { border: 3px solid #1b1610; }
.fv-sign.good .mark { border-radius: 50%; background: #1b1610; color: #fffdf8; }
.fv-sign.bad { border: 6px double #1b1610; background: #ffe9a8; }
.fv-sign.wait { border: 3px dotted #1b1610; }
.fv-saved { font-size: 1.25rem; border-top: 2px solid #3f3528; padding-top: .4rem; }
</style>"""


def look() -> None:
    """The style of this page alone."""
    st.html(_LOOK)


def next_tree(where: str, row: str, tree: str, way: str, todo: list[str]) -> None:
    """The next tree in huge type, how to get there, and what is special about it."""
    notes = "".join(f'<div class="todo">{escape(one)}</div>' for one in todo)
    st.markdown(
        f'<div class="fv-next"><div class="where">{escape(where)}</div>'
        f'<div class="huge" role="heading" aria-level="1">{escape(row)}<br>{escape(tree)}</div>'
        f'<div class="way">{escape(way)}</div>{notes}</div>',
        unsafe_allow_html=True,
    )


def up(tree: str) -> None:
    """Show the top of the page when another tree comes into view; a rerun leaves it where it is.

    Parameters
    ----------
    tree : str
        Which one.
    """
    last, moves = st.session_state.get(_TREE, ("", 0))
    moved = last != tree
    st.session_state[_TREE] = (tree, moves + moved)
    # Always one element, so that what stands below keeps its place and what is open stays open;
    # another text for every move, as the browser runs the same one only once.
    scroll = "document.querySelector('[data-testid=\"stMain\"]').scrollTo(0, 0)"
    script = f"{scroll} // {moves}" if moved else ""
    st.html(f"<script>{script}</script>", unsafe_allow_javascript=True)


def good(words: str, below: str = "") -> None:
    """A tick in a disc: go on."""
    _sign("good", "✓", words, below)


def bad(words: str, below: str = "") -> None:
    """An exclamation mark in a double frame: one thing to do."""
    _sign("bad", "!", words, below)


def wait(words: str, below: str = "") -> None:
    """Dots in a dotted frame: not ready."""
    _sign("wait", "…", words, below)


def _sign(kind: str, mark: str, words: str, below: str) -> None:
    small = f'<span class="small">{escape(below)}</span>' if below else ""
    st.markdown(
        f'<div class="fv-sign {kind}" role="status"><span class="mark" aria-hidden="true">{mark}'
        f"</span><span>{escape(words)}{small}</span></div>",
        unsafe_allow_html=True,
    )


def name_button(key: str, words: str) -> None:
    """The words on the button of a file box, which has a name of its own otherwise.

    Parameters
    ----------
    key : str
        Of the container around the box.
    """
    text = words.replace("\\", "").replace('"', "”").replace("<", "")
    st.html(
        f"<style>.st-key-{key} [data-testid='stFileUploaderDropzone'] button p::after "
        f'{{ content: "{text}"; }}</style>'
    )


def saved_line(words: str) -> None:
    """What is saved, at the foot of the page."""
    st.markdown(
        f'<div class="fv-saved" role="status">{escape(words)}</div>', unsafe_allow_html=True
    )


def title() -> None:
    """The page's head where no tree is: the tree is what matters."""
    st.title(say("walk.start_head"))
