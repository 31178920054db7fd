"""The page of wall marks: tape numbers, where each mark must show, and what a miss says about the mount."""

from __future__ import annotations

import math

from framematch.cautions import PROPELLERS_AND_PACKS
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import amount, metres, millimetres, unit
from framematch.guide.wall_marks import Cause, Mark, correction_table, tape_lengths_mm, wall_extent_mm, wall_marks
from framematch.output.pdf import GREY, MARGIN_MM, PALE, Document, Page, made_line, paper_mm
from framematch.output.sheet_parts import fields_of

_BASE_MM = (210.0, 297.0)
_WIDE = _BASE_MM[0] - 2 * MARGIN_MM
_NAMES_MM = 62.0  # between two marks, so that their names have room centred on them

#: What is seen, what it can mean: words for both signs of a reading and of a part.
READING_WORDS = {
    "right_px": ("right of their places, by", "left of their places, by"),
    "low_px": ("below their places, by", "above their places, by"),
    "turned_px": ("right pair lower than left pair, by", "right pair higher than left pair, by"),
    "spread_px": ("left and right pair farther apart, by", "left and right pair closer together, by"),
}
PART_WORDS = {
    "pan_deg": ("panned too far right", "panned too far left", "deg"),
    "tilt_deg": ("tilted too far up", "tilted too far down", "deg"),
    "roll_deg": ("rolled too far clockwise", "rolled too far anticlockwise", "deg"),
    "right_mm": ("too far right", "too far left", "mm"),
    "up_mm": ("too high", "too low", "mm"),
    "forward_mm": ("too far forward", "too far back", "mm"),
}


def wall_page(doc: Document, pairing: Pairing, *, paper: str, distance_m: float, made: str = "", frame: str = "") -> None:
    """One page for a wall at a distance; of several frames, for the named one.

    Raises:
        InputError: as :func:`framematch.guide.wall_marks.wall_marks`.
    """
    marks = wall_marks(pairing, distance_m)
    table = correction_table(pairing, distance_m)
    size = paper_mm(paper)
    scale = min(size[0] / _BASE_MM[0], size[1] / _BASE_MM[1])
    left = (size[0] - _BASE_MM[0] * scale) / 2
    with doc.page(size) as page:
        with page.scaled(left, 0, scale, _BASE_MM) as inner:
            _draw(inner, pairing, marks, table, distance_m, frame)
        page.block(left + MARGIN_MM * scale, 262.5 * scale, PROPELLERS_AND_PACKS, room_mm=_WIDE * scale)
        page.check_bar(left + MARGIN_MM * scale, 272.5 * scale)
        page.footer(f"Wall marks: {pairing.heading}", made or made_line())


def _draw(page: Page, pairing: Pairing, marks: tuple[Mark, ...], table: tuple[Cause, ...], distance_m: float, frame: str) -> None:
    title = f"{pairing.title}, frame {frame}" if frame else pairing.title
    end = page.block(MARGIN_MM, 9, title or "Wall marks", room_mm=_WIDE, size_pt=14, bold=True, lines_at_most=2)
    text = (
        f"Wall marks at {metres(distance_m)}. Propellers off, pack unplugged. Stand the rig square to a flat wall, {metres(distance_m)} from it. "
        "The distance counts from the recording lens's entrance pupil: look into the front of the lens, iris closed down; hold a pencil beside the barrel and "
        "move your head: where pencil and iris stay together is its place. Mark the point A straight ahead of the recording lens, at its height. "
        "Tape the marks by the numbers below, right and up from A as seen from the rig, and check both diagonals. Every mark must then show at its place on "
        "the display, and the four corners in the corners of the recorded frame."
    )
    y = page.block(MARGIN_MM, end + 1, text, room_mm=_WIDE, size_pt=8.5)
    y = page.fields(MARGIN_MM, y + 0.5, fields_of(pairing), room_mm=_WIDE)
    y = _wall(page, marks, top=y + 1.5, height=70)
    y = _places(page, pairing, marks, top=y + 2)
    _corrections(page, table, top=y + 2)


