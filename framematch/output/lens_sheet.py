"""The comparison sheet: recorded views of each lens, curves along the run, the numbers.

Two layouts of the same content: A4 pages to print, and one narrow column for a phone held upright.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.compare.report import TextTable, plain_lines, safety_lines, text_tables
from framematch.compare.seen import cone_rad, project_held
from framematch.compare.sketch import sketch
from framematch.compare.table import Comparison, Row
from framematch.errors import InputError
from framematch.guide.report import equivalent_words
from framematch.guide.shown import amount, metres, quantity
from framematch.output.chart import Look, style
from framematch.output.drawing import Drawing
from framematch.output.lens_charts import lens_charts
from framematch.output.pdf import PT_PER_MM, SMALLEST_PT, paper_mm
from framematch.output.sheet_page import A4_DPI, INK, RULE, SOFT, Page, check_sheet_name, line_mm, own_type, text_mm, wrapped, write_pages
from framematch.shot.run import Run
from framematch.text.units import MM_PER_INCH

Picture = NDArray[np.uint8]
#: A recorded view: comparison, row, distance before the gap in metres, width in pixels.
View = Callable[[Comparison, Row, float, int], Picture]

PHONE_MM = 100.0
_PHONE_PX = 780  # 390 px wide at two device pixels each
_ROW_GAP_MM = 2.5
_PER_MM = 10  # a chart's own unit is a tenth of a millimetre
GAP_LINE = "#ff5fd7"  # no colour of the guide's


@dataclass(frozen=True)
class _Block:
    """Something with a height that can be drawn at a place down a page."""

    height_mm: float
    draw: Callable[[Page, float], None]
    keep_with_next: bool = False


def drawn_view(comparison: Comparison, row: Row, distance_m: float, width_px: int) -> Picture:
    """The plain picture of wall, opening, ground and figures."""
    c = comparison
    return sketch(row.camera, c.pairing.frame, c.shot.opening, c.shot.run, distance_m=distance_m, subjects=c.shot.subjects, width_px=width_px)


def write_sheet(path: Path, comparison: Comparison, *, phone: bool = False, asked: Sequence[str] = (), view: View = drawn_view, paper: str = "A4") -> None:
    """Write the sheet as ``.pdf`` or ``.png``, whole or not at all.

    Raises:
        InputError: another suffix, Matplotlib missing, or the file can't be written.
    """
    check_sheet_name(path)
    if not os.access(path.parent, os.W_OK):  # drawing takes seconds
        raise InputError("can't be written (its folder is not there, or is not yours to write to)", file=str(path), fix="choose another output folder")
    pages = sheet_pages(comparison, phone=phone, asked=asked, view=view, paper=paper)
    write_pages(path, pages, title=comparison.pairing.title, dpi=_PHONE_PX / (PHONE_MM / MM_PER_INCH) if phone else A4_DPI)


def sheet_pages(comparison: Comparison, *, phone: bool = False, asked: Sequence[str] = (), view: View = drawn_view, paper: str = "A4") -> list[Page]:
    """The sheet's pages: of a paper, or one long page for a phone."""
    with own_type():
        return _pages(comparison, paper_mm(paper), phone=phone, asked=asked, view=view)


def _pages(comparison: Comparison, size_mm: tuple[float, float], *, phone: bool, asked: Sequence[str], view: View) -> list[Page]:
    make = _phone_blocks if phone else _paper_blocks
    blank = Page(width_mm=PHONE_MM if phone else size_mm[0], height_mm=100, margin_mm=4 if phone else 11, text_pt=8.8 if phone else 8.6)
    blocks = make(comparison, blank, asked, view)
    if phone:
        height = sum(b.height_mm for b in blocks) + 2 * blank.margin_mm
        pages = [(Page(width_mm=PHONE_MM, height_mm=height, margin_mm=blank.margin_mm, text_pt=blank.text_pt), blocks)]
    else:
        pages = [
            (Page(width_mm=size_mm[0], height_mm=size_mm[1], margin_mm=blank.margin_mm, text_pt=blank.text_pt), part)
            for part in _broken(blocks, size_mm[1] - 2 * blank.margin_mm - 6)
        ]
    for number, (page, part) in enumerate(pages, 1):
        y = page.margin_mm
        for block in part:
            block.draw(page, y)
            y += block.height_mm
        if not phone:
            page.foot(f"Lenses for the gap: {comparison.pairing.heading}, page {number} of {len(pages)}")
    return [page for page, _ in pages]


