"""The shared PDF helpers, measured on the page as poppler draws it."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from outside import need
from pdf_pages import DPI, TITLES, embedded, raster, tool

from framematch.errors import InputError
from framematch.output import fonts, pdf


@pytest.mark.usefixtures("poppler")
@pytest.mark.parametrize("paper", list(pdf.PAPERS_MM))
def test_check_bar_is_100_mm_on_paper(tmp_path: Path, paper: str) -> None:
    file = tmp_path / "bar.pdf"
    with pdf.document(file, title="bar") as doc, doc.page(pdf.paper_mm(paper)) as page:
        page.check_bar(20.0, 30.0)
    ink = raster(file) < 128
    assert ink.shape == pytest.approx([side / 25.4 * DPI for side in pdf.paper_mm(paper)[::-1]], abs=1)
    row = ink[round((30 + 3.8) / 25.4 * DPI)]  # through the bar itself
    dark = np.flatnonzero(row)
    assert row[dark[0] : dark[-1] + 1].all()
    assert (dark[-1] + 1 - dark[0]) / DPI * 25.4 == pytest.approx(100.0, abs=0.1)
    ticks = np.flatnonzero(np.diff(ink[round((30 + 2.4) / 25.4 * DPI)].astype(int)) == 1)
    assert np.diff(ticks) / DPI * 25.4 == pytest.approx([10.0] * 10, abs=0.2)


@pytest.mark.usefixtures("poppler")
@pytest.mark.parametrize("script", list(TITLES))
def test_title_in_any_script_fits_is_embedded_and_can_be_selected(tmp_path: Path, script: str) -> None:
    title = TITLES[script]
    need(not fonts.missing_characters(title), f"a font with {script} letters (fonts-noto-cjk)")
    file = tmp_path / "title.pdf"
    with pdf.document(file, title=title) as doc, doc.page(pdf.paper_mm("A4"), mark=title) as page:
        wide = page.text(20, 40, title, size_pt=16, bold=True, room_mm=170)
        assert wide <= 170 + 1e-9
        page.block(60, 60, title, room_mm=40, size_pt=12)
    assert embedded(file) and all(embedded(file))
    columns = np.flatnonzero((raster(file, dpi=150) < 200).any(axis=0)) / 150 * 25.4
    assert columns[0] >= 19.5 and columns[-1] <= 190.5
    if script != "arabic":  # pdftotext gives joined forms for Arabic
        shown = re.sub(r"\s", "", tool("pdftotext", "-layout", str(file), "-"))
        assert shown.count(title.replace(" ", "")) == 2


@pytest.mark.usefixtures("poppler")
def test_letters_without_any_font_are_named_on_the_page(tmp_path: Path) -> None:
    lost = "\U0010fffd"  # the last private character, which no font has
    file = tmp_path / "lost.pdf"
    with pdf.document(file, title="lost") as doc, doc.page(pdf.paper_mm("A4")) as page:
        page.text(20, 20, f"pane {lost}")
        page.footer("left", "right")
    assert doc.missing == {lost}
    shown = tool("pdftotext", "-layout", str(file), "-")
    assert fonts.MISSING in shown and "U+10FFFD" in shown


def test_layout_signs_vanish_and_private_characters_are_named() -> None:
    assert fonts.runs("a\u200bb\u202ec") == fonts.runs("abc")
    assert fonts.missing_characters("pane \ue123 \u0915") == "\u0915\ue123" and fonts.runs("\u0915")[0][1] == fonts.MISSING


def test_wrapping_keeps_every_letter_and_the_room() -> None:
    for title in TITLES.values():
        lines = fonts.wrapped(title * 3 + "x" * 200, 11, 150)
        assert all(fonts.width_pt(line, 11) <= 150 for line in lines)
        assert re.sub(r"\s", "", "".join(lines)) == re.sub(r"\s", "", title * 3 + "x" * 200)


def test_block_with_few_lines_shrinks_and_never_cuts(tmp_path: Path) -> None:
    with pdf.document(tmp_path / "a.pdf", title="a") as doc, doc.page(pdf.paper_mm("A4")) as page:
        assert page.block(10, 10, TITLES["latin"] * 3, room_mm=110, size_pt=14, lines_at_most=2) < 10 + 2 * 14 * 1.3 / pdf.PT_PER_MM


def test_a_page_that_fails_leaves_no_file(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), pdf.document(tmp_path / "a.pdf", title="a") as doc, doc.page(pdf.paper_mm("A4")):
        raise RuntimeError
    assert not list(tmp_path.iterdir())


def test_unknown_paper_is_named() -> None:
    with pytest.raises(InputError, match="letter"):
        pdf.paper_mm("foolscap")
    assert pdf.paper_mm("LETTER", landscape=True) == (279.4, 215.9)
