"""The contents of several pairings' sheets: every title whole, in as many lines as it takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from framematch.output import fonts
from framematch.output.pdf import GREY, LINE_HEIGHT, MARGIN_MM, PALE, PT_PER_MM, SMALLEST_PT, Document, paper_mm

_BASE_MM = (210.0, 297.0)  # the layout's own size; other papers scale it
_RIGHT = _BASE_MM[0] - MARGIN_MM
_FIRST_MM, _LAST_MM, _ROW_MM, _TITLE_MM, _SUMMARY_MM = 27.5, 277.1, 4.8, 90.0, 82.0
_SIZE_PT = 9.0


@dataclass(frozen=True, kw_only=True)
class Row:
    """Where a pairing stands in the contents.

    Args:
        page: from 0.
        top_mm, high_mm: on the layout's own page.
        lines: of its title.
        beside: whether its summary stands beside the title, else below it.
    """

    page: int
    top_mm: float
    high_mm: float
    lines: tuple[str, ...]
    beside: bool

    def link_mm(self, paper: str) -> tuple[float, float, float, float]:
        """What leads to its page: left, top, width, height on a paper."""
        scale, left = _fit(paper)
        return left + MARGIN_MM * scale, self.top_mm * scale, (_RIGHT - MARGIN_MM) * scale, (self.high_mm - 0.2) * scale

    def link_pt(self, paper: str) -> tuple[float, float, float, float]:
        """The same as PDF has it: left, bottom, right, top from the page's foot."""
        left, top, wide, high = self.link_mm(paper)
        foot = paper_mm(paper)[1]
        return left * PT_PER_MM, (foot - top - high) * PT_PER_MM, (left + wide) * PT_PER_MM, (foot - top) * PT_PER_MM


def contents_rows(titles: Sequence[str]) -> list[Row]:
    """A row for each title, over as many pages as they take."""
    out: list[Row] = []
    page, top = 0, _FIRST_MM
    for title in titles:
        name = title or "(no title)"
        beside = fonts.width_pt(name, SMALLEST_PT) <= _TITLE_MM * PT_PER_MM
        lines = (name,) if beside else tuple(fonts.wrapped(name, _SIZE_PT, (_RIGHT - MARGIN_MM - 10) * PT_PER_MM))
        high = _ROW_MM if beside else _ROW_MM + len(lines) * _SIZE_PT * LINE_HEIGHT / PT_PER_MM
        if top + high > _LAST_MM + 1e-6:
            page, top = page + 1, _FIRST_MM
        out.append(Row(page=page, top_mm=top, high_mm=high, lines=lines, beside=beside))
        top += high
    return out


def add_contents(doc: Document, entries: Sequence[tuple[str, str]], pages: Sequence[int], *, paper: str, made: str, links: bool = True, of: str = "") -> None:
    """Contents pages, of a production: title, summary and page number of each pairing; a row leads to its page unless ``links`` says no."""
    rows = contents_rows([title for title, _ in entries])
    scale, left = _fit(paper)
    line_mm = _SIZE_PT * LINE_HEIGHT / PT_PER_MM
    for number in range(rows[-1].page + 1 if rows else 0):
        here = [i for i, row in enumerate(rows) if row.page == number]
        with doc.page(paper_mm(paper), mark="" if number else "Contents") as page:
            with page.scaled(left, 0.0, scale, _BASE_MM) as inner:
                inner.text(MARGIN_MM, 18, "Guide sheets", size_pt=18, bold=True)
                inner.text(MARGIN_MM, 24, ", ".join(filter(None, (f"{len(entries)} pairings", of))), size_pt=9, colour=GREY, room_mm=150)
                inner.text(_RIGHT, 24, "page", size_pt=7, colour=GREY, align="right")
                for i in here:
                    row, last = rows[i], rows[i].top_mm + rows[i].high_mm - 1.3
                    for k, line in enumerate(row.lines):
                        inner.text(MARGIN_MM, row.top_mm + 3.5 + k * line_mm, line, size_pt=_SIZE_PT, room_mm=_TITLE_MM if row.beside else None)
                    inner.text(MARGIN_MM + (_TITLE_MM + 3 if row.beside else 0), last, entries[i][1], colour=GREY, room_mm=_SUMMARY_MM if row.beside else 160)
                    inner.text(_RIGHT, row.top_mm + 3.5, str(pages[i]), size_pt=9, align="right")
                    inner.line(MARGIN_MM, last + 1.3, _RIGHT, last + 1.3, width_mm=0.1, colour=PALE)
            for i in here if links else ():
                page.link(*rows[i].link_mm(paper), f"pairing-{i}")
            page.footer("Contents", made)


def _fit(paper: str) -> tuple[float, float]:
    """Scale of the layout on a paper, and where its left edge lies."""
    wide, high = paper_mm(paper)
    scale = min(wide / _BASE_MM[0], high / _BASE_MM[1])
    return scale, (wide - _BASE_MM[0] * scale) / 2
