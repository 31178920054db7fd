"""Measuring: a choice of what, and that task."""

from __future__ import annotations

from importlib import import_module

import streamlit as st

from framematch.geometry.pairing import Pairing
from framematch.page.look import Colours, block
from framematch.page.measuring.show import STYLE, remembered
from framematch.page.patience import Pulse

#: Each is the file of that name in page/measuring.
TASKS = {
    "check": "Is the guide right? Two stills of any scene",
    "clips": "How right were the lines in flight? Both clips of it",
    "lens": "A lens: stills of the printed chart",
    "mount": "The mount: pairs of stills of the chart",
    "marks": "The aim: one still of wall marks",
}


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """What to measure, and the fields and results of that."""
    st.html(STYLE)
    st.html(block("<h2>Measure the rig from its own stills</h2>"))
    task = remembered(
        "measure:task",
        "check",
        lambda key: st.radio("What do you want to measure?", list(TASKS), format_func=lambda name: TASKS[name], key=key),
    )
    import_module(f"framematch.page.measuring.{task}").area(pairing, colours, pulse)  # only what is looked at: SciPy and OpenCV take a second
