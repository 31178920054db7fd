"""Long work beside the run: how far it is stands on the page, and it can be stopped there.

It goes on when the run is left for a newer one, which then waits for the same. Threads of its own, so that the views do not wait
behind a measurement.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from typing import Any, TypeVar

import streamlit as st

from framematch.guide.shown import as_spoken_here, system
from framematch.page.look import GONE, block, paragraph
from framematch.page.patience import BEAT_S, Pulse
from framematch.progress import Stopped, heard

Result = TypeVar("Result")

SHORT_S = 0.7  # what is over by then is no long work
AT_ONCE = 3
_STOPS = "fm_stopped"


@dataclass(eq=False)
class Said:
    """What a job says of how far it is."""

    words: str = "Waiting for other work to end"
    stop: bool = False

    def tell(self, words: str) -> None:
        """Say what is done now.

        Raises:
            Stopped: nobody wants it any more.
        """
        if self.stop:
            raise Stopped
        if words:
            self.words = words


@dataclass(eq=False)
class _Job:
    future: Future[Any]
    said: Said
    waiting: int = field(default=0)


_pool = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="framematch-long")
_lock = threading.RLock()  # a job may end while it is entered
_jobs: dict[Hashable, _Job] = {}


def awaited(key: Hashable, make: Callable[[], Result], pulse: Pulse) -> Result:
    """What a job gives, with words on how far it is and a button that stops it shown meanwhile; two runs that want the same wait for one job.

    Args:
        key: all that the job depends on but the units that are spoken.
        make: needs nothing of Streamlit; every ``step`` in it is heard.
        pulse: where the run lets a newer one in.

    Raises:
        Stopped: the visitor stopped it; that is said on the page, with a button to begin it again.
    """
    make, key, place = as_spoken_here(make), (system(), key), st.empty()
    if _stopped(key):
        inside = place.container()
        inside.html(block(paragraph("Stopped before it was done.", "caution")))
        inside.button("Begin it again", key=f"again:{hash(key)}", on_click=_again, args=(key,))
        raise Stopped
    job, began, shown = _job(key, make), time.monotonic(), ""
    try:
        while not job.future.done():
            if time.monotonic() - began > SHORT_S:
                if not shown:
                    inside = place.container()
                    told = inside.empty()
                    inside.button("Stop", key=f"stop:{hash(key)}", on_click=_stop, args=(key,))
                words = f"{job.said.words} …"
                if words != shown:
                    shown = words
                    told.html(block(f'<div role="status">{paragraph(shown, "quiet")}</div>'))
            pulse.beat()
            wait([job.future], BEAT_S)
        if shown:
            place.html(GONE)
        result: Result = job.future.result()
        return result
    finally:
        with _lock:
            job.waiting -= 1
            if job.waiting == 0:
                job.future.cancel()  # only if it has not begun


def stopped(key: Hashable) -> bool:
    """Whether the visitor stopped it and has not begun it again."""
    return _stopped((system(), key))


def _stopped(key: Hashable) -> bool:
    return key in st.session_state.get(_STOPS, ())


def _stop(key: Hashable) -> None:
    """Give the visitor up as one who waits; for callbacks. What others wait for goes on."""
    st.session_state[_STOPS] = {*st.session_state.get(_STOPS, ()), key}
    with _lock:
        job = _jobs.get(key)
        if job is not None and job.waiting == 0:
            job.said.stop = True
            del _jobs[key]  # whoever asks again begins anew


def _again(key: Hashable) -> None:
    st.session_state[_STOPS] = st.session_state.get(_STOPS, set()) - {key}


def _job(key: Hashable, make: Callable[[], Result]) -> _Job:
    with _lock:
        found = _jobs.get(key)
        if found is None:
            found = _begun(key, make)
        found.waiting += 1
        return found


def _begun(key: Hashable, make: Callable[[], Any]) -> _Job:
    said = Said()

    def work() -> Any:
        said.words = "Working"
        with heard(said.tell):
            while True:
                try:
                    return make()
                except Stopped:
                    if said.stop:
                        raise  # else it was another's, whose result this one waited for

    job = _jobs[key] = _Job(future=_pool.submit(work), said=said)
    job.future.add_done_callback(lambda _: _ended(key, job))
    return job


def _ended(key: Hashable, job: _Job) -> None:
    with _lock:
        if _jobs.get(key) is job:
            del _jobs[key]
