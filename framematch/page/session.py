"""What one visitor has on the page, in Streamlit's session; nobody else's is reachable from here."""

from __future__ import annotations

from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.page import draft as drafts
from framematch.page.address import packed, unpacked
from framematch.page.draft import Draft
from framematch.pairing_file import GAP_TABLES
from framematch.starter import STARTER, STARTER_PLAN

EXAMPLE = STARTER + "\n" + STARTER_PLAN
_DRAFT, _ADDRESS, _TOUCHED, _NOTE = "fm_draft", "fm_address", "fm_touched", "fm_note"
_SET, _AGAIN = "fm_set", "fm_set_again"
LINK = "p"


def begin() -> None:
    """At the start of a run of the whole page: take the pairing over from the address if that changed by itself."""
    touched = st.session_state.pop(_TOUCHED, False)
    # What a run set that was left for a newer one may never have reached the browser.
    st.session_state[_AGAIN] = set(st.session_state.get(_SET, ()))
    st.session_state.setdefault(_SET, set())
    link = st.query_params.get(LINK, "")
    if _DRAFT not in st.session_state:
        st.session_state[_DRAFT], st.session_state[_ADDRESS] = Draft(text=EXAMPLE), ""
    if link != st.session_state[_ADDRESS] and not touched:
        _follow(link)


def _follow(link: str) -> None:
    now = draft()
    try:
        text = unpacked(link) if link else EXAMPLE
    except InputError as error:
        note(f"The address holds no pairing that can be read, so the page stays as it was. {error}", bad=True)
    else:
        set_draft(drafts.loaded(now, text))
    st.session_state[_ADDRESS] = link


def end() -> None:
    """When the hand rests: write the pairing into the address, so that a link or a reload opens it again."""
    st.session_state[_SET] = set()
    text = draft().text
    link = "" if text == EXAMPLE else packed(text)
    if link == st.session_state.get(_ADDRESS, ""):
        return
    st.session_state[_ADDRESS] = link
    if link:
        st.query_params[LINK] = link
    else:
        st.query_params.pop(LINK, None)


def draft() -> Draft:
    """What is being edited."""
    found: Draft = st.session_state[_DRAFT]
    return found


def set_draft(new: Draft) -> None:
    """Put another draft in its place."""
    st.session_state[_DRAFT] = new


def change(key: str, values: drafts.Values) -> None:
    """Take over what was typed in a field; for callbacks."""
    st.session_state[_TOUCHED] = True
    now = draft()
    if key.partition(".")[0] in GAP_TABLES and not now.has_gap:
        values = {"gap.size_m": list(drafts.GAP_SIZE_M), **values}
    set_draft(drafts.changed(now, key, values))


def undo() -> None:
    """Take the last change back; for callbacks."""
    st.session_state[_TOUCHED] = True
    set_draft(drafts.undone(draft()))


def open_text(text: str) -> None:
    """Put another pairing in place of the one at hand; for callbacks."""
    st.session_state[_TOUCHED] = True
    set_draft(drafts.loaded(draft(), text))


def note(text: str, *, bad: bool = False) -> None:
    """Something to tell the visitor once."""
    st.session_state[_NOTE] = (text, bad)


def take_note() -> tuple[str, bool] | None:
    """What there is to tell, which is then told."""
    found: tuple[str, bool] | None = st.session_state.pop(_NOTE, None)
    return found


def hold(key: str, value: Any, *, under_hand: bool = False) -> None:
    """Make a widget show a value, unless it does so already (setting it anew would jog a hand that moves it).

    Args:
        under_hand: a step may be on its way from the browser, so what a run that was left has set is not set again.
    """
    again = key in st.session_state[_AGAIN] and not under_hand
    if key not in st.session_state or st.session_state[key] != value or again:
        st.session_state[key] = value
        st.session_state[_SET].add(key)
