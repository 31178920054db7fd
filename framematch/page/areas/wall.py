"""Wall marks on the screen: what to tape, where it must show, and what a miss says about the mount."""

from __future__ import annotations

from functools import partial

import streamlit as st

from framematch.errors import InputError
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import amount, metres, millimetres, system, unit
from framematch.guide.wall_marks import Cause, Mark, Readings, aim_changes, aim_off_by_shift, correction_table, off_by, tape_lengths_mm, wall_marks
from framematch.output.drawing import Inks
from framematch.output.svg import drawing_svg
from framematch.output.wall_drawing import marks_in_display, wall_drawing
from framematch.page import fields, session
from framematch.page.inks import inks_of
from framematch.page.kept_choices import kept
from framematch.page.look import Colours, block, drawing, paragraph, table
from framematch.page.patience import Pulse, patiently
from framematch.render.keep import kept_by_value

DISTANCE, FIRST_M = "print:wall", 2.0
PUPIL = (
    "Of the recording lens: look into its front, iris closed down; hold a pencil beside the barrel and move your head: where pencil and iris stay "
    "together is the entrance pupil."
)
SEEN_RIGHT, SEEN_UP = "print:seen-right", "print:seen-up"


def distance_field(key: str) -> float:
    """The wall's distance, metres."""
    return fields.distance("Wall from the entrance pupil", key, FIRST_M, low_m=0.3, high_m=50.0, step=0.1, about=f"{PUPIL} Square on.") or FIRST_M


def section(pairing: Pairing, colours: Colours, pulse: Pulse) -> float:
    """The marks at a distance that is typed here, and the correction; returns the distance.

    Raises:
        InputError: there is no guide to check at that distance.
    """
    distance = distance_field(DISTANCE)
    marks, causes = patiently(partial(_worked_out, pairing, distance), pulse)
    st.html(block(marks_markup(pairing, marks, inks_of(colours), distance)))
    _correction(pairing, distance, causes, pulse)
    return distance


@kept_by_value(limit_bytes=2_000_000)
def _worked_out(pairing: Pairing, distance_m: float) -> tuple[tuple[Mark, ...], tuple[Cause, ...]]:
    return wall_marks(pairing, distance_m), correction_table(pairing, distance_m)


@kept_by_value(limit_bytes=1_000_000)
def _off_by(pairing: Pairing, distance_m: float, right_px: float, up_px: float) -> Mount:
    return aim_off_by_shift(pairing, distance_m, right_px=right_px, up_px=up_px)


def marks_markup(pairing: Pairing, marks: tuple[Mark, ...], inks: Inks, distance_m: float) -> str:
    """The wall with its numbers, the display with where they show, and both as a table."""
    (wide, high), mm = pairing.display.raster_px, unit("mm")
    lengths = tape_lengths_mm(marks)
    taped = "; ".join(f"{m.name} {_signed(m.right_mm)} right, {_signed(m.up_mm)} up" for m in marks)
    shows = "; ".join(f"{m.name} {_place(m)}" for m in marks)
    rows = [[m.name, _signed(m.right_mm), _signed(m.up_mm), _place(m)] for m in marks]
    return (
        paragraph(
            f"Stand the rig square to a flat wall, the recording lens's entrance pupil {metres(distance_m)} from it. Mark A straight ahead of it, at its "
            "height; tape the rest from A as seen from the rig."
        )
        + drawing(drawing_svg(wall_drawing(marks, inks=inks)), f"The wall seen from the rig, {mm} from A: {taped}.")
        + drawing(
            drawing_svg(marks_in_display(pairing, marks, inks=inks)), f"Where the marks must show in the goggles' {wide} x {high} picture, pixels: {shows}."
        )
        + table(["mark", f"right, {mm}", f"up, {mm}", "shows at, px"], rows, caption="From A, straight ahead of the recording lens")
        + paragraph(
            f"To check the tape: diagonals {millimetres(lengths['diagonal down'])} and {millimetres(lengths['diagonal up'])}. Pixels count from the top left.",
            "quiet",
        )
    )


