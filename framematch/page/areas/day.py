"""The flight day: the card from a day file and the pairing at hand."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import streamlit as st

from framematch import cautions
from framematch.day import DayPlan, plan_day
from framematch.errors import InputError
from framematch.files.day import parse_day
from framematch.files.starter import starter_day
from framematch.geometry.pairing import Pairing
from framematch.output.day_text import ADVICE, Section, first_lines, sections
from framematch.page import session
from framematch.page.files_made import made, made_beside
from framematch.page.look import Colours, block, paragraph
from framematch.page.patience import patiently
from framematch.render.keep import kept_by_value
from framematch.text.whole import TEXT_LIMIT

TEXT, UPLOAD, CHOSEN = "day:text", "day:upload", "fm_day"


def area(pairing: Pairing, colours: Colours, pulse: Any) -> None:
    """The card's words, its files, and the day file to edit."""
    st.html(block("<h2>Flight day</h2>" + paragraph(ADVICE, "caution")))
    words, typed = st.columns([1.5, 1], gap="large")
    with typed:
        text = st.session_state.setdefault(CHOSEN, starter_day("pairing.toml"))
        session.hold(TEXT, text)
        st.file_uploader(
            "Load a day file (TOML, up to 1 MB)",
            type=["toml"],
            key=UPLOAD,
            max_upload_size=1,
            on_change=_uploaded,
            help="It takes the place of the text below.",
        )
        st.text_area(
            "Day file",
            key=TEXT,
            on_change=_typed,
            height=520,
            max_chars=60_000,
            help="Aircraft, packs, air, light, shots. Press Ctrl+Enter to use what was typed; every figure says its unit.",
        )
        st.download_button("Save the day file (TOML)", text, "day.toml", "application/toml", key="day:save", on_click="ignore")
    with words:
        try:
            plan = patiently(partial(plan_of, pairing, text), pulse)
        except InputError as error:
            st.html(block(paragraph(f"No card: {error}", "fault")))
            return
        st.html(block(card_markup(plan)))
        one, two = st.columns(2)
        one.download_button("Card, A4 (PDF)", lambda: made(partial(_write, plan), "card.pdf"), "card.pdf", "application/pdf", key="day:card", on_click="ignore")
        two.download_button(
            "Card for the phone (PDF)", lambda: made_beside(partial(_write, plan), "card.pdf", "card-phone.pdf"), "card-phone.pdf", "application/pdf",
            key="day:phone", on_click="ignore",
        )  # fmt: skip
    st.html(block("<h3>Cautions</h3><ul>" + "".join(f"<li>{paragraph(line)}</li>" for line in cautions.DAY) + "</ul>", kind="caution"))


@kept_by_value(limit_bytes=8_000_000)
def plan_of(pairing: Pairing, text: str) -> DayPlan:
    """The day worked out."""
    return plan_day(parse_day(text, pairing=pairing))


def card_markup(plan: DayPlan) -> str:
    """The card's words, what can't be flown first."""
    out = ""
    for about, lines in first_lines(plan):
        kind = "fault" if lines is plan.impossible else "caution"
        out += f"<h3>{about}</h3><ul>" + "".join(f"<li>{paragraph(line, kind)}</li>" for line in lines) + "</ul>"
    return out + "".join(_section(each) for each in sections(plan))


def _section(section: Section) -> str:
    from html import escape

    rows = "".join(f'<tr><th scope="row">{escape(label)}</th><td style="text-align:left">{escape(text)}</td></tr>' for label, text in section.rows)
    return f"<h3>{escape(section.heading)}</h3><table><tbody>{rows}</tbody></table>" + "".join(paragraph(note, "quiet") for note in section.notes)


def _write(plan: DayPlan, path: Path) -> object:
    from framematch.output.day_card import write_card

    return write_card(plan, path)


def _typed() -> None:
    st.session_state[CHOSEN] = st.session_state[TEXT]


def _uploaded() -> None:
    held = st.session_state.get(UPLOAD)
    if held is None:
        return
    try:
        if held.size > TEXT_LIMIT:
            raise InputError(f"is larger than {TEXT_LIMIT / 1e6:g} MB", file=held.name, fix="this is not a day file")
        text = held.getvalue().decode("utf-8-sig")
        parse_day(text, pairing=session.draft().pairing, name=held.name)
        st.session_state[CHOSEN] = text
        session.note(f"Loaded {held.name}.")
    except UnicodeDecodeError:
        session.note(f"Not loaded, the page stays as it was. {held.name}: is not UTF-8 text.", bad=True)
    except InputError as error:
        session.note(f"Not loaded, the page stays as it was. {error}", bad=True)
