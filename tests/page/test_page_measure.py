"""Measuring on the page, by Streamlit's own tester: what goes in, what is shown, what is taken over."""

from __future__ import annotations

import io
import struct
import threading
import time
import zlib
from dataclasses import replace

import numpy as np
import pytest
from at_length import sample
from browser import ROOT
from check_rigs import BENCH_RIG, marked_wall
from command import framematch
from PIL import Image
from streamlit.testing.v1 import AppTest

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.guide.shown import signed
from framematch.page import long_work
from framematch.page.clicked import share
from framematch.page.draft import Draft
from framematch.page.long_work import awaited
from framematch.page.measuring import lens, mount, show, uploads
from framematch.page.session import EXAMPLE
from framematch.progress import Stopped, step

cv2 = pytest.importorskip("cv2")

DOC = "chessboard-10x7-25mm"


@pytest.fixture
def app():
    """The page open at measuring."""
    app = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600)
    app.session_state["area"] = "Measure"
    return app.run()


def words(app):
    assert not app.exception
    return " ".join(h.proto.body for h in app.get("html"))


def text_of(app):
    return app.session_state["fm_draft"].text


def choose(app, task):
    return app.radio(key="measure:task").set_value(task).run()


def files(paths):
    return [(p.name, p.read_bytes(), "image/jpeg") for p in paths]


def png(pixels):
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()


def doc_chart(app, task):
    app.selectbox(key=f"measure:{task}:chart").set_value("other").run()
    return app.text_input(key=f"measure:{task}:name").set_value(DOC).run()


def measured_lens(app, stills, which="recording"):
    choose(app, "lens")
    app.radio(key="measure:lens:camera").set_value(which).run()
    doc_chart(app, "lens")
    app.file_uploader(key="measure:lens:stills").set_value(stills).run()
    return app.button(key="measure:lens:go").click().run()


def measured_mount(app, left, right, lenses="measure"):
    choose(app, "mount")
    doc_chart(app, "mount")
    app.radio(key="measure:mount:lenses").set_value(lenses).run()
    app.file_uploader(key="measure:mount:r").set_value(files(left)).run()
    app.file_uploader(key="measure:mount:m").set_value(files(right)).run()
    return app.button(key="measure:mount:go").click().run()


def by_command(tmp_path, text, *arguments):
    """The pairing file after a command that measures and writes."""
    (tmp_path / "rig.toml").write_text(text)
    made = framematch("measure", *arguments, "--chart", DOC, "--out", tmp_path, "--write", cwd=ROOT)
    assert made.returncode == 0, made.stderr
    return (tmp_path / "rig.toml").read_text()


FEW = sample("0[1-6]", "[01]*")  # of the thirteen stills of each side


@pytest.mark.parametrize(("which", "some"), sample([("recording", FEW)], [("recording", FEW), ("monitoring", FEW)]))
def test_a_lens_as_the_command_line_has_it(app, opencv_doc, tmp_path, monkeypatch, which, some):
    """Camera table, and the pairing after the page's button, are what the command line writes from the same stills; undo brings the old one back."""
    handed = []
    monkeypatch.setattr(lens.st, "download_button", lambda label, data, *rest, **more: handed.append(data))
    stills = sorted(opencv_doc.glob(f"left{some}.jpg"))
    count = len(stills)
    measured_lens(app, files(stills), which)
    shown = words(app)
    assert f"{count} stills used, 0 not." in shown and shown.count("corners, RMS") == count and "Residuals of the lens" in shown
    assert "Next: hold the chart in the " in shown  # where to hold it next
    assert 'alt="Still left03.jpg, a ring round each of the 54 corners found"' in shown
    expected = by_command(tmp_path, EXAMPLE, "lens", *stills, "--pairing", tmp_path / "rig.toml", "--camera", which)
    assert handed[-1] == (tmp_path / "camera.toml").read_text()
    app.button(key="measure:lens:use").click().run()
    assert f"{count} stills used" in words(app)  # what was measured stays in sight
    assert EXAMPLE != text_of(app) == expected
    app.button(key="undo").click().run()
    assert text_of(app) == EXAMPLE


