"""Working ahead of the hand: what the next steps will ask for is made while nobody waits for anything.

One thread does it for all visitors, a job of each in turn, and stands still while a run that somebody
waits for is at work. A visitor's newer wishes take the place of the older ones.
"""

from __future__ import annotations

import threading
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress

Job = Callable[[], object]


class Visitor:
    """Whose wishes they are."""


class Ahead:
    """The wishes of all visitors and the thread that works on them."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._wishes: OrderedDict[Visitor, deque[Job]] = OrderedDict()
        self._waiting = 0
        self._thread: threading.Thread | None = None

    def wish(self, visitor: Visitor, jobs: Iterable[Job]) -> None:
        """Have jobs done when there is time, in their order; what the visitor wished before is forgotten."""
        wanted = deque(jobs)
        with self._changed:
            self._wishes.pop(visitor, None)
            if wanted:
                self._wishes[visitor] = wanted
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._work, name="framematch-ahead", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    @contextmanager
    def waiting(self) -> Iterator[None]:
        """While somebody waits for what is worked out inside, nothing is begun ahead."""
        with self._changed:
            self._waiting += 1
        try:
            yield
        finally:
            with self._changed:
                self._waiting -= 1
                self._changed.notify_all()

    def idle(self, timeout_s: float) -> bool:
        """Wait until no wish is left; whether that came in time."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._wishes, timeout_s)

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._wishes and not self._waiting)
                visitor, jobs = next(iter(self._wishes.items()))
                job = jobs.popleft()
                self._wishes.move_to_end(visitor)
            with suppress(Exception):  # whoever asks for it will be told
                job()
            with self._changed:
                if not jobs and self._wishes.get(visitor) is jobs:
                    del self._wishes[visitor]
                self._changed.notify_all()


ahead = Ahead()
