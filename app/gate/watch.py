"""A page whose session has ended, seen by the page itself.

Signed out in another tab, or too long unused, an open page would lose its connection and say so in
the words of the framework. It asks the gate as soon as the connection breaks, or when the tab is
looked at again, and goes to the form that says it in ours.
"""

from __future__ import annotations

import json

import streamlit as st

from app.gate.gate import SIGNED_IN

# Runs once a page, however often the page is drawn. Without an answer the server is not there.
_WATCH = """<script>
if (!window.watchesSession) {{
  window.watchesSession = true;
  const look = () => fetch({address}, {{cache: 'no-store'}}).then(async answer => {{
    if (answer.status !== 401) return;
    const form = await answer.text();
    if (!form) return location.reload();
    const back = encodeURIComponent(location.pathname + location.search);
    location.replace(form + '&next=' + back);
  }}).catch(() => {{}});
  document.addEventListener('visibilitychange', () => document.hidden || look());
  new MutationObserver(changes => changes.some(one =>
    one.target.dataset.testConnectionState !== 'CONNECTED') && look()
  ).observe(document.body, {{subtree: true, attributeFilter: ['data-test-connection-state']}});
}}
</script>"""


def watch_session() -> None:
    """Put the watch into the page; for pages that people sign in for."""
    with st.container(key="session-watch"):
        st.html(_WATCH.format(address=json.dumps(SIGNED_IN)), unsafe_allow_javascript=True)
