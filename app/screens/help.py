"""How to take the photos, and what to beware of."""

from base64 import b64encode
from collections.abc import Callable, Mapping
from functools import partial
from html import escape

import streamlit as st

from app import files, session, show
from app.wording import say
from fruitvision import drawings
from fruitvision.marker_sheet import draw_marker_sheet
from fruitvision.settings import RULER_MM

# From where the marker, of a 150 mm side, is 87 px wide in a phone's photo.
ALLEY_M = 2.3


def marker_sheets() -> None:
    for column, paper in zip(st.columns(2), ("A4", "Letter"), strict=True):
        column.download_button(
            say("help.marker_sheet", paper=paper),
            files.bytes_of(partial(draw_marker_sheet, paper=paper), "marker.pdf"),
            file_name=f"marker-{paper.lower()}.pdf",
            mime="application/pdf",
            icon=":material/download:",
            width="stretch",
        )


def figures(drawn: Mapping[str, Callable[[], str]]) -> None:
    """Pictures with what they say, as many abreast as the page is wide."""
    drawn_ones = "".join(
        _figure(say(f"help.picture_{name}"), draw()) for name, draw in drawn.items()
    )
    st.html(f'<div class="fv-pictures">{drawn_ones}</div>')


def _figure(words: str, svg: str) -> str:
    source = f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}"
    strong, rest = escape(words).removeprefix("**").split("**", 1)
    return (
        f'<figure><img src="{source}" alt="{strong}"/>'
        f"<figcaption><strong>{strong}</strong>{rest}</figcaption></figure>"
    )


units = session.units()
ruler = show.length(RULER_MM, units.diameter, digits=1)
alley = show.length(ALLEY_M, units.distance, digits=1)
st.title(say("help.title"))
st.markdown(say("help.five_steps"))
st.subheader(say("help.photo"))
figures(drawings.RIGHT)
st.markdown(say("help.photo_words", alley=alley))
st.subheader(say("help.wrong"))
figures(drawings.WRONG)
st.subheader(say("help.marker"))
st.markdown(say("help.marker_words", ruler=ruler))
marker_sheets()
st.subheader(say("help.trust"))
st.markdown(say("help.trust_words"))
show.caution()
st.subheader(say("help.care"))
st.markdown(say("help.care_words"))
