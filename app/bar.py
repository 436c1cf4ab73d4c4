"""The bar on top of every page: the pages, what holds for this visitor, help with the page.

On a phone it is one line: the pages in a strip that a thumb moves, the two buttons as signs.
"""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session, show
from app.gate.pages import pages_of

_LOOK = """<style>
[data-testid="stLayoutWrapper"]:has(> .st-key-page-here),
[data-testid="stLayoutWrapper"]:has(> .st-key-session-watch),
[data-testid="stLayoutWrapper"]:has(> .st-key-cookies) { display: none; }
.st-key-pages { border-bottom: 2px solid #7a3b2e; padding-bottom: .3rem; }
@media (max-width: 640px) {
  [data-testid="stMainBlockContainer"] { padding-top: .3rem; }
  .st-key-pages { flex-wrap: nowrap; align-items: center; padding-bottom: 0; }
  .st-key-page-list { flex-wrap: nowrap; overflow-x: auto; min-width: 0; padding-right: 2.4rem;
    min-height: 48px; align-items: center; overflow-y: hidden; scrollbar-width: none;
    mask-image: linear-gradient(to right, #000 calc(100% - 2.4rem),
      transparent calc(100% - .9rem)); }
  .st-key-pages > :has(> .st-key-page-list) { position: relative; }
  .st-key-pages > :has(> .st-key-page-list)::after { content: "›"; position: absolute; right: 0;
    top: 50%; transform: translateY(-55%); font-size: 1.6rem; color: #7a3b2e;
    pointer-events: none; }
  .st-key-page-list > * { flex: none; width: auto; }
  .st-key-page-list a { min-height: 44px; }
  .st-key-page-own { flex: none; flex-wrap: nowrap; }
  .st-key-page-own button { min-height: 44px; min-width: 44px; padding: 0; }
  .st-key-page-own button [data-testid="stMarkdownContainer"] { position: absolute; width: 1px;
    height: 1px; overflow: hidden; clip-path: inset(50%); }
  .st-key-page-own button > div > [aria-hidden="true"] { display: none; }
}
</style>"""
# Tells a screen reader which page is open, and moves the strip so that it is seen: before anything
# is painted, since a strip that moves later moves away under a thumb, and again whenever the room
# changes: a phone is turned, or the look or the words came after this. Only the first links of a
# visit come later.
_HERE = """<script>
(function here() {{
  const links = [...document.querySelectorAll('.st-key-page-list a')];
  if (links.length <= {number}) return setTimeout(here, 50);
  const open = links[{number}], strip = open.closest('.st-key-page-list');
  links.forEach(link => link.removeAttribute('aria-current'));
  open.setAttribute('aria-current', 'page');
  strip.room?.disconnect();
  strip.room = new ResizeObserver(() => {{
    const [own, all] = [open, strip].map(one => one.getBoundingClientRect());
    strip.scrollLeft += own.left + own.width / 2 - all.left - all.width / 2;
  }});
  [strip, ...links].forEach(one => strip.room.observe(one));
}})();
</script>"""


def top_bar(pages: Sequence[st.Page], page: st.Page) -> None:
    """Links to all pages, and what stands beside them.

    Parameters
    ----------
    page : st.Page
        The one that is open.
    """
    st.html(_LOOK)
    with st.container(horizontal=True, gap="small", key="pages"):
        with st.container(horizontal=True, gap="small", key="page-list"):
            for item in pages:
                session.page_link(item)
        with st.container(horizontal=True, gap="small", width="content", key="page-own"):
            session.choose_mine()
            # The first page has no name in the address; which one it is hangs on who looks.
            show.page_help(page.url_path or pages_of(session.role())[0])
    with st.container(key="page-here"):
        number = [one.url_path for one in pages].index(page.url_path)
        st.html(_HERE.format(number=number), unsafe_allow_javascript=True)
