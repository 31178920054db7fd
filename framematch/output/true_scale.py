"""The guide at the physical size of a display, to be traced on film or taped on a field monitor."""

from __future__ import annotations

import math

from framematch.cautions import GUIDE
from framematch.errors import InputError
from framematch.guide.report import Report
from framematch.guide.shown import amount, metres, unit
from framematch.guide.transfer import EDGES
from framematch.output.guide_drawing import guide_drawing, span
from framematch.output.pdf import GREY, MARGIN_MM, PAPERS_MM, Document, Page, paper_mm
from framematch.output.pdf_drawing import draw_shapes
from framematch.output.sheet_parts import draw_names, fields_of
from framematch.text.units import MM_PER_INCH

_TOP, _BELOW = 26.0, 30.0  # room for heading and check bar, mm
_LINE_MM = 0.4


def sides_mm(diagonal_in: float, raster_px: tuple[int, int]) -> tuple[float, float]:
    """Width and height of a display of square pixels, from its diagonal in inches and its raster; to a tenth of a mm."""
    per_px = diagonal_in * MM_PER_INCH / math.hypot(*raster_px)
    return round(raster_px[0] * per_px, 1), round(raster_px[1] * per_px, 1)


def fitting_paper(display_mm: tuple[float, float], paper: str) -> tuple[float, float]:
    """The paper, upright or on its side, that a display of this size fits on.

    Raises:
        InputError: it fits neither way; the fix names a paper that it fits on.
    """
    if not all(math.isfinite(v) and 5 <= v <= 2000 for v in display_mm):
        raise InputError(f"{display_mm[0]:g} x {display_mm[1]:g} mm", field="display-mm", fix="give width and height of the picture in mm, such as 152x86")

    def fits(size: tuple[float, float]) -> bool:
        return display_mm[0] <= size[0] - 2 * MARGIN_MM and display_mm[1] <= size[1] - _TOP - _BELOW and size[0] >= 124

    for landscape in (False, True):
        if fits(paper_mm(paper, landscape=landscape)):
            return paper_mm(paper, landscape=landscape)
    other = next((n for n in PAPERS_MM if any(fits(paper_mm(n, landscape=side)) for side in (False, True))), None)
    fix = f"use --paper {other}" if other else "it fits no paper here: ask for an overlay set at that display's pixels instead"
    raise InputError(f"{display_mm[0]:g} x {display_mm[1]:g} mm does not fit on {paper} at true scale", field="display-mm", fix=fix)


def true_scale_page(doc: Document, report: Report, *, paper: str, display_mm: tuple[float, float], made: str, number: int = 0) -> None:
    """One page: the display's edge, rectangle and outline of every frame as thin lines, all at true scale; of several sets of lines, the numbered one."""
    size = fitting_paper(display_mm, paper)
    wide_px, high_px = report.pairing.display.raster_px
    per_px = (display_mm[0] / wide_px, display_mm[1] / high_px)
    with doc.page(size) as page:
        room = size[0] - 2 * MARGIN_MM
        page.block(MARGIN_MM, 7, report.pairing.title or "Guide", room_mm=room, size_pt=11, bold=True, lines_at_most=1)
        p = report.pairing
        one = p.near_m == p.far_m
        line = (
            f"{f'Set {number}. ' if number else ''}True scale for a picture of {display_mm[0]:g} x {display_mm[1]:g} mm ({wide_px} x {high_px} px). "
            f"{f'At {metres(p.near_m)}' if one else f'For {span(p.near_m, p.far_m)}'}. Thick: rectangle, off by up to "
            f"{report.guide.rectangle_worst_error_percent:.1f} % of the frame. Thin: outline, exactly true at {metres(report.guide.set_distance_m)}."
        )
        page.block(MARGIN_MM, 12.5, line, room_mm=room, size_pt=8.5, lines_at_most=2)
        x, top = (size[0] - display_mm[0]) / 2, _TOP
        page.rectangle(x, top, *display_mm, width_mm=0.1, colour=GREY)
        for cx in (x, x + display_mm[0]):
            for cy in (top, top + display_mm[1]):
                out_x, out_y = math.copysign(1, cx - x - 1), math.copysign(1, cy - top - 1)
                page.line(cx + out_x, cy, cx + 4 * out_x, cy, width_mm=0.1)
                page.line(cx, cy + out_y, cx, cy + 4 * out_y, width_mm=0.1)
        with page.clipped(x - 0.3, top - 0.3, display_mm[0] + 0.6, display_mm[1] + 0.6):
            draw_shapes(page, guide_drawing(report, parts=("outline",)), x=x, top=top, mm_per_px=per_px, line_mm=0.2)
            draw_shapes(page, guide_drawing(report, parts=("rectangle", "centre")), x=x, top=top, mm_per_px=per_px, line_mm=_LINE_MM)
            if report.frames:
                draw_names(page, report, x, top, per_px)
        below = top + display_mm[1] + 6
        page.text(MARGIN_MM, below + 2, f"From the picture's edge to the middle of the line, {unit('mm')}: {_insets(report, display_mm)}", room_mm=room)
        page.check_bar(MARGIN_MM, below + 4.5)
        _below(page, report, top=below + 14.0, room=room)
        page.footer(f"True scale: {report.pairing.heading}", made)


def _below(page: Page, report: Report, *, top: float, room: float) -> None:
    """The crew's fields and the cautions where there is room; the first caution always."""
    left = page.height_mm - 10 - top
    if left < 54:
        page.block(MARGIN_MM, top - 0.5, GUIDE[0], room_mm=room, lines_at_most=1)
        return
    page.cautions(MARGIN_MM, page.fields(MARGIN_MM, top, fields_of(report.pairing), room_mm=room) + 2, room_mm=room)


def _insets(report: Report, display_mm: tuple[float, float]) -> str:
    wide_px, high_px = report.pairing.display.raster_px
    across, down = display_mm[0] / wide_px, display_mm[1] / high_px
    parts = []
    for frame, each in zip(report.pairing.frames, report.each_frame, strict=True):
        r = each.guide.rectangle
        inset = [r.left * across, r.top * down, display_mm[0] - r.right * across, display_mm[1] - r.bottom * down]
        words = ", ".join(f"{n} {amount(v, 'mm'):.{1 if unit('mm') == 'mm' else 2}f}" for n, v in zip(EDGES, inset, strict=True))
        parts.append(f"{frame.name}: {words}" if report.frames else words)
    return "; ".join(parts)
