"""Taking over what two clips showed, by name: aim, tolerance (with the flex), wander, keep (kept percentage)."""

from __future__ import annotations

import math
from typing import Any

from framematch.clips.shake import Shake
from framematch.clips.together import Together
from framematch.errors import InputError
from framematch.measure.figure import NORMAL_95
from framematch.measure.take import taken

NAMES = ("aim", "tolerance", "wander", "keep")
SERVED = 0.95  # share of the frames that a kept percentage is taken over for


def parse_clip_names(text: str) -> tuple[str, ...]:
    """Names from ``"aim,keep"``.

    Raises:
        InputError: one that clips don't tell.
    """
    names = tuple(n.strip().lower() for n in text.split(",") if n.strip())
    wrong = [n for n in names if n not in NAMES]
    if wrong or not names:
        raise InputError(f"{wrong[0] if wrong else text!r} can't be taken over from clips", field="--take", fix=f"use some of {', '.join(NAMES)}, with commas")
    return names


def clip_values(found: Together, shake: Shake | None, names: tuple[str, ...]) -> dict[str, Any]:
    """The pairing file's keys that change.

    Raises:
        InputError: the tolerance without the aim, or a figure of the stabiliser that the clip does not tell or several frames do not share.
    """
    aim = tuple(n for n in names if n in ("aim", "tolerance"))
    values = dict(taken(found.checked, aim).values) if aim else {}
    if "tolerance" in names:  # the flex is there in every shot, the mount's own uncertainty besides
        values["tolerance.aim_deg"] = math.ceil(1000 * math.hypot(values["tolerance.aim_deg"], NORMAL_95 * found.flex_rms_deg)) / 1000
    wanted = [n for n in names if n in ("wander", "keep")]
    if wanted and shake is None:
        raise InputError("the clip does not tell what the stabiliser needs", field="--take", fix="leave wander and keep out")
    if wanted and found.rig.others:
        raise InputError("the file has several frames", field="--take", fix="leave wander and keep out, and write them for each frame yourself")
    if shake is not None:
        if "wander" in names:
            values["recording.frame.wander_percent"] = round(shake.wander_percent, 2)
        if "keep" in names:
            values["recording.frame.keep_percent"] = shake.keep_for(SERVED)
    return values