@pytest.mark.at_length
def test_a_mount_as_the_command_line_has_it(app, opencv_doc, tmp_path):
    """With the lenses measured too; then with those kept, from a mount a little off."""
    text = BENCH_RIG
    for lenses in sample(("measure",), ("measure", "keep")):
        app.session_state["fm_draft"] = Draft(text=text)
        measured_mount(app, *(sorted(opencv_doc.glob(f"{side}{FEW}.jpg")) for side in ("left", "right")), lenses)
        shown = words(app)
        assert f"{sample(6, 13)} pairs used, 0 not." in shown and "Residuals in the monitoring camera" in shown
        assert shown.count("left05.jpg: 54 corners + right05.jpg: 54 corners") == 1
        assert "The guide over the real still" in shown and "before the measurement" in shown and "after the measurement" in shown
        expected = by_command(tmp_path, text, "mount", tmp_path / "rig.toml", *_sides(opencv_doc), "--lenses", lenses)
        app.button(key="measure:mount:use").click().run()
        assert text != text_of(app) == expected
        assert f"{sample(6, 13)} pairs used" in words(app)
        text = expected.replace("right = 83", "right = 84")  # lenses near enough to the truth to be kept
        assert text != expected or lenses == "keep"


def _sides(folder):
    return "--recording", folder / f"left{FEW}.jpg", "--monitoring", folder / f"right{FEW}.jpg"


@pytest.mark.at_length
def test_a_chart_of_another_size_is_told(app, opencv_doc):
    app.session_state["fm_draft"] = Draft(text=BENCH_RIG.replace("offset_mm = 5", "offset_mm = 1"))
    measured_mount(app, *(sorted(opencv_doc.glob(f"{side}{FEW}.jpg")) for side in ("left", "right")))
    shown = words(app)
    assert "the chart was printed at 108 % of the size given here" in shown
    assert "type what it is" in shown and "--bar-mm" not in shown


@pytest.mark.at_length
def test_pairs_of_other_moments_are_named(app, opencv_doc):
    left, right = (sorted(opencv_doc.glob(f"{side}[01]*.jpg")) for side in ("left", "right"))
    choose(app, "mount")
    doc_chart(app, "mount")
    app.file_uploader(key="measure:mount:r").set_value(files(left)).run()
    swapped = files(right)
    swapped[2], swapped[6] = (swapped[2][0], *swapped[6][1:]), (swapped[6][0], *swapped[2][1:])
    app.file_uploader(key="measure:mount:m").set_value(swapped).run()
    app.button(key="measure:mount:go").click().run()
    shown = words(app)
    assert "11 pairs used, 2 not." in shown
    for number in ("03", "07"):
        assert f"Not used, left{number}.jpg + right{number}.jpg: its two stills put the mount" in shown
    app.file_uploader(key="measure:mount:m").set_value(files(right[:-1])).run()
    assert "13 recording and 12 monitoring stills do not make pairs" in words(app)


def _bomb():
    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 50_000, 50_000, 8, 0, 0, 0, 0)) + chunk(b"IDAT", zlib.compress(b"0"))


def test_each_still_of_no_use_has_its_reason(app, opencv_doc):
    stills = files(sorted(opencv_doc.glob("left0*.jpg")))
    bad = [
        ("a-text.jpg", b"not a picture at all", "is not a PNG, JPEG or TIFF picture"),
        ("b-cut.jpg", stills[0][1][:9000], "the picture is cut short"),
        ("c-bomb.png", _bomb(), "claims "),
        ("left01b.jpg", stills[0][1], "the same picture as left01.jpg"),
        ("e-blank.png", png(np.full((480, 640), 128, np.uint8)), "no chart found"),
        ("f-empty.jpg", b"", "is not a PNG, JPEG or TIFF picture"),
    ]
    measured_lens(app, [*stills, *((name, content, "image/png") for name, content, _ in bad)])
    shown = words(app)
    assert f"{len(stills)} stills used, {len(bad)} not." in shown
    assert "more than 120 million" in shown
    for name, _, says in bad:
        assert f"{name}: not used, {says}" in shown, name
    assert text_of(app) == EXAMPLE


