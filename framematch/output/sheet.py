"""Sheets for the crew: one page per pairing, then pages at true scale and wall marks where asked for."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from framematch.geometry.lens import Lens
from framematch.geometry.pairing import ratio_words
from framematch.guide.report import Report, insets_percent, insets_px
from framematch.guide.shown import amount, metres, signed, unit
from framematch.guide.transfer import EDGES
from framematch.guide.turning import turn_words
from framematch.output import fonts
from framematch.output.chart import Look
from framematch.output.code import draw_code
from framematch.output.contents import add_contents, contents_rows
from framematch.output.error_chart import worst_error_chart
from framematch.output.guide_drawing import ALWAYS, EVER, OUTLINE, RECTANGLE
from framematch.output.osd_grid import draw_osd_grid
from framematch.output.pdf import BLACK, GREY, MARGIN_MM, PALE, PT_PER_MM, Document, Page, document, made_line, paper_mm
from framematch.output.pdf_drawing import INK, draw_shapes
from framematch.output.rig_drawing import draw_rig, offset_words
from framematch.output.sets_sheet import sets_page
from framematch.output.sheet_parts import BARS, backed, draw_display, draw_table, fields_of, frame_style
from framematch.output.true_scale import fitting_paper, true_scale_page
from framematch.output.wall_sheet import wall_page
from framematch.progress import step

_BASE_MM = (210.0, 297.0)  # the layout's own size; other papers scale it, never the check bar
_WIDE = _BASE_MM[0] - 2 * MARGIN_MM
_CODE_MM = 27.0
_BAR_TOP = 237.0
_PARTS = ("always", "ever", "outline", "rectangle", "cells", "centre")


def write_sheets(
    path: Path,
    reports: Sequence[Report],
    *,
    paper: str = "A4",
    display_mm: tuple[float, float] | None = None,
    wall_m: float | None = None,
    when: datetime.date | None = None,
) -> tuple[int, set[str]]:
    """Write the sheets of one or more pairings as one PDF, whole or not at all.

    Args:
        display_mm: width and height of a display to draw each guide for at its physical size.
        wall_m: distance of a wall to give marks for.

    Returns:
        How many pages, and the characters that no font here has.

    Raises:
        InputError: no such paper, a display larger than it, or a file that can't be written.
    """
    paper_mm(paper)
    if display_mm is not None:
        fitting_paper(display_mm, paper)
    title = reports[0].pairing.title if len(reports) == 1 else f"Guides for {len(reports)} pairings"
    with document(path, title=title, subject="Guide lines for a monitoring picture") as doc:
        add_sheets(doc, reports, paper=paper, display_mm=display_mm, wall_m=wall_m, when=when)
    return doc.pages, doc.missing


def add_sheets(
    doc: Document, reports: Sequence[Report], *, paper: str, display_mm: tuple[float, float] | None, wall_m: float | None, when: datetime.date | None = None
) -> None:
    """Add the pages to a document: contents if there are several pairings, then each pairing's pages."""
    made = made_line(when)
    if len(reports) > 1:
        entries = [(r.pairing.title, _summary(r)) for r in reports]
        counts = [_pages(report, display_mm=display_mm, wall_m=wall_m) for report in reports]
        first = 2 + contents_rows([title for title, _ in entries])[-1].page
        shared = {", ".join(filter(None, (r.pairing.about.production, r.pairing.about.unit))) for r in reports}
        of = shared.pop() if len(shared) == 1 else ""
        add_contents(doc, entries, [first + sum(counts[:i]) for i in range(len(entries))], paper=paper, made=made, of=of)
    for i, report in enumerate(reports):
        step(f"Sheet {i + 1} of {len(reports)}")
        names = [frame.name if report.frames else "" for frame in report.pairing.frames]
        for each, name in zip(report.each_frame, names, strict=True):
            main = each is report
            with doc.page(paper_mm(paper), mark=report.pairing.title if main else name, key=f"pairing-{i}" if main else "") as page:
                draw_guide_page(page, each, made=made, frame=name)
        if report.sets:
            sets_page(doc, report, paper=paper, made=made)
        if display_mm is not None:
            for number, one in enumerate(report.each_set, 1):
                true_scale_page(doc, one, paper=paper, display_mm=display_mm, made=made, number=number if report.sets else 0)
        if wall_m is not None:
            for k, name in enumerate(names):
                wall_page(doc, report.pairing.alone(k), paper=paper, distance_m=wall_m, made=made, frame=name)


