"""The Print area without a browser: pages seen are the pages printed, wall marks read back, bad uploads, the wiring."""

from __future__ import annotations

import io
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from at_length import sample
from browser import ROOT
from pdf_pages import undated
from typer.testing import CliRunner

from framematch.cli import app as command_line
from framematch.files.pairing import changed_text, parse_pairing
from framematch.guide.wall_marks import wall_marks
from framematch.output.drawing import Inks
from framematch.output.svg import drawing_svg
from framematch.output.wall_drawing import marks_in_display, wall_drawing
from framematch.page.areas.print import MORE_TEXTS, chart_pdf, lens_pdf, read_pairings, sheet_pdf
from framematch.page.draft import Draft
from framematch.page.pdf_preview import leaf, page_count, paper_words, preview_markup
from framematch.page.session import EXAMPLE
from framematch.page.work import report_of

FRAME = "recording.frame"
INKS = Inks(ground="#ffffff", ink="#000000", quiet="#444444", accent="#006666", second="#883300")


@pytest.fixture(scope="module")
def draft() -> Draft:
    return Draft(text=EXAMPLE)


@pytest.fixture(scope="module")
def sheet(draft) -> bytes:
    return sheet_pdf([report_of(draft.pairing)], "A4", (152.0, 86.0), 2.0)


def by_command(tmp_path: Path, *words: object) -> bytes:
    out = tmp_path / "cli.pdf"
    result = CliRunner().invoke(command_line, [*(str(w) for w in words), "--out", str(out)])
    assert result.exit_code == 0, result.output + repr(result.exception)
    return out.read_bytes()


