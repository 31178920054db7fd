"""The page of several sets of lines: all of them in one display, when to change, and what to type for each."""

from __future__ import annotations

import math

from framematch.guide.report import Report, insets_percent, insets_px
from framematch.guide.shown import metres
from framematch.guide.transfer import EDGES
from framematch.guide.words import change_words
from framematch.output.guide_drawing import span
from framematch.output.pdf import MARGIN_MM, Document, Page, paper_mm
from framematch.output.sheet_parts import draw_display, draw_table, fields_of, frame_style

_BASE_MM = (210.0, 297.0)
_WIDE = _BASE_MM[0] - 2 * MARGIN_MM
_HIGHEST = 96.0  # of the display's picture
_BAR_TOP = 236.0


def sets_page(doc: Document, report: Report, *, paper: str, made: str) -> None:
    """One page for the sets of lines of a report that has several."""
    size = paper_mm(paper)
    scale = min(size[0] / _BASE_MM[0], size[1] / _BASE_MM[1])
    left = (size[0] - _BASE_MM[0] * scale) / 2
    with doc.page(size) as page:
        with page.scaled(left, 0, scale, _BASE_MM) as inner:
            _draw(inner, report)
        page.check_bar(left + MARGIN_MM * scale, _BAR_TOP * scale)
        page.cautions(left + MARGIN_MM * scale, _BAR_TOP * scale + 8.5, room_mm=_WIDE * scale)
        page.footer(f"Sets of lines: {report.pairing.heading}", made)


def _draw(page: Page, report: Report) -> None:
    p = report.pairing
    end = page.block(MARGIN_MM, 9, p.title or "Sets of lines", room_mm=_WIDE, size_pt=14, bold=True, lines_at_most=2)
    y = page.block(MARGIN_MM, end + 1, f"{len(report.sets)} sets of lines for {span(p.near_m, p.far_m)}", room_mm=_WIDE, size_pt=10, bold=True)
    for line in change_words(report):
        y = page.block(MARGIN_MM, y + 0.8, line, room_mm=_WIDE, size_pt=9)
    y = page.fields(MARGIN_MM, y + 0.5, fields_of(p), room_mm=_WIDE)
    wide, high = p.display.raster_px
    per_px = min(_WIDE / wide, _HIGHEST / high)
    top = y + 3
    draw_display(page, report, x=MARGIN_MM + (_WIDE - wide * per_px) / 2, top=top, mm_per_px=per_px, parts=("rectangle", "centre"))
    y = _legend(page, report, top=top + high * per_px + 2)
    room = _BAR_TOP - 4 - y
    rows = _rows(report)
    size_pt = min(9.0, room / len(rows) / 1.42 * 72 / 25.4)
    draw_table(page, rows, x=MARGIN_MM, top=y, columns=(52.0, *(15.0,) * 4, 20.0, 20.0, 34.0), size_pt=size_pt)


def _legend(page: Page, report: Report, *, top: float) -> float:
    frames, count = report.pairing.frames, len(report.sets)
    x = MARGIN_MM
    for number, each in enumerate(report.sets, 1):
        colour, width, _ = frame_style(0, sets=count, number=number)
        page.line(x, top + 1.5, x + 8, top + 1.5, width_mm=width, colour=colour)
        page.text(x + 9.5, top + 2.4, f"{number}: {span(each.pairing.near_m, each.pairing.far_m)}", size_pt=7.5, room_mm=_WIDE / count - 11)
        x += _WIDE / count
    if len(frames) < 2:
        return top + 6
    for i, frame in enumerate(frames):
        colour, width, dash = frame_style(i)
        x = MARGIN_MM + i * _WIDE / len(frames)
        page.line(x, top + 6.5, x + 8, top + 6.5, width_mm=width, colour=colour, dash_mm=dash)
        page.text(x + 9.5, top + 7.4, f"frame {frame.name}", size_pt=7.5, room_mm=_WIDE / len(frames) - 11)
    return top + 11


def _rows(report: Report) -> list[list[str]]:
    rows = [["Insets of the rectangle", *EDGES, "off by", "true at", "characters"]]
    size = report.pairing.display.raster_px
    names = [f", {frame.name}" if len(report.pairing.frames) > 1 else "" for frame in report.pairing.frames]
    for number, each in enumerate(report.sets, 1):
        for name, one in zip(names, each.each_frame, strict=True):
            g, c = one.guide, one.cells
            where = "" if c is None else f"{c.left_column} to {c.right_column}, {c.top_row} to {c.bottom_row}"
            worst = f"{g.rectangle_worst_error_percent:.1f} %" if math.isfinite(g.rectangle_worst_error_percent) else "?"
            rows.append([f"Set {number}{name}, px", *(f"{v:.0f}" for v in insets_px(g.rectangle, size)), worst, metres(g.set_distance_m), where])
            rows.append(["   percent of the display", *(f"{v:.1f}" for v in insets_percent(g.rectangle, size)), "", "", ""])
    return rows
