"""Boxes whose choice stays in the address of the page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import streamlit as st

T = TypeVar("T")


def in_address(
    label: str,
    options: Sequence[T],
    *,
    name: str,
    words: Callable[[T], str] = str,
    start: T | None = None,
) -> T:
    """One of some options by a box: that of the address, else `start`, else the first.

    Parameters
    ----------
    name : str
        Of the choice in the address, where it stands as text.
    words : callable
        How an option is shown.
    start : optional
        The option that a visitor without an address starts with.
    """
    texts = [str(option) for option in options]
    kept = st.query_params.get(name, "")
    if kept not in texts:
        kept = texts[0] if start is None else str(start)
    chosen = st.selectbox(
        label,
        options,
        index=texts.index(kept),
        format_func=words,
        key=f"{name} in the address {' '.join(texts)}",
    )
    st.query_params[name] = str(chosen)
    return chosen