def _signed(value_mm: float) -> str:
    if system() != "metric":
        return f"{amount(value_mm, 'mm'):+.2f}"
    return f"{round(value_mm):+d}" if round(value_mm) else "0"


def _place(mark: Mark) -> str:
    return f"{mark.display_px[0]:.0f}, {mark.display_px[1]:.0f}" if mark.shown else "not in the goggles"


def _correction(pairing: Pairing, distance_m: float, causes: tuple[Cause, ...], pulse: Pulse) -> None:
    from framematch.output.wall_sheet import correction_rows

    st.html(block("<h3>If the marks show elsewhere</h3>" + paragraph("The mean of the four corners, as seen in the goggles. Negative: left, low.", "quiet")))
    right, up = st.columns(2)
    with right:
        right_px = st.number_input(
            "Marks sit right, px", -400.0, 400.0, step=1.0, format="%.1f", help="By how much, in the goggles' pixels; -400 to 400.", **kept(SEEN_RIGHT, 0.0)
        )
    with up:
        up_px = st.number_input(
            "Marks sit up, px", -400.0, 400.0, step=1.0, format="%.1f", help="By how much; type -12 for marks 12 px low; -400 to 400.", **kept(SEEN_UP, 0.0)
        )
    if right_px or up_px:
        try:
            off = patiently(partial(_off_by, pairing, distance_m, right_px, up_px), pulse)
        except InputError as error:
            st.html(block(paragraph(f"Can't tell: {error}", "fault")))
        else:
            _say(pairing, off, off_by(causes, Readings(right_px=right_px, low_px=-up_px, turned_px=0.0, spread_px=0.0)))
    rows = correction_rows(causes)
    with st.expander("Table: from what is seen to what is off"):
        st.html(block(table(list(rows[0]), [list(row) for row in rows[1:]], caption="The monitoring camera is off by this much, if that alone is wrong")))


def _say(pairing: Pairing, off: Mount, alone: dict[str, float]) -> None:
    changes = aim_changes(pairing.mount, off)
    aim = _both(_words(off.pan_deg, "right", "left", "°"), _words(off.tilt_deg, "up", "down", "°"))
    place = _both(_words(alone["right_mm"], "right", "left", "mm"), _words(alone["up_mm"], "high", "low", "mm"))
    st.html(
        block(
            '<div class="panel">'
            + paragraph(f"The monitoring camera looks {aim}.", "big")
            + paragraph(
                f"Or, if its aim is right, it sits {place}. At one distance a turn and a shift look alike: "
                "correct the one you doubt, then check at another distance."
            )
            + "</div>"
        )
    )
    st.button(
        "Write this aim into the pairing",
        on_click=_take,
        args=(changes,),
        disabled=not changes,
        key="print:aim",
        help="For a camera that stays as it is. The guide then follows the camera; Undo brings the old aim back. Or turn the camera back by as much instead.",
    )


def _words(value: float, positive: str, negative: str, unit: str) -> str:
    if not round(abs(value), 2 if unit == "°" else 0):
        return ""
    return f"{f'{abs(value):.2f}°' if unit == '°' else millimetres(abs(value))} too far {positive if value > 0 else negative}"


def _both(one: str, other: str) -> str:
    return " and ".join(part for part in (one, other) if part) or "where the pairing has it"


def _take(changes: dict[str, float]) -> None:
    session.change("mount.aim_deg", changes)
    faults = session.draft().faults.get("mount.aim_deg")
    if faults:
        session.note(f"The aim is not taken: {faults}", bad=True)
        session.undo()
        return
    # The marks now show where they should: what was typed has done its work.
    for key in (SEEN_RIGHT, SEEN_UP):
        st.session_state[f"fm_kept:{key}"] = 0.0
    session.note("The aim is in the pairing. Undo brings the old one back.")