def _broken(blocks: list[_Block], room_mm: float) -> list[list[_Block]]:
    pages: list[list[_Block]] = [[]]
    used = 0.0
    for i, block in enumerate(blocks):
        needs = block.height_mm + (blocks[i + 1].height_mm if block.keep_with_next and i + 1 < len(blocks) else 0)
        if pages[-1] and used + needs > room_mm:
            pages.append([])
            used = 0.0
        pages[-1].append(block)
        used += block.height_mm
    return pages


def _paper_blocks(c: Comparison, page: Page, asked: Sequence[str], view: View) -> list[_Block]:
    colours = [style(i)[0] for i in range(len(c.rows))]
    blocks = [_heading(c, page), _picture_heads(c, page)]
    blocks += [_picture_row(c, page, row, colour, view) for row, colour in zip(c.rows, colours, strict=True)]
    blocks.append(_curve_row(c, page))
    blocks += [_paragraph(line, page) for line in safety_lines(c)]
    blocks += [_table(table, page) for table in text_tables(c)]
    blocks += [_paragraph(line, page) for line in (*asked, *plain_lines(c))]
    return blocks


def _phone_blocks(c: Comparison, page: Page, asked: Sequence[str], view: View) -> list[_Block]:
    colours = [style(i)[0] for i in range(len(c.rows))]
    blocks = [_heading(c, page)]
    for row, colour in zip(c.rows, colours, strict=True):
        blocks += _tall_pictures(c, page, row, colour, view)
    blocks += [_tall_curve(chart) for chart in _charts(c, page, page.inner_mm, 72.0)]
    blocks += [_paragraph(line, page) for line in safety_lines(c)]
    blocks += [_tall_table(table, page) for table in text_tables(c)]
    blocks += [_paragraph(line, page) for line in (*asked, *plain_lines(c))]
    return blocks


def _heading(c: Comparison, page: Page) -> _Block:
    g, r = c.shot.opening, c.shot.run
    facts = (
        f"Gap {amount(g.width_m, 'm'):.3g} x {quantity(g.height_m, 'm', '.3g')}, {g.shape}, sill {metres(g.sill_m)}, wall {metres(g.thickness_m)}. "
        f"Run at {quantity(r.speed_m_s, 'm/s', '.3g')}, {_way(r)}. "
        "Pictures: the frame as each lens records it; pink, the near edge of the opening."
    )
    lines = wrapped(facts, page.inner_mm, page.text_pt)
    title = wrapped(c.pairing.title or "Lenses for a gap", page.inner_mm, page.text_pt * 1.75, bold=True)

    def draw(p: Page, y: float) -> None:
        for line in title:
            p.text(p.margin_mm, y, line, pt=p.text_pt * 1.75, weight="bold")
            y += line_mm(p.text_pt * 1.75)
        for line in lines:
            p.text(p.margin_mm, y, line, color=SOFT)
            y += line_mm(p.text_pt)

    return _Block(len(title) * line_mm(page.text_pt * 1.75) + len(lines) * line_mm(page.text_pt) + 2.5, draw)


def _way(run: Run) -> str:
    """Offset, heading and camera tilt, those that are not nought."""
    parts = [f"{quantity(value, 'm', '+.3g')} {way}" for value, way in ((run.right_m, "right"), (run.up_m, "up")) if value]
    turned = [f"{name} {value:+g}°" for value, name in ((run.heading_deg, "heading"), (run.tilt_deg, "camera tilt")) if value]
    return ", ".join([*(["offset " + ", ".join(parts)] if parts else ["straight through the middle"]), *turned])


_LABEL_MM = 25.0
_FIGURES = 24  # characters: longer cells are sentences


def _columns(c: Comparison, page: Page) -> tuple[float, float]:
    """Width of a picture and the step from one to the next."""
    count = len(c.shot.run.distances_m)
    step = (page.inner_mm - _LABEL_MM + _ROW_GAP_MM) / count
    return step - _ROW_GAP_MM, step


def _picture_heads(c: Comparison, page: Page) -> _Block:
    _, step = _columns(c, page)

    def draw(p: Page, y: float) -> None:
        for i, d in enumerate(c.shot.run.distances_m):
            p.text(p.margin_mm + _LABEL_MM + i * step, y, f"{metres(d)} before the gap", weight="bold")

    return _Block(line_mm(page.text_pt) + 0.8, draw, keep_with_next=True)


