"""Libraries that speak for themselves on standard error where one line of ours says what is wrong."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_NOBODY = logging.NullHandler()
_lock = threading.Lock()
_held: list[int] = []  # where descriptor 2 leads otherwise, once for each who is inside


@contextmanager
def libtiff_unheard() -> Iterator[None]:
    """While libtiff decodes a picture nothing comes on descriptor 2, the only way to keep it quiet from here.

    That is the whole process's, so it is nothing for a server; several threads may be inside at once.
    """
    logging.getLogger("PIL").addHandler(_NOBODY)  # Pillow's own words, which go to standard error where nobody else takes them
    with _lock:
        try:
            _held.append(_held[0] if _held else os.dup(2))
        except OSError:  # there is no standard error
            _held.append(-1)
        if len(_held) == 1 and _held[0] >= 0:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 2)
            os.close(nowhere)
    try:
        yield
    finally:
        with _lock:
            held = _held.pop()
            if not _held and held >= 0:
                os.dup2(held, 2)
                os.close(held)
