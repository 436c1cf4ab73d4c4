"""The bar on top of every page: the pages, what holds for this visitor, help with the page.

On a phone it is one line: the pages in a strip that a thumb moves, the two buttons as signs.
"""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session, show

_LOOK = """<style>
.st-key-pages { border-bottom: 2px solid #7a3b2e; padding-bottom: .3rem; }
@media (max-width: 640px) {
  [data-testid="stMainBlockContainer"] { padding-top: .3rem; }
  .st-key-pages { flex-wrap: nowrap; align-items: center; padding-bottom: 0; }
  .st-key-page-list { flex-wrap: nowrap; overflow-x: auto; min-width: 0; padding-right: 1.5rem;
    scrollbar-width: none;
    mask-image: linear-gradient(to right, #000 calc(100% - 1.5rem), transparent); }
  .st-key-page-list > * { flex: none; width: auto; }
  .st-key-page-list a { min-height: 44px; }
  .st-key-page-own { flex: none; flex-wrap: nowrap; }
  .st-key-page-own button { min-height: 44px; min-width: 44px; padding: 0; }
  .st-key-page-own button [data-testid="stMarkdownContainer"] { position: absolute; width: 1px;
    height: 1px; overflow: hidden; clip-path: inset(50%); }
  .st-key-page-own button > div > [aria-hidden="true"] { display: none; }
}
</style>"""


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
            show.page_help(page.url_path)