def test_what_gives_no_lens_is_one_line_and_the_page_stays(app, opencv_doc):
    good = files(sorted(opencv_doc.glob("left0*.jpg")))
    turned = ("turned.png", png(np.rot90(np.asarray(Image.open(opencv_doc / "left01.jpg")))), "image/png")
    measured_lens(app, [*good, turned])
    shown = words(app)
    assert "640 x 480 pixels but" in shown and "RMS" not in shown
    assert shown.count("54 corners</figcaption>") == len(good) + 2  # what was found is still seen, one of them large
    app.file_uploader(key="measure:lens:stills").set_value(good[:2]).run()
    app.button(key="measure:lens:go").click().run()
    assert "The chart was found in 2 stills, 3 are needed" in words(app)
    app.selectbox(key="measure:lens:chart").set_value("A3 charuco").run()
    app.button(key="measure:lens:go").click().run()
    assert "No still shows the chart; left01.jpg: no chart found" in words(app)
    assert text_of(app) == EXAMPLE and not app.session_state["fm_draft"].waiting


def test_a_mirrored_still_is_told(app):
    from framematch.measure.chart import board, parse_chart

    drawn = np.pad(board(parse_chart("A3")).generateImage((1320, 840), marginSize=0, borderBits=1), 120, constant_values=255)
    choose(app, "lens")
    app.file_uploader(key="measure:lens:stills").set_value([("m.png", png(drawn[:, ::-1]), "image/png")]).run()
    app.button(key="measure:lens:go").click().run()
    assert "m.png: not used, mirrored: the chart" in words(app)


def test_a_chart_that_is_none_is_told(app):
    choose(app, "lens")
    app.selectbox(key="measure:lens:chart").set_value("other").run()
    assert "Write the chart's name" in words(app).replace("&#x27;", "'")
    app.text_input(key="measure:lens:name").set_value("board").run()
    assert "'board' names no chart" in words(app).replace("&#x27;", "'")


def test_too_many_and_too_large(app, opencv_doc, monkeypatch):
    choose(app, "lens")
    still = (opencv_doc / "left01.jpg").read_bytes()
    app.file_uploader(key="measure:lens:stills").set_value([(f"{i}.jpg", still, "image/jpeg") for i in range(21)]).run()
    assert "21 stills are more than 20" in words(app) and not any(b.key == "measure:lens:go" for b in app.button)
    monkeypatch.setattr(uploads, "MOST_TOGETHER_MB", 0.1)
    app.file_uploader(key="measure:lens:stills").set_value([(f"{i}.jpg", still, "image/jpeg") for i in range(9)]).run()
    assert "more than 0.1" in words(app) and not any(b.key == "measure:lens:go" for b in app.button)


def test_nothing_is_measured_twice(app, opencv_doc, monkeypatch):
    counted = []
    real = lens.measure_lens
    monkeypatch.setattr(lens, "measure_lens", lambda *given, **more: (counted.append(1), real(*given, **more))[1])
    stills = files(sorted(opencv_doc.glob("right[01]*.jpg")))
    monkeypatch.setattr(lens, "_kept", type(lens._kept)(limit_bytes=64_000_000, size=lambda m: 1))
    measured_lens(app, stills)
    app.run()
    app.selectbox(key="measure:lens:large").set_value("right03.jpg").run()
    assert "right03.jpg, 640 x 480 pixels: 54 corners" in words(app)
    app.session_state["area"] = "Guide"
    app.run()
    app.session_state["area"] = "Measure"
    app.run()
    shown = words(app)  # still there when one comes back, stills and all
    assert "13 stills used, 0 not." in shown and "Still here: right01.jpg, right02.jpg" in shown
    app.file_uploader(key="measure:lens:stills").set_value([("more.jpg", stills[0][1], "image/jpeg")]).run()
    assert "13 stills used" not in words(app) and "Still here: right01.jpg" in words(app)  # fourteen are another question
    app.button(key="measure:lens:stills:out").click().run()
    assert "Still here" not in words(app)
    assert len(counted) == 1
    assert lens._kept is not mount._kept


# The guide from two stills


@pytest.fixture(scope="module")
def true_rig():
    """A rig whose monitoring camera really looks 1.5 degrees up, and a still of each camera."""
    from framematch.render import render
    from framematch.scene.registry import make_scene
    from framematch.shot.run import Run

    pairing = parse_pairing(EXAMPLE)
    true = replace(pairing, mount=replace(pairing.mount, tilt_deg=1.5))
    scene = make_scene("glasshouse")
    pose = scene.scene_from_recording(Run(), 6.0)
    recording = render(scene, true.recording.resized((960, 506)), pose).colour
    return true, png(recording), png(render(scene, true.monitoring.resized((960, 720)), pose @ true.mount.pose).colour)


