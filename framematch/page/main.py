"""The page, put together."""

from __future__ import annotations

from html import escape

import streamlit as st

from framematch.page import session
from framematch.page.areas import guide as guide_area
from framematch.page.areas import pairing as pairing_area
from framematch.page.look import DARK, LIGHT, Colours, block, paragraph, style
from framematch.page.pictures import Place
from framematch.page.views import Stage, distance_slider, focal_slider, parts_shown

AREAS = ("Guide", "Pairing")
_WHOLE = "fm_whole_run"


def main() -> None:
    """Draw the page for one run."""
    st.set_page_config(page_title="framematch", page_icon=None, layout="wide", initial_sidebar_state="collapsed")
    session.begin()
    colours = colours_now()
    st.html(style(colours))
    _head()
    st.session_state[_WHOLE] = True
    try:
        stage = _views()
    finally:
        st.session_state[_WHOLE] = False
    focal_slider()
    tabs = st.tabs(AREAS, key="area", on_change="rerun")
    pairing = session.draft().pairing
    for tab, show in zip(tabs, (guide_area.area, pairing_area.area), strict=True):
        if tab.open:
            with tab:
                show(pairing, colours)
    if stage is not None:
        stage.sharpen()
    session.end()


def colours_now() -> Colours:
    """The set of colours that goes with the browser's theme."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def _head() -> None:
    draft = session.draft()
    title, undo, files = st.columns([6, 1, 1.4], vertical_alignment="center")
    title.html(block(f"<h1>framematch: {escape(draft.file.title)}</h1>" + paragraph("Where the recorded frame lies in the goggles' wide picture.", "quiet")))
    undo.button("Undo", on_click=session.undo, disabled=not draft.can_undo, help="Takes the last change back.", key="undo", width="stretch")
    with files.popover("Load, save", width="stretch"):
        pairing_area.files()
    told = session.take_note()
    if told:
        (st.error if told[1] else st.success)(told[0])
    if draft.faults:
        st.html(block(paragraph("Some figures don't fit yet; the page shows the last ones that did. See the notes beside them, or undo.", "fault")))


@st.fragment
def _views() -> Stage | None:
    whole = st.session_state.get(_WHOLE, False)
    spot = st.container()
    distance = distance_slider()
    with spot:
        stage = Stage(session.draft().pairing, Place(), distance, parts_shown())
        stage.show()
    if whole:
        return stage  # sharpened at the end, when all else stands
    stage.sharpen()
    return None
