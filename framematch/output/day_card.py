"""The flight card as a PDF: one A4 page for the case, one page as wide as a phone.

Both say the same, from :mod:`framematch.output.day_text`. What makes the day impossible comes first,
in white on black. The text is set as large as lets everything stay on the one page.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from framematch import units
from framematch.day import DayPlan, Distances, Endurance
from framematch.errors import InputError
from framematch.output import fonts
from framematch.output.day_text import ADVICE, CAUTIONS, Section, checklist, sections
from framematch.output.pdf import BLACK, GREY, LINE_HEIGHT, MARGIN_MM, PALE, PAPERS_MM, PT_PER_MM, WHITE, Page, document, made_line

PHONE_WIDTH_MM = 72.0  # about a phone's screen, so that text is seen at its size
PHONE_MARGIN_MM = 4.0
_LARGEST_PT = 9.0
#: Told apart in grey too: by dashes and by depth.
FALL, FALL_ROUND, CLEAR = "#b3461b", "#d9901a", "#1f5fa8"


class _Measuring(Page):
    """A page that draws nothing, to find out how tall things come out."""

    def __init__(self, width_mm: float, height_mm: float) -> None:
        super().__init__(None, width_mm, height_mm)

    def rings(self, *args: Any, **style: Any) -> None:
        """Nothing."""

    def circle(self, *args: Any, **style: Any) -> None:
        """Nothing."""

    def text(self, *args: Any, **style: Any) -> float:
        """Nothing."""
        return 0.0

    @contextmanager
    def clipped(self, *args: Any, **style: Any) -> Iterator[None]:
        """Nothing to clip."""
        yield


@dataclass(frozen=True, kw_only=True)
class _Style:
    """Text size and the room of a column."""

    size_pt: float
    room_mm: float

    @property
    def step_mm(self) -> float:
        return self.size_pt * LINE_HEIGHT / PT_PER_MM


Block = Callable[[Page, float, float, _Style], float]  # draws at x, top and returns where it ends


def write_card(plan: DayPlan, path: Path) -> tuple[Path, Path]:
    """Write the A4 card, and the phone's beside it (``card.pdf``, ``card-phone.pdf``).

    Raises:
        InputError: the file can't be written, or there is more to say than one page holds.
    """
    phone = path.with_name(f"{path.stem}-phone{path.suffix or '.pdf'}")
    if path.suffix.lower() != ".pdf":
        raise InputError("is no name for a PDF", file=str(path), fix="end it in .pdf")
    title = f"Flight card: {plan.day.title}"
    with document(path, title=title, subject=ADVICE) as pdf, pdf.page(PAPERS_MM["A4"]) as page:
        _draw_a4(page, plan)
    size = (PHONE_WIDTH_MM, phone_height_mm(plan))
    with document(phone, title=title, subject=ADVICE) as pdf, pdf.page(size) as page:
        _draw_phone(page, plan)
    return path, phone


def _draw_a4(page: Page, plan: DayPlan) -> None:
    sizes = [_LARGEST_PT * 0.97**n for n in range(20)]  # down to 5 pt
    blank, bottom = _Measuring(page.width_mm, page.height_mm), page.height_mm - 10
    low, high = 0, len(sizes)
    while low < high:  # the largest that fits; a smaller one always takes less room
        middle = (low + high) // 2
        low, high = (low, middle) if _a4(blank, plan, sizes[middle]) <= bottom else (middle + 1, high)
    if low == len(sizes):
        raise InputError("there is more to say than one page holds", field="shots", fix="split the day into two day files")
    _a4(page, plan, sizes[low])
    page.footer(f"{plan.day.title}: {ADVICE}", made_line())


def _a4(page: Page, plan: DayPlan, size_pt: float) -> float:
    full = _Style(size_pt=size_pt, room_mm=page.width_mm - 2 * MARGIN_MM)
    x = MARGIN_MM
    y = _header(page, plan, x, MARGIN_MM, full, lines=2)
    for block in _alarms(plan):
        y = block(page, x, y + 1.5, full)
    gutter = 6.0
    column = _Style(size_pt=size_pt, room_mm=(full.room_mm - gutter) / 2)
    blocks = _section_blocks(plan)
    ends = [y]
    for side, part in enumerate(_columns(blocks, column)):
        at = y + 2.0
        for block in part:
            at = block(page, x + side * (column.room_mm + gutter), at, column) + 2.0
        ends.append(at)
    y = max(ends)
    y = _check_boxes(page, checklist(plan), x, y, full, columns=2) + 2.0
    return _cautions(page, plan, x, y, full)


def phone_height_mm(plan: DayPlan) -> float:
    """How tall the phone's page comes out."""
    return _phone(_Measuring(PHONE_WIDTH_MM, 1000.0), plan) + 8.0