def _pages(report: Report, *, display_mm: tuple[float, float] | None, wall_m: float | None) -> int:
    """How many pages one pairing takes."""
    frames, sets = len(report.each_frame), len(report.sets)
    return frames + (sets > 0) + (max(sets, 1) if display_mm is not None else 0) + (frames if wall_m is not None else 0)


def _fit(size_mm: tuple[float, float]) -> tuple[float, float, float]:
    """Scale of the layout on a paper, and where its top left corner lies."""
    scale = min(size_mm[0] / _BASE_MM[0], size_mm[1] / _BASE_MM[1])
    return scale, (size_mm[0] - _BASE_MM[0] * scale) / 2, 0.0


def _summary(report: Report) -> str:
    p = report.pairing
    span = f"at {metres(p.near_m)}" if p.near_m == p.far_m else f"{metres(p.near_m)} to {metres(p.far_m)}"
    return f"{p.display.raster_px[0]} x {p.display.raster_px[1]}, {span}, off by up to {percent(report.guide.rectangle_worst_error_percent)}"


def percent(value: float | None) -> str:
    """An error as people read it; ``?`` where there is none."""
    return f"{value:.1f} %" if value is not None and math.isfinite(value) else "?"


def draw_guide_page(page: Page, report: Report, *, made: str, frame: str = "") -> None:
    """The page of one frame of a pairing, named where there are several: display with guide, insets, errors, rig, lenses, what to know, check bar, cautions."""
    scale, left, top = _fit((page.width_mm, page.height_mm))
    with page.scaled(left, top, scale, _BASE_MM) as inner:
        _heading(inner, report, frame)
        _display(inner, report, top=40.0, height=61.0)
        below = _insets(inner, report, top=104.0)
        below = _errors(inner, report, top=below + 1.0)
        _error_chart(inner, report, x=MARGIN_MM + 93, top=103.0, width=_WIDE - 93, height=52.0)
        rows = _warning_lines(inner, report, _WIDE)
        beside = len(rows) <= 4  # else what to know takes the rig drawing's place
        if beside:
            _rig(inner, report, top=max(below + 4.5, 171.0))
        _lenses(inner, report, x=MARGIN_MM + 109, top=157.0, room=_WIDE - 109)
        _knowledge(inner, report, top=216.0 if beside else below + 2.0, room=_WIDE if beside else 104.0)
    bar = top + _BAR_TOP * scale
    page.check_bar(left + MARGIN_MM * scale, bar)
    page.cautions(left + MARGIN_MM * scale, bar + 8.5, room_mm=_WIDE * scale)
    page.footer(f"Guide sheet: {report.pairing.heading}", made)


def _error_chart(page: Page, report: Report, *, x: float, top: float, width: float, height: float) -> None:
    look = Look(ink=BLACK, quiet=GREY, rule=PALE, ground=None, size=10 * page.smallest_pt / PT_PER_MM)
    chart = worst_error_chart(report, look=look, size=(round(10 * width), round(10 * height)))
    if chart is None:
        page.block(x, top + 6, f"One distance only, {metres(report.pairing.near_m)}: see the table.", room_mm=width)
    else:
        draw_shapes(page, chart, x=x, top=top, mm_per_px=(0.1, 0.1), as_it_is=True)


