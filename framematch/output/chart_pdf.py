"""The calibration charts to print: a ChArUco board, and a plain chessboard, at true scale with a check bar."""

from __future__ import annotations

from pathlib import Path

from framematch.measure.chart import CHARUCO, CHESSBOARD, PAPERS_MM, Chart, black_rectangles_mm, chart_for_paper
from framematch.output.pdf import BLACK, SMALLEST_PT, Document, Page, document, made_line

_BAR_MM = 100.0
STEPS = (
    "1. Print at 100 % (actual size). The bar must measure 100 mm: if not, add --bar-mm with what your ruler says.",
    "2. Tape the sheet flat on a stiff board, without waves or shine. A bent chart bends the result.",
    "3. Fix focus, mode and stabiliser as for the flight. Propellers off. Light evenly; keep the chart sharp.",
    "4. Take 12 to 20 stills: every part of the picture right into its corners, near and far, tilted 30 to 45 degrees to all sides.",
    "5. For the mount, take a still with both cameras at the same moment, chart and rig standing still.",
)


def write_charts(path: Path, *, paper: str = "A3") -> tuple[str, str]:
    """Write both charts, a page each; returns their names.

    Raises:
        InputError: no such paper, or the file can't be written.
    """
    charts = (chart_for_paper(paper, kind=CHARUCO), chart_for_paper(paper, kind=CHESSBOARD))
    size = next(size for name, size in PAPERS_MM.items() if name.upper() == paper.upper())
    with document(path, title="Calibration charts", subject=" and ".join(c.name for c in charts)) as doc:
        for chart in charts:
            _chart_page(doc, chart, size)
    return charts[0].name, charts[1].name


def _chart_page(doc: Document, chart: Chart, size_mm: tuple[float, float]) -> None:
    wide, tall = chart.columns * chart.square_mm, chart.rows * chart.square_mm
    left, top = (size_mm[0] - wide) / 2, 11.0
    with doc.page(size_mm, mark=chart.name) as page:
        # One shape: viewers that smooth each shape by itself would leave hairlines between touching squares.
        page.rings(
            [[(left + x, top + y), (left + x + w, top + y), (left + x + w, top + y + h), (left + x, top + y + h)] for x, y, w, h in black_rectangles_mm(chart)],
            colour=None,
            fill=BLACK,
        )
        _foot(page, chart, left, top + tall)


def _foot(page: Page, chart: Chart, left: float, below: float) -> None:
    foot = below + 5.5
    page.text(left, foot + 3, chart.name, size_pt=11, bold=True, room_mm=_BAR_MM)
    page.check_bar(left, foot + 5)
    room = page.width_mm - 11 - (left + _BAR_MM + 8)
    size = 9.0 if room > 200 else SMALLEST_PT
    y = foot - 1.0
    for step in STEPS:
        y = page.block(left + _BAR_MM + 8, y, step, room_mm=room, size_pt=size)
    page.text(left, foot + 17, made_line(), size_pt=SMALLEST_PT)