def _draw_phone(page: Page, plan: DayPlan) -> None:
    _phone(page, plan)
    page.text(PHONE_MARGIN_MM, page.height_mm - 3.5, made_line(), size_pt=6, colour=GREY)


def _phone(page: Page, plan: DayPlan) -> float:
    style = _Style(size_pt=8.0, room_mm=PHONE_WIDTH_MM - 2 * PHONE_MARGIN_MM)
    x = PHONE_MARGIN_MM
    y = _header(page, plan, x, PHONE_MARGIN_MM, style, lines=6)
    for block in (*_alarms(plan), *_section_blocks(plan)):
        y = block(page, x, y + 2.5, style)
    y = _check_boxes(page, checklist(plan), x, y + 2.5, style, columns=1)
    return _cautions(page, plan, x, y + 2.0, style)


def _columns(blocks: Sequence[Block], style: _Style) -> tuple[list[Block], list[Block]]:
    """Blocks in two columns as even as can be, each in its order; the first is always on the left."""
    blank = _Measuring(*PAPERS_MM["A4"])
    tall = [block(blank, 0.0, 0.0, style) + 2.0 for block in blocks]

    def tallest(right: tuple[int, ...]) -> float:
        across = sum(tall[i] for i in right)
        return max(across, sum(tall) - across)

    rest = range(1, len(blocks))
    right = min((c for n in range(len(blocks)) for c in combinations(rest, n)), key=tallest)
    return [b for i, b in enumerate(blocks) if i not in right], [blocks[i] for i in right]


def _header(page: Page, plan: DayPlan, x: float, top: float, style: _Style, *, lines: int) -> float:
    title, pairing = plan.day.title, plan.report.pairing.title
    y = page.block(x, top, title, room_mm=style.room_mm, size_pt=style.size_pt * 1.7, bold=True, lines_at_most=lines)
    lens = plan.report.pairing
    frame = lens.frame_mm
    shape = frame[0] * lens.recording.lens.squeeze / frame[1]
    angles = lens.angles["frame"]
    line = f"Flight card. {pairing}: frame {shape:.2f}:1, {angles.horizontal:.0f}° x {angles.vertical:.0f}°. {ADVICE}"
    y = page.block(x, y + 0.3, line, room_mm=style.room_mm, size_pt=style.size_pt, colour=GREY)
    page.line(x, y + 0.8, x + style.room_mm, y + 0.8, width_mm=0.4)
    return y + 0.8


def _alarms(plan: DayPlan) -> list[Block]:
    out: list[Block] = []
    if plan.impossible:
        out.append(_box("Can't be flown as planned", plan.impossible, ink=WHITE, paper=BLACK, scale=1.1))
    if plan.warnings:
        out.append(_box("Look at this first", plan.warnings, ink=BLACK, paper="#f2e3c4", scale=1.0))
    return out


def _box(heading: str, lines: Sequence[str], *, ink: str, paper: str, scale: float) -> Block:
    def draw(page: Page, x: float, top: float, style: _Style) -> float:
        pad, size = 1.8, style.size_pt * scale
        room = style.room_mm - 2 * pad - 3
        step = size * LINE_HEIGHT / PT_PER_MM
        tall = sum(len(fonts.wrapped(line, size, room * PT_PER_MM, bold=scale > 1)) for line in lines) * step + step * 1.15 + 2 * pad
        page.rectangle(x, top, style.room_mm, tall, colour=None, fill=paper)
        y = page.block(x + pad, top + pad, heading, room_mm=room, size_pt=size * 1.1, bold=True, colour=ink)
        for line in lines:
            page.text(x + pad, y + 0.77 * step, "!", size_pt=size, bold=True, colour=ink)
            y = page.block(x + pad + 3, y, line, room_mm=room, size_pt=size, bold=scale > 1, colour=ink)
        return top + tall

    return draw


def _section_blocks(plan: DayPlan) -> list[Block]:
    blocks = [_section(plan, s) for s in sections(plan)]
    if plan.unknown:
        blocks.append(_section(plan, Section(heading="Not worked out, or assumed", notes=plan.unknown)))
    return blocks


