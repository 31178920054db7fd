"""Which chart was printed."""

from __future__ import annotations

import streamlit as st

from framematch.errors import InputError
from framematch.measure.chart import CHARUCO, CHESSBOARD, PAPERS_MM, Chart, chart_for_paper, parse_chart
from framematch.page.look import block, paragraph
from framematch.page.measuring.show import remembered

_OTHER = "other"
_KINDS = {CHARUCO: "squares with marks", CHESSBOARD: "chessboard"}


def chart_fields(task: str) -> Chart | None:
    """The chart that the stills show, None with the reason said if it can't be told."""
    options = [f"{paper} {kind}" for paper in ("A3", *(p for p in PAPERS_MM if p != "A3")) for kind in _KINDS] + [_OTHER]
    left, right = st.columns([1.6, 1], vertical_alignment="top")
    with left:
        which = remembered(
            f"measure:{task}:chart",
            options[0],
            lambda key: st.selectbox("Chart", options, format_func=_label, key=key, help="As printed from the Print area; its name stands on it."),
        )
        name = ""
        if which == _OTHER:
            name = remembered(
                f"measure:{task}:name",
                "",
                lambda key: st.text_input(
                    "Chart's name", key=key, max_chars=60, help="Kind, squares across and down, side of a square: chessboard-10x7-25mm, charuco-11x7-35mm."
                ),
            )
    with right:
        bar_mm = remembered(
            f"measure:{task}:bar",
            None,
            lambda key: st.number_input(
                "Its 100 mm bar measures, mm", 20.0, 500.0, None, 0.1, format="%.1f", key=key, help="By your ruler; leave empty if it is 100.0."
            ),
        )
    try:
        if which == _OTHER:
            if not name:
                st.html(block(paragraph("Write the chart's name, such as chessboard-10x7-25mm: 10 by 7 squares of 25 mm.", "quiet")))
                return None
            chart = parse_chart(name)
        else:
            paper, kind = which.split()
            chart = chart_for_paper(paper, kind=kind)
        return chart if bar_mm is None else chart.printed_at(bar_mm / 100)
    except InputError as error:
        st.html(block(paragraph(str(error), "fault")))
        return None


def _label(option: str) -> str:
    if option == _OTHER:
        return "another, by its name"
    paper, kind = option.split()
    return f"{paper}, {_KINDS[kind]}: {chart_for_paper(paper, kind=kind).name}"
