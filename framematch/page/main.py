"""The page, put together."""

from __future__ import annotations

from html import escape
from importlib import import_module
from typing import Any

import streamlit as st

from framematch.guide.shown import shown_in
from framematch.page import session
from framematch.page.address import AREAS
from framematch.page.look import DARK, LIGHT, Colours, as_typed, block, paragraph, style
from framematch.page.net import trouble
from framematch.page.tidy import tidy
from framematch.page.views import Stage, choices
from framematch.progress import Stopped

#: Each area is the file of that name in page/areas, read when somebody opens it.
ROOMS = dict(zip(AREAS, ("guide", "pairing", "kit", "gap", "print", "exchange", "measure", "day", "foretold"), strict=True))


def main() -> None:
    """Draw the page for one run."""
    st.set_page_config(page_title="framematch", page_icon=None, layout="wide", initial_sidebar_state="collapsed")
    session.begin()
    with shown_in(session.units()):
        _page()
    tidy()


def _page() -> None:
    colours = colours_now()
    st.html(style(colours))
    answers = session.new_rig()
    if answers is not None:
        _told()
        room("new_rig").form(answers)
        session.end()
        return
    head, views, areas = st.container(key="fm-head"), st.container(key="fm-stage"), st.container(key="fm-areas")
    with views:
        stage = Stage()
        stage.show()
        choices()
    with head:
        _head()
    with areas:
        tabs = st.tabs(list(AREAS), key=session.AREA, on_change="rerun")
    pairing = session.draft().pairing
    for tab, name in zip(tabs, ROOMS.values(), strict=True):
        if tab.open:
            with tab:
                try:
                    room(name).area(pairing, colours, stage.pulse)
                except Stopped:  # which its place says
                    pass
                except Exception as error:  # one line, and the rest of the page still comes
                    st.html(block(paragraph(trouble(error, "Not all of this area can be shown"), "fault")))
    stage.finish()
    session.end()


def room(name: str) -> Any:
    """A file of page/areas."""
    return import_module(f"framematch.page.areas.{name}")


def colours_now() -> Colours:
    """The set of colours that goes with the browser's theme."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def _told() -> None:
    told = session.take_note()
    if told:
        (st.error if told[1] else st.success)(as_typed(told[0]))


def _head() -> None:
    draft = session.draft()
    title, buttons = st.columns([3, 2], vertical_alignment="center")
    title.html(block(f"<h1>framematch: {escape(draft.file.title)}</h1>" + paragraph("Where the recorded frame lies in the goggles' wide picture.", "quiet")))
    with buttons.container(horizontal=True, key="fm-buttons"):
        st.button("New rig", on_click=session.begin_new_rig, key="new")
        st.button("Undo", on_click=session.undo, disabled=not draft.can_undo, key="undo")
        st.button("Redo", on_click=session.redo, disabled=not draft.after, key="redo")
        with st.popover("Load, save"):
            room("pairing").files()
    _told()
    if draft.faults:
        st.html(block(paragraph("Some figures don't fit yet; the page shows the last ones that did. See the notes beside them, or undo.", "fault")))