def _section(plan: DayPlan, section: Section) -> Block:
    def draw(page: Page, x: float, top: float, style: _Style) -> float:
        y = page.block(x, top, section.heading, room_mm=style.room_mm, size_pt=style.size_pt * 1.15, bold=True)
        page.line(x, y, x + style.room_mm, y, width_mm=0.2, colour=GREY)
        y += 0.6
        if section.kind == "display":
            y = _display(page, plan, x, y, style)
        if section.kind == "packs" and plan.endurance is not None:
            y = _pack_curves(page, plan, plan.endurance, x, y, style)
        if section.kind == "plan" and plan.distances is not None:
            y = _plan_view(page, plan, plan.distances, x, y, style)
        label = min(0.36 * style.room_mm, max((fonts.width_pt(a, style.size_pt) for a, _ in section.rows), default=0.0) / PT_PER_MM + 2)
        for name, text in section.rows:
            if section.kind == "takes":
                side = style.size_pt / PT_PER_MM * 0.8
                page.rectangle(x, y + 0.22 * style.step_mm, side, side, width_mm=0.25)
                left = page.block(x + side + 1.2, y, name, room_mm=label, size_pt=style.size_pt, colour=GREY)
                right = page.block(x + side + 1.2 + label, y, text, room_mm=style.room_mm - label - side - 1.2, size_pt=style.size_pt)
            else:
                left = page.block(x, y, name, room_mm=label - 1, size_pt=style.size_pt, colour=GREY)
                right = page.block(x + label, y, text, room_mm=style.room_mm - label, size_pt=style.size_pt)
            y = max(left, right)
        for note in section.notes:
            y = page.block(x, y + 0.3, note, room_mm=style.room_mm, size_pt=style.size_pt * 0.9, colour=GREY)
        return y

    return draw


def _check_boxes(page: Page, lines: Sequence[str], x: float, top: float, style: _Style, *, columns: int) -> float:
    y = page.block(x, top, "Before every take-off", room_mm=style.room_mm, size_pt=style.size_pt * 1.15, bold=True)
    page.line(x, y, x + style.room_mm, y, width_mm=0.2, colour=GREY)
    y += 0.6
    gutter, side = 6.0, style.size_pt / PT_PER_MM * 0.8
    room = (style.room_mm - gutter * (columns - 1)) / columns
    each = math.ceil(len(lines) / columns)
    ends = []
    for column in range(columns):
        at, left = y, x + column * (room + gutter)
        for line in lines[column * each : (column + 1) * each]:
            page.rectangle(left, at + 0.22 * style.step_mm, side, side, width_mm=0.25)
            at = page.block(left + side + 1.2, at, line, room_mm=room - side - 1.2, size_pt=style.size_pt) + 0.3
        ends.append(at)
    return max(ends)


def _cautions(page: Page, plan: DayPlan, x: float, top: float, style: _Style) -> float:
    size = style.size_pt * 0.85
    pad, step = 1.5, size * LINE_HEIGHT / PT_PER_MM
    rows = sum(len(fonts.wrapped(t, size, (style.room_mm - 2 * pad - 3) * PT_PER_MM)) for t in CAUTIONS)
    tall = 2 * pad + rows * step
    page.rectangle(x, top, style.room_mm, tall, width_mm=0.35)
    y = top + pad
    for text in CAUTIONS:
        page.text(x + pad, y + 0.77 * step, "•", size_pt=size)
        y = page.block(x + pad + 3, y, text, room_mm=style.room_mm - 2 * pad - 3, size_pt=size)
    return top + tall


