"""Measuring beside the run: it goes on when the run is left for a newer one, which then waits for the same.

Threads of its own, so that the views do not wait behind a measurement.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from typing import Any, TypeVar

import streamlit as st

from framematch.page.look import block, paragraph
from framematch.page.patience import BEAT_S, Pulse

Result = TypeVar("Result")


@dataclass(eq=False)
class Said:
    """What a job says of how far it is."""

    words: str = "Waiting for another measurement to end …"


@dataclass(eq=False)
class _Job:
    future: Future[Any]
    said: Said
    waiting: int = field(default=0)


_pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="framematch-measure")
_lock = threading.RLock()  # a job may end while it is entered
_jobs: dict[Hashable, _Job] = {}


def awaited(key: Hashable, make: Callable[[Said], Result], pulse: Pulse) -> Result:
    """What a job gives, with words on how far it is shown meanwhile; two runs that want the same wait for one job.

    Args:
        key: all that the job depends on.
        make: needs nothing of Streamlit.
        pulse: where the run lets a newer one in.
    """
    job = _job(key, make)
    place, shown = st.empty(), ""
    try:
        while not job.future.done():
            if job.said.words != shown:
                shown = job.said.words
                place.html(block(f'<div role="status">{paragraph(shown, "quiet")}</div>'))
            pulse.beat()
            wait([job.future], BEAT_S)
        place.empty()
        result: Result = job.future.result()
        return result
    finally:
        with _lock:
            job.waiting -= 1
            if job.waiting == 0:
                job.future.cancel()  # only if it has not begun


def _job(key: Hashable, make: Callable[[Said], Result]) -> _Job:
    with _lock:
        found = _jobs.get(key)
        if found is None:
            found = _begun(key, make)
        found.waiting += 1
        return found


def _begun(key: Hashable, make: Callable[[Said], Any]) -> _Job:
    said = Said()
    job = _jobs[key] = _Job(future=_pool.submit(make, said), said=said)
    job.future.add_done_callback(lambda _: _ended(key, job))
    return job


def _ended(key: Hashable, job: _Job) -> None:
    with _lock:
        if _jobs.get(key) is job:
            del _jobs[key]
