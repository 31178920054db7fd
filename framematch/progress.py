"""How far long work is, told to whoever listens; and where it can be stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_listener: ContextVar[Callable[[str], None] | None] = ContextVar("listener", default=None)


class Stopped(Exception):
    """Someone does not want the work any more; raised by a listener, out of the work's next step."""


def step(words: str = "") -> None:
    """What is being done now, such as "Lens 2 of 6", or only a place to stop at; nothing happens if nobody listens."""
    listener = _listener.get()
    if listener is not None:
        listener(words)


@contextmanager
def heard(listener: Callable[[str], None]) -> Iterator[None]:
    """Have every step of what is done inside, in this thread, told to a listener."""
    token = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(token)
