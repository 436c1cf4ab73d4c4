"""Words that Streamlit itself shows, in the visitor's language where a style rule reaches them.

Out of reach, and English in every language: what a screen reader is told of buttons without words,
and the tips on the buttons over a chart or picture. The calendar of a date speaks the browser's
language.
"""

from __future__ import annotations

import json

import streamlit as st

from app.wording import language, say

_STYLE = """<style>
[data-testid="stFileUploaderDropzone"] button [data-testid="stMarkdownContainer"] p,
[data-testid="stFileUploaderDropzoneInstructions"] span {{ font-size: 0; }}
[data-testid="stFileUploaderDropzone"] button [data-testid="stMarkdownContainer"] p::after {{
  content: {choose}; font-size: .9rem; }}
[data-testid="stFileUploaderDropzoneInstructions"] span::after {{
  content: {drop}; font-size: .875rem; }}
[data-testid="InputInstructions"] {{ visibility: hidden; }}
</style>"""
# An empty date shows how it is written: yyyy-mm-dd, aaaa-mm-dd, aaaa-mm-jj.
_DATE = """<style>
[data-testid="stDateInput"] [data-placeholder="true"] {{ font-size: 0; }}
[data-testid="stDateInput"] [data-placeholder="true"]::after {{ font-size: 1rem; }}
[data-testid="stDateInput"] [data-type="year"][data-placeholder="true"]::after {{
  content: {year}; }}
[data-testid="stDateInput"] [data-type="month"][data-placeholder="true"]::after {{
  content: {month}; }}
[data-testid="stDateInput"] [data-type="day"][data-placeholder="true"]::after {{
  content: {day}; }}
</style>"""
# Why a file box did not take a file: Streamlit tells it in English, and to a mouse only.
_NOT_TAKEN = """<style>
[data-testid="stFileUploader"]:has([data-testid="stFileChipIconError"])::after {{
  content: {not_taken}; display: block; padding: .4rem .8rem;
  border: 2px solid #7a3b2e; background: #fffdf8; }}
[data-testid="stFileChip"] > [role="alert"], [data-testid="stTooltipErrorContent"] {{
  display: none; }}
</style>"""
# A mistake of this program: what happened and what to do; what a developer needs is in the log.
_MISTAKE = """<style>
[data-testid="stException"] > * {{ display: none; }}
[data-testid="stException"]::before {{ content: {mistake}; display: block; padding: .8rem 1rem;
  border: 2px solid #7a3b2e; }}
[data-testid="stLayoutWrapper"]:has(> .st-key-spoken) {{ display: none; }}
</style>"""
# The notice that the server is gone. Boxes of our own, if one is open, are of no use then either.
_GONE = """<style>
body:has([data-test-connection-state]:not([data-test-connection-state="CONNECTED"]))
  [data-testid="stDialog"] [role="dialog"] {{
  h2, h2 + div > * {{ font-size: 0; }}
  h2::after {{ content: {gone}; font-size: 1.4rem; }}
  h2 + div::after {{ content: {gone_why}; }}
}}
</style>"""
# A screen reader speaks the language that the page says it is in.
_SPOKEN = "<script>document.documentElement.lang = {code};</script>"


def built_in_words() -> None:
    """Put words of the app over Streamlit's own in the boxes for files and dates, and hide the hint
    in text boxes to press Enter; a mistake of the program is said in words too."""
    st.html(_MISTAKE.format(mistake=json.dumps(say("common.mistake"), ensure_ascii=False)))
    with st.container(key="spoken"):
        st.html(_SPOKEN.format(code=json.dumps(language())), unsafe_allow_javascript=True)
    not_taken = json.dumps(say("common.files_not_taken"), ensure_ascii=False)
    st.html(_NOT_TAKEN.format(not_taken=not_taken))
    st.html(_GONE.format(**_quoted(gone="gone", gone_why="gone_why")))
    st.html(_STYLE.format(**_quoted(choose="files_choose", drop="files_drop")))
    st.html(_DATE.format(**_quoted(year="date_year", month="date_month", day="date_day")))


def _quoted(**names: str) -> dict[str, str]:
    """Texts as style rules hold them."""
    return {
        place: json.dumps(say(f"common.{name}"), ensure_ascii=False)
        for place, name in names.items()
    }
