"""Sheets, measured on the page as poppler draws it."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
from at_length import sample
from outside import need
from pdf_pages import DPI, TITLES, embedded, raster, tool, words
from PIL import Image
from rigs import glasshouse

from framematch.errors import InputError
from framematch.geometry.mount import Mount
from framematch.guide.report import guide_report
from framematch.output import fonts, pdf
from framematch.output.sheet import write_sheets
from framematch.output.true_scale import sides_mm


@pytest.fixture(scope="module")
def report():
    return guide_report(glasshouse())


def colours(file: Path, page: int) -> np.ndarray:
    stem = file.with_name(f"{file.stem}-{page}")
    subprocess.run(["pdftoppm", "-r", str(DPI), "-f", str(page), "-l", str(page), "-singlefile", str(file), str(stem)], check=True)
    with Image.open(stem.with_suffix(".ppm")) as picture:
        return np.asarray(picture)


def middle_mm(dark: np.ndarray, near_mm: float, within_mm: float = 1.5) -> float:
    """Middle of the one dark run near a place along a row of pixels, mm."""
    a, b = (round((near_mm + side * within_mm) / 25.4 * DPI) for side in (-1, 1))
    places = np.flatnonzero(dark[a:b])
    assert len(places), f"nothing dark near {near_mm} mm"
    assert places[-1] - places[0] < 0.6 / 25.4 * DPI  # one line, not two
    return (a + (places[0] + places[-1] + 1) / 2) / DPI * 25.4


@pytest.mark.usefixtures("poppler")
@pytest.mark.parametrize(
    "paper,display_mm",
    sample(
        [("letter", (152.0, 86.0)), ("A4", (240.0, 135.0))], [(p, (152.0, 86.0)) for p in ("A4", "letter")] + [("A3", (255.0, 143.5)), ("A4", (240.0, 135.0))]
    ),
)
def test_true_scale_is_true(tmp_path: Path, report, paper: str, display_mm: tuple[float, float]) -> None:
    file = tmp_path / "a.pdf"
    write_sheets(file, [report], paper=paper, display_mm=display_mm)
    picture = colours(file, 2)
    black = picture.max(axis=2) < 110
    wide_mm = black.shape[1] / DPI * 25.4
    # The corner ticks outside the picture give its edges.
    left = middle_mm(black[round(24.0 / 25.4 * DPI)], (wide_mm - display_mm[0]) / 2)
    right = middle_mm(black[round(24.0 / 25.4 * DPI)], (wide_mm + display_mm[0]) / 2)
    column = round((left - 2.5) / 25.4 * DPI)
    top, bottom = middle_mm(black[:, column], 26.0), middle_mm(black[:, column], 26.0 + display_mm[1])
    assert (right - left, bottom - top) == pytest.approx(display_mm, abs=0.2)
    r, (wide, high) = report.guide.rectangle, report.pairing.display.raster_px
    per = display_mm[0] / wide, display_mm[1] / high
    # Across at a fifth of the rectangle's height from its top, down at a third of its width: clear of cross and outline.
    row = round((top + (r.top + 0.35 * r.height) * per[1]) / 25.4 * DPI)
    line = round((left + (r.left + 0.3 * r.width) * per[0]) / 25.4 * DPI)
    found = [middle_mm(black[row], left + x * per[0]) - left for x in (r.left, r.right)] + [
        middle_mm(black[:, line], top + y * per[1], 0.8) - top for y in (r.top, r.bottom)
    ]
    want = [r.left * per[0], r.right * per[0], r.top * per[1], r.bottom * per[1]]
    assert found == pytest.approx(want, abs=0.2)
    ochre = (picture[..., 0].astype(int) - picture[..., 2]) > 60
    edge = np.flatnonzero(ochre.any(axis=0))
    outline = np.concatenate(report.guide.outline.pieces)
    assert (edge[0] / DPI * 25.4 - left, (edge[-1] + 1) / DPI * 25.4 - left) == pytest.approx(
        (outline[:, 0].min() * per[0], outline[:, 0].max() * per[0]), abs=0.2
    )
    bar = black[round((bottom + 6 + 4.5 + 3.8) / 25.4 * DPI)]
    dark = np.flatnonzero(bar)
    assert (dark[-1] + 1 - dark[0]) / DPI * 25.4 == pytest.approx(100.0, abs=0.1)


@pytest.mark.usefixtures("poppler")
@pytest.mark.parametrize(
    ("script", "paper"),
    sample([*((script, "A4") for script in TITLES), ("latin", "A3"), ("latin", "letter")], [(script, paper) for script in TITLES for paper in pdf.PAPERS_MM]),
)
def test_nothing_is_clipped_or_overprinted(tmp_path: Path, report, script: str, paper: str) -> None:
    title = TITLES[script]
    need(not fonts.missing_characters(title), f"a font with {script} letters (fonts-noto-cjk)")
    file = tmp_path / "a.pdf"
    titled = replace(report, pairing=replace(report.pairing, title=title))
    assert write_sheets(file, [titled], paper=paper, display_mm=(152, 86), wall_m=2.0) == (3, set())
    assert embedded(file) and all(embedded(file))
    wide, high = (side * pdf.PT_PER_MM for side in pdf.paper_mm(paper))
    boxes = words(file)
    assert len(boxes) > 300
    foot = high - 11 * pdf.PT_PER_MM  # a title too long for the foot is whole in the heading
    assert not [b for b in boxes if ("…" in b[5] and b[2] < foot) or fonts.MISSING in b[5]]
    assert all(b[1] >= 12 and b[3] <= wide - 12 and b[2] >= 12 and b[4] <= high - 5 for b in boxes)
    for page in (1, 2, 3):
        here = [b for b in boxes if b[0] == page]
        x0, y0, x1, y1 = np.array([b[1:5] for b in here]).T
        across, down = (np.minimum.outer(high, high) - np.maximum.outer(low, low) for low, high in ((x0, x1), (y0, y1)))
        # Boxes are as tall as the font's tallest accents, so lines touch; letters overprint when they share half a line.
        over = np.triu((across >= 1) & (down >= 0.5 * np.minimum.outer(y1 - y0, y1 - y0)), 1)
        assert not over.any(), [(page, here[i], here[j]) for i, j in np.argwhere(over)[:3]]
    if script != "arabic":
        shown = re.sub(r"\s", "", tool("pdftotext", str(file), "-"))
        assert shown.count(title.replace(" ", "")) >= 3  # the heading of each page


@pytest.mark.usefixtures("poppler")
@pytest.mark.parametrize("paper", sample(["A4"], list(pdf.PAPERS_MM)))
def test_the_check_bar_is_never_scaled(tmp_path: Path, report, paper: str) -> None:
    file = tmp_path / "a.pdf"
    write_sheets(file, [report], paper=paper, wall_m=2.0)
    for page in (1, 2):
        ink = raster(file, page=page) < 128
        runs = longest_runs(ink)
        assert min(abs(run / DPI * 25.4 - 100.0) for run in runs) < 0.1


def longest_runs(ink: np.ndarray) -> list[int]:
    """Longest unbroken dark run of every row."""
    out = []
    for row in ink[ink.shape[0] * 2 // 3 :]:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
        if len(edges):
            out.append(int((edges[1::2] - edges[::2]).max()))
    return out


@pytest.mark.usefixtures("poppler")
@pytest.mark.at_length
def test_several_pairings_get_contents_that_lead_to_them(tmp_path: Path, report) -> None:
    file = tmp_path / "a.pdf"
    count = 53  # one more than a page of contents holds
    reports = [replace(report, pairing=replace(report.pairing, title=f"Pane {i}")) for i in range(count)]
    pages, _ = write_sheets(file, reports)
    assert pages == count + 2
    first = tool("pdftotext", "-layout", "-l", "2", str(file), "-")
    rows = re.findall(r"Pane (\d+)\s.*?\s(\d+)\s*$", first, flags=re.MULTILINE)
    assert [(int(a), int(b)) for a, b in rows] == [(i, i + 3) for i in range(count)]
    reader = pypdf.PdfReader(str(file))
    links = [a.get_object() for page in reader.pages[:2] for a in page["/Annots"]]
    assert len(links) == count
    assert f"Pane {count - 1}" in reader.pages[count + 1].extract_text()


@pytest.mark.usefixtures("poppler")
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_a_long_title_stands_whole_in_the_contents(tmp_path: Path, report, paper: str) -> None:
    file, long = tmp_path / "a.pdf", "Derelict glasshouse, pane by the north door, " + "second unit with the spare body and the wide lens, " * 3 + "end"
    write_sheets(file, [replace(report, pairing=replace(report.pairing, title=title)) for title in ("One", long, "Three")], paper=paper)
    text = tool("pdftotext", "-layout", "-l", "1", str(file), "-")
    assert long in " ".join(re.sub(r" {3,}\d+$", "", text, flags=re.MULTILINE).split()) and "…" not in text
    words = {word: float(y) for y, word in re.findall(r'yMin="([\d.]+)".*?>(One|Derelict|Three)<', tool("pdftotext", "-bbox", "-l", "1", str(file), "-"))}
    links = sorted((a.get_object()["/Rect"] for a in pypdf.PdfReader(str(file)).pages[0]["/Annots"]), key=lambda r: -r[3])
    high = float(pypdf.PdfReader(str(file)).pages[0].mediabox.height)
    assert [r[1] < high - words[word] < r[3] for r, word in zip(links, ("One", "Derelict", "Three"), strict=True)] == [True] * 3


@pytest.mark.usefixtures("poppler")
def test_the_page_holds_what_the_guide_says(tmp_path: Path, report) -> None:
    file = tmp_path / "a.pdf"
    write_sheets(file, [report], wall_m=2.0)
    text = " ".join(tool("pdftotext", "-layout", str(file), "-").split())
    for wanted in ("318 px 24.9 %", "192 px 26.7 %", "exactly true at 2.86 m", "columns 14 and 37", "f/8", "92 %", "right 0, up +58 mm, forward +31 mm"):
        assert wanted in text
    for wanted in ("Never fly over people", "Spinning propellers cut", "Lithium packs burn", "1283 mm left, 537 mm up", "tilted too far up"):
        assert wanted in text


def test_odd_rigs_come_out_too(tmp_path: Path) -> None:
    base = glasshouse()
    rigs = [
        replace(base, near_m=3.0, far_m=3.0),
        replace(base, far_m=float("inf"), text_cells=None, title=""),
        replace(base, mount=Mount(right_mm=-140, up_mm=-58, forward_mm=-300, pan_deg=12, tilt_deg=-14, roll_deg=25)),
        replace(base, mount=Mount()),
    ]
    pages, missing = write_sheets(tmp_path / "a.pdf", [guide_report(r) for r in rigs], paper="letter", display_mm=(100, 60), wall_m=2.0)
    assert pages == 1 + 3 * len(rigs) and not missing


def test_what_does_not_fit_is_refused_before_anything_is_written(tmp_path: Path, report) -> None:
    with pytest.raises(InputError, match=r"[Uu]se --paper A3"):
        write_sheets(tmp_path / "a.pdf", [report], display_mm=(300, 170))
    with pytest.raises(InputError, match="fits no paper"):
        write_sheets(tmp_path / "a.pdf", [report], display_mm=(600, 340))
    with pytest.raises(InputError, match="not a paper size"):
        write_sheets(tmp_path / "a.pdf", [report], paper="B5")
    with pytest.raises(InputError, match="not a distance to a wall"):
        write_sheets(tmp_path / "a.pdf", [report], wall_m=0.0)
    assert not list(tmp_path.iterdir())


def test_a_displays_sides_follow_from_its_diagonal() -> None:
    """Published sizes of 16:9 screens: 7 inches are 155.0 x 87.2 mm (Pythagoras; an inch is 25.4 mm)."""
    assert sides_mm(7.0, (1280, 720)) == (155.0, 87.2)
    assert sides_mm(5.0, (1440, 1080)) == (101.6, 76.2)  # 4:3 is 4 by 3 inches
