"""Memory handed back while a hand rests.

Streamlit would collect garbage after every run, which halts all visitors for a tenth of a second while any
of them moves a slider, so that is switched off. Left to itself Python counts objects, not bytes, and lets
the pictures of runs that were left for newer ones lie about for minutes.
"""

from __future__ import annotations

import ctypes
import gc
import threading
import time
from contextlib import suppress

EVERY_S = 5.0
_lock = threading.Lock()
_last: list[float] = []


def tidy() -> None:
    """Collect garbage and give freed memory back to the system, at most every few seconds whoever asks.

    What is there the first time (modules, above all) is set aside for good, so that later rounds are short.
    """
    now = time.monotonic()
    with _lock:
        if _last and now - _last[0] < EVERY_S:
            return
        first = not _last
        _last[:] = [now]
    gc.collect()
    if first:
        gc.freeze()
    with suppress(OSError, AttributeError, TypeError):  # only glibc has it; Windows takes no library without a name
        ctypes.CDLL(None).malloc_trim(0)
