"""The flight card as a PDF: a page for the case, its back too where there is more to say, and one page as wide as a phone.

Both say the same, from :mod:`framematch.output.day_text`. What makes the day impossible comes first,
in white on black, then what to look at and the cautions, then figures. The text is set as large as lets
everything stay on the page, and never smaller than is read outdoors.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import combinations
from pathlib import Path
from typing import Any

from framematch import cautions
from framematch.day import DayPlan
from framematch.errors import InputError
from framematch.geometry.pairing import ratio_words
from framematch.output import fonts
from framematch.output.day_drawings import draw_display, draw_plan
from framematch.output.day_style import Style
from framematch.output.day_text import ADVICE, Section, checklist, first_lines, sections
from framematch.output.pdf import BLACK, GREY, LINE_HEIGHT, MARGIN_MM, PT_PER_MM, SMALLEST_PT, WHITE, Page, document, made_line, paper_mm
from framematch.output.sheet_parts import fields_of

PHONE_WIDTH_MM = 72.0  # about a phone's screen, so that text is seen at its size
PHONE_MARGIN_MM = 4.0
_SIZES_PT = tuple(10.0 - 0.25 * n for n in range(9))  # down to SMALLEST_PT


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


Block = Callable[[Page, float, float, Style], float]  # draws at x, top and returns where it ends


def write_card(plan: DayPlan, path: Path, *, paper: str = "A4") -> tuple[Path, Path]:
    """Write the card on paper, and the phone's beside it (``card.pdf``, ``card-phone.pdf``).

    Raises:
        InputError: no such paper, the file can't be written, or there is more to say than two pages hold.
    """
    phone = path.with_name(f"{path.stem}-phone{path.suffix or '.pdf'}")
    if path.suffix.lower() != ".pdf":
        raise InputError("is not a PDF's name", file=str(path), fix="end it in .pdf")
    size_mm = paper_mm(paper)
    title = f"Flight card: {plan.day.title}"
    style_pt, parts = _laid_out(plan, size_mm)
    with document(path, title=title, subject=ADVICE) as pdf:
        for number, part in enumerate(parts, 1):
            with pdf.page(size_mm) as page:
                _side(page, plan, part, style_pt, front=number == 1, last=number == len(parts))
                page.footer(f"Flight card: {plan.day.title}" + (f", page {number} of {len(parts)}" if len(parts) > 1 else ""), made_line())
    size = (PHONE_WIDTH_MM, phone_height_mm(plan))
    with document(phone, title=title, subject=ADVICE) as pdf, pdf.page(size) as page:
        _draw_phone(page, plan)
    return path, phone


def _laid_out(plan: DayPlan, size_mm: tuple[float, float]) -> tuple[float, list[list[Block]]]:
    """The largest size at which the sections fit on one page, or else on two, and the sections of each page."""
    blank, bottom = _Measuring(*size_mm), size_mm[1] - 11
    blocks = _section_blocks(plan)
    for pages in (1, 2):
        for size_pt in _SIZES_PT:
            for first in range(len(blocks), 0, -1) if pages == 2 else (len(blocks),):
                parts = [blocks[:first], blocks[first:]][:pages]
                ends = [_side(blank, plan, part, size_pt, front=i == 0, last=i == pages - 1) for i, part in enumerate(parts)]
                if max(ends) <= bottom:
                    return size_pt, parts
    raise InputError("there is more to say than two pages hold", field="shots", fix="split the day into two day files")


def _side(page: Page, plan: DayPlan, blocks: Sequence[Block], size_pt: float, *, front: bool, last: bool) -> float:
    full = Style(size_pt=size_pt, room_mm=page.width_mm - 2 * MARGIN_MM)
    x = y = MARGIN_MM
    if front:
        y = _header(page, plan, x, MARGIN_MM - 2, full, lines=2)
        for block in _alarms(plan):
            y = block(page, x, y + 1.5, full)
        y = _cautions(page, x, y + 1.5, full)
    gutter = 6.0
    column = Style(size_pt=size_pt, room_mm=(full.room_mm - gutter) / 2)
    ends = [y]
    for side, part in enumerate(_columns(blocks, column, page)):
        at = y + 2.0
        for block in part:
            at = block(page, x + side * (column.room_mm + gutter), at, column) + 2.0
        ends.append(at)
    y = max(ends)
    return _check_boxes(page, checklist(plan), x, y, full, columns=2) if last else y


def phone_height_mm(plan: DayPlan) -> float:
    """How tall the phone's page comes out."""
    return _phone(_Measuring(PHONE_WIDTH_MM, 1000.0), plan) + 8.0


