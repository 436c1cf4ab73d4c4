"""What bins and lots of a block can't tell of a season."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import conflicts, session
from app.wording import say
from fruitvision.domain import Block, SeasonNote
from fruitvision.pipeline.packing import note_season, season_note
from fruitvision.store import FarmStore

# Our choice: a sentence.
LONGEST_REASON = 200


def season_part(blocks: Sequence[Block], seasons: Sequence[int], store: FarmStore) -> None:
    """A block and a season to choose, and the form about it."""
    if not blocks:
        return
    st.write(say("score.season_lead"))
    left, right = st.columns(2)
    names = [block.block_id for block in blocks]
    block_id = left.selectbox(say("common.block"), names, key="season block")
    season = right.selectbox(say("score.season"), list(seasons), key="season year")
    _form(block_id, int(season), store)


def _form(block_id: str, season: int, store: FarmStore) -> None:
    form = f"season {block_id} {season}"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, season_note(store, block_id, season))
    kept = seen or SeasonNote(block_id=block_id, season=season)
    with st.form(form, border=False):
        left = _bins(say("score.left_bins"), kept.left_bins, key)
        dropped = _bins(say("score.dropped_bins"), kept.dropped_bins, f"{key} dropped")
        stolen = _bins(say("score.stolen_bins"), kept.stolen_bins, f"{key} stolen")
        direct = _bins(say("score.direct_bins"), kept.direct_bins, f"{key} direct")
        reason = st.text_input(
            say("score.leave_out"),
            value=kept.left_out,
            max_chars=LONGEST_REASON,
            help=say("score.leave_out_help"),
            key=f"{key} reason",
        )
        if conflicts.save_button(say("score.save_season"), form):
            new = SeasonNote(
                block_id=block_id,
                season=season,
                left_bins=left,
                dropped_bins=dropped,
                stolen_bins=stolen,
                direct_bins=direct,
                left_out=reason.strip(),
            )
            with conflicts.asked(form):
                note_season(new, seen, store, who=session.person())
                conflicts.forget(form)
                session.say_next(say("score.season_saved"))
                st.rerun()


def _bins(label: str, value: float, key: str) -> float:
    return float(st.number_input(label, value=value, step=0.5, key=key))