@pytest.mark.usefixtures("poppler")
def test_the_pages_seen_are_poppler_s_pages(sheet, tmp_path: Path) -> None:
    """Another program's picture of the same page (poppler), to the smoothing of edges; size to a pixel."""
    from PIL import Image

    (tmp_path / "a.pdf").write_bytes(sheet)
    subprocess.run(["pdftoppm", "-r", "150", "-png", str(tmp_path / "a.pdf"), str(tmp_path / "a")], check=True, timeout=120)
    theirs = sorted(tmp_path.glob("a-*.png"))
    assert page_count(sheet) == len(theirs) == 3
    pictures = []
    for number, path in enumerate(theirs, 1):
        ours, other = (Image.open(p).convert("L") for p in (io.BytesIO(leaf(sheet, number).png), path))
        assert np.abs(np.array(ours.size) - other.size).max() <= 1
        a, b = (np.asarray(p.resize((ours.width // 4, ours.height // 4), Image.Resampling.BOX), dtype=float) for p in (ours, other))
        assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.95  # each program smooths edges its own way, so four pixels are taken together
        assert abs(a.mean() - b.mean()) < 1
        pictures.append(a)
    assert np.corrcoef(pictures[0].ravel(), pictures[2].ravel())[0, 1] < 0.6  # another page would not pass


def test_every_page_says_what_it_is_and_how_large(sheet) -> None:
    leaves = [leaf(sheet, n) for n in (1, 2, 3)]
    assert [each.footer.partition(":")[0] for each in leaves] == ["Guide sheet", "True scale", "Wall marks"]
    assert paper_words(leaves[0].size_mm) == "A4, 210 x 297 mm"
    markup = preview_markup(leaves, 3, name="x", note="Print at 100 % (actual size).", larger=False)
    assert "3 pages, A4, 210 x 297 mm. Print at 100 %" in markup
    assert 'alt="Page 2 of 3. True scale: Glasshouse pane, 18 mm"' in markup and 'tabindex="0"' in markup
    assert leaf(sheet, 1) is leaves[0]  # kept


@pytest.mark.parametrize(
    ("size_mm", "words"), [((215.9, 279.4), "US Letter, 215.9 x 279.4 mm"), ((420, 297), "A3 on its side, 420 x 297 mm"), ((100, 1234.2), "100 x 1234 mm")]
)
def test_papers_by_name(size_mm, words) -> None:
    assert paper_words(size_mm) == words


def test_a_long_page_keeps_to_its_pixels(draft) -> None:
    from PIL import Image
    from reportlab.pdfgen.canvas import Canvas

    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(14_000, 14_000))
    canvas.drawString(10, 10, "far too large")
    canvas.save()
    found = leaf(out.getvalue(), 1)
    assert np.prod(Image.open(io.BytesIO(found.png)).size) < 12_100_000


def test_the_pdf_is_the_command_lines_but_for_its_date(draft, sheet, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(EXAMPLE, encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_text(changed_text(EXAMPLE, {"title": "Second", "recording.focal_mm": 25.0}), encoding="utf-8")
    assert undated(sheet) == undated(by_command(tmp_path, "sheet", rig, "--display-mm", "152x86", "--wall", 2))
    assert sheet != by_command(tmp_path, "sheet", rig, "--display-mm", "152x86", "--wall", 3)
    reports = [report_of(draft.pairing), report_of(parse_pairing(other.read_text()))]
    both = sheet_pdf(reports, "letter", None)
    assert undated(both) == undated(by_command(tmp_path, "sheet", rig, other, "--paper", "letter"))
    assert page_count(both) == 3 and leaf(both, 1).footer == "Contents"
    out = tmp_path / "chart.pdf"
    assert CliRunner().invoke(command_line, ["chart", "--out", str(out), "--paper", "A3"]).exit_code == 0
    assert undated(chart_pdf("A3")) == undated(out.read_bytes())


@pytest.mark.at_length
def test_the_lens_sheet_is_the_command_lines(draft, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(EXAMPLE, encoding="utf-8")
    ours = lens_pdf(draft.pairing, draft.shot, phone=True)
    assert undated(ours) == undated(by_command(tmp_path, "lenses", rig, "--phone"))
    assert page_count(ours) == 1


# Wall marks.


@pytest.mark.parametrize("mount", [{}, {"mount.aim_deg.pan": 8.0, "mount.aim_deg.tilt": -6.0}, {"mount.offset_mm.up": -300.0}])
def test_the_wall_is_drawn_with_its_numbers_inside(mount) -> None:
    rig = parse_pairing(changed_text(EXAMPLE, mount))
    marks = wall_marks(rig, 2.0)
    for drawing in (wall_drawing(marks, inks=INKS), marks_in_display(rig, marks, inks=INKS)):
        root = ET.fromstring(drawing_svg(drawing))
        texts = [e for e in root.iter() if e.tag.endswith("text")]
        wide, high = drawing.size
        for each in texts:
            half = len(each.text or "") * float(each.get("font-size")) * 0.3
            x, y = float(each.get("x")), float(each.get("y"))
            assert 8 <= y <= high - 8 and (each.get("text-anchor") != "middle" or half <= x <= wide - half)
    words = drawing_svg(wall_drawing(marks, inks=INKS))
    assert f"{abs(round(marks[0].right_mm))} mm left" in words and f"{abs(round(marks[0].up_mm))} mm up" in words
    shown = drawing_svg(marks_in_display(rig, marks, inks=INKS))
    assert f"{marks[1].display_px[0]:.0f}, {marks[1].display_px[1]:.0f}" in shown


# Further pairings.


def test_bad_files_among_pairings_are_named_and_the_rest_come() -> None:
    good, second = EXAMPLE.encode(), changed_text(EXAMPLE, {"title": "Second"}).encode()
    uploads = {
        "a.toml": good,
        "broken.toml": b"title = ",
        "bytes.toml": b"\xff\xfe",
        "outside.toml": EXAMPLE.replace("[mount]", '[mount]\nuse = "../../etc/passwd"').encode(),
        "fdl.toml": changed_text(
            EXAMPLE, {**dict.fromkeys((f"{FRAME}.aspect", f"{FRAME}.align", f"{FRAME}.keep_percent")), f"{FRAME}.fdl": "/etc/passwd"}
        ).encode(),
        "huge.toml": b"# " + b"x" * 1_000_001,
        "b.toml": second,
    }
    texts, troubles = read_pairings([(name, len(raw), lambda raw=raw: raw) for name, raw in uploads.items()])
    assert list(texts) == ["a.toml", "b.toml"]
    assert [line.partition(":")[0] for line in troubles] == ["broken.toml", "bytes.toml", "outside.toml", "fdl.toml", "huge.toml"]
    assert all("\n" not in line and "root:" not in line for line in troubles)
    assert "can't be read from here" in troubles[2] and "Exchange" in troubles[3] and "larger than 50 kB" in troubles[4]
    twice, _ = read_pairings([("a.toml", 9, lambda: good), ("a.toml", 9, lambda: second)])
    assert [parse_pairing(text).title for text in twice.values()] == ["Glasshouse pane, 18 mm", "Second"]


def test_a_huge_file_is_not_even_read() -> None:
    def never() -> bytes:
        raise AssertionError("read")

    assert "larger" in read_pairings([("x.toml", 10**9, never)])[1][0]


# The wiring, by Streamlit's own tester.


@pytest.fixture
def app():
    from streamlit.testing.v1 import AppTest

    found = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600)
    found.session_state["area"] = "Print"
    found.run()
    assert not found.exception
    return found


def text_of(app) -> str:
    return "\n".join(str(element.proto.body) for element in app.get("html"))


def test_the_preview_follows_the_controls(app) -> None:
    assert "1 page, A4, 210 x 297 mm" in text_of(app)
    app.selectbox(key="print:paper").select("letter").run()
    assert "1 page, US Letter, 215.9 x 279.4 mm" in text_of(app)
    app.checkbox(key="print:true").check().run()
    app.checkbox(key="print:walled").check().run()
    assert "3 pages, US Letter" in text_of(app) and "Page 2 of 3. True scale" in text_of(app)
    app.number_input(key="print:diagonal").set_value(14.0).run()
    assert not app.exception
    assert "does not fit on letter" in text_of(app) and "As it will be printed" not in text_of(app)
    app.number_input(key="print:diagonal").set_value(7.0).run()
    app.session_state["area"] = "Guide"
    app.run()
    app.session_state["area"] = "Print"
    app.run()
    assert app.selectbox(key="print:paper").value == "letter" and "3 pages, US Letter" in text_of(app)  # choices stay


@pytest.mark.at_length
def test_further_pairings_get_a_page_each_and_many_are_leafed_through(app) -> None:
    app.session_state[MORE_TEXTS] = {f"{i}.toml": changed_text(EXAMPLE, {"title": f"Rig {i}"}) for i in range(7)}
    app.run()
    assert not app.exception
    text = text_of(app)
    assert "9 pages, A4" in text and "Page 1 of 9. Contents" in text and "Page 6 of 9. Guide sheet: Rig 3" in text and "Page 7 of 9" not in text
    app.number_input(key="print:first").set_value(4).run()
    assert "Page 9 of 9. Guide sheet: Rig 6" in text_of(app)
    app.button(key="print:only").click().run()
    assert "1 page, A4" in text_of(app)


def test_marks_seen_low_turn_the_aim_and_undo_brings_it_back(app) -> None:
    app.radio(key="print:what").set_value("Wall marks").run()
    assert not app.exception
    before = app.session_state["fm_draft"].pairing
    marks = wall_marks(before, 2.0)
    assert f"{marks[0].display_px[0]:.0f}, {marks[0].display_px[1]:.0f}" in text_of(app)
    app.number_input(key="print:seen-up").set_value(-12.0).run()
    text = text_of(app)
    assert "1.24° too far up" in text and "45 mm too far high" in text
    app.button(key="print:aim").click().run()
    assert not app.exception
    assert app.session_state["fm_draft"].pairing.mount.tilt_deg == pytest.approx(before.mount.tilt_deg + 1.24)
    assert app.number_input(key="print:seen-up").value == 0
    app.button(key="undo").click().run()
    assert app.session_state["fm_draft"].pairing == before
    app.number_input(key="print:wall").set_value(0.3).run()
    assert not app.exception


def test_lenses_and_chart_are_seen_too(app) -> None:
    kinds = (("Calibration chart", "2 pages, A3 on its side"), ("Lenses for the gap", "Page 1 of 2. Lenses for the gap"))
    for what, words in sample(kinds[:1], kinds):
        app.radio(key="print:what").set_value(what).run()
        assert not app.exception
        assert words in text_of(app)
    assert "Propellers off" in text_of(app)
