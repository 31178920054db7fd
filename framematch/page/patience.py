"""Long work beside the run, so that a newer change need not wait for it.

Streamlit leaves a run for a newer one only where the run puts something on the page or looks at its
session; a run that waits here looks there a hundred times a second.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import TypeVar

import streamlit as st

from framematch.guide.shown import as_spoken_here

Result = TypeVar("Result")

BEAT_S = 0.01
_workers = ThreadPoolExecutor(max_workers=2, thread_name_prefix="framematch-page")


class Pulse:
    """Where a run lets a newer one in."""

    def beat(self) -> None:
        """Leave the run here if there is a newer change."""
        _ = "fm_draft" in st.session_state


def patiently(job: Callable[[], Result], pulse: Pulse) -> Result:
    """What a job gives, worked out by another thread; given up, if not yet begun, when the run is left.

    Args:
        job: that needs nothing of Streamlit.
        pulse: where the run lets a newer one in.
    """
    future: Future[Result] = _workers.submit(as_spoken_here(job))
    try:
        while not future.done():
            pulse.beat()
            wait([future], BEAT_S)
        return future.result()
    finally:
        future.cancel()
