"""What one visitor has on the page, in Streamlit's session; nobody else's is reachable from here."""

from __future__ import annotations

import time
from typing import Any

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from framematch.errors import InputError
from framematch.files.starter import STARTER, STARTER_PLAN
from framematch.guide.shown import SYSTEMS
from framematch.page import draft as drafts
from framematch.page.address import AREAS, FIRST_DISTANCE_M, Address, address_of, answers_in, packed, packed_answers, unpacked, unpacked_text
from framematch.page.door import came
from framematch.page.draft import Draft
from framematch.page.opened import opened

EXAMPLE = STARTER + "\n" + STARTER_PLAN
_DRAFT, _ADDRESS, _NOTE = "fm_draft", "fm_address", "fm_note"
_NEW = "fm_new"
_SET, _AGAIN, _ENDED = "fm_set", "fm_set_again", "fm_ended"
SHOWN_WITHIN_S = 3.0  # a slow phone's browser has drawn by then
AREA, AREAS_SHOWN, IMPERIAL, CHOSEN_M = "area", "view:areas", "view:imperial", "fm_distance_m"


def begin() -> None:
    """At the start of a run of the whole page: take over what the address says if one came by it."""
    context = get_script_run_ctx()
    if context is not None:
        came(context.session_id)
    # What was set just now may never have been shown: the browser draws only the newest of runs that come close together.
    now, ended = time.monotonic(), st.session_state.get(_ENDED, True)
    st.session_state[_SET] = {key: now if not ended else at for key, at in st.session_state.get(_SET, {}).items() if not ended or now - at < SHOWN_WITHIN_S}
    st.session_state[_AGAIN], st.session_state[_ENDED] = set(st.session_state[_SET]), False
    if _DRAFT not in st.session_state:
        st.session_state[_DRAFT], st.session_state[_ADDRESS] = Draft(text=next(iter(opened().values()), EXAMPLE)), Address()
        _follow(address_of(st.query_params))
    elif _came_back():
        _follow(address_of(st.query_params))


def _came_back() -> bool:
    """Whether the browser's back or forward button was pressed.

    Any other run may carry an address that was overtaken by what this page wrote there in the meantime.
    """
    context = get_script_run_ctx()
    return context is not None and context.is_history_navigation


def _follow(address: Address) -> None:
    before: Address = st.session_state[_ADDRESS]
    if address == before:
        return
    if address.link != before.link:
        try:
            text = unpacked(address.link) if address.link else EXAMPLE
        except InputError as error:
            note(f"The address holds no pairing that can be read, so the page stays as it was. {error}", bad=True)
        else:
            set_draft(drafts.loaded(draft(), text))
    for name, letters, old in (("day", address.day, before.day), ("kit", address.kit, before.kit)):
        if letters != old:
            try:
                set_draft(drafts.loaded(draft(), **{name: unpacked_text(letters) if letters else ""}))
            except InputError as error:
                note(f"The address holds no {name} that can be read. {error}", bad=True)
    st.session_state[_NEW] = answers_in(address.new)
    st.session_state[CHOSEN_M] = address.distance_m
    st.session_state[AREA], st.session_state[AREAS_SHOWN], st.session_state[IMPERIAL] = address.area, address.areas_shown, address.imperial
    st.session_state[_ADDRESS] = address


def end() -> None:
    """At the end of a run of the whole page."""
    st.session_state[_ENDED] = True
    told_in_address()


def told_in_address() -> None:
    """When the hand rests: write the state into the address, so that a link or a reload opens it again."""
    text = draft().text
    now = Address(
        link="" if text == EXAMPLE else packed(text),
        distance_m=st.session_state.get(CHOSEN_M, FIRST_DISTANCE_M),
        area=st.session_state.get(AREA) or AREAS[0],
        areas_shown=bool(st.session_state.get(AREAS_SHOWN)),
        imperial=units() == SYSTEMS[1],
        new=packed_answers(new_rig()),
        day=packed(draft().day) if draft().day else "",
        kit=packed(draft().kit) if draft().kit else "",
    )
    if now != st.session_state[_ADDRESS]:
        st.session_state[_ADDRESS] = now
        st.query_params.from_dict(now.parameters)


def units() -> str:
    """The units that the page speaks."""
    return SYSTEMS[bool(st.session_state.get(IMPERIAL))]


def draft() -> Draft:
    """What is being edited."""
    found: Draft = st.session_state[_DRAFT]
    return found


def set_draft(new: Draft) -> None:
    """Put another draft in its place."""
    st.session_state[_DRAFT] = new


def change(key: str, values: drafts.Values) -> None:
    """Take over what was typed in a field; for callbacks."""
    set_draft(drafts.changed(draft(), key, values))


def undo() -> None:
    """Take the last change back; for callbacks."""
    set_draft(drafts.undone(draft()))


def redo() -> None:
    """Bring the last change that was taken back again; for callbacks."""
    set_draft(drafts.redone(draft()))


def open_day(text: str) -> None:
    """Put another day in place of the one at hand; for callbacks."""
    set_draft(drafts.loaded(draft(), day=text))


def open_kit(text: str) -> None:
    """Put another kit in place of the one at hand; for callbacks."""
    set_draft(drafts.loaded(draft(), kit=text))


def open_text(text: str) -> None:
    """Put another pairing in place of the one at hand; for callbacks."""
    set_draft(drafts.loaded(draft(), text))


def show_area(name: str) -> None:
    """Open an area; for callbacks."""
    st.session_state[AREA] = name


def new_rig() -> dict[str, str] | None:
    """The answers given for a new rig, by key; None while none is being made."""
    found: dict[str, str] | None = st.session_state.get(_NEW)
    return found


def begin_new_rig() -> None:
    """Ask for a new rig; for callbacks."""
    st.session_state[_NEW] = {}


def answer_new_rig(key: str, text: str) -> None:
    """Take over an answer; for callbacks."""
    st.session_state[_NEW] = {**(new_rig() or {}), key: text}


def end_new_rig() -> None:
    """Ask no more; for callbacks."""
    st.session_state[_NEW] = None


def tell_fault(where: str, text: str) -> None:
    """What could not be used, to be said once in an area; for callbacks."""
    st.session_state[f"fm_fault:{where}"] = text


def take_fault(where: str) -> str:
    """What there is to say, which is then said; empty for nothing."""
    found: str = st.session_state.pop(f"fm_fault:{where}", "")
    return found


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
        under_hand: a step may be on its way from the browser, so what was set just now is not set again.
    """
    again = key in st.session_state[_AGAIN] and not under_hand
    new = key not in st.session_state or st.session_state[key] != value
    if new or again:
        st.session_state[key] = value
    if new:
        st.session_state[_SET][key] = time.monotonic()
