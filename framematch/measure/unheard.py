"""Libraries that speak for themselves on standard error where one line of ours says what is wrong."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_NOBODY = logging.NullHandler()


@contextmanager
def libtiff_unheard() -> Iterator[None]:
    """While libtiff decodes a picture nothing comes on descriptor 2, which is the only way to keep it quiet from here.

    That is the whole process's, so it is done for the main thread alone, as commands run; beside a served page's other work its lines stay in the log.
    """
    logging.getLogger("PIL").addHandler(_NOBODY)  # Pillow's own words, which go to standard error where nobody else takes them
    try:
        held = os.dup(2) if threading.current_thread() is threading.main_thread() else None
    except OSError:  # there is no standard error
        held = None
    if held is None:
        yield
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        yield
    finally:
        os.dup2(held, 2)
        os.close(held)
