"""Tests that take a sample in the suite and everything when asked: ``python -m pytest tests/acceptance``."""

from __future__ import annotations

import os
from typing import TypeVar

Kind = TypeVar("Kind")
AT_LENGTH = os.environ.get("FRAMEMATCH_AT_LENGTH") == "1"


def sample(every_day: Kind, at_length: Kind) -> Kind:
    """The first in the suite, the second in an acceptance run."""
    return at_length if AT_LENGTH else every_day
