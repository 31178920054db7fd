"""Overlays measured in their pixels and in their vectors."""

from __future__ import annotations

import io
import re
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from rigs import glasshouse

from framematch.guide.report import guide_report
from framematch.output.drawing import EDGE_COLOUR, Drawing, Label
from framematch.output.guide_drawing import ALWAYS, BETWEEN, CENTRE, EVER, OUTLINE, PARTS, RECTANGLE, guide_drawing
from framematch.output.raster import drawing_picture, drawing_png
from framematch.output.svg import drawing_svg


@pytest.fixture(scope="module")
def report():
    return guide_report(glasshouse())


def rgb(colour):
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])


def test_rectangle_lies_where_it_is_said_to_a_tenth_of_a_pixel(report):
    """The line's centre of gravity across itself, measured in the picture."""
    picture = np.array(drawing_picture(guide_drawing(report, parts=("rectangle",), line_px=4.0))).astype(float)
    assert picture.shape == (720, 1280, 4)
    drawn = picture[..., 3]  # line and edge, which lies evenly on both sides
    r = report.guide.rectangle
    row, column = drawn[360], drawn[:, 640]
    at = np.arange(1280) + 0.5
    left = (row[:640] * at[:640]).sum() / row[:640].sum()
    right = (row[640:] * at[640:]).sum() / row[640:].sum()
    top = (column[:360] * at[:360]).sum() / column[:360].sum()
    bottom = (column[360:] * at[360:720]).sum() / column[360:].sum()
    assert (left, top, right, bottom) == pytest.approx(r.as_tuple(), abs=0.2)


def test_outline_in_the_picture_follows_the_curve(report):
    picture = np.array(drawing_picture(guide_drawing(report, parts=("outline",), line_px=4.0))).astype(float)
    blue = np.clip(picture[..., 2] - 60, 0, None) * (picture[..., 3] > 0)
    ring = report.guide.outline.pieces[0]
    upper = ring[ring[:, 1] < 360]
    upper = upper[np.argsort(upper[:, 0])]
    for x in (330, 500, 640, 800, 950):
        column = blue[:360, x]
        y = (column * (np.arange(360) + 0.5)).sum() / column.sum()
        assert y == pytest.approx(np.interp(x + 0.5, upper[:, 0], upper[:, 1]), abs=0.35)


def test_everything_else_is_transparent(report):
    alpha = np.array(drawing_picture(guide_drawing(report)))[..., 3]
    assert (alpha == 0).mean() > 0.97
    assert alpha[0].max() == alpha[-1].max() == alpha[:, 0].max() == alpha[:, -1].max() == 0


def test_svg_has_the_same_numbers_and_loads_as_xml(report):
    from xml.etree import ElementTree

    text = drawing_svg(guide_drawing(report, parts=PARTS))
    root = ElementTree.fromstring(text)
    assert root.attrib["width"] == "1280" and root.attrib["height"] == "720"
    r = report.guide.rectangle
    path = next(e.attrib["d"] for e in root.iter() if e.attrib.get("stroke") == RECTANGLE)
    numbers = np.array(re.findall(r"-?\d+\.\d+", path), dtype=float).reshape(-1, 2)
    assert numbers.min(axis=0) == pytest.approx([r.left, r.top], abs=1e-3)
    assert numbers.max(axis=0) == pytest.approx([r.right, r.bottom], abs=1e-3)


def test_svg_in_a_browser_equals_the_png(report, chromium, tmp_path):
    """The same drawing through an independent renderer: Chromium's SVG against our pixels (no text: fonts differ)."""
    import subprocess

    drawing = guide_drawing(report, parts=("always", "outline", "rectangle", "centre"))
    (tmp_path / "o.html").write_text(f"<body style='margin:0;background:#888'>{drawing_svg(drawing)}</body>")
    shot = tmp_path / "o.png"
    subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--hide-scrollbars", "--window-size=1280,720", f"--screenshot={shot}", str(tmp_path / "o.html")],
        check=True,
        capture_output=True,
        timeout=90,
    )  # fmt: skip
    seen = np.array(Image.open(shot).convert("RGB")).astype(float)
    ground = Image.new("RGBA", (1280, 720), "#888888")
    ground.alpha_composite(drawing_picture(drawing))
    ours = np.array(ground.convert("RGB")).astype(float)
    away = np.abs(seen - ours).max(axis=2)
    assert np.median(away) <= 1
    assert (away > 60).mean() < 0.002


