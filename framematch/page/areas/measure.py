"""Measuring: a choice of what, and that task."""

from __future__ import annotations

from typing import Any

import streamlit as st

from framematch.geometry.pairing import Pairing
from framematch.page.look import Colours, block
from framematch.page.measuring import check, lens, marks, mount
from framematch.page.measuring.show import STYLE, remembered

TASKS = {
    "check": ("Is the guide right? Two stills of any scene", check.area),
    "lens": ("A lens: stills of the printed chart", lens.area),
    "mount": ("The mount: pairs of stills of the chart", mount.area),
    "marks": ("The aim: one still of wall marks", marks.area),
}


def area(pairing: Pairing, colours: Colours, pulse: Any) -> None:
    """What to measure, and the fields and results of that."""
    st.html(STYLE)
    st.html(block("<h2>Measure the rig from its own stills</h2>"))
    task = remembered(
        "measure:task",
        "check",
        lambda key: st.radio("What do you want to measure?", list(TASKS), format_func=lambda name: TASKS[name][0], key=key),
    )
    TASKS[task][1](pairing, colours, pulse)
