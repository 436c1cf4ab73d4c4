"""Long work as visitors see it: how far it is, stop, go on, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from math import ceil
from pathlib import Path

import streamlit as st

from app import session, show
from app.wording import say
from fruitvision.domain import Job, JobKind, JobState
from fruitvision.errors import FruitVisionError
from fruitvision.pipeline import Measured, Refused
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.intake import take_in
from fruitvision.pipeline.placing import MovedPhoto
from fruitvision.store import FarmStore
from fruitvision.walk_data import WalkPhoto
from fruitvision.work import ask_load, ask_measure_again, keep_working, result_of, work_here

# So many photos are measured while the visitor waits; more are measured in the background. Our
# choice: about ten seconds.
MOST_WAITED_FOR = 4
# How often the bar of running work is drawn anew, s.
EVERY_S = 1.0
# Work that was stopped is spoken of for so long. Our choice.
TOLD_FOR = timedelta(days=2)
# Jobs that are looked through for what to tell.
LOOKED_AT = 3
# Photos that are named when they change their tree. Our choice: what is read.
MOVED_NAMED = 3

_WATCHED = "jobs watched"
_BEGUN = "photos of the job begun"
_CLOSED = "jobs closed"
_NOT_STOPPED = "job not stopped"


# ---------------------------------------------------------------- ask for work


def measure(
    rows: Mapping[Path, WalkPhoto],
    store: FarmStore,
    *,
    walked_on: date | None,
    refused: Sequence[Refused] = (),
) -> None:
    """Take photos in, have them measured, and draw the page anew.

    Parameters
    ----------
    refused : sequence of Refused
        What was left out before.
    """
    with st.spinner(say("work.taking_in")):
        taken = take_in(
            rows,
            store,
            walked_on=walked_on,
            who=session.person(),
            refused_before=refused,
            today=session.today(),
        )
    left_out = Measured(photos=(), refused=taken.refused, copies=taken.copies)
    if taken.job is None:
        session.remember_measured(left_out)
    else:
        _begin(taken.job, store, left_out)
        if taken.known or taken.moved:
            known = say("work.known", n=taken.known) if taken.known else ""
            session.say_next(known, but=_moved_words(taken.moved))
    st.rerun()


def _moved_words(moved: Sequence[MovedPhoto]) -> str:
    """Photos that were at another tree or face before; empty if there are none."""
    lines = [
        say(
            "work.moved",
            name=one.name,
            block=one.before.tree.block_id,
            row=str(one.before.tree.row),
            position=str(one.before.tree.position),
            face=one.before.face,
        )
        for one in moved[:MOVED_NAMED]
    ]
    if len(moved) > MOVED_NAMED:
        lines.append(say("work.moved_more", n=len(moved) - MOVED_NAMED))
    return " ".join(lines)


def measure_again(store: FarmStore, names: Mapping[str, str] | None = None) -> None:
    """Have the photos measured that are not measured with the present settings.

    Parameters
    ----------
    names : mapping, optional
        Names of photos by photo_id, for those whose results the farm has just forgotten.
    """
    job = ask_measure_again(store, session.settings(), who=session.person(), names=names)
    if job is None:
        session.say_next(say("work.all_measured"))
    else:
        _begin(job, store, Measured(photos=(), refused=(), copies=()))
    st.rerun()


def load(folder: Path, store: FarmStore) -> None:
    """Have a walk's folder on this computer loaded in the background, and draw the page anew."""
    if not is_loading(store):
        _watch(ask_load(folder, store, who=session.person()))
    st.rerun()


def is_loading(store: FarmStore) -> bool:
    """Whether a walk's folder is being loaded, or waits for it."""
    return any(job.kind is JobKind.LOAD for job in store.jobs(only_open=True))


def _begin(job: Job, store: FarmStore, left_out: Measured) -> None:
    """Do a short job now, under a bar; leave a long one to the background."""
    ended = None
    if job.total <= MOST_WAITED_FOR:
        ended = work_here(job, store, on_progress=show.progress())
    if ended is None or ended.state is not JobState.DONE:
        _watch(job)
        st.session_state[_BEGUN] = job.total
        session.remember_measured(left_out)
        return
    found = result_of(ended, store, session.settings())
    session.remember_measured(replace(found, copies=left_out.copies))


# ---------------------------------------------------------------- how far it is


def bar(store: FarmStore, *, brief: bool = False) -> None:
    """What goes on in the background, or what came of it; nothing most of the time.

    Also sees to it that the work goes on where its process was killed.

    Parameters
    ----------
    brief : bool
        One line, and what stops or closes it: for a page that has other work to do.
    """
    going_on = keep_working(store)
    if begun := st.session_state.pop(_BEGUN, 0):
        # The bar is at the top of the page, and who asked for the work may be far below.
        st.toast(say("work.begun", n=begun), icon=":material/hourglass_top:")
    st.fragment(_bar, run_every=EVERY_S if going_on else None)(store, going_on, brief)


