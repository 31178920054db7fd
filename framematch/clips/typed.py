"""Distances that somebody measured to something in a frame of a recorded clip."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from framematch.errors import InputError
from framematch.measure.known import Typed, parse_typed


@dataclass(frozen=True, kw_only=True)
class TypedAt:
    """A distance, and the recorded clip's time at which what it was measured to is seen."""

    time_s: float
    typed: Typed


def parse_typed_at(text: str) -> TypedAt:
    """A distance from ``"12.5:14"`` (14 m to what is in the middle of the frame at 12.5 s) or ``"12.5:14@310,204"`` (to a place in it).

    Raises:
        InputError: it can't be read.
    """
    form = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*:(.*)", text)
    time_s = float(form[1]) if form else math.inf
    if form is None or not math.isfinite(time_s):
        fix = "write the recorded clip's seconds, a colon and metres, and x,y in the frame after an @ unless in the middle: 12.5:14@310,204"
        raise InputError(f"{text!r} does not say when", field="--distance", fix=fix)
    return TypedAt(time_s=time_s, typed=parse_typed(form[2]))
