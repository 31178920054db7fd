"""Long work beside the run, so that a newer change need not wait for it.

Streamlit leaves a run for a newer one only where the run puts something on the page; a run that waits
here puts an empty place there many times a second.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

Result = TypeVar("Result")

BEAT_S = 0.03
_quick = ThreadPoolExecutor(max_workers=8, thread_name_prefix="framematch-quick")
_workers = ThreadPoolExecutor(max_workers=2, thread_name_prefix="framematch-page")


def patiently(job: Callable[[], Result], pulse: Any) -> Result:
    """What a job gives, worked out by another thread; given up, if not yet begun, when the run is left.

    Args:
        job: that needs nothing of Streamlit.
        pulse: a placeholder of the page that nothing is shown in.
    """
    future = _workers.submit(job)
    try:
        while not future.done():
            pulse.empty()
            time.sleep(BEAT_S)
        return future.result()
    finally:
        future.cancel()


def rest(seconds: float, pulse: Any) -> None:
    """Wait a while; a newer change ends the run instead."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        pulse.empty()
        time.sleep(BEAT_S)


def beside(job: Callable[[], Result]) -> Callable[[], Result]:
    """A short job begun by another thread; call what comes back for what it gives."""
    return _quick.submit(job).result
