"""Faults that nobody foresaw: told in one line where they happened, written whole to the log, and the rest of the page stands."""

from __future__ import annotations

import logging

from framematch.errors import InputError, raised

_log = logging.getLogger("framematch.page")


def trouble(error: Exception, what: str) -> str:
    """What a visitor reads about an error; one that is a fault of ours goes to the log with all its details.

    Args:
        what: can't be had, as the start of a sentence: ``No guide``.
    """
    if isinstance(error, InputError):
        return f"{what}: {error}"
    if raised():
        raise error
    _log.error("%s", what, exc_info=error)
    return f"{what}: a fault of ours ({type(error).__name__}). Its details are in the log of whoever runs the page; everything else here works on."