def test_stills_are_checked_and_the_aim_they_show_is_offered(app, true_rig):
    _, recording, monitoring = true_rig
    app.file_uploader(key="measure:r").set_value([("r.png", recording, "image/png")]).run()
    app.file_uploader(key="measure:m").set_value([("m.png", monitoring, "image/png")]).run()
    shown = words(app)
    assert "The mount that the stills show" in shown and "details agree" in shown
    assert "before the measurement" in shown and "after the measurement" in shown
    app.radio(key="measure:check:way").set_value("after").run()
    assert "before the measurement" not in words(app)
    app.button(key="measure:use").click().run()
    assert abs(app.session_state["fm_draft"].pairing.mount.tilt_deg - 1.5) < 0.3  # aim and lens centre trade: the guide is what is known
    assert "after the measurement" in words(app)  # of the pairing that was checked
    for again in sample((), ("measure:check:again",)):
        app.button(key=again).click().run()
        assert "The guide as it was: off by 0." in words(app)


def test_stills_that_tell_nothing_are_refused(app, true_rig):
    _, recording, _ = true_rig
    app.file_uploader(key="measure:r").set_value([("r.png", recording, "image/png")]).run()
    for name, content, says in (
        ("same.png", recording, "r.png and same.png are the same picture"),
        ("cut.png", png(np.full((700, 1440), 128, np.uint8)), "cut.png: 1440 x 700 pixels is not the shape of the monitoring raster"),
        ("text.png", b"text", "text.png: is not a PNG"),
        ("blank.png", png(np.full((1080, 1440), 128, np.uint8)), "blank.png"),
    ):
        app.file_uploader(key="measure:m").set_value([(name, content, "image/png")]).run()
        assert f"Can&#x27;t tell: {says}" in words(app), name
    assert text_of(app) == EXAMPLE


# The aim from wall marks


@pytest.fixture(scope="module")
def wall(true_rig):
    from measure_views import view

    true = true_rig[0]
    rng = np.random.default_rng(1)
    return png(view(true.monitoring, true.mount, marked_wall(parse_pairing(EXAMPLE), 2.0, rng), rng))


def places(app):
    return [f.value for f in app.number_input if f.label.endswith((", across", ", down"))]


def test_the_aim_from_marks_found_and_typed(app, wall):
    choose(app, "marks")
    app.file_uploader(key="measure:marks:still").set_value(("wall.png", wall, "image/png")).run()
    shown = words(app)
    assert "The aim that the marks show" in shown and None not in places(app)
    app.button(key="measure:marks:use").click().run()
    assert app.session_state["fm_draft"].pairing.mount.tilt_deg == pytest.approx(1.5, abs=0.15)
    field = next(f for f in app.number_input if f.label == "Centre, down")
    field.set_value(field.value + 200).run()
    assert "no aim explains the marks" in words(app).lower()
    for f in [f for f in app.number_input if f.label.startswith("Centre")]:
        f.set_value(None)
    app.run()
    assert places(app)[8:] == [None, None] and None not in places(app)[:8]
    assert "The aim that the marks show" in words(app)


def test_marks_that_are_not_found_can_be_typed(app):
    choose(app, "marks")
    app.file_uploader(key="measure:marks:still").set_value(("plain.png", png(np.full((1080, 1440), 128, np.uint8)), "image/png")).run()
    shown = words(app)
    assert "Click them in the picture" in shown and "0 marks seen, 2 are needed" in shown and "--marks" not in shown
    for label, value in (("Top left, across", 320.0), ("Top left, down", 415.0), ("Bottom right, across", 1115.0), ("Bottom right, down", 747.0)):
        next(f for f in app.number_input if f.label == label).set_value(value)
    app.run()
    assert "The aim that the marks show" in words(app)
    assert text_of(app) == EXAMPLE


# Waiting