def _picture_row(c: Comparison, page: Page, row: Row, colour: str, view: View) -> _Block:
    width, step = _columns(c, page)
    height = width / c.pairing.frame_aspect
    names = wrapped(row.candidate.name, _LABEL_MM - 2, page.text_pt * 1.25, bold=True)
    facts = (f"{row.angles.horizontal:.0f}° x {row.angles.vertical:.0f}°", "full-frame equivalent", equivalent_words(row.equivalent_135_mm))
    lines = [line for fact in facts for line in wrapped(fact, _LABEL_MM - 2, max(page.text_pt * 0.9, SMALLEST_PT))]
    label = len(names) * line_mm(page.text_pt * 1.25) + len(lines) * line_mm(page.text_pt)

    def draw(p: Page, y: float) -> None:
        down = y
        for name in names:
            p.text(p.margin_mm, down, name, pt=p.text_pt * 1.25, weight="bold", color=colour)
            down += line_mm(p.text_pt * 1.25)
        for line in lines:
            p.text(p.margin_mm, down + 0.4, line, pt=p.text_pt * 0.9, color=SOFT)
            down += line_mm(p.text_pt * 0.95)
        for i, d in enumerate(c.shot.run.distances_m):
            _picture(c, p, row, d, p.margin_mm + _LABEL_MM + i * step, y, width, height, view)
            p.text(p.margin_mm + _LABEL_MM + i * step, y + height + 0.9, _caption(c, row, i), pt=p.text_pt * 0.9, color=SOFT)

    return _Block(max(height + line_mm(page.text_pt), label) + 2.0, draw)


def _picture(c: Comparison, p: Page, row: Row, distance_m: float, x: float, y: float, w: float, h: float, view: View) -> None:
    axes = p.axes(x, y, w, h)
    frame = c.pairing.frame
    axes.imshow(view(c, row, distance_m, round(w * 9)), aspect="auto", interpolation="antialiased", extent=(frame.left, frame.right, frame.bottom, frame.top))
    ring = project_held(row.camera, c.shot.run.seen_from(c.shot.opening.outline(64), distance_m), cone_rad(row.camera, frame))
    ring = np.concatenate([ring, ring[:1]])
    for colour, width in ((INK, 2.0), (GAP_LINE, 1.0)):
        axes.plot(ring[:, 0], ring[:, 1], color=colour, linewidth=width, solid_joinstyle="miter")
    axes.set_xlim(frame.left, frame.right)
    axes.set_ylim(frame.bottom, frame.top)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(INK)
        spine.set_linewidth(0.5)


def _caption(c: Comparison, row: Row, i: int) -> str:
    a = row.at[i]
    parts = [f"opening {a.fill_percent:.0f} %" if a.fill_percent >= 10 else f"opening {a.fill_percent:.1f} %"]
    if c.shot.subjects and np.isfinite(a.subject_percent[0]):
        parts.append(f"{c.shot.subjects[0].name} {a.subject_percent[0]:.0f} % high")
    return ", ".join(parts)


def _charts(c: Comparison, page: Page, width: float, height: float) -> list[Drawing]:
    look = Look(ink=INK, quiet=SOFT, rule=RULE, ground=None, size=page.text_pt / PT_PER_MM * _PER_MM)
    return lens_charts(c, look=look, size=(round(width * _PER_MM), round(height * _PER_MM)))


def _curve_row(c: Comparison, page: Page) -> _Block:
    count, height, gap = 3 if c.shot.subjects else 2, 58.0, 3.0
    width = (page.inner_mm - gap * (count - 1)) / count

    def draw(p: Page, y: float) -> None:
        for i, chart in enumerate(_charts(c, page, width, height)):
            p.draw(chart, p.margin_mm + i * (width + gap), y, 1 / _PER_MM)

    return _Block(height + 3, draw)


def _tall_pictures(c: Comparison, page: Page, row: Row, colour: str, view: View) -> list[_Block]:
    height = page.inner_mm / c.pairing.frame_aspect

    size = page.text_pt * 1.5
    names = wrapped(row.candidate.name, page.inner_mm, size, bold=True)
    facts = f"{row.angles.horizontal:.0f} x {row.angles.vertical:.0f} deg, full-frame equivalent {equivalent_words(row.equivalent_135_mm)}"
    beside = len(names) == 1 and text_mm(names[0], size, bold=True) + text_mm(facts, page.text_pt) + 4 <= page.inner_mm

    def head(p: Page, y: float) -> None:
        p.rule(y + 1)
        y += 2.2
        for name in names:
            p.text(p.margin_mm, y, name, pt=size, weight="bold", color=colour)
            y += line_mm(size)
        if beside:
            p.text(p.width_mm - p.margin_mm, y - line_mm(size) + 1.2, facts, color=SOFT, ha="right")
        else:
            p.text(p.margin_mm, y, facts, color=SOFT)

    def one(i: int, distance_m: float) -> _Block:
        def draw(p: Page, y: float) -> None:
            _picture(c, p, row, distance_m, p.margin_mm, y, p.inner_mm, height, view)
            p.text(p.margin_mm, y + height + 0.6, f"{metres(distance_m)} before: {_caption(c, row, i)}")

        return _Block(height + line_mm(page.text_pt) + 2.2, draw)

    return [
        _Block(len(names) * line_mm(size) + (0 if beside else line_mm(page.text_pt)) + 3.4, head),
        *(one(i, d) for i, d in enumerate(c.shot.run.distances_m)),
    ]


