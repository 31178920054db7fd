"""Files handed over on the page: bounded, decoded, and what is wrong with them said while the page stays as it was."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from framematch.errors import InputError
from framematch.page import session


def take(key: str, use: Callable[[UploadedFile], str]) -> None:
    """Hand what a field for files holds to ``use``, which says what it did."""
    held = st.session_state.get(key)
    if held is not None:
        try:
            session.note(use(held))
        except InputError as error:
            session.note(f"Not loaded, the page stays as it was. {error}", bad=True)