class Pulse:
    """A run that is left for a newer one after some beats."""

    def __init__(self, beats):
        self.beats = beats

    def beat(self):
        self.beats -= 1
        if self.beats < 0:
            raise RuntimeError("left")


def test_a_run_that_is_left_does_not_start_the_work_again():
    begun, go = [], threading.Event()

    def job():
        begun.append(1)
        go.wait(20)
        return "done"

    with pytest.raises(RuntimeError, match="left"):
        awaited("work", job, Pulse(3))
    with pytest.raises(RuntimeError, match="left"):
        awaited("work", job, Pulse(3))
    go.set()
    assert awaited("work", job, Pulse(10**6)) == "done"
    assert len(begun) <= 2  # once, or once more if it was over before the last run asked


def test_work_not_begun_is_given_up_with_its_last_run():
    go, begun = threading.Event(), []
    hold = [threading.Thread(target=lambda i=i: awaited(("hold", i), lambda: go.wait(20), Pulse(10**6))) for i in range(long_work.AT_ONCE)]
    for thread in hold:
        thread.start()
    time.sleep(0.3)
    with pytest.raises(RuntimeError, match="left"):
        awaited("late", lambda: begun.append(1), Pulse(3))
    go.set()
    for thread in hold:
        thread.join(20)
    time.sleep(0.2)
    assert begun == []


def test_a_fault_of_the_work_is_the_runs():
    def job():
        raise InputError("no good")

    for _ in range(2):
        with pytest.raises(InputError, match="no good"):
            awaited("fault", job, Pulse(10**6))


def test_work_says_how_far_it_is_and_is_stopped(monkeypatch):
    """Words and button come once it is long; stopped, it ends at its next step, is not begun again unasked, and others' work goes on."""
    state, said, buttons, ended = {}, [], [], threading.Event()

    class Place:
        def html(self, text):
            said.append(text)

        def button(self, label, *, key, on_click, args):
            buttons.append((label, on_click, args))

        def empty(self):
            return self

        container = empty

    def job():
        try:
            for i in range(1000):
                step(f"Part {i} of 1000")
                time.sleep(0.01)
        except Stopped:
            ended.set()
            raise

    monkeypatch.setattr(long_work, "SHORT_S", 0.05)
    monkeypatch.setattr(long_work.st, "session_state", state)
    monkeypatch.setattr(long_work.st, "empty", Place)
    with pytest.raises(RuntimeError, match="left"):
        awaited("film", job, Pulse(20))
    assert any("Part" in words and 'role="status"' in words for words in said)
    assert [label for label, *_ in buttons] == ["Stop"] and not ended.is_set()  # a run that is left alone stops nothing
    _, stop, args = buttons[-1]
    stop(*args)
    assert ended.wait(5)
    with pytest.raises(Stopped):
        awaited("film", job, Pulse(10**6))
    label, again, args = buttons[-1]
    assert label == "Begin it again" and "Stopped" in said[-1]
    again(*args)
    assert awaited("film", lambda: "done", Pulse(10**6)) == "done"


def test_only_places_in_the_picture_are_clicks():
    assert share([0.25, 1]) == (0.25, 1)
    for wrong in (None, [0.5], [0.5, float("nan")], [1.5, 0.5], ["a", 0.5], 3):
        assert share(wrong) is None


def test_names_are_made_different():
    assert uploads._new("a.jpg", ["a.jpg", "a.jpg (2)"]) == "a.jpg (3)"


@pytest.mark.parametrize(
    ("value", "half", "row"),
    [
        (20.7421, 0.0349, ["f", "20.742", "± 0.035"]),
        (341.994, 1.04, ["f", "342.0", "± 1.0"]),
        (-0.000161, 0.00029, ["f", "-0.00016", "± 0.00029"]),
        (341.994, 12.4, ["f", "342", "± 12"]),
        (83.851, float("nan"), ["f", "83.85", "-"]),
        (float("nan"), float("nan"), ["f", "outside the image circle", "-"]),
    ],
)
def test_figures_have_as_many_places_as_are_sure(value, half, row):
    assert show.figure_row("f", value, half) == row


def test_no_option_of_the_command_line_is_named():
    assert show.plain("--marks: 1 marks seen") == "1 marks seen"
    assert signed(-0.001, 2) == "0.00" and signed(1.5, 2) == "+1.50"
