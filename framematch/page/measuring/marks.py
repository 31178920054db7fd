"""The aim from one monitoring still of wall marks, found in it or typed in."""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres, signed
from framematch.guide.wall_marks import wall_marks
from framematch.measure.goggles import undone
from framematch.measure.into_file import aim_values
from framematch.measure.marks import FromMarks, aim_from_marks, expected_px, find_marks
from framematch.measure.marks_picture import marks_picture
from framematch.measure.stills import Still, read_still
from framematch.page import fields
from framematch.page.clicked import clicked_picture
from framematch.page.long_work import awaited
from framematch.page.look import Colours, block, paragraph, table
from framematch.page.measuring.found import jpeg
from framematch.page.measuring.show import fault, held_with, lines, plain, remembered, use
from framematch.page.measuring.uploads import Given, one
from framematch.page.patience import Pulse
from framematch.progress import step
from framematch.render.keep import Kept

Place = tuple[float, float] | None
_WAYS = ("across", "down")
_NEXT = "measure:marks:next"
_WIDTH_PX = 1000
_FIRST_M: float | None = 2.0  # as in the Print area
_FIGURES = {"pan_deg": "pan, degrees", "tilt_deg": "tilt, degrees", "roll_deg": "roll, degrees"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Wall:
    """A still of a wall.

    Args:
        small: a copy of it, (height, width, 3).
        size_px: its own.
        places: of the marks as found, None for one not found.
        fault: why none was.
    """

    name: str
    small: NDArray[np.uint8]
    size_px: tuple[int, int]
    places: tuple[Place, ...]
    fault: str


_kept: Kept[Wall] = Kept(limit_bytes=32_000_000, size=lambda wall: wall.small.nbytes)


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """A still in, the aim that puts the marks where they are seen out."""
    st.html(
        block(
            paragraph(
                "Tape the wall marks as the sheet in the Print area says, the recording lens square to the wall, and take one still with the "
                "monitoring camera. It is looked at here and kept nowhere. Propellers off.",
                "quiet",
            )
        )
    )
    left, right = st.columns([1.6, 1])
    with left:
        still = one(
            "Monitoring camera's still of the wall",
            "measure:marks:still",
            "The whole picture of the camera, or the goggles' recording, whose bars and crop are undone.",
        )
    with right:
        about = "As on the sheet of wall marks."
        distance = fields.distance("Wall from the entrance pupil", "measure:marks:d", _FIRST_M, low_m=0.3, high_m=50.0, step=0.1, about=about)
    if still is None or distance is None:
        return
    mine = (still.digest, distance)
    before = held_with("marks", mine, pairing)  # marks are taped for the pairing as it was
    try:
        names = [m.name for m in wall_marks(before, distance)]
        key = (still.name, *mine, before)  # its name, since it is shown: never another visitor's
        wall = awaited(("marks", key), lambda: _kept.get(key, lambda: _look(before, still, distance)), pulse)
    except InputError as error:
        fault(error)
        return
    if wall.fault:
        fault(f"Not found by themselves: {wall.fault} Click them in the picture.")
    shown, beside = st.columns([2.2, 1], gap="large")
    with beside:
        places = _places(names, wall, mine)
        odd = _aim(before, names, wall, places, distance)
    with shown:
        seen = ", ".join(n for n, p in zip(names, places, strict=True) if p) or "none"
        words = f"{wall.name}, {wall.size_px[0]} x {wall.size_px[1]} pixels. Crosses: the marks as seen. Rings: where the pairing has them."
        st.html(block(paragraph(words, "quiet")))
        st.radio("A click on the picture places", names, key=_NEXT, horizontal=True)
        picture = jpeg(marks_picture(wall.small, wall.size_px, names, places, expected_px(before, wall.size_px, distance), odd=odd))
        clicked_picture(picture, f"Still of the wall; marks seen: {seen}.", "measure:marks:picture", partial(_take, names, wall.size_px, mine))


def _take(names: list[str], size_px: tuple[int, int], mine: Hashable, place: tuple[float, float]) -> None:
    """Put the mark at hand where was clicked, and go on to the next."""
    name = st.session_state.get(_NEXT, names[0])
    for way, at, size in zip(_WAYS, place, size_px, strict=True):
        st.session_state[_key(mine, name, way)] = round(at * size, 1)
    st.session_state[_NEXT] = names[(names.index(name) + 1) % len(names)]


def _key(mine: Hashable, name: str, way: str) -> str:
    return f"measure:marks:{hash(mine)}:{name}:{way}"


def _look(pairing: Pairing, given: Given, distance_m: float) -> Wall:
    import cv2

    step("Looking for the marks")
    still = undone(read_still(given.name, colour=True, content=given.content()), pairing)
    count = len(wall_marks(pairing, distance_m))
    places: tuple[Place, ...] = (None,) * count
    trouble = ""
    try:
        places = tuple(find_marks(pairing, still, distance_m))
    except InputError as error:
        trouble = str(error)
        if "is not the shape" in error.problem:
            raise
    width = min(_WIDTH_PX, still.size_px[0])
    small = cv2.resize(still.pixels, (width, round(still.size_px[1] * width / still.size_px[0])), interpolation=cv2.INTER_AREA)
    return Wall(name=still.name, small=np.asarray(small, dtype=np.uint8), size_px=still.size_px, places=places, fault=trouble)


def _places(names: list[str], wall: Wall, mine: Hashable) -> list[Place]:
    """Two fields for each mark, at first as found."""
    st.html(block(paragraph("In pixels from the still's top left: click each mark in the picture or type it; leave both empty for one not seen.", "quiet")))
    out: list[Place] = []
    for name, found in zip(names, wall.places, strict=True):
        pair: list[float | None] = []
        for axis, (column, way, most) in enumerate(zip(st.columns(2), _WAYS, wall.size_px, strict=True)):
            with column:
                label = f"{name[:1].upper()}{name[1:]}, {way}"
                first = None if found is None else round(found[axis], 1)
                pair.append(remembered(_key(mine, name, way), first, _field(label, float(most))))
        out.append(None if pair[0] is None or pair[1] is None else (pair[0], pair[1]))
    return out


def _field(label: str, most: float) -> Any:
    return lambda key: st.number_input(label, 0.0, most, None, 1.0, format="%.1f", key=key, help="Click the picture, or read it off its edges.")


def _aim(pairing: Pairing, names: list[str], wall: Wall, places: list[Place], distance_m: float) -> str:
    """What the marks say; gives the name of the one that does not fit."""
    still = Still(name=wall.name, pixels=np.broadcast_to(np.uint8(0), wall.size_px[::-1]))  # its size alone is asked for
    try:
        found = aim_from_marks(pairing, still, places, distance_m)
    except InputError as error:
        fault(error)
        return next((name for name in names if f": {name} is " in error.problem), "")
    off = [[name, f"{miss:.1f}"] for name, miss in zip((n for n, p in zip(names, places, strict=True) if p), found.miss_px, strict=True)]
    st.html(block(_words(pairing, found, distance_m) + table(["mark", "px"], off, caption="How far each lies from where this aim puts it")))
    use("Use this aim in the pairing", "measure:marks:use", "mount.aim_deg", aim_values(found.mount))
    return found.odd


def _words(pairing: Pairing, found: FromMarks, distance_m: float) -> str:
    rows = [[_FIGURES[f.name], signed(getattr(pairing.mount, f.name), 2), signed(f.value, 2), f"± {f.half_95:.2f}"] for f in found.figures]
    off = "" if math.isnan(found.off_percent) else f"The guide as it was is off by up to {found.off_percent:.1f} % of the frame at {metres(distance_m)}. "
    return (
        paragraph(f"{off}The aim is off by {found.turned_deg:.2f} degrees.", "big")
        + table(["figure", "as it was", "found", "95 %"], rows, caption="The aim that the marks show")
        + lines([plain(line) for line in found.warnings])
    )
