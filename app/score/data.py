"""The farm's score, worked out again only after a change."""

from __future__ import annotations

import streamlit as st

from app import session
from fruitvision.pipeline.learning import FarmScore, farm_score
from fruitvision.store import FarmStore

# Farms whose score is kept in memory. Our choice: one is open, another was before it.
KEPT = 2


def score_of(store: FarmStore) -> FarmScore:
    """All forecasts of record against all that the packing house told."""
    return _score(f"{session.farm_folder()} {store.stamp}", store)


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _score(key: str, _store: FarmStore) -> FarmScore:
    return farm_score(_store)
