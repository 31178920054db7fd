"""Choices that stay when their area is left: Streamlit forgets what a widget holds once it is not shown."""

from __future__ import annotations

from typing import Any

import streamlit as st

from framematch.page import session


def kept(key: str, first: Any) -> dict[str, Any]:
    """The arguments by which a widget starts with what it held last, or with a first value."""
    session.hold(key, st.session_state.setdefault(_place(key), first))
    return {"key": key, "on_change": _keep, "args": (key,)}


def _keep(key: str) -> None:
    st.session_state[_place(key)] = st.session_state[key]


def _place(key: str) -> str:
    return f"fm_kept:{key}"