def _display(page: Page, plan: DayPlan, x: float, top: float, style: _Style) -> float:
    """The display with the guide on it, insets written at its sides."""
    report = plan.report
    width_px, height_px = report.pairing.display.raster_px
    width = style.room_mm * 0.62
    scale = width / width_px
    height = height_px * scale
    left = x + (style.room_mm - width) / 2
    page.rectangle(left, top, width, height, width_mm=0.3, fill="#f1f1f1")

    def at(points: Any) -> list[tuple[float, float]]:
        return [(left + float(px) * scale, top + float(py) * scale) for px, py in np.asarray(points)]

    with page.clipped(left, top, width, height):
        for piece in report.guide.outline.pieces:
            page.path(at(piece), width_mm=0.25, colour=GREY)
        r = report.guide.rectangle
        page.path(at([(r.left, r.top), (r.right, r.top), (r.right, r.bottom), (r.left, r.bottom)]), closed=True, width_mm=0.5)
    insets = (r.left, r.top, width_px - r.right, height_px - r.bottom)
    size = style.size_pt * 0.85
    half = size / PT_PER_MM * 0.35
    middle = top + height / 2 + half
    page.text(left - 1, middle, f"{insets[0]:.0f}", size_pt=size, align="right")
    page.text(left + width + 1, middle, f"{insets[2]:.0f}", size_pt=size)
    page.text(left + width / 2, top + max(insets[1], 0) * scale / 2 + half, f"{insets[1]:.0f}", size_pt=size, align="centre")
    page.text(left + width / 2, top + height - max(insets[3], 0) * scale / 2 + half, f"{insets[3]:.0f}", size_pt=size, align="centre")
    page.text(left + width / 2, top + height / 2 + half, "frame", size_pt=size, align="centre", colour=GREY)
    return top + height + 1.0


def _pack_curves(page: Page, plan: DayPlan, e: Endurance, x: float, top: float, style: _Style) -> float:
    """Minutes against pack weight, light and hard, with today's pack marked."""
    curves = [(name, c) for name, c in e.curves if c.mass_kg and max(c.minutes) > 0]
    if not curves:
        return top
    size = style.size_pt * 0.75
    line = size * LINE_HEIGHT / PT_PER_MM
    title = "Minutes to reserve by weight of the pack: filled is today's, a ring the longest"
    top = page.block(x, top, title, room_mm=style.room_mm, size_pt=size, colour=GREY)
    left, width, height = x + 6, style.room_mm - 16, style.room_mm * 0.24
    heaviest = max(max(c.mass_kg) for _, c in curves)
    longest = max(max(c.minutes) for _, c in curves)
    step = next((n for n in (1, 2, 5, 10, 20, 50, 100) if longest / n <= 5), 500)
    tallest = step * math.ceil(longest / step)
    base = top + 0.6 * line + height

    def at(mass: float, minutes: float) -> tuple[float, float]:
        return left + mass / heaviest * width, base - minutes / tallest * height

    for n in range(0, tallest + 1, step):
        page.line(left, at(0, n)[1], left + width, at(0, n)[1], width_mm=0.1, colour=PALE)
        page.text(left - 1, at(0, n)[1] + 0.8, f"{n}", size_pt=size, align="right", colour=GREY)
    for share in (0.0, 0.5, 1.0):
        text = units.shown(share * heaviest, unit="kg", system=plan.day.file.units)
        page.text(at(share * heaviest, 0)[0], base + line, text, size_pt=size, align="centre", colour=GREY)
    for name, curve in curves:
        dash = () if name == "light" else (1.2, 0.8)
        points = [at(m, t) for m, t in zip(curve.mass_kg, curve.minutes, strict=True)]
        page.path(points, width_mm=0.4, dash_mm=dash)
        page.text(left + width + 1, points[-1][1] + 0.8, name, size_pt=size)
        if curve.best_mass_kg <= heaviest:
            px, py = at(curve.best_mass_kg, curve.best_minutes)
            page.circle(px, py, 0.8, width_mm=0.3, fill=WHITE)
    for name, minutes in e.minutes:
        if name in dict(curves) and e.pack.mass_kg <= heaviest:
            page.circle(*at(e.pack.mass_kg, minutes), 0.8, colour=None, fill=BLACK)
    return base + 1.6 * line


