"""What was left out of uploads and loaded walks, until somebody puts it away.

It stays with its job, so that it is told to whoever opens the page next, and not only in the tab
that brought the photos.
"""

from __future__ import annotations

import streamlit as st

from app import session, show, work
from app.wording import moment, say
from fruitvision.domain import Job
from fruitvision.pipeline import Refused
from fruitvision.store import FarmStore

# Uploads that are told apart. Our choice: a week of walks; older ones follow when these are away.
MOST_TOLD = 12


def left_out_part(store: FarmStore) -> None:
    """A box to open, with each upload and what it left out; nothing where nothing was."""
    on_top = work.told(store)
    jobs = [
        job for job in store.jobs_that_left_out() if on_top is None or job.number != on_top.number
    ][:MOST_TOLD]
    if not jobs:
        return
    count = sum(len(job.refused) for job in jobs)
    with st.expander(say("work.left_out_head", n=count), icon=":material/block:"):
        for job in jobs:
            _upload(job)
        if session.may_change() and st.button(say("work.left_out_away"), key="left out"):
            for job in jobs:
                store.put_away(job.number)
            st.rerun()


def _upload(job: Job) -> None:
    who = show.plain(job.asked_by) or say("work.somebody")
    st.markdown(f"**{say('work.left_out_of', when=moment(job.asked_at), who=who)}**")
    show.refused([Refused(name=name, what=what, fix=fix) for name, what, fix in job.refused])
