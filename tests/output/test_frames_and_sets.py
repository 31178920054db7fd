"""Several frames and sets of lines as drawn: told apart in grey, tagged, marked by distance; on paper a page each."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import rigs

from framematch.errors import InputError
from framematch.geometry.camera import frame_in
from framematch.geometry.pairing import Frame, Turn
from framematch.guide.edge_marks import edge_marks
from framematch.guide.report import Report, guide_report
from framematch.guide.transfer import inverse_m, to_recorded
from framematch.guide.words import change_words
from framematch.output.drawing import Area, Label, Line
from framematch.output.guide_drawing import FRAME_LOOKS, SET_WEIGHTS, guide_drawing
from framematch.output.overlay import overlay_files
from framematch.output.sheet import write_sheets


@pytest.fixture(scope="module")
def report() -> Report:
    other = Frame(name="9:16", area=frame_in((5760, 3036), aspect=9 / 16, keep_percent=92), keep_percent=92.0)
    rig = rigs.glasshouse(near_m=1.0, far_m=15.0, frame_name="2.39:1", others=(other,), turn=Turn(pan_deg_s=60))
    rig = replace(rig, recording=replace(rig.recording, readout_ms=12.0), monitoring=replace(rig.monitoring, readout_ms=8.0))
    return guide_report(rig, sets=2)


def rectangles(report: Report, **choices: object) -> list[Line]:
    return [s for s in guide_drawing(report, parts=("rectangle",), **choices).shapes if isinstance(s, Line)]  # type: ignore[arg-type]


def test_every_line_differs_from_every_other_without_its_colour(report: Report) -> None:
    found = rectangles(report)
    looks = [(line.dash is None, line.dash and round(line.dash[0] / line.dash[1], 3), round(line.width, 3)) for line in found]
    assert len(found) == 4 and len(set(looks)) == 4
    ratios = [None if look.dash is None else (look.dash[0] / look.dash[1], look.dash[0]) for look in FRAME_LOOKS]
    assert len(set(ratios)) == len(FRAME_LOOKS)
    for weights in SET_WEIGHTS.values():
        assert all(a / b >= 1.35 for a, b in pairwise(weights))


def test_the_lines_are_the_reports_rectangles_and_frames_can_be_left_out(report: Report) -> None:
    corners = [line.points for line in rectangles(report)]
    wanted = [each.guide.rectangle.border([0, 1, 2, 3]) for one in report.sets for each in one.each_frame]
    assert all(np.array_equal(a, b) for a, b in zip(corners, wanted, strict=True))
    (only,) = rectangles(report.sets[1], frames=[1])
    assert np.array_equal(only.points, wanted[3])
    with pytest.raises(InputError, match="no such frame"):
        guide_drawing(report, frames=[2])


def test_an_overlay_for_each_set_and_one_with_all(report: Report) -> None:
    files = overlay_files(report)
    assert list(files) == ["overlay.png", "overlay.svg", "overlay-1.png", "overlay-1.svg", "overlay-2.png", "overlay-2.svg", "guide.json"]
    assert files["overlay-1.svg"] != files["overlay-2.svg"] != files["overlay.svg"]
    text = files["overlay.svg"].decode()
    assert ">2.39:1<" in text and ">9:16<" in text and text.count(">1<") == text.count(">2<") == 8
    assert f"1: 1 m to {report.cuts_m[0]:.3g} m" in text


def test_always_and_ever_are_of_all_frames_that_are_drawn(report: Report) -> None:
    def area(**choices: object) -> tuple[np.ndarray, ...]:
        (found,) = (s for s in guide_drawing(report, parts=("always",), **choices).shapes if isinstance(s, Area))  # type: ignore[arg-type]
        return found.rings

    assert report.shared is not None
    assert area() is report.shared.both and area(frames=[1]) is report.frames[0].areas.always


def test_ticks_lie_on_the_sides_at_their_distances(report: Report) -> None:
    rig = report.pairing
    marks = edge_marks(rig, [2.0, 5.0, np.inf], apart_px=(60.0, 24.0))
    assert len(marks) == 12
    for mark in marks:
        (back,), (ok,) = to_recorded(rig, mark.at_px[None], inverse_m(mark.distance_m))
        side = getattr(rig.frame, mark.edge)
        assert ok and back[0 if mark.edge in ("left", "right") else 1] == pytest.approx(side, abs=1e-3)
    labels = [s for s in guide_drawing(report, marks_m=[2.0, 5.0]).shapes if isinstance(s, Label)]
    assert sum(label.text == "2 m" for label in labels) == 4 and sum(label.text == "5 m" for label in labels) == 4
    for wrong, words in (([0.01], "beyond both lenses"), ([float("nan")], "beyond both lenses"), ([-2.0], "beyond both lenses"), ([1.0] * 9, "at most 8")):
        with pytest.raises(InputError, match=words):
            guide_drawing(report, marks_m=wrong)


def test_the_words_say_where_to_change(report: Report) -> None:
    cut = f"{report.cuts_m[0]:.3g} m"
    words = change_words(report)
    assert words[0].startswith("Set 1: for what is 1 m to") and words[1].startswith(f"Set 2: for what is {cut} to 15 m away")
    assert f"from set 2 to set 1 when what is filmed comes nearer than {cut}" in words[2]
    assert change_words(report.sets[0]) == []


def test_sheets_have_a_page_for_each_frame_and_one_for_the_sets(report: Report, tmp_path: Path, poppler: None) -> None:
    out = tmp_path / "sheet.pdf"
    pages, missing = write_sheets(out, [report, report], display_mm=(152, 86), wall_m=2.0)
    assert (pages, missing) == (1 + 2 * 7, set())
    texts = subprocess.run(["pdftotext", "-layout", out, "-"], capture_output=True, text=True, check=True).stdout.split("\f")
    assert "Frame 2.39:1." in texts[1] and "turning" in texts[1] and "both frames" in texts[1]
    assert "Frame 9:16." in texts[2]
    assert "2 sets of lines for 1 m to 15 m" in texts[3] and "change from set 2 to set 1" in " ".join(texts[3].split())
    for number, start in ((1, "For 1 m to"), (2, "For 1.")):
        assert f"Set {number}. True scale" in texts[3 + number] and start in texts[3 + number]
    assert "frame 9:16" in texts[7] and "9" in texts[0]  # the second pairing starts on page 9