def _draw_phone(page: Page, plan: DayPlan) -> None:
    _phone(page, plan)
    page.text(PHONE_MARGIN_MM, page.height_mm - 3.5, made_line(), size_pt=SMALLEST_PT, colour=GREY)


def _phone(page: Page, plan: DayPlan) -> float:
    style = Style(size_pt=SMALLEST_PT, room_mm=PHONE_WIDTH_MM - 2 * PHONE_MARGIN_MM)
    x = PHONE_MARGIN_MM
    y = _header(page, plan, x, PHONE_MARGIN_MM, style, lines=6, columns=1)
    for block in _alarms(plan):
        y = block(page, x, y + 2.5, style)
    y = _cautions(page, x, y + 2.0, style)
    for block in _section_blocks(plan):
        y = block(page, x, y + 2.5, style)
    return _check_boxes(page, checklist(plan), x, y + 2.5, style, columns=1)


def _columns(blocks: Sequence[Block], style: Style, page: Page) -> tuple[list[Block], list[Block]]:
    """Blocks in two columns as even as can be, each in its order; the first is always on the left."""
    if not blocks:
        return [], []
    blank = _Measuring(page.width_mm, page.height_mm)
    tall = [block(blank, 0.0, 0.0, style) + 2.0 for block in blocks]

    def tallest(right: tuple[int, ...]) -> float:
        across = sum(tall[i] for i in right)
        return max(across, sum(tall) - across)

    rest = range(1, len(blocks))
    right = min((c for n in range(len(blocks)) for c in combinations(rest, n)), key=tallest)
    return [b for i, b in enumerate(blocks) if i not in right], [blocks[i] for i in right]


def _header(page: Page, plan: DayPlan, x: float, top: float, style: Style, *, lines: int, columns: int = 3) -> float:
    pairing = plan.report.pairing
    y = page.block(x, top, plan.day.title, room_mm=style.room_mm, size_pt=style.size_pt * 1.7, bold=True, lines_at_most=lines)
    angles = pairing.angles["frame"]
    line = f"Flight card. Frame {ratio_words(pairing.frame_aspect)}, {angles.horizontal:.0f}° x {angles.vertical:.0f}°."
    y = page.block(x, y + 0.3, line, room_mm=style.room_mm, size_pt=style.size_pt, colour=GREY)
    y = page.fields(x, y, fields_of(pairing), room_mm=style.room_mm, columns=columns)
    page.line(x, y + 0.8, x + style.room_mm, y + 0.8, width_mm=0.4)
    return y + 0.8


def _alarms(plan: DayPlan) -> list[Block]:
    looks = [(WHITE, BLACK, 1.1)] * bool(plan.impossible) + [(BLACK, "#f2e3c4", 1.0)] * bool(plan.warnings) + [(BLACK, "#eeeeee", 1.0)] * bool(plan.unknown)
    return [_box(heading, lines, ink=ink, paper=paper, scale=scale) for (heading, lines), (ink, paper, scale) in zip(first_lines(plan), looks, strict=True)]


def _box(heading: str, lines: Sequence[str], *, ink: str, paper: str, scale: float) -> Block:
    def draw(page: Page, x: float, top: float, style: Style) -> float:
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
    return [_section(plan, s) for s in sections(plan)]


def _section(plan: DayPlan, section: Section) -> Block:
    def draw(page: Page, x: float, top: float, style: Style) -> float:
        y = page.block(x, top, section.heading, room_mm=style.room_mm, size_pt=style.size_pt * 1.15, bold=True)
        page.line(x, y, x + style.room_mm, y, width_mm=0.2, colour=GREY)
        y += 0.6
        if section.kind == "display":
            y = draw_display(page, plan, x, y, style)
        if section.kind == "plan" and plan.distances is not None:
            y = draw_plan(page, plan, plan.distances, x, y, style)
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
            y = page.block(x, y + 0.3, note, room_mm=style.room_mm, size_pt=max(style.size_pt * 0.9, SMALLEST_PT), colour=GREY)
        return y

    return draw


def _check_boxes(page: Page, lines: Sequence[str], x: float, top: float, style: Style, *, columns: int) -> float:
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


def _cautions(page: Page, x: float, top: float, style: Style) -> float:
    return page.cautions(x, top, room_mm=style.room_mm, lines=cautions.DAY, heading="", size_pt=max(style.size_pt * 0.85, SMALLEST_PT))