def _heading(page: Page, report: Report, frame: str) -> None:
    p, guide = report.pairing, report.guide
    coded = draw_code(page, p, x=MARGIN_MM + _WIDE - _CODE_MM, top=5.5, side_mm=_CODE_MM)
    wide = _WIDE - _CODE_MM - 2 if coded else _WIDE
    end = page.block(MARGIN_MM, 8, p.title or "Guide", room_mm=wide, size_pt=15, bold=True, lines_at_most=1)
    one = p.near_m == p.far_m
    span = f"At {metres(p.near_m)}" if one else f"For {metres(p.near_m)} to {metres(p.far_m)}"
    named = f"Frame {frame}. " if frame else ""
    line = f"{named}{span} from the recording lens. Rectangle: off by up to {percent(guide.rectangle_worst_error_percent)} of the frame. "
    line += "Outline: exact." if one else f"Outline: exactly true at {metres(guide.set_distance_m)}, off by up to {percent(guide.outline_worst_error_percent)}."
    if p.about.notes:
        line += f" {p.about.notes}"
    page.block(MARGIN_MM, end + 0.5, line, room_mm=wide, size_pt=9, lines_at_most=3)
    page.fields(MARGIN_MM, 26.5, fields_of(p), room_mm=wide)


def _display(page: Page, report: Report, *, top: float, height: float) -> None:
    wide_px, high_px = report.pairing.display.raster_px
    room = 128.0
    per_px = min(room / wide_px, height / high_px)
    wide, high = wide_px * per_px, high_px * per_px
    left, upper = MARGIN_MM, top + (height - high) / 2
    draw_display(page, replace(report, sets=()), x=left, top=upper, mm_per_px=per_px, parts=_PARTS)
    _inset_labels(page, report, left, upper, per_px)
    beside, room = left + wide + 5, MARGIN_MM + _WIDE - (left + wide + 5)
    below = _legend(page, report, x=beside, top=upper - 1.5, room=room)
    if report.cells is not None and top + height - below > 18:  # a long key of several frames leaves no room
        draw_osd_grid(page, report.cells, x=beside, top=below, width=room, height=top + height - below)


def _inset_labels(page: Page, report: Report, left: float, top: float, per_px: float) -> None:
    """How far each side lies from the display's edge, written where it is measured."""
    wide, high = report.pairing.display.raster_px
    r = report.guide.rectangle
    middle_x, middle_y = (max(r.left, 0) + min(r.right, wide)) / 2 * per_px, (max(r.top, 0) + min(r.bottom, high)) / 2 * per_px
    px, percent = insets_px(r, (wide, high)), insets_percent(r, (wide, high))
    spans = {"left": (0, r.left), "right": (r.right, wide), "top": (0, r.top), "bottom": (r.bottom, high)}
    for edge, pixels, share in zip(EDGES, px, percent, strict=True):
        a, b = (v * per_px for v in spans[edge])
        if b - a < 5:
            continue
        text = f"{pixels:.0f} px  {share:.1f} %"
        if edge in ("left", "right"):
            y = top + middle_y + 6
            page.line(left + a, y, left + b, y, width_mm=0.12, colour=GREY)
            for end in (a, b):
                page.line(left + end, y - 0.8, left + end, y + 0.8, width_mm=0.12, colour=GREY)
            backed(page, left + (a + b) / 2, y - 0.9, text, room=b - a - 1)
        else:
            x = left + middle_x + 12
            page.line(x, top + a, x, top + b, width_mm=0.12, colour=GREY)
            for end in (a, b):
                page.line(x - 0.8, top + end, x + 0.8, top + end, width_mm=0.12, colour=GREY)
            backed(page, x + 13, top + (a + b) / 2 + 0.9, text, room=26)


