"""Frames, sets of lines and ticks chosen on the page, by Streamlit's own tester."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from framematch.files.pairing import parse_pairing
from framematch.guide.report import guide_report
from framematch.output.guide_drawing import USUAL_PARTS
from framematch.output.overlay import overlay_files
from framematch.page.draft import Draft, changed
from framematch.page.lines import overlays_of
from framematch.page.session import EXAMPLE

ROOT = Path(__file__).parents[2]
TABLE = EXAMPLE[EXAMPLE.index("[recording.frame]") : EXAMPLE.index("[monitoring]")]
TWO = EXAMPLE.replace(TABLE, '[[recording.frame]]\nname = "2.39:1"\naspect = "2.39:1"\n[[recording.frame]]\nname = "9:16"\naspect = "9:16"\n\n')


@pytest.fixture
def app() -> AppTest:
    found = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=240)
    found.run()
    found.session_state["fm_draft"] = Draft(text=TWO)
    found.run()
    assert not found.exception
    return found


def shown_text(app: AppTest) -> str:
    return "\n".join(str(element.proto.body) for element in app.get("html"))


def test_frames_sets_and_ticks_are_chosen_beside_the_range(app: AppTest) -> None:
    text = shown_text(app)
    assert "2.39:1</th>" in text and "9:16</th>" in text and "Always in shot in both frames" in text
    app.selectbox(key="guide:sets").set_value(2).run()
    app.text_input(key="guide:marks:m").set_value("2, 5").run()
    assert not app.exception
    app.checkbox(key="view:imperial").set_value(True).run()
    assert app.text_input(key="guide:marks:ft").value == ""  # metres are not read as feet
    app.checkbox(key="view:imperial").set_value(False).run()
    assert app.text_input(key="guide:marks:m").value == "2, 5"
    text = shown_text(app)
    assert "Set 1, 1.5 m to" in text and "change from set 2 to set 1" in text and ", 9:16</th>" in text
    app.multiselect(key="guide:frames").set_value(["9:16"]).run()
    app.text_input(key="guide:marks:m").set_value("near").run()
    assert not app.exception
    text = shown_text(app)
    assert ", 2.39:1</th>" not in text and "near is not a list of distances" in text


def test_downloads_with_choices_are_the_command_lines_own_bytes() -> None:
    rig = parse_pairing(TWO)
    assert overlays_of(rig, 2, USUAL_PARTS, (1,), (3.0,)) == overlay_files(guide_report(rig, sets=2), frames=[1], marks_m=[3.0])


def test_a_change_on_the_page_is_the_main_frames() -> None:
    after = changed(Draft(text=TWO), "recording.frame.keep_percent", {"recording.frame.keep_percent": 80.0})
    assert not after.faults and [frame.keep_percent for frame in after.pairing.frames] == [80.0, 100.0]


def test_the_live_views_note_follows_the_sets_of_lines() -> None:
    from framematch.page.views import note_of

    pairing = parse_pairing(EXAMPLE)
    one, two = (note_of(pairing, ("rectangle",), sets, whole=True) for sets in (1, 2))
    assert one.guide != two.guide and not any("of set" in line for line in one.numbers)
    assert any("Rectangle of set 1 at 2 m" in line for line in two.numbers) and any("Rectangle of set 2 at 10 m" in line for line in two.numbers)
