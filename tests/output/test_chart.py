"""The one chart: where its lines lie, what names them, and the same chart by every way of drawing."""

from __future__ import annotations

import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from framematch.output.chart import SERIES, Axis, Curve, Look, Spot, chart_drawing, reach, span, style
from framematch.output.drawing import Area, Drawing, Label, Line
from framematch.output.svg import drawing_svg

LOOK = Look(ink="#111111", quiet="#555555", rule="#cccccc", ground=None, size=13)
SIZE = (560, 300)


def chart(curves: list[tuple[str, np.ndarray]], x: np.ndarray, up: tuple[float, float], **more: object) -> Drawing:
    drawn = [Curve(name=name, x=x, y=y, colour=style(i)[0], dash=style(i)[1]) for i, (name, y) in enumerate(curves)]
    across = Axis(name="distance, m", first=float(x[0]), last=float(x[-1]), log=True)
    return chart_drawing(drawn, across=across, up=Axis(name="%", first=up[0], last=up[1]), look=LOOK, size=SIZE, **more)  # type: ignore[arg-type]


def thick(drawing: Drawing) -> list[Line]:
    return [s for s in drawing.shapes if isinstance(s, Line) and s.colour in SERIES and s.width > 2]


def labels(drawing: Drawing) -> dict[str, Label]:
    return {s.text: s for s in drawing.shapes if isinstance(s, Label)}


def test_every_line_is_named_and_breaks_at_jumps_and_gaps() -> None:
    x = np.geomspace(0.5, 50, 60)
    jumping, absent = np.where(x < 5, -8.0, 8.0), np.full(60, np.nan)
    drawing = chart([("up & away", jumping), ("level", absent)], x, (-10, 10), breaks=True, level=0.0)
    texts = [e.text for e in ET.fromstring(drawing_svg(drawing)).iter("{http://www.w3.org/2000/svg}text")]
    assert "up & away" in texts and "level" not in texts
    assert len(thick(drawing)) == 2
    assert len(thick(chart([("up & away", jumping)], x, (-10, 10)))) == 1
    assert len(thick(chart([("gap", np.where((x > 4) & (x < 6), np.nan, 1.0))], x, (-10, 10)))) == 2


def test_values_lie_where_the_marks_say_and_nothing_leaves_the_chart() -> None:
    """A line through marked values passes the lines of those marks; beyond the axis it is cut there, not bent."""
    x = np.array([1.0, 2.0, 5.0, 10.0])
    drawing = chart([("a", np.array([0.0, 20.0, 50.0, 100.0]))], x, (0, 50))
    words = labels(drawing)
    (line,) = thick(drawing)
    for (px, py), tick, level in zip(line.points[:3], ("1", "2", "5"), ("0", "20", "50"), strict=True):
        assert px == pytest.approx(words[tick].x, abs=0.01) and py == pytest.approx(words[level].y, abs=0.01)
    assert line.points[:, 1].min() == pytest.approx(words["50"].y) and len(line.points) == 3


def test_a_run_goes_from_far_to_near_and_leads_a_short_line_to_its_name() -> None:
    x = np.geomspace(20, 0.1, 60)
    drawing = chart([("long", np.linspace(1, 9, 60)), ("short", np.where(x > 1, np.linspace(1, 9, 60), np.nan))], x, (0, 10))
    words = labels(drawing)
    marked = ("20", "10", "5", "2", "1", "0.5", "0.2", "0.1")
    places = [words[text].x for text in marked]
    assert places == sorted(places)
    (leader,) = [s for s in drawing.shapes if isinstance(s, Line) and s.colour == words["short"].colour == SERIES[1] and s.width < 2]
    (start, _), (end, height) = leader.points
    assert start < 0.7 * end and 0 < words["short"].x - end < 5 and height == pytest.approx(words["short"].y)


