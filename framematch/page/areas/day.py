"""The flight day: the card, and its figures as fields and as text."""

from __future__ import annotations

from functools import partial
from html import escape
from pathlib import Path

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from framematch import cautions
from framematch.day import DayPlan, plan_day
from framematch.errors import InputError
from framematch.files.day import day_file_in, parse_day
from framematch.files.starter import starter_day
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import SYSTEMS, as_spoken_here, system
from framematch.output.day_text import ADVICE, Section, first_lines, sections
from framematch.page import day_fields, handed, session
from framematch.page.draft import Draft
from framematch.page.files_made import made, made_beside, stem
from framematch.page.kept_choices import kept
from framematch.page.look import Colours, block, paragraph
from framematch.page.patience import Pulse, patiently
from framematch.render.keep import kept_by_value
from framematch.shot.shot import Shot
from framematch.text.whole import decoded

TEXT, UPLOAD = "day:text", "day:upload"
LONGEST = 60_000


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """The card's words with its files, then what it is worked out from."""
    draft = session.draft()
    st.html(block("<h2>Flight day</h2>" + paragraph(f"{ADVICE.partition('.')[0]}. {cautions.RULES}", "caution")))
    _card(pairing, draft, pulse)
    more = "".join(f"<li>{paragraph(line)}</li>" for line in cautions.DAY if line != cautions.RULES)
    st.html(block(f"<h3>Cautions</h3><ul>{more}</ul>", kind="caution"))
    st.html(block("<h2>Figures of the day</h2>"))
    with st.container(horizontal=True):
        st.button(
            "Show an example day",
            key="day:example",
            on_click=_open,
            args=(starter_day("pairing.toml"),),
            help="In place of these figures.",
        )
        st.button("Start empty", key="day:empty", on_click=_open, args=("",), disabled=not draft.day, help="Undo brings the figures back.")
    if draft.day and draft.day_file is None:
        st.html(block(paragraph("The day's text does not read, so its fields wait: correct it below, or undo.", "fault")))
    else:
        day_fields.show(draft.day_file)
    _as_text(draft.day_linked)


def _card(pairing: Pairing, draft: Draft, pulse: Pulse) -> None:
    try:
        plan = patiently(partial(plan_of, pairing, draft.day, draft.day_shot), pulse)
    except InputError as error:
        st.html(block(paragraph(f"No card: {error}", "fault")))
        return
    st.html(block(card_markup(plan)))
    one, two = st.columns(2)
    name = stem(pairing)
    for column, label, make, ending in (
        (one, "Card, A4 (PDF)", lambda: made(partial(_write, plan), "card.pdf"), "card"),
        (two, "Card for the phone (PDF)", lambda: made_beside(partial(_write, plan), "card.pdf", "card-phone.pdf"), "card-phone"),
    ):
        column.download_button(label, as_spoken_here(make), f"{name}-{ending}.pdf", "application/pdf", key=f"day:{ending}", on_click="ignore", width="stretch")


def _as_text(text: str) -> None:
    with st.expander("The same as text"):
        st.file_uploader(
            "Load a day file (TOML, up to 1 MB)", type=["toml"], key=UPLOAD, max_upload_size=1, on_change=_uploaded, help="It takes the place of these figures."
        )
        session.hold(TEXT, text)
        st.text_area(
            "Day file", key=TEXT, on_change=_typed, height=420, max_chars=LONGEST, help="Press Ctrl+Enter to use what was typed; every figure says its unit."
        )
        if st.toggle("With line numbers", **kept("day:numbered", False)):
            st.code(text, language=None, line_numbers=True)
        st.download_button("Save the day file (TOML)", text, f"{stem(session.draft().pairing)}-day.toml", "application/toml", key="day:save", on_click="ignore")


@kept_by_value(limit_bytes=8_000_000)
def plan_of(pairing: Pairing, text: str, shot: Shot | None) -> DayPlan:
    """The day worked out, with the shot that it flies."""
    day = parse_day(text, pairing=pairing)
    spoken = system() if system() != SYSTEMS[0] else None  # else as the day's own text says
    return plan_day((day if shot is None else day.flown_as(shot)).shown_in(spoken))


def card_markup(plan: DayPlan) -> str:
    """The card's words, what can't be flown first."""
    out = ""
    for about, lines in first_lines(plan):
        kind = "fault" if lines is plan.impossible else "caution"
        out += f"<h3>{about}</h3><ul>" + "".join(f"<li>{paragraph(line, kind)}</li>" for line in lines) + "</ul>"
    return out + "".join(_section(each) for each in sections(plan))


def _section(section: Section) -> str:
    rows = "".join(f'<tr><th scope="row">{escape(label)}</th><td style="text-align:left">{escape(text)}</td></tr>' for label, text in section.rows)
    return f"<h3>{escape(section.heading)}</h3><table><tbody>{rows}</tbody></table>" + "".join(paragraph(note, "quiet") for note in section.notes)


def _write(plan: DayPlan, path: Path) -> object:
    from framematch.output.day_card import write_card

    return write_card(plan, path)


def _open(text: str) -> None:
    session.open_day(text)
    _follow(text)


def _follow(text: str) -> None:
    """The shot takes over what a day's text says of its speed and tilt, so that both stay the same."""
    try:
        day = day_file_in(text)
    except InputError:
        return
    shot = session.draft().shot
    if day.run is not None and day.run.speed_m_s != shot.run.speed_m_s:
        session.change("run.speed_m_s", {"run.speed_m_s": day.run.speed_m_s})
    tilt = day.aircraft.camera_tilt_deg if day.aircraft else None
    if tilt is not None and shot.aircraft is not None and tilt != shot.aircraft.camera_tilt_deg:
        session.change("aircraft.camera_tilt_deg", {"aircraft.camera_tilt_deg": tilt})


def _typed() -> None:
    _open(st.session_state[TEXT])


def _uploaded() -> None:
    def use(held: UploadedFile) -> str:
        text = decoded(held.getvalue(), name=held.name, what="a day file")
        if len(text) > LONGEST:
            raise InputError(f"has more than {LONGEST} characters", file=held.name, fix="this is not a day file")
        parse_day(text, pairing=session.draft().pairing, name=held.name)
        _open(text)
        return f"Loaded {held.name}."

    handed.take(UPLOAD, use)