def _legend(page: Page, report: Report, *, x: float, top: float, room: float) -> float:
    wide, high = report.pairing.display.raster_px
    page.text(x, top + 3, f"Display {wide} x {high}", size_pt=9, bold=True, room_mm=room)
    kinds = [INK[colour] for colour in (RECTANGLE, OUTLINE, ALWAYS, EVER)]
    entries: list[tuple[str, str, float, tuple[float, ...], str]] = [
        ("line", kinds[0], 0.5, (), "rectangle: best straight lines for the whole range"),
        ("line", kinds[1], 0.3, (), f"outline: the frame exactly, at {metres(report.guide.set_distance_m)}"),
        ("area", kinds[2], 0.3, (), "always in shot, whatever the distance and the rig's tolerance: keep the subject inside"),
        ("line", kinds[3], 0.3, (1.9, 1.3), "may be in shot, at some distance: keep crew and lights outside"),
    ]
    if report.frames:
        entries[0] = ("line", kinds[0], 0.5, (), f"rectangle of {report.pairing.frames[0].name}: best straight lines for the whole range")
        entries[2] = ("area", kinds[2], 0.3, (), f"always in shot in {_all(report)}, whatever the distance and the rig's tolerance: keep the subject inside")
        entries[3] = ("line", kinds[3], 0.3, (1.9, 1.3), f"may be in shot in {'either' if len(report.frames) == 1 else 'any'}: keep crew and lights outside")
        for i, other in enumerate(report.pairing.frames[1:], 1):
            colour, width, dash = frame_style(i)
            entries.append(("line", colour, width, dash, f"rectangle of {other.name}"))
    if report.cells is not None:
        entries.append(("line", BLACK, 0.26, (0.7, 1.0), "characters: best cells"))
    shown = report.pairing.display.shown
    if shown.width < wide - 0.5 or shown.height < high - 0.5:
        entries.append(("bars", GREY, 0.15, (), "no picture: bars"))
    y = top + 5
    for kind, colour, width, dash, text in entries:
        if kind == "area":
            page.rectangle(x, y, 8, 3, width_mm=0.25, colour=colour, fill=colour, opacity=0.22)
        elif kind == "bars":
            page.rectangle(x, y, 8, 3, width_mm=width, colour=colour, fill=BARS)
        else:
            page.line(x, y + 1.5, x + 8, y + 1.5, width_mm=width, colour=colour, dash_mm=dash)
        y = max(page.block(x + 10, y - 0.4, text, room_mm=room - 10, size_pt=page.smallest_pt) + 0.8, y + 4.2)
    return y


def _insets(page: Page, report: Report, *, top: float) -> float:
    size = report.pairing.display.raster_px
    r = report.guide.rectangle
    rows = [
        ["Rectangle's insets", *EDGES],
        ["pixels", *(f"{v:.0f}" for v in insets_px(r, size))],
        ["percent of the display", *(f"{v:.1f}" for v in insets_percent(r, size))],
    ]
    if report.pairing.tolerance.given:
        rows.append(["rig tolerance, ± pixels", *(f"{v:.0f}" if math.isfinite(v) else "-" for v in report.band.px)])
    y = draw_table(page, rows, x=MARGIN_MM, top=top, columns=(36, 11, 12, 12, 15))
    if report.cells is not None:
        c = report.cells
        text = (
            f"Characters ({c.grid[0]} x {c.grid[1]}, from 1): columns {c.left_column} and {c.right_column}, rows {c.top_row} and {c.bottom_row}; "
            f"off by up to {percent(c.worst_error_percent)}."
        )
        y = page.block(MARGIN_MM, y + 0.6, text, room_mm=86)
    return y


def _errors(page: Page, report: Report, *, top: float) -> float:
    turning = report.turning
    rows = [["Off by, %", *EDGES, *(["turning"] if turning else [])]]
    for each in report.at:
        e = each.error
        row = [f"at {metres(each.distance_m)}", *(signed(v, 1) if math.isfinite(v) else "-" for v in (e.left, e.top, e.right, e.bottom))]
        rows.append([*row, f"{each.error_turning.worst:.1f}"] if each.error_turning else row)
    columns: tuple[float, ...] = (26, 11, 11, 12, 13, 14) if turning else (40, 10, 11, 11, 14)
    end = draw_table(page, rows, x=MARGIN_MM, top=top, columns=columns)
    text = "+ outside the frame, - inside."
    if turning:
        text = f"+ outside, - inside. Turning: worst side at {turn_words(report.pairing)}, rows read one after another; alone up to {turning.worst:.1f} %."
    return page.block(MARGIN_MM, end + 0.6, text, room_mm=87, size_pt=page.smallest_pt)