def _wall(page: Page, marks: tuple[Mark, ...], *, top: float, height: float) -> float:
    around = wall_extent_mm(marks)
    wide = max(around.right, 0.0) - min(around.left, 0.0)
    high = max(around.bottom, 0.0) - min(around.top, 0.0)
    scale = min((_WIDE - 60) / wide, (height - 30) / high)
    cx = MARGIN_MM + _WIDE / 2 - (max(around.right, 0.0) + min(around.left, 0.0)) / 2 * scale
    cy = top + height / 2 - 2.5 - (max(around.bottom, 0.0) + min(around.top, 0.0)) / 2 * scale

    def place(mark: Mark) -> tuple[float, float]:
        return cx + mark.right_mm * scale, cy - mark.up_mm * scale

    page.rectangle(MARGIN_MM, top, _WIDE, height, width_mm=0.15, colour=PALE)
    corners = [place(m) for m in marks if m.name != "centre"]
    page.path(corners, closed=True, width_mm=0.2, colour=GREY, dash_mm=(1.5, 1.0))
    page.line(MARGIN_MM + 2, cy, MARGIN_MM + _WIDE - 2, cy, width_mm=0.1, colour=GREY, dash_mm=(0.6, 0.9))
    page.line(cx, top + 2, cx, top + height - 2, width_mm=0.1, colour=GREY, dash_mm=(0.6, 0.9))
    for mark in marks:
        x, y = place(mark)
        page.line(x - 2, y, x + 2, y, width_mm=0.5)
        page.line(x, y - 2, x, y + 2, width_mm=0.5)
        if mark.name == "centre" and math.hypot(mark.right_mm, mark.up_mm) * scale < 2:
            continue
        low = mark.up_mm < 0 or mark.name == "centre"
        # Where the marks stand close together their names keep to their own side.
        align = "centre" if wide * scale > _NAMES_MM or mark.name == "centre" else "right" if mark.right_mm < 0 else "left"
        for i, line in enumerate((mark.name, f"{_side(mark.right_mm, 'right', 'left')}, {_side(mark.up_mm, 'up', 'down')}")):
            page.text(x, y + (5.4 + 3.5 * i if low else -6.6 + 3.5 * i), line, size_pt=8, bold=i == 0, align=align)
    page.circle(cx, cy, 0.9, width_mm=0.25, fill="#ffffff")
    page.text(cx + 1.8, cy - 1.4, "A", size_pt=9, bold=True)
    lengths = tape_lengths_mm(marks)
    page.text(
        MARGIN_MM + 2,
        top + height - 1.8,
        f"Diagonals {millimetres(lengths['diagonal down'])} and {millimetres(lengths['diagonal up'])}; "
        + ", ".join(f"{side} {millimetres(lengths[side])}" for side in ("top", "bottom", "left", "right")),
        size_pt=7,
        room_mm=_WIDE - 4,
    )
    return top + height


def _side(value_mm: float, positive: str, negative: str) -> str:
    return f"{millimetres(abs(value_mm))} {positive if round(value_mm) >= 0 else negative}"


def _places(page: Page, pairing: Pairing, marks: tuple[Mark, ...], *, top: float) -> float:
    wide, high = pairing.display.raster_px
    columns = (30.0, 33.0, 33.0, 45.0, 45.0)
    rows = [("Mark", "right of A", "above A", "across the display, px", f"down, px (of {wide} x {high})")]
    for m in marks:
        seen = (f"{m.display_px[0]:.0f}", f"{m.display_px[1]:.0f}") if m.shown else ("not on the display", "")
        rows.append((m.name, millimetres(m.right_mm), millimetres(m.up_mm), *seen))
    y = top
    for i, row in enumerate(rows):
        at = MARGIN_MM
        for j, (cell, room) in enumerate(zip(row, columns, strict=True)):
            page.text(at if j == 0 else at + room, y + 3, cell, size_pt=8, bold=i == 0, align="left" if j == 0 else "right", room_mm=room - 1)
            at += room
        y += 4.4
        page.line(MARGIN_MM, y, MARGIN_MM + _WIDE, y, width_mm=0.25 if i == 0 else 0.1, colour=GREY if i == 0 else PALE)
    return y


def _corrections(page: Page, table: tuple[Cause, ...], *, top: float) -> None:
    page.text(MARGIN_MM, top + 3, "If the marks show elsewhere", size_pt=10, bold=True)
    text = (
        "Take the mean of the four corners in display pixels. The monitoring camera is then off by the figure below: turn or move it back by as much, or "
        "write its true aim or offset into the pairing. At one distance a turn and a shift look alike: correct the one you doubt, then check at another."
    )
    y = page.block(MARGIN_MM, top + 4.5, text, room_mm=_WIDE, size_pt=8.2) + 1.5
    rows = correction_rows(table)
    steps = len(rows[0]) - 2
    columns = (66.0, 54.0, *(((_WIDE - 120) / steps,) * steps))
    for i, row in enumerate(rows):
        at = MARGIN_MM
        for j, (cell, room) in enumerate(zip(row, columns, strict=True)):
            page.text(at if j < 2 else at + room, y + 2.9, cell, size_pt=8.2, bold=i == 0, align="left" if j < 2 else "right", room_mm=room - 1)
            at += room
        y += 4.2
        page.line(MARGIN_MM, y, MARGIN_MM + _WIDE, y, width_mm=0.25 if i == 0 else 0.1, colour=GREY if i == 0 else PALE)


def correction_rows(table: tuple[Cause, ...]) -> list[tuple[str, ...]]:
    """The table from what is seen to what is off, in words; the headings first."""
    steps = [f"{step:g}" for step, _ in table[0].steps if step > 0]
    rows: list[tuple[str, ...]] = [("Marks show", "the monitoring camera is", *(f"{s} px" for s in steps))]
    for cause in table:
        plus, minus, measure = PART_WORDS[cause.part]
        for sign, seen in zip((1, -1), READING_WORDS[cause.reading], strict=True):
            values = [off for step, off in cause.steps if step * sign > 0]
            values = values if sign > 0 else values[::-1]
            known = [v for v in values if math.isfinite(v)]
            words = plus if (known[0] if known else cause.per_px * sign) > 0 else minus
            digits = 0 if unit(measure) == "mm" else 2
            figures = (f"{amount(abs(v), measure):.{digits}f}" if math.isfinite(v) else "-" for v in values)
            rows.append((seen, f"{words}, {unit(measure)}", *figures))
    return rows