def _plan_view(page: Page, plan: DayPlan, found: Distances, x: float, top: float, style: _Style) -> float:
    """The run from above with both fall areas, people, walls and a scale; ahead is up."""
    everything = [*found.areas.round, found.run_m[:, :2], np.array([p.at_m for p in found.people]).reshape(-1, 2)]
    walls = plan.day.file.place.walls
    bounds = np.concatenate(everything)
    low, high = bounds.min(axis=0), bounds.max(axis=0)
    for wall in walls:  # a wall is drawn as far as the picture goes; it does not shrink it by more than a quarter
        line = np.asarray(wall.line_m)
        room = 0.25 * (high - low)
        low, high = np.maximum(np.minimum(low, line.min(axis=0)), low - room), np.minimum(np.maximum(high, line.max(axis=0)), high + room)
    span = np.maximum(high - low, 1.0)
    tallest = style.room_mm * 0.9
    scale = min((style.room_mm - 4) / span[0], tallest / span[1])
    height = float(span[1] * scale + 4)
    middle = x + style.room_mm / 2 - (low[0] + high[0]) / 2 * scale

    def at(points: Any) -> list[tuple[float, float]]:
        return [(middle + float(a) * scale, top + 2 + (high[1] - float(b)) * scale) for a, b in np.asarray(points)]

    page.rectangle(x, top, style.room_mm, height, width_mm=0.15, colour=PALE)
    with page.clipped(x, top, style.room_mm, height):
        page.rings([at(r) for r in found.areas.round], colour=FALL_ROUND, width_mm=0.35, fill=FALL_ROUND, opacity=0.13, dash_mm=(1.4, 0.9))
        page.rings([at(r) for r in found.areas.straight], colour=FALL, width_mm=0.35, fill=FALL, opacity=0.3)
        page.rings([at(line) for line in found.walls], closed=False, width_mm=0.25, colour=GREY)
        for wall in walls:
            page.path(at(wall.line_m), width_mm=0.8, colour=GREY)
            if wall.name:
                (a, b) = at([wall.line_m[0]])[0]
                page.text(a, b - 0.8, wall.name, size_pt=style.size_pt * 0.75, colour=GREY)
        run = at(found.run_m[:, :2])
        page.path(run, width_mm=0.6)
        _arrow(page, run)
        start = run[0]
        page.circle(start[0], start[1], 0.7, width_mm=0.4, fill=WHITE)
        for person in found.people:
            _mark(page, at([person.at_m])[0], person.name, bad=person.in_straight or person.in_round, style=style, right_edge=x + style.room_mm)
    _scale_bar(page, plan, x + 1.5, top + height - 1.6, scale, style)
    y = top + height + 0.4
    size = style.size_pt * 0.8
    side = size / PT_PER_MM * 0.9
    for colour, name, dash, opacity in ((FALL, "thrown straight on", (), 0.3), (FALL_ROUND, "if it turns as it falls", (0.9, 0.6), 0.13)):
        page.rectangle(x, y + 0.25, side, side, colour=colour, width_mm=0.3, fill=colour, opacity=opacity, dash_mm=dash)
        y = page.block(x + side + 1, y, name, room_mm=style.room_mm - side - 1, size_pt=size)
    return y + 0.4


def _arrow(page: Page, run: Sequence[tuple[float, float]]) -> None:
    (ax, ay), (bx, by) = run[-2], run[-1]
    length = math.hypot(bx - ax, by - ay)
    if length < 1e-6:
        return
    ux, uy = (bx - ax) / length, (by - ay) / length
    page.path([(bx, by), (bx - 2.4 * ux + 0.9 * uy, by - 2.4 * uy - 0.9 * ux), (bx - 2.4 * ux - 0.9 * uy, by - 2.4 * uy + 0.9 * ux)], colour=None, fill=BLACK)


def _mark(page: Page, at: tuple[float, float], name: str, *, bad: bool, style: _Style, right_edge: float) -> None:
    x, y = at
    if bad:
        page.path([(x, y - 1.4), (x + 1.3, y + 0.9), (x - 1.3, y + 0.9)], closed=True, width_mm=0.3, fill=BLACK)
    else:
        page.circle(x, y, 0.9, width_mm=0.3, colour=WHITE, fill=CLEAR)
    size = style.size_pt * 0.8
    wide = fonts.width_pt(name, size, bold=bad) / PT_PER_MM
    right = x + 1.8 + wide <= right_edge
    page.text(x + 1.8 if right else x - 1.8, y + 0.8, name, size_pt=size, bold=bad, align="left" if right else "right")


def _scale_bar(page: Page, plan: DayPlan, x: float, y: float, scale: float, style: _Style) -> None:
    unit = "ft" if plan.day.file.units == "imperial" else "m"
    metre = units.convert(1.0, unit=unit, to="m") * scale
    length = max((n for n in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000) if n * metre <= 0.3 * style.room_mm), default=1)
    page.line(x, y, x + length * metre, y, width_mm=0.5)
    for end in (x, x + length * metre):
        page.line(end, y - 0.9, end, y, width_mm=0.3)
    page.text(x + length * metre + 1, y, f"{length} {unit}", size_pt=style.size_pt * 0.75)