def _bar(store: FarmStore, going_on: bool, brief: bool) -> None:
    running = [job for job in store.jobs(only_open=True) if job.is_open]
    if running:
        keep_working(store)
        _running(running[-1], len(running) - 1, store, brief=brief)
    elif going_on:
        # The page below shows other numbers now.
        st.rerun()
    else:
        job = told(store)
        if job is not None:
            _ended(job, store, brief=brief and job.state is JobState.DONE and not job.refused)


def _running(job: Job, waiting: int, store: FarmStore, *, brief: bool) -> None:
    _watch(job)
    number, refused = st.session_state.get(_NOT_STOPPED, (0, None))
    if number == job.number:
        show.error(refused)
    if brief:
        st.progress(min(job.done / max(job.total, 1), 1.0), _progress_words(job))
        if session.may_change() and st.button(
            say("work.stop_measuring"), type="tertiary", key=f"stop {job.number}"
        ):
            _stop(job, store)
        return
    with st.container(border=True, key="work"):
        st.progress(min(job.done / max(job.total, 1), 1.0), _progress_words(job))
        with st.container(horizontal=True, vertical_alignment="center"):
            st.write(say("work.more_waiting", n=waiting) if waiting else say("work.may_close"))
            if session.may_change() and st.button(say("work.stop"), key=f"stop {job.number}"):
                _stop(job, store)


def _stop(job: Job, store: FarmStore) -> None:
    try:
        store.cancel_job(job.number)
    except FruitVisionError as err:
        # The bar is drawn anew all the time: it says so as long as the work goes on.
        st.session_state[_NOT_STOPPED] = (job.number, err)
    st.rerun()


def _progress_words(job: Job) -> str:
    if job.total and job.done >= job.total:
        return say("work.finishing", total=job.total)
    if not job.total:
        # A walk's folder that is to be loaded: how many photos are in it is not known yet.
        return say("work.looking")
    left_s = job.left_s(now_utc())
    if left_s is None:
        left = say("work.starting")
    elif left_s < 60:
        left = say("work.left_short")
    else:
        left = say("work.left_minutes", n=ceil(left_s / 60))
    return say("work.measuring", done=job.done, total=job.total, left=left)


# ---------------------------------------------------------------- what came of it


def _watch(job: Job) -> None:
    st.session_state[_WATCHED] = {*st.session_state.get(_WATCHED, ()), job.number}


def _close(job: Job, store: FarmStore) -> None:
    if job.refused and session.may_change():
        store.put_away(job.number)
    st.session_state[_CLOSED] = {*st.session_state.get(_CLOSED, ()), job.number}
    st.rerun()


def told(store: FarmStore) -> Job | None:
    """The job whose end stands on top of the page."""
    return _to_tell(store.jobs(most=LOOKED_AT))


def _to_tell(jobs: Sequence[Job]) -> Job | None:
    """The latest job whose end this visitor should hear of and has not closed."""
    watched = st.session_state.get(_WATCHED, ())
    closed = st.session_state.get(_CLOSED, ())
    for job in jobs:
        told = job.number in watched or (job.asked_by == session.person() and bool(job.refused))
        stopped = job.state in (JobState.CANCELLED, JobState.FAILED)
        recent = now_utc() - (job.seen_at or job.asked_at) < TOLD_FOR
        if job.number not in closed and recent and (told or stopped):
            return job
    return None


def _ended(job: Job, store: FarmStore, *, brief: bool) -> None:
    if brief:
        words = f"{say('work.finished', n=job.total)} {say('work.close')}"
        if st.button(words, type="tertiary", icon=":material/close:", key=f"close {job.number}"):
            _close(job, store)
        return
    with st.container(border=True, key="work"):
        if job.state is JobState.DONE:
            st.success(say("work.finished", n=job.total), icon=":material/check:")
        elif job.state is JobState.FAILED and job.problem is not None:
            show.error(FruitVisionError(job.problem[0], fix=job.problem[1]))
        else:
            joining = job.total and job.done >= job.total
            words = "work.stopped_joining" if joining else "work.stopped"
            st.info(say(words, done=job.done, total=job.total))
        show.refused([Refused(name=name, what=what, fix=fix) for name, what, fix in job.refused])
        if job.kind is JobKind.MEASURE and st.toggle(say("work.details"), key=f"all {job.number}"):
            found = result_of(job, store, session.settings())
            show.measured_photos(replace(found, refused=()), session.units().diameter)
        with st.container(horizontal=True):
            goes_on = job.state is not JobState.DONE and session.may_change()
            with show.errors():
                if goes_on and st.button(say("work.go_on"), key=f"on {job.number}"):
                    store.want_again(job.number)
                    st.rerun()
                if st.button(say("work.close"), key=f"close {job.number}"):
                    _close(job, store)