def test_names_at_one_height_are_spread_and_long_ones_cut() -> None:
    x = np.geomspace(1, 10, 20)
    drawing = chart([(f"lens of a long name {i}", np.full(20, 5.0)) for i in range(5)], x, (0, 10))
    names = [s for s in drawing.shapes if isinstance(s, Label) and s.text.endswith("…")]
    heights = [s.y for s in names]
    assert len(names) == 5 and min(np.diff(sorted(heights))) >= LOOK.size and max(heights) < SIZE[1]
    assert all(len(s.text) <= 14 and s.x + 0.6 * len(s.text) * s.size <= SIZE[0] for s in names)


def test_marks_bands_and_spots_are_drawn() -> None:
    x = np.geomspace(1, 100, 20)
    spots = [Spot(x=10.0, y=5.0, colour="#000000"), Spot(x=20.0, y=5.0, colour="#000000", filled=False)]
    drawing = chart([("a", np.full(20, 5.0))], x, (0, 10), patches=[span((2.0, 1000.0), (0.0, 10.0), "#cccccc", 0.35)], mark=(10.0, "true"), spots=spots)
    band, filled, hole = [s for s in drawing.shapes if isinstance(s, Area)]
    words = labels(drawing)
    assert band.rings[0][:, 0].min() == pytest.approx(words["2"].x) and band.rings[0][:, 0].max() == pytest.approx(words["100"].x)
    assert filled.rings[0].mean(axis=0) == pytest.approx((words["10"].x, (words["4"].y + words["6"].y) / 2))
    assert hole.colour == "#ffffff" and hole.rings[0][:, 0].mean() > filled.rings[0][:, 0].mean()
    assert words["true"].x > words["10"].x


def test_reach_holds_all_that_is_finite() -> None:
    assert reach([[np.nan, 2.0], [4.0]]) == (0.0, pytest.approx(4.24))
    low, high = reach([[-1.0, 0.01, 10.0, np.inf]], log=True)
    assert low < 0.01 and high > 10
    assert reach([[np.nan]]) == (0.0, 1.0) and reach([], log=True) == (1.0, 10.0)


@pytest.mark.usefixtures("poppler")
def test_paper_by_either_way_and_pixels_show_the_same_chart(tmp_path: Path) -> None:
    """ReportLab and Matplotlib as poppler draws their pages, Pillow, and the drawing's own numbers: the line's points are dark in each."""
    from PIL import Image

    from framematch.output.pdf import document
    from framematch.output.pdf_drawing import draw_shapes
    from framematch.output.raster import drawing_picture
    from framematch.output.sheet_page import Page, write_pages

    x = np.geomspace(1, 10, 30)
    drawing = chart([("a", np.linspace(2, 8, 30))], x, (0, 10))
    with document(tmp_path / "a.pdf", title="") as doc, doc.page((100, 80)) as page:
        draw_shapes(page, drawing, x=10, top=20, mm_per_px=(0.1, 0.1), as_it_is=True)
    sheet = Page(width_mm=100, height_mm=80, margin_mm=5, text_pt=8)
    sheet.draw(drawing, 10, 20, 0.1)
    write_pages(tmp_path / "b.pdf", [sheet], title="", dpi=100)
    (line,) = thick(drawing)
    per_mm = 300 / 25.4
    for name in ("a", "b"):
        subprocess.run(["pdftoppm", "-r", "300", "-gray", "-png", "-singlefile", tmp_path / f"{name}.pdf", tmp_path / name], check=True)
        grey = np.asarray(Image.open(tmp_path / f"{name}.png"))
        at = ((line.points[2:-2] * 0.1 + (10, 20)) * per_mm).astype(int)
        assert (grey[at[:, 1], at[:, 0]] < 128).all(), name
        beside = at + (0, 8)
        assert (grey[beside[:, 1], beside[:, 0]] > 160).mean() > 0.9, name
    seen = np.asarray(drawing_picture(drawing))
    at = line.points[2:-2].astype(int)
    assert (seen[at[:, 1], at[:, 0], 3] > 128).all()
