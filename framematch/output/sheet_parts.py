"""What the pages of a sheet share: the display with its guides, and tables of figures."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from framematch.geometry.pairing import Pairing
from framematch.guide.report import Report
from framematch.output import fonts
from framematch.output.guide_drawing import FRAME_LOOKS, SET_WEIGHTS, guide_drawing
from framematch.output.pdf import BLACK, GREY, PALE, PT_PER_MM, Page
from framematch.output.pdf_drawing import INK, draw_shapes

BARS = "#e9e9e9"  # where the display shows no picture


def draw_display(page: Page, report: Report, *, x: float, top: float, mm_per_px: float, parts: tuple[str, ...]) -> None:
    """The display with the guide on it, its picture white and its bars grey; frames by name, sets of lines by number."""
    wide, high = (n * mm_per_px for n in report.pairing.display.raster_px)
    shown = report.pairing.display.shown
    page.rectangle(x, top, wide, high, colour=None, fill=BARS)
    page.rectangle(
        x + shown.left * mm_per_px, top + shown.top * mm_per_px, shown.width * mm_per_px, shown.height * mm_per_px, width_mm=0.15, colour=GREY, fill="#ffffff"
    )
    with page.clipped(x, top, wide, high):
        draw_shapes(page, guide_drawing(report, parts=parts), x=x, top=top, mm_per_px=(mm_per_px, mm_per_px))
        draw_names(page, report, x, top, (mm_per_px, mm_per_px))
    page.rectangle(x, top, wide, high, width_mm=0.35)


def fields_of(pairing: Pairing) -> tuple[tuple[str, str], ...]:
    """What a crew files a sheet by: what is known, and lines to write on."""
    return (
        ("Production", pairing.about.production),
        ("Unit", pairing.about.unit),
        ("Date", datetime.date.today().isoformat()),
        ("Rig", ""),
        ("Serial numbers", ", ".join(number for _, number in pairing.about.serials)),
        ("Checked by", ""),
    )


def frame_style(index: int, *, sets: int = 1, number: int = 1) -> tuple[str, float, tuple[float, ...]]:
    """Colour, width in mm and dashes in mm of one frame's rectangle on paper."""
    look = FRAME_LOOKS[index]
    width = 0.5 * look.weight * SET_WEIGHTS[sets][number - 1]
    return INK[look.colour], width, () if look.dash is None or look.between else (look.dash[0] * 0.35, look.dash[1] * 0.35)


def draw_names(page: Page, report: Report, x: float, top: float, mm_per_px: tuple[float, float]) -> None:
    """Frames by name in their top left corners, sets of lines by number on their lines."""
    frames, sets = report.pairing.frames, report.each_set
    across, down = mm_per_px
    for number, each in enumerate(sets, 1):
        for i, (frame, one) in enumerate(zip(frames, each.each_frame, strict=True)):
            r = one.guide.rectangle
            if len(frames) > 1 and number == 1:
                backed(page, x + r.left * across + 1.2, top + r.top * down + 3.4, frame.name, room=r.width * across - 2, align="left")
            if len(sets) > 1:
                share = 0.08 + 0.4 * number / len(sets)
                for px, py in ((r.left + r.width * share, r.bottom), (r.right, r.top + r.height * share)):
                    backed(page, x + px * across, top + py * down + 1.1, str(number), room=6, colour=frame_style(i)[0], size=9)


def backed(page: Page, x: float, baseline: float, text: str, *, room: float, align: str = "centre", colour: str = BLACK, size: float = 6.5) -> None:
    """Small text at x on a white ground, so that it reads where lines run behind it."""
    size = max(size, page.smallest_pt)
    wide = min(fonts.width_pt(text, size) / PT_PER_MM, room)
    left = x - (wide / 2 if align == "centre" else 0)
    page.rectangle(left - 0.4, baseline - 0.323 * size, wide + 0.8, 0.415 * size, colour=None, fill="#ffffff", opacity=0.85)
    page.text(x, baseline, text, size_pt=size, align=align, room_mm=room, colour=colour)


def draw_table(page: Page, rows: Sequence[Sequence[str]], *, x: float, top: float, columns: Sequence[float], size_pt: float = 7.5) -> float:
    """Rows of text, the first in bold; the first column to the left, the others to the right; returns where it ends."""
    size_pt = max(size_pt, page.smallest_pt)
    step = size_pt * 1.42 / PT_PER_MM
    y = top
    for i, row in enumerate(rows):
        at = x
        for j, (cell, wide) in enumerate(zip(row, columns, strict=True)):
            if j == 0:
                page.text(at, y + step * 0.72, cell, size_pt=size_pt, bold=i == 0, room_mm=wide - 1)
            else:
                page.text(at + wide, y + step * 0.72, cell, size_pt=size_pt, bold=i == 0, align="right", room_mm=wide - 1)
            at += wide
        y += step
        page.line(x, y, x + sum(columns), y, width_mm=0.25 if i == 0 else 0.1, colour=BLACK if i == 0 else PALE)
    return y