def luminance(colour):
    """Relative luminance, WCAG 2.2."""
    c = rgb(colour) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a, b):
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_lines_stand_out_from_their_dark_edge():
    """WCAG 2.2 asks 3:1 of graphics; ours have at least 7:1 against their own edge, whatever lies behind."""
    for colour in (RECTANGLE, OUTLINE, ALWAYS, EVER, CENTRE):
        assert contrast(colour, EDGE_COLOUR) >= 7


GROUNDS = {
    "snow": "#ffffff",
    "night": "#000000",
    "sky": "#8fb8e8",
    "leaves": "#4c7a34",
    "brick": "#9a4a32",
    "concrete": "#808080",
    "ceiling of lamps": "#fff1c9",
}


@pytest.mark.parametrize("ground", GROUNDS.values(), ids=GROUNDS)
def test_one_of_the_rectangle_s_two_colours_stands_out_whatever_lies_behind(report, ground):
    """On the drawn pixels: light and dark dashes turn by turn, the better of them at 3:1 or more (WCAG 2.2, 1.4.11); 7:1 over snow and night."""
    picture = Image.new("RGBA", (1280, 720), ground)
    picture.alpha_composite(drawing_picture(guide_drawing(report, parts=("rectangle",))))
    r = report.guide.rectangle
    along = np.array(picture.convert("RGB"))[round(r.top - 0.5), round(r.left) + 4 : round(r.right) - 4]
    seen = {f"#{a:02x}{b:02x}{c:02x}" for a, b, c in along}
    light, dark = max(seen, key=luminance), min(seen, key=luminance)
    assert max(contrast(light, ground), contrast(dark, ground)) >= (7 if ground in (GROUNDS["snow"], GROUNDS["night"]) else 3)
    assert contrast(light, dark) >= 7
    assert contrast(RECTANGLE, BETWEEN) >= 7


def test_colour_blind_eyes_tell_the_lines_apart():
    """Machado, Oliveira and Fernandes 2009, severity 1 (the matrices as in PyPI's colorspacious 1.1.2): distance of the pairs in sRGB."""
    matrices = {
        "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
        "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
        "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
    }
    for name, matrix in matrices.items():
        seen = {c: np.clip(np.array(matrix) @ (rgb(c) / 255), 0, 1) * 255 for c in (RECTANGLE, OUTLINE, ALWAYS, EVER)}
        for a, b in combinations(seen, 2):
            assert np.linalg.norm(seen[a] - seen[b]) > (40 if EVER in (a, b) else 60), (name, a, b)  # only what may be in shot is dashed without a filling


def test_a_large_display_is_drawn_too(report):
    from dataclasses import replace

    from framematch.geometry.camera import Display

    big = guide_report(replace(report.pairing, display=Display(raster_px=(3840, 2160), source_px=(1440, 1080)), text_cells=None))
    png = drawing_png(guide_drawing(big))
    assert Image.open(io.BytesIO(png)).size == (3840, 2160)


def test_a_title_of_any_characters_gives_an_svg_that_reads() -> None:
    """XML 1.0, 2.2: most control characters have no place in a document, not even escaped; browsers then show no picture."""
    title = "".join(map(chr, range(32))) + "\x7f</title><script> & \ufffe\uffff 日本 \U0001f3ac"
    label = Label(text=title, x=1.0, y=2.0, size=9.0, colour="#ffffff")
    root = ElementTree.fromstring(drawing_svg(Drawing(size=(20, 10), shapes=[label], title=title)))
    said = "\t\n \x7f</title><script> & 日本 \U0001f3ac"
    assert [(each.tag.rpartition("}")[2], " ".join((each.text or "").split())) for each in root] == [(tag, " ".join(said.split())) for tag in ("title", "text")]
