"""Frames, sets of lines and ticks that a visitor chose to see, and what is worked out for them, kept by value."""

from __future__ import annotations

from functools import partial

import streamlit as st

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.edge_marks import MOST_MARKS
from framematch.guide.report import Report, guide_report
from framematch.guide.sets import MOST_SETS
from framematch.guide.turning import edge_error_curve_turning
from framematch.output.drawing import Area, Drawing, Floats
from framematch.output.guide_drawing import guide_drawing
from framematch.output.overlay import overlay_files
from framematch.output.svg import drawing_svg
from framematch.page import fields
from framematch.page.kept_choices import kept
from framematch.page.long_work import awaited
from framematch.page.look import block, drawing, paragraph
from framematch.page.patience import Pulse, patiently
from framematch.page.work import error_curve, report_of
from framematch.render.keep import kept_by_value

SETS, FRAMES, MARKS = "guide:sets", "guide:frames", "guide:marks"
_GROUND = "#4a5259"  # behind the preview of a transparent overlay


@kept_by_value(limit_bytes=16_000_000)
def lines_of(pairing: Pairing, sets: int) -> Report:
    """The guide with as many sets of lines as asked for."""
    return report_of(pairing) if sets == 1 else guide_report(pairing, sets=sets)


def lines_awaited(pairing: Pairing, sets: int, pulse: Pulse) -> Report:
    """The same, with how far it is on the page meanwhile where several sets are looked for; one comes soon, and waits behind no long work.

    Raises:
        Stopped: the visitor stopped it.
    """
    find = partial(lines_of, pairing, sets)
    return patiently(find, pulse) if sets == 1 else awaited(lines_key(pairing, sets), find, pulse)


def lines_key(pairing: Pairing, sets: int) -> tuple[object, ...]:
    """What that work is known by."""
    return "lines", pairing, sets


@kept_by_value(limit_bytes=16_000_000)
def overlays_of(pairing: Pairing, sets: int, parts: tuple[str, ...], frames: tuple[int, ...], marks_m: tuple[float, ...]) -> dict[str, bytes]:
    """The overlay's files: the command line's own."""
    return overlay_files(lines_of(pairing, sets), parts=parts, frames=frames, marks_m=marks_m)


@kept_by_value(limit_bytes=4_000_000)
def turning_curve(pairing: Pairing) -> tuple[Floats, dict[str, Floats]]:
    """Distances around the range, and each side's error of the guide's rectangle there while turning."""
    distances, _ = error_curve(pairing)
    return distances, edge_error_curve_turning(pairing, report_of(pairing).guide.rectangle, distances)


def sets_choice(pairing: Pairing, *, key: str = SETS) -> int:
    """How many sets of lines; one where there is but one distance."""
    many = pairing.far_m > pairing.near_m
    chosen: int = st.selectbox(
        "Sets of lines",
        range(1, MOST_SETS + 1),
        format_func=lambda n: "1, for the whole range" if n == 1 else f"{n}, cut where they serve best",
        help="Several sets are truer: the pilot changes from one to the next as the subject comes nearer.",
        disabled=not many,
        **kept(key, 1),
    )
    return chosen if many else 1


def sets_chosen(pairing: Pairing) -> int:
    """The choice as it stands, for what is drawn before it."""
    held: int = st.session_state.get(f"fm_kept:{SETS}", 1)
    return held if pairing.far_m > pairing.near_m else 1


def frames_choice(pairing: Pairing) -> tuple[int, ...]:
    """Which frames are shown; all of a single one, and all again where none is left."""
    names = [frame.name for frame in pairing.frames]
    if len(names) == 1:
        return (0,)
    held = st.session_state.get(f"fm_kept:{FRAMES}")
    if held is not None and not set(held) <= set(names):  # another pairing's
        st.session_state[f"fm_kept:{FRAMES}"] = names
    chosen = st.multiselect("Frames shown", names, help="The first is the main one.", **kept(FRAMES, names))
    return tuple(i for i, name in enumerate(names) if name in (chosen or names))


def marks_choice() -> tuple[float, ...]:
    """Distances to mark on the overlay."""
    unit = fields.named("m")
    text = st.text_input(
        f"Ticks where each side lies at, {unit}",
        help=f"Up to {MOST_MARKS} distances, such as 2, 5, 10; nothing for none.",
        placeholder="2, 5, 10",
        **kept(f"{MARKS}:{unit}", ""),  # what was typed in metres is not read as feet
    )
    try:
        return tuple(fields.in_metric(float(part), "m") for part in text.replace(";", ",").split(",") if part.strip())
    except ValueError:
        st.html(block(paragraph(f"No ticks: {text} is not a list of distances. Write them such as 2, 5, 10.", "fault")))
        return ()


def preview(report: Report, parts: tuple[str, ...], frames: tuple[int, ...], marks_m: tuple[float, ...]) -> str:
    """The overlay on a middling grey, as markup; ticks that can't be drawn are said and left out."""
    fault = ""
    try:
        drawn = guide_drawing(report, parts=parts, frames=frames, marks_m=marks_m)
    except InputError as error:
        fault, drawn = paragraph(f"No ticks: {error}", "fault"), guide_drawing(report, parts=parts, frames=frames)
    screen = report.pairing.display.screen
    shapes = [Area(rings=(screen.border([0, 1, 2, 3]),), colour=_GROUND, opacity=1.0), *drawn.shapes]
    names = ", ".join(report.pairing.frames[i].name for i in frames)
    alt = f"The overlay: frames {names}; {len(report.each_set)} sets of lines."
    return fault + drawing(drawing_svg(Drawing(size=drawn.size, shapes=shapes, title=drawn.title)), alt)