def _rig(page: Page, report: Report, *, top: float) -> None:
    page.text(MARGIN_MM, top, "Rig", size_pt=9, bold=True)
    mount = report.pairing.mount
    ways = (("right", mount.right_mm), ("up", mount.up_mm), ("forward", mount.forward_mm))
    where = ", ".join(f"{name} {offset_words(value)}" + (f" {unit('mm')}" if value else "") for name, value in ways)
    page.text(MARGIN_MM + 8, top, f"monitoring camera: {where}", size_pt=page.smallest_pt, room_mm=97)
    draw_rig(page, mount, x=MARGIN_MM, top=top + 1.0, width=104.0, height=210.0 - top)
    page.text(MARGIN_MM, 214.2, "Dots: entrance pupils. Dashed: where each camera points.", colour=GREY, size_pt=page.smallest_pt, room_mm=104)


def _lenses(page: Page, report: Report, *, x: float, top: float, room: float) -> None:
    p = report.pairing
    for heading, lines in (("Recording camera", _recording_lines(report)), ("Monitoring camera and display", _monitoring_lines(report))):
        page.text(x, top + 3, heading, size_pt=8.5, bold=True)
        top += 4.2
        for line in lines:
            top = page.block(x, top, line, room_mm=room, size_pt=6.8)
        top += 1.2
    t = p.tolerance
    if t.given:
        named = (
            (amount(t.offset_mm, "mm"), f" {unit('mm')} offset"),
            (t.aim_deg, "° aim"),
            (t.focal_percent, " % focal length"),
            (t.centre_px, " px lens centre"),
            (t.angle_deg, "° angle"),
        )
        page.block(x, top, "Tolerance (95 %): " + ", ".join(f"±{v:.3g}{what}" for v, what in named if v), room_mm=room, size_pt=6.8)


def _all(report: Report) -> str:
    return "both frames" if len(report.frames) == 1 else f"all {len(report.frames) + 1} frames"


def _angles(report: Report, which: str) -> str:
    a = report.pairing.angles[which]
    return " x ".join(f"{v:.1f}" if math.isfinite(v) else "dark" for v in (a.horizontal, a.vertical)) + "°"


def _lens_name(lens: Lens) -> str:
    k, squeeze = lens.k, lens.squeeze
    words = f"{lens.focal_mm:.2f} mm, {lens.projection}"
    if any(k):
        words += ", k = " + ", ".join(f"{v:g}" for v in k)
    return words + (f", squeeze {squeeze:g}" if squeeze != 1 else "")


def _recording_lines(report: Report) -> list[str]:
    p = report.pairing
    c, f = p.recording, p.frame
    stop = f"f/{p.f_number:g}, " if p.f_number else ""
    return [
        f"{c.sensor_mm[0]:g} x {c.sensor_mm[1]:g} mm read out, {c.raster_px[0]} x {c.raster_px[1]} px, {_angles(report, 'recording')}",
        f"{_lens_name(c.lens)}; {stop}focus {metres(p.focus_m)}",
        f"frame {f.width:.0f} x {f.height:.0f} px, {ratio_words(p.frame_aspect)}, {_angles(report, 'frame')}; stabiliser keeps {p.keep_percent:g} %",
    ]


def _monitoring_lines(report: Report) -> list[str]:
    p = report.pairing
    c = p.monitoring
    return [
        f"{c.sensor_mm[0]:g} x {c.sensor_mm[1]:g} mm read out, {c.raster_px[0]} x {c.raster_px[1]} px, {_angles(report, 'monitoring')}",
        _lens_name(c.lens),
        f"display {p.display.raster_px[0]} x {p.display.raster_px[1]} px, {p.display.fit}, {_angles(report, 'display')}",
    ]


def _warning_lines(page: Page, report: Report, room: float) -> list[str]:
    return [line for warning in report.warnings for line in fonts.wrapped(f"•  {warning}", page.smallest_pt, room * PT_PER_MM)]


def _knowledge(page: Page, report: Report, *, top: float, room: float) -> None:
    """What to know before relying on the guide."""
    if not report.warnings:
        return
    page.text(MARGIN_MM, top + 2.5, "Know before you rely on it", size_pt=9, bold=True)
    page.block(MARGIN_MM, top + 3.6, "\n".join(_warning_lines(page, report, room)), room_mm=room, size_pt=page.smallest_pt)
