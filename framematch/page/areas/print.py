"""Paper: the guide's sheet, wall marks for the bench, the calibration chart."""

from __future__ import annotations

from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.page.areas.pairing import plain_name
from framematch.page.files_made import made
from framematch.page.look import Colours, block, paragraph, table
from framematch.page.patience import patiently
from framematch.page.work import report_of
from framematch.pairing import Pairing
from framematch.report import Report
from framematch.wall_marks import wall_marks

PAPERS = {"A4": "A4", "letter": "US Letter", "A3": "A3"}


def area(pairing: Pairing, colours: Colours, pulse: Any) -> None:
    """Sheets to download, and the wall marks on the screen."""
    try:
        report = patiently(lambda: report_of(pairing), pulse)
    except InputError as error:
        st.html(block(paragraph(f"Nothing to print: {error}", "fault")))
        return
    left, right = st.columns(2, gap="large")
    with left:
        _sheet(report)
    with right:
        _wall(report)
    _chart()


def _sheet(report: Report) -> None:
    st.html(block("<h2>Sheet for the case</h2>" + paragraph("One page: guide, insets, errors, lenses. Print at 100 %.", "quiet")))
    paper = st.selectbox("Paper", list(PAPERS), format_func=lambda name: PAPERS[name], key="print:paper", help="What the printer holds.")
    known = st.checkbox("Also at true scale for a picture of this size", key="print:true", help="To lay over a monitor, or hold before the goggles' screen.")
    width, height = st.columns(2)
    wide = width.number_input(
        "Picture width, mm", 20.0, 390.0, 152.0, 1.0, format="%.1f", key="print:w", disabled=not known, help="Measured on the screen, 20 to 390."
    )
    high = height.number_input(
        "Picture height, mm", 20.0, 280.0, 86.0, 1.0, format="%.1f", key="print:h", disabled=not known, help="Measured on the screen, 20 to 280."
    )
    size = (wide, high) if known else None
    if size is not None:
        from framematch.output.true_scale import fitting_paper

        try:
            fitting_paper(size, paper)
        except InputError as error:
            st.html(block(paragraph(str(error), "fault")))
            return
    st.download_button(
        "Sheet (PDF)",
        lambda: sheet_pdf(report, paper, size),
        f"{plain_name(report.pairing.title)}.pdf",
        "application/pdf",
        key="print:sheet",
        on_click="ignore",
    )


def sheet_pdf(report: Report, paper: str, size_mm: tuple[float, float] | None, wall_m: float | None = None) -> bytes:
    """The sheet's PDF."""
    from framematch.output.sheet import write_sheets

    return made(lambda path: write_sheets(path, [report], paper=paper, display_mm=size_mm, wall_m=wall_m), "sheet.pdf")


def _wall(report: Report) -> None:
    st.html(block("<h2>Wall marks for the bench</h2>" + paragraph("Tape the frame on a wall and see whether the guide meets it.", "quiet")))
    distance = st.number_input(
        "Wall, m from the recording lens", 0.3, 50.0, 2.0, 0.1, format="%.2f", key="print:wall", help="From lens to wall, square on; 0.3 to 50."
    )
    try:
        marks = wall_marks(report.pairing, distance)
    except InputError as error:
        st.html(block(paragraph(str(error), "fault")))
        return
    rows = [
        [m.name, _signed(m.right_mm), _signed(m.up_mm), f"{m.display_px[0]:.0f}, {m.display_px[1]:.0f}" if m.shown else "not in the goggles"] for m in marks
    ]
    st.html(block(table(["mark", "right, mm", "up, mm", "shows at, px"], rows, caption="From the point straight ahead of the recording lens")))
    st.download_button(
        "Sheet with wall marks (PDF)",
        lambda: sheet_pdf(report, "A4", None, distance),
        "wall-marks.pdf",
        "application/pdf",
        key="print:marks",
        on_click="ignore",
    )
    st.html(block(paragraph("Propellers off for all work on the bench.", "caution")))


def _signed(value_mm: float) -> str:
    return f"{round(value_mm):+d}" if round(value_mm) else "0"


def _chart() -> None:
    from framematch.output.chart_pdf import write_charts

    st.html(
        block(
            "<h2>Calibration chart</h2>"
            + paragraph("To measure lenses and mount from stills (framematch measure). Print at 100 %, tape flat on a board.", "quiet")
        )
    )
    st.download_button(
        "Chart, A3 (PDF)",
        lambda: made(lambda path: write_charts(path, paper="A3"), "chart.pdf"),
        "chart.pdf",
        "application/pdf",
        key="print:chart",
        on_click="ignore",
    )
