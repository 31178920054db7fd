"""A rig of one's own: empty at first, asked for in the order of a spec sheet."""

from __future__ import annotations

import streamlit as st

from framematch.errors import InputError
from framematch.files.spec_sheet import GROUPS, Question, answer, missing, rig_text
from framematch.page import session
from framematch.page.look import block, paragraph

ABREAST = 4


def form(answers: dict[str, str]) -> None:
    """The questions, and what comes of them."""
    st.html(
        block(
            "<h2>New rig</h2>"
            + paragraph("Nothing is filled in for you: what is left empty is left out, or counts as each field says. Needed fields have a star.", "quiet")
        )
    )
    for group in GROUPS:
        st.html(block(f"<h3>{group.title}</h3>" + paragraph(group.about, "quiet")))
        rows = [group.questions[i : i + ABREAST] for i in range(0, len(group.questions), ABREAST)]
        for row in rows:
            for column, question in zip(st.columns(ABREAST), row, strict=False):
                with column:
                    _ask(question, answers.get(question.key, ""))
    lacking = missing(answers)
    st.html(block(paragraph("Still needed: " + ", ".join(lacking) + "." if lacking else "All that is needed is here.", "quiet")))
    with st.container(horizontal=True, key="new-buttons"):
        st.button("Make this rig", type="primary", on_click=_make, key="new:make", help="It takes the place of the one on this page; Undo brings that back.")
        st.button("Cancel", on_click=session.end_new_rig, key="new:cancel", help="Back to the rig that was open.")


def _ask(question: Question, now: str) -> None:
    widget = f"new:{question.key}"
    label = question.label + (" *" if question.needed else "")
    about = question.about + (f" Empty: {question.otherwise}." if question.otherwise else "")
    if question.offered:
        options = list(question.offered) if not now or now in question.offered else [now, *question.offered]
        session.hold(widget, now or None)
        st.selectbox(
            label, options, index=None, key=widget, accept_new_options=not question.closed, on_change=_answered, args=(question, widget), help=about,
            placeholder="choose" if question.closed else "choose or type",
        )  # fmt: skip
    else:
        session.hold(widget, now)
        st.text_input(label, key=widget, max_chars=300, on_change=_answered, args=(question, widget), help=about, placeholder=_empty(question))
    if now:
        try:
            answer(question.key, now)
        except InputError as error:
            st.html(block(paragraph(f"{error.problem}. {error.fix[:1].upper()}{error.fix[1:]}", "fault"), kind="fault-beside"))


def _empty(question: Question) -> str:
    return question.otherwise.partition(":")[0].partition(",")[0]


def _answered(question: Question, widget: str) -> None:
    session.answer_new_rig(question.key, (st.session_state[widget] or "").strip())


def _make() -> None:
    answers = session.new_rig() or {}
    try:
        text = rig_text(answers)
    except InputError as error:
        session.note(f"Not made yet. {error}", bad=True)
        return
    session.open_text(text)
    session.end_new_rig()
    session.show_area("Guide")
    session.note("Made. Save it to a file before you go; measure the rig before you rely on it.")