def _tall_curve(chart: Drawing) -> _Block:
    return _Block(chart.size[1] / _PER_MM + 4, lambda p, y: p.draw(chart, p.margin_mm, y + 2, 1 / _PER_MM))


def _table(table: TextTable, page: Page) -> _Block:
    pt = page.text_pt
    step = line_mm(pt) + 0.5
    natural = [max(text_mm(text, pt) for text in column) + 4 for column in zip(table.headings, *table.rows_to_print, strict=True)]
    spare = page.inner_mm - sum(natural)
    if spare < 0:  # the widest column gives way and its text is wrapped
        natural[natural.index(max(natural))] += spare
    lefts = np.concatenate([[0], np.cumsum(natural)])
    cells = [
        [wrapped(text, natural[i] - 2, pt) if spare < 0 and text_mm(text, pt) > natural[i] - 3 else [text] for i, text in enumerate(r)]
        for r in table.rows_to_print
    ]
    tall = [max(len(cell) for cell in r) for r in cells]
    notes = wrapped(table.note, page.inner_mm, pt * 0.92) if table.note else []

    def place(p: Page, column: int, y: float, text: str, **how: Any) -> None:
        """Names to the left of their column, figures to its right."""
        right = column >= table.keys and all(len(row[column]) <= _FIGURES for row in table.rows_to_print)
        p.text(p.margin_mm + (lefts[column + 1] - 4 if right else lefts[column]), y, text, ha="right" if right else "left", **how)

    def draw(p: Page, y: float) -> None:
        p.text(p.margin_mm, y + 1.5, table.title, weight="bold")
        y += step + 2.2
        for i, heading in enumerate(table.headings):
            place(p, i, y, heading, color=SOFT)
        y += step
        for r, lines in zip(cells, tall, strict=True):
            p.rule(y - 0.6, width=0.4, to_mm=p.margin_mm + min(lefts[-1], p.inner_mm))
            for i, cell in enumerate(r):
                for j, line in enumerate(cell):
                    place(p, i, y + j * line_mm(pt), line)
            y += step + (lines - 1) * line_mm(pt)
        for line in notes:
            p.text(p.margin_mm, y + 0.3, line, pt=pt * 0.92, color=SOFT)
            y += line_mm(pt * 0.92)

    height = 2 * step + 2.2 + len(tall) * step + sum(n - 1 for n in tall) * line_mm(pt) + len(notes) * line_mm(pt * 0.92) + 2.5
    return _Block(height, draw)


def _tall_table(table: TextTable, page: Page) -> _Block:
    """Each lens by itself: heading and value, one under the other."""
    pt = page.text_pt
    lines: list[tuple[str, str, bool]] = []
    for line in wrapped(table.title, page.inner_mm, pt, bold=True):
        lines.append((line, "", True))
    for row in table.rows:
        lines.append((", ".join(row[: table.keys]), "", True))
        for heading, value in zip(table.headings[table.keys :], row[table.keys :], strict=True):
            if text_mm(heading, pt) + text_mm(value, pt) + 6 <= page.inner_mm:
                lines.append((heading, value, False))
            else:
                lines.append((heading, "", False))
                lines.extend(("", part, False) for part in wrapped(value, page.inner_mm - 4, pt))
    notes = wrapped(table.note, page.inner_mm, pt) if table.note else []

    def draw(p: Page, y: float) -> None:
        p.rule(y + 1)
        y += 2.5
        for label, value, strong in lines:
            p.text(p.margin_mm, y, label, weight="bold" if strong else "normal", color=INK if strong else SOFT)
            p.text(p.width_mm - p.margin_mm, y, value, ha="right")
            y += line_mm(pt)
        for line in notes:
            p.text(p.margin_mm, y + 0.5, line, color=SOFT)
            y += line_mm(pt)

    return _Block((len(lines) + len(notes)) * line_mm(pt) + 4.5, draw)


def _paragraph(line: str, page: Page) -> _Block:
    lines = wrapped(line, page.inner_mm, page.text_pt)

    def draw(p: Page, y: float) -> None:
        for i, part in enumerate(lines):
            p.text(p.margin_mm, y + 0.8 + i * line_mm(p.text_pt), part)

    return _Block(len(lines) * line_mm(page.text_pt) + 1.2, draw)
