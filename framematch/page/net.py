"""Faults that nobody foresaw: told in one line where they happened, written whole to the log, and the rest of the page stands."""

from __future__ import annotations

import logging

from streamlit.errors import StreamlitAPIException

from framematch.errors import InputError, raised, visible

_log = logging.getLogger("framematch.page")


_FORGED = ("filename-", "file-uploader-")  # how Streamlit's ids begin for uploads of a name that their field doesn't take, which no browser sends


class OneLine(logging.Filter):
    """An upload that was forged is refused by Streamlit: one line in the log, no traceback."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Let every record pass, such a refusal shortened."""
        error = record.exc_info[1] if record.exc_info else None
        if forged(error):
            record.msg, record.args, record.exc_info, record.exc_text = "Refused: %s", (_line(error),), None, None
        return True


def forged(error: BaseException | None) -> bool:
    """Whether Streamlit refuses an upload of a name that its field doesn't take."""
    return isinstance(error, StreamlitAPIException) and str(getattr(error, "error_id", "")).startswith(_FORGED)


def _line(error: BaseException | None) -> str:
    return visible(" ".join(str(error).split()))[:300]


def refuse_in_one_line() -> None:
    """Have the log do so from now on."""
    logging.getLogger("streamlit.error_util").addFilter(ONE_LINE)


ONE_LINE = OneLine()


def trouble(error: Exception, what: str) -> str:
    """What a visitor reads about an error; one that is a fault of ours goes to the log with all its details.

    Args:
        what: can't be had, as the start of a sentence: ``No guide``.
    """
    if isinstance(error, InputError):
        return f"{what}: {error}"
    if forged(error):
        return f"{what}: {_line(error)}"
    if raised():
        raise error
    _log.error("%s", what, exc_info=error)
    return f"{what}: a fault of ours ({type(error).__name__}). Its details are in the log of whoever runs the page; everything else here works on."
