"""A rig of one's own typed from a spec sheet, by Streamlit's own tester; the whole job in a browser is test_page_jobs.py's."""

from __future__ import annotations

import re

from browser import ROOT
from command import framematch
from spec_answers import NEEDED
from streamlit.testing.v1 import AppTest

from framematch.output.guide_drawing import USUAL_PARTS
from framematch.page.lines import overlays_of


def words(app) -> str:
    assert not app.exception
    return " ".join(h.proto.body for h in app.get("html"))


def test_a_rig_from_a_spec_sheet_is_made_and_its_overlay_is_the_command_lines(tmp_path) -> None:
    """What the lists don't offer is typed in the browser's test alone: Streamlit's tester only chooses."""
    app = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=120).run()
    app.button(key="new").click().run()
    answers = {**NEEDED, "monitoring.sensor_mm": "1/3 inch type", "mount.offset_mm.up": "62", "mount.offset_mm.forward": "25"}
    assert "Still needed: Name" in words(app)
    for key, value in answers.items():
        offered = [box for box in app.selectbox if box.key == f"new:{key}"]
        (offered[0].select(next(o for o in offered[0].options if o.replace(" ", "") == value.replace(" ", ""))) if offered else
         app.text_input(key=f"new:{key}").set_value(value)).run()  # fmt: skip
    assert "All that is needed is here" in words(app)
    app.button(key="new:make").click().run()
    shown = words(app)
    draft = app.session_state["fm_draft"]
    assert "framematch: Rig 4" in shown and "Glasshouse" not in shown and draft.pairing.mount.up_mm == 62
    (tmp_path / "rig.toml").write_text(draft.text, encoding="utf-8")
    made = framematch("guide", tmp_path / "rig.toml", "--out", tmp_path, cwd=ROOT)
    assert made.returncode == 0, made.stderr
    assert overlays_of(draft.pairing, 1, USUAL_PARTS, (0,), ())["overlay.png"] == (tmp_path / "overlay.png").read_bytes()
    insets = re.search(r'aria-label="Insets from each edge.*?</ul>', shown)
    assert insets and len(re.findall(r"<b>\d+</b>", insets[0])) >= 4
