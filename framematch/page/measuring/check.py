"""A guide checked from two stills of one moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.report import metres
from framematch.measure.check import Checked, check_guide
from framematch.measure.into_file import checked_changes
from framematch.measure.stills import read_still
from framematch.page.look import Colours, block, paragraph, table
from framematch.page.measuring import laid
from framematch.page.measuring.show import fault, held_with, remembered, signed, use
from framematch.page.measuring.uploads import Given, one
from framematch.page.measuring.wait import Said, awaited
from framematch.render.keep import Kept

_FIGURES = {
    "pan_deg": "pan, degrees",
    "tilt_deg": "tilt, degrees",
    "roll_deg": "roll, degrees",
    "right_mm": "right, mm",
    "up_mm": "up, mm",
    "forward_mm": "forward, mm",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """What came of two stills: a check with its pictures, or a fault."""

    checked: Checked | None = None
    laid: laid.Laid | None = None
    fault: str = ""


_kept: Kept[Outcome] = Kept(limit_bytes=48_000_000, size=lambda o: 2000 + (o.laid.nbytes if o.laid else 0) + (64 * len(o.checked.depth_m) if o.checked else 0))


def area(pairing: Pairing, colours: Colours, pulse: Any) -> None:
    """Stills in, how far the guide is off and the aim that mends it out."""
    st.html(
        block(paragraph("One still from each camera, taken at one moment, of any scene with plain detail. They are looked at here and kept nowhere.", "quiet"))
    )
    left, right, far = st.columns([1, 1, 0.7])
    with left:
        recording = one("Recording camera's still", "measure:r", "The whole recorded picture, not cropped.")
    with right:
        monitoring = one("Monitoring camera's still", "measure:m", "The whole picture of the camera.")
    with far:
        distance = remembered(
            "measure:d",
            None,
            lambda key: st.number_input(
                "Distance in the middle, m", 0.2, 1000.0, None, 0.1, key=key, help="To what is in the middle of the frame, if known; 0.2 to 1000."
            ),
        )
    if recording is None or monitoring is None:
        return
    mine = (recording.digest, monitoring.digest, distance)
    before = held_with("check", mine, pairing)
    key = (recording.name, monitoring.name, *mine, before)  # names, since faults say them: never another visitor's
    outcome = awaited(("check", key), lambda said: _kept.get(key, lambda: _check(before, recording, monitoring, distance, said)), pulse)
    if outcome.checked is None or outcome.laid is None:
        fault(f"Can't tell: {outcome.fault}")
        return
    _say(outcome.checked, outcome.laid)


def _check(pairing: Pairing, recording: Given, monitoring: Given, distance_m: float | None, said: Said) -> Outcome:
    said.words = "Reading the stills …"
    try:
        stills = [read_still(each.name, colour=True, content=each.content()) for each in (recording, monitoring)]
        said.words = "Looking for details that both stills show …"
        checked = check_guide(pairing, stills[0], stills[1], distance_m=distance_m)
    except InputError as error:
        return Outcome(fault=str(error))
    said.words = "Drawing …"
    return Outcome(checked=checked, laid=laid.lay(checked.before, checked.after, stills[0], stills[1], checked.distance_m))


def _say(checked: Checked, drawn: laid.Laid) -> None:
    rows = [[_FIGURES[f.name], signed(getattr(checked.before.mount, f.name)), signed(f.value), f"± {f.half_95:.2f}"] for f in checked.figures]
    off = "; ".join(f"{percent:.1f} % at {metres(at)}" for at, percent in checked.off_percent)
    st.html(
        block(
            paragraph(f"The guide as it was: off by {off} of the frame.", "big")
            + paragraph(
                f"{checked.agreed} of {checked.matches} details agree. "
                f"After the correction the guide is known to ± {checked.known_percent:.1f} % of the frame. "
                "A rig that only turned between the two stills looks the same as another aim: take both at one moment."
            )
            + table(["figure", "as it was", "found", "95 %"], rows, caption="The mount that the stills show")
        )
    )
    use("Use this aim in the pairing", "measure:use", "mount.aim_deg", checked_changes(checked.before, checked.after))
    worst = max((percent for _, percent in checked.off_percent if percent == percent), default=float("nan"))
    laid.show(
        drawn,
        "check",
        before=f"Before: the guide is off by up to {worst:.1f} % of the frame.",
        after=f"After: known to ± {checked.known_percent:.1f} % of the frame.",
    )
