"""Measuring on the page, by Streamlit's own tester: what goes in, what is shown, what is taken over."""

from __future__ import annotations

import subprocess
import sys

import pytest
from browser import ROOT
from streamlit.testing.v1 import AppTest

from framematch.page.session import EXAMPLE

DOC = "chessboard-10x7-25mm"


@pytest.fixture
def app():
    """The page open at measuring."""
    app = AppTest.from_file(str(ROOT / "app.py"), default_timeout=120)
    app.session_state["area"] = "Measure"
    return app.run()


def words(app):
    return " ".join(h.proto.body for h in app.get("html"))


def choose(app, task):
    return app.radio(key="measure:task").set_value(task).run()


def files(paths):
    return [(p.name, p.read_bytes(), "image/jpeg") for p in paths]


def doc_chart(app, task):
    app.selectbox(key=f"measure:{task}:chart").set_value("other").run()
    return app.text_input(key=f"measure:{task}:name").set_value(DOC).run()


def measured_lens(app, stills, which="recording"):
    choose(app, "lens")
    app.radio(key="measure:lens:camera").set_value(which).run()
    doc_chart(app, "lens")
    app.file_uploader(key="measure:lens:stills").set_value(stills).run()
    return app.button(key="measure:lens:go").click().run()


def test_a_lens_as_the_command_line_has_it(app, opencv_doc, tmp_path):
    """The pairing after the page's button, and the camera's file, are those that the command line writes from the same stills."""
    stills = sorted(opencv_doc.glob("left[01]*.jpg"))
    measured_lens(app, files(stills))
    assert not app.exception
    shown = words(app)
    assert "13 stills used, 0 not." in shown and shown.count("corners, RMS") == 13 and "Left over by the lens" in shown
    (tmp_path / "rig.toml").write_text(EXAMPLE)
    command = [sys.executable, "-m", "framematch", "measure", "lens", *map(str, stills), "--chart", DOC, "--out", str(tmp_path)]
    made = subprocess.run([*command, "--pairing", str(tmp_path / "rig.toml"), "--write"], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert made.returncode == 0, made.stderr
    app.button(key="measure:lens:use").click().run()
    assert not app.exception
    assert EXAMPLE != app.session_state["fm_draft"].text == (tmp_path / "rig.toml").read_text()
