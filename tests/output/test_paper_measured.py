"""Every sheet as a printer gets it, A4 and Letter: smallest type, margins, contrast, fonts; measured in the PDF and in its pixels."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
from at_length import crossed
from pdf_pages import embedded, raster, words
from rigs import glasshouse

from framematch.compare import compare
from framematch.compare.along import Filming, along, things_of
from framematch.day import plan_day
from framematch.files.day import parse_day
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER_PATH, STARTER_PLAN, starter_day
from framematch.guide.report import guide_report
from framematch.guide.shown import shown_in
from framematch.output.day_card import write_card
from framematch.output.lens_sheet import write_sheet as write_lens_sheet
from framematch.output.path_sheet import write_path_sheet
from framematch.output.sheet import write_sheets

DPI = 200
SMALLEST_PT, MARGIN_MM, CONTRAST = 8.0, 6.0, 4.5  # the margin that office printers leave blank is 4 to 6 mm (practice); WCAG 2.2, 1.4.3


def _sheet(folder: Path, paper: str) -> Path:
    file = folder / "sheet.pdf"
    write_sheets(file, [guide_report(glasshouse(), sets=2)], paper=paper, display_mm=(152, 86), wall_m=2.0)
    return file


def _several(folder: Path, paper: str) -> Path:
    file = folder / "several.pdf"
    report = guide_report(glasshouse())
    long = replace(report, pairing=replace(report.pairing, title="Derelict glasshouse, pane by the north door, " * 4))
    write_sheets(file, [report, long, report], paper=paper)
    return file


def _card(folder: Path, paper: str) -> Path:
    return write_card(plan_day(parse_day(starter_day("x"), pairing=glasshouse())), folder / "card.pdf", paper=paper)[0]


def _path(folder: Path, paper: str) -> Path:
    shot = parse_shot(glasshouse(), STARTER_PATH)
    assert shot.flown is not None
    file = folder / "path.pdf"
    write_path_sheet(file, along(glasshouse(), shot.flown, things_of(shot), filming=Filming(readout_s=0.016)), asked=["An answer."], paper=paper)
    return file


def _lenses(folder: Path, paper: str) -> Path:
    file = folder / "lenses.pdf"
    shot = parse_shot(glasshouse(), STARTER_PLAN)
    write_lens_sheet(file, compare(glasshouse(), replace(shot, candidates=shot.candidates[:1]), guide=False), paper=paper)
    return file


KINDS = {"guide, sets, true scale, wall": _sheet, "contents": _several, "flight card": _card, "path": _path, "lenses": _lenses}


def type_sizes(file: Path) -> list[float]:
    """The size of every piece of text as printed, in points."""
    found = []
    for page in pypdf.PdfReader(str(file)).pages:

        def visit(text: str, cm: list[float], tm: list[float], font: object, size: float) -> None:
            if text.strip():
                matrix = np.array([[tm[0], tm[1]], [tm[2], tm[3]]]) @ np.array([[cm[0], cm[1]], [cm[2], cm[3]]])
                found.append(size * float(np.sqrt(abs(np.linalg.det(matrix)))))

        page.extract_text(visitor_text=visit)
    return found


def _luminance(level: float) -> float:
    c = level / 255
    return float(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4)


@pytest.mark.usefixtures("poppler")
@pytest.mark.parametrize(("kind", "paper"), crossed(KINDS, ["A4", "Letter"]))
def test_a_crew_can_read_it_outdoors(tmp_path: Path, kind, paper: str) -> None:
    with shown_in("metric" if paper == "A4" else "imperial"):
        file = kind(tmp_path, paper)
    sizes = type_sizes(file)
    assert len(sizes) > 20 and min(sizes) >= SMALLEST_PT - 0.01
    assert embedded(file) and all(embedded(file))
    boxes = words(file)
    for number in range(1, len(pypdf.PdfReader(str(file)).pages) + 1):
        grey = raster(file, page=number, dpi=DPI)
        rim = round(MARGIN_MM / 25.4 * DPI) - 1
        inside = np.zeros(grey.shape, dtype=bool)
        inside[rim : -round(4.5 / 25.4 * DPI), rim:-rim] = True  # the footer's descenders
        assert (grey[~inside] > 250).all(), number
        here = [b for b in boxes if b[0] == number and any(c.isalnum() for c in b[5])]
        assert len(here) > 8
        for _, x0, y0, x1, y1, text in here:
            a, b, c, d = (round(v / 72 * DPI) for v in (x0, y0, x1, y1))
            part = grey[b:d, a:c]
            high, low = _luminance(float(part.max())), _luminance(float(part.min()))
            assert (high + 0.05) / (low + 0.05) >= CONTRAST, (number, text)
        text = " ".join(b[5] for b in boxes if b[0] == number)
        assert "framematch 0." in text and datetime.date.today().isoformat() in text  # version and date
