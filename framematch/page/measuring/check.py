"""A guide checked from stills of one moment or of several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import streamlit as st

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres, signed
from framematch.measure.check import Checked, check_moments, verdict
from framematch.measure.figure import within
from framematch.measure.known import Typed
from framematch.measure.marks_picture import marks_picture
from framematch.measure.stills import Still, read_still
from framematch.measure.take import NAMES, USUAL, taken
from framematch.page import fields
from framematch.page.clicked import clicked_picture
from framematch.page.long_work import awaited
from framematch.page.look import Colours, block, paragraph, table
from framematch.page.measuring import laid
from framematch.page.measuring.found import jpeg
from framematch.page.measuring.show import fault, held_with, lines, mount_row, plain, use
from framematch.page.measuring.uploads import Given, many
from framematch.page.patience import Pulse
from framematch.progress import step
from framematch.render.keep import Kept

_LENS = {
    "focal_percent": "focal length, % longer",
    "centre_right_px": "centre to the right, px",
    "centre_down_px": "centre down, px",
    "bending_percent": "bending at the corner, % of the radius",
}
_TAKES = {"aim": "aim", "offset": "offset", "focal": "focal lengths", "lens": "lens centres and bending", "tolerance": "tolerance"}
_WIDTH_PX = 900
_Place = tuple[float, float]
_NOWHERE = np.empty((0, 2))


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """What came of stills: a check with its pictures, or a fault."""

    checked: Checked | None = None
    laid: laid.Laid | None = None
    fault: str = ""


_kept: Kept[Outcome] = Kept(limit_bytes=48_000_000, size=lambda o: 2000 + (o.laid.nbytes if o.laid else 0) + (64 * len(o.checked.depth_m) if o.checked else 0))
_first: Kept[Still] = Kept(limit_bytes=16_000_000, size=lambda still: still.pixels.nbytes)


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """Stills in, how far the guide is off and what mends it out."""
    st.html(
        block(
            paragraph(
                "One still from each camera, taken at one moment, of any scene with plain detail; better two to four moments from different places, "
                "the first recording still by name with the first monitoring still by name. Something far away in them helps most. "
                "They are looked at here and kept nowhere.",
                "quiet",
            )
        )
    )
    left, right, far = st.columns([1, 1, 0.7])
    with left:
        recording = many("Recording camera's stills", "measure:r", "Whole recorded pictures, not cropped; or clips, a frame of each chosen by its slider.")
    with right:
        monitoring = many("Monitoring camera's stills", "measure:m", "Of the same moments: its own, or the goggles' recording, whose bars and crop are undone.")
    with far:
        about = "To something flat and far, in the middle of the first still or where you click."
        distance = fields.distance("A distance", "measure:d", None, low_m=0.2, high_m=10_000.0, step=1.0, about=about)
    if not (recording and monitoring):
        return
    if len(recording) != len(monitoring):
        fault(f"{len(recording)} recording and {len(monitoring)} monitoring stills do not make pairs. Give one of each for every moment.")
        return
    place = None if distance is None else _place(recording[0], distance)
    mine = (tuple(g.digest for g in (*recording, *monitoring)), distance, place)
    before = held_with("check", mine, pairing)
    key = (tuple(g.name for g in (*recording, *monitoring)), *mine, before)  # names, since faults say them: never another visitor's
    typed = [] if distance is None else [Typed(distance_m=distance, at_px=place)]
    outcome = awaited(("check", key), lambda: _kept.get(key, lambda: _check(before, recording, monitoring, typed)), pulse)
    if outcome.checked is None or outcome.laid is None:
        fault(f"Can't tell: {outcome.fault}")
        return
    _say(outcome.checked, outcome.laid)


def _place(given: Given, distance_m: float) -> _Place | None:
    """Where in the first recording still the distance was measured, None for the middle."""
    key = f"measure:d:{given.digest}"
    try:
        still = _first.get((given.name, given.digest), lambda: read_still(given.name, colour=True, content=given.content()))
    except InputError:
        return None
    place: _Place | None = st.session_state.get(key)
    width, height = still.size_px
    middle = (width / 2, height / 2)
    st.html(block(paragraph("Click what the distance was measured to; it is taken of the middle otherwise.", "quiet")))
    picture = marks_picture(_small(still), still.size_px, [metres(distance_m)], [place or middle], _NOWHERE)
    alt = f"First recording still; the distance is of {place or 'the middle'}."
    clicked_picture(jpeg(picture), alt, f"{key}:picture", partial(_take_place, key, still.size_px))
    return place


def _take_place(key: str, size_px: tuple[int, int], share: _Place) -> None:
    st.session_state[key] = (round(share[0] * size_px[0], 1), round(share[1] * size_px[1], 1))


def _small(still: Still) -> Any:
    import cv2

    width = min(_WIDTH_PX, still.size_px[0])
    return cv2.resize(still.pixels, (width, round(still.size_px[1] * width / still.size_px[0])), interpolation=cv2.INTER_AREA)


def _check(pairing: Pairing, recording: Sequence[Given], monitoring: Sequence[Given], typed: Sequence[Typed]) -> Outcome:
    step("Reading the stills")
    try:
        pairs = []
        for both in zip(recording, monitoring, strict=True):
            first, second = (read_still(each.name, colour=True, content=each.content()) for each in both)
            pairs.append((first, second))
        step("Looking for details that both stills show")
        checked = check_moments(pairing, pairs, typed=typed)
    except InputError as error:
        return Outcome(fault=str(error))
    step("Drawing")
    return Outcome(checked=checked, laid=laid.lay(checked.before, checked.after, *pairs[0], checked.distance_m))


def _say(checked: Checked, drawn: laid.Laid) -> None:
    rows = [mount_row(f.name, getattr(checked.before.mount, f.name), f.value, f.half_95, 2) for f in checked.figures]
    lens = [[f"{which}: {_LENS[f.name.partition('_')[2]]}", signed(f.value, 2), f"± {f.half_95:.2f}"] for f in checked.lens_figures if f.half_95 > 1e-4
            for which in [f.name.partition("_")[0]]]  # fmt: skip
    off = "; ".join(f"{percent:.1f} % at {metres(at)}" for at, percent in checked.off_percent)
    st.html(
        block(
            paragraph(f"The guide as it was: off by {off} of the frame.", "big")
            + paragraph(
                f"{checked.agreed} details agree. {verdict(checked)} "
                "A rig that only turned between the two stills looks the same as another aim: take both at one moment."
            )
            + lines([plain(line) for line in checked.warnings], [plain(checked.advice)] if checked.advice else [])
            + table(["figure", "as it was", "found", "95 %"], rows, caption="The mount that the stills show", kind="figures")
            + (table(["lens, against the file", "found", "95 %"], lens, caption="The lenses that the stills show", kind="figures") if lens else "")
            + paragraph("Aim, centres and bending were solved together: the guide is known better than each of them.", "quiet")
        )
    )
    names = st.multiselect("Take over", NAMES, USUAL, format_func=_TAKES.__getitem__, key="measure:take", help="The tolerance is the aim's, the lenses' in it.")
    try:
        change = taken(checked, names) if names else None
    except InputError as error:
        fault(error)
        change = None
    if change is not None:
        if change.left_percent > 0.1:
            st.html(block(paragraph(f"With these alone the guide stays up to {change.left_percent:.1f} % of the frame off.", "caution")))
        use("Use these in the pairing", "measure:use", "mount.aim_deg", change.values)
    worst = max((percent for _, percent in checked.off_percent if percent == percent), default=float("nan"))
    laid.show(
        drawn,
        "check",
        before=f"Before: the guide is off by up to {worst:.1f} % of the frame.",
        after=f"After: known to ± {within(checked.known_percent)} of the frame at {metres(checked.distance_m)}.",
    )
