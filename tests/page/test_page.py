"""The page without a browser: what a draft takes, the address, the settings, and the wiring by Streamlit's own tester."""

from __future__ import annotations

import json
import math
import re
import tomllib
import xml.etree.ElementTree as ET
import zlib
from dataclasses import replace

import numpy as np
import pytest
from at_length import sample
from browser import ROOT

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.geometry.camera import format_part_mm
from framematch.output.lens_map import size_within
from framematch.page import fields
from framematch.page.address import AREAS, Address, address_of, packed, unpacked
from framematch.page.draft import Draft, changed, checked, loaded, redone, text_from_upload, undone
from framematch.page.lines import overlays_of
from framematch.page.look import DARK, LIGHT
from framematch.page.mount_drawing import mount_drawing
from framematch.page.pictures import Wanted, frame_picture, pictures
from framematch.page.session import EXAMPLE
from framematch.page.settings import SETTINGS, arguments
from framematch.page.work import first_report, report_of
from framematch.render.pixels import frame_camera
from framematch.text.typed import numbers


@pytest.fixture
def draft():
    return Draft(text=EXAMPLE)


def test_a_change_that_fits_is_taken_over_and_undone(draft):
    after = changed(draft, "mount.aim_deg.tilt", {"mount.aim_deg.tilt": 2.5})
    assert after.pairing.mount.tilt_deg == 2.5 and not after.waiting
    assert "# + is right, up, clockwise seen from behind" in after.text
    assert undone(after).text == draft.text and redone(undone(after)) == after
    assert changed(undone(after), "mount.aim_deg.pan", {"mount.aim_deg.pan": 1.0}).after == ()  # another change is the last one
    assert undone(draft) is draft


def test_nonsense_waits_with_its_reason_and_the_text_stays(draft):
    after = changed(draft, "recording.focal_mm", {"recording.focal_mm": 0.018})
    assert after.text == draft.text and "write 18" in after.faults["recording.focal_mm"]
    other = changed(after, "mount.aim_deg.pan", {"mount.aim_deg.pan": 1.0})
    assert other.pairing.mount.pan_deg == 1 and other.faults  # the rest goes on
    mended = changed(other, "recording.focal_mm", {"recording.focal_mm": 20.0})
    assert mended.pairing.recording.lens.focal_mm == 20 and not mended.faults
    assert undone(other).waiting == {} and undone(other).text == other.text  # what waits is the last change


def test_figures_that_only_fit_together_are_taken_when_the_last_one_comes(draft):
    step = changed(draft, "recording.sensor_mm", {"recording.sensor_mm": [13.2, 8.8]})
    assert "1.500:1" in step.faults["recording.sensor_mm"]
    step = changed(step, "recording.raster_px", {"recording.raster_px": [5760, 3840], "recording.centre_px": None})
    assert not step.faults
    assert step.pairing.recording.raster_px == (5760, 3840) and step.pairing.recording.centre_px == (2880, 1920)


def test_history_is_bounded(draft):
    for i in range(80):
        draft = changed(draft, "mount.offset_mm.up", {"mount.offset_mm.up": float(i)})
    assert len(draft.before) == 50


def test_an_upload_without_a_title_is_called_after_its_file():
    text = text_from_upload(STARTER.replace('title = "Glasshouse pane, 18 mm"', "").encode(), name="pane.toml")
    assert parse_pairing(text).title == "pane"


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"x" * 50_001, "larger than 50 kB"),
        (EXAMPLE.encode() + b"#\n" * 5_001, "more than 5000 lines"),
        (b"\xff", "not UTF-8"),
        (b"a = ", "is not TOML"),
        (b"[shot]", "is missing"),
        ((EXAMPLE.replace("size_m = [1.2, 0.9]", "size_m = [-1, 0.9]")).encode(), "gap.size_m"),
        (EXAMPLE.replace("[recording] ", '[recording]\nuse = "../../etc/passwd"\n').encode(), "can't be read from here"),
    ],
)
def test_uploads_that_are_refused(raw, says):
    with pytest.raises(InputError, match=says) as refused:
        text_from_upload(raw, name="rig.toml")
    assert "rig.toml" in str(refused.value) and "\n" not in str(refused.value)


def test_the_address_carries_a_pairing_whole(draft):
    text = changed(draft, "mount.aim_deg.tilt", {"mount.aim_deg.tilt": -1.25}).text
    letters = packed(text)
    assert unpacked(letters) == text
    assert len(letters) < 4000 and letters.replace("-", "").replace("_", "").isalnum()


@pytest.mark.parametrize("letters", ["", "%%%", "abc", packed(EXAMPLE)[:-30], packed("a = 1"), "A" * 20_000])
def test_addresses_that_are_refused(letters):
    with pytest.raises(InputError, match="link"):
        unpacked(letters)


@pytest.mark.parametrize("at", ["nan", "inf", "-inf", "1e999", "<b>", "", "3,5"])
def test_a_distance_in_the_address_that_is_none_is_the_first_visits(at):
    assert address_of({"at": at, "area": "<img>", "areas": "no"}) == Address()


def test_what_the_address_says_is_read_back():
    said = Address(link="abc", distance_m=4.5, area="Flight day", areas_shown=True, imperial=True)
    assert address_of(said.parameters) == said
    assert address_of({"at": "4.6"}).distance_m == 4.5 and Address().parameters == {}


def test_an_address_that_swells_is_refused():
    import base64

    bomb = base64.urlsafe_b64encode(zlib.compress(b" " * 5_000_000)).decode().rstrip("=")
    assert len(bomb) < 12_000
    with pytest.raises(InputError):
        unpacked(bomb)


ALL = [
    *fields.RECORDING.values(), *fields.MONITORING.values(), *fields.OFFSETS, *fields.AIMS, *fields.TOLERANCES, fields.SQUEEZE, fields.F_NUMBER,
    fields.KEEP, fields.SPEED, fields.SILL, fields.THICKNESS, fields.UNSURE, fields.PASS_RIGHT, fields.TILT, *fields.AIRCRAFT,
]  # fmt: skip


@pytest.mark.parametrize("field", ALL, ids=lambda f: f.widget)
def test_every_field_takes_the_range_it_names_and_nothing_beyond(draft, field):
    """The help names a range; the pairing file's rules are what decides."""

    def fault(value):
        if field.key.endswith("angle_deg.vertical") or field.key.endswith("angle_deg.diagonal") or field.key.endswith("angle_deg.horizontal"):
            camera = field.key.split(".")[0]
            values = {
                f"{camera}.focal_mm": None,
                f"{camera}.distortion": None,
                f"{camera}.projection": "equidistant",
                f"{camera}.angle_deg": {field.key.split(".")[-1]: value},
            }
        elif field.index is not None:
            now = [fields.shown(draft, each) for each in fields.PAIRS[field.key]]
            now[field.index] = value
            values = {field.key: now}
        else:
            values = {field.key: value}
        found = changed(draft, field.key, values).faults.get(field.key, "")
        # A figure within its range may still not go with the others: that is another fault than being out of range.
        return found if any(word in found for word in ("is outside", "should be", "looks like", "not above 0", "out of range")) else ""

    whole = field.whole
    assert not fault(field.low) and not fault(field.high)
    beyond = field.high * 1.5 + 2
    assert fault(int(beyond) if whole else beyond)
    below = field.low - 2 if field.low >= 0 else field.low * 1.5
    assert fault(int(below) if whole else float(below))


def test_every_field_has_a_unit_or_is_a_pure_number_and_one_line_of_help():
    pure = {"Anamorphic squeeze", "Stop, f/", "Character columns", "Character rows"}
    for field in ALL:
        assert field.label in pure or field.label.rsplit(", ", 1)[-1].split()[-1] in {"mm", "pixels", "degrees", "%", "m", "m/s", "cm", "ground"}, field.label
        assert field.about.endswith(".") and len(field.about) < 160


def luminance(colour):
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_contrast_is_aa_or_better(colours):
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1; relative luminance as defined there."""
    for ink in (colours.ink, colours.quiet, colours.accent, colours.fault, colours.caution, *colours.series):
        for ground in (colours.ground, colours.panel):
            a, b = sorted((luminance(ink), luminance(ground)))
            assert (b + 0.05) / (a + 0.05) >= 4.5, (ink, ground)


def test_settings_and_the_config_file_say_the_same():
    def flat(table, before=""):
        out = {}
        for key, value in table.items():
            out.update(flat(value, f"{before}{key}.") if isinstance(value, dict) else {f"{before}{key}": value})
        return out

    assert flat(tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text())) == SETTINGS
    assert SETTINGS["server.address"] == "127.0.0.1" and SETTINGS["browser.gatherUsageStats"] is False
    assert "--server.address=0.0.0.0" in arguments({"server.address": "0.0.0.0"}) and "--server.headless=true" in arguments({})


def test_downloads_are_the_command_lines_own_bytes(draft):
    from framematch.guide.report import guide_report
    from framematch.output.guide_drawing import USUAL_PARTS
    from framematch.output.overlay import overlay_files

    assert overlays_of(draft.pairing, 1, USUAL_PARTS, (0,), ()) == overlay_files(guide_report(parse_pairing(draft.text)))


def test_the_first_guide_is_the_guide(draft):
    """What the coarse pictures carry: the same rectangle, and an outline a hair from the best one."""
    first, whole = first_report(draft.pairing).guide, report_of(draft.pairing).guide
    assert first.rectangle == whole.rectangle
    assert math.isclose(first.set_distance_m, whole.set_distance_m, rel_tol=0.05)


def test_format_parts_have_the_rasters_shape():
    """Super 35's 24.89 mm with a 17:9 raster: the height follows; a format of the raster's own shape stays whole."""
    assert format_part_mm("super35-4perf", (4096, 2160)) == (24.89, 13.126)
    assert format_part_mm("1/3-inch", (1440, 1080)) == (4.8, 3.6)


@pytest.mark.parametrize("text", ["", "a", "1,,x", ",".join("1" * 13)])
def test_lists_of_numbers_that_are_refused(text):
    with pytest.raises(InputError):
        numbers(text)


def test_lists_of_numbers():
    assert numbers("12, 15;18 25") == [12, 15, 18, 25]


def test_mount_drawing_puts_the_monitoring_camera_where_it_is(draft):
    """Up is up, forward is to the right, the aircraft's right is at the bottom of the view from above."""

    def places(view, **mount):
        text = changed(draft, "mount.offset_mm", {f"mount.offset_mm.{k}": v for k, v in {"right": 0.0, "up": 0.0, "forward": 0.0, **mount}.items()}).text
        root = ET.fromstring(mount_drawing(parse_pairing(text), view=view, colours=LIGHT))
        moved = [e.get("transform") for e in root.iter("{http://www.w3.org/2000/svg}g")]
        return [tuple(float(v) for v in t.split("(")[1].split(")")[0].split()) for t in moved]

    (rx, ry), (mx, my) = places("side", up=60.0, forward=40.0)
    assert my < ry and mx > rx
    (rx, ry), (mx, my) = places("above", right=50.0)
    assert my > ry and mx == rx


def test_pictures_are_kept_by_value(draft):
    wanted = Wanted(pairing=draft.pairing, shot=draft.shot, distance_m=3.0, height_px=60)
    first = pictures(wanted)
    again = pictures(Wanted(pairing=checked(draft.text), shot=draft.shot, distance_m=3.0, height_px=60))
    assert first is again and first.wide[:2] == b"\xff\xd8"
    assert pictures(Wanted(pairing=draft.pairing, shot=draft.shot, distance_m=4.0, height_px=60)).wide != first.wide
    longer = changed(draft, "recording.focal_mm", {"recording.focal_mm": 30.0}).pairing
    assert frame_picture(Wanted(pairing=longer, shot=draft.shot, distance_m=3.0, height_px=60)) != frame_picture(wanted)


# The wiring, by Streamlit's own tester.


@pytest.fixture
def app():
    from streamlit.testing.v1 import AppTest

    found = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600)
    found.run()
    assert not found.exception
    return found


def test_an_address_that_says_nonsense_opens_as_on_a_first_visit():
    from streamlit.testing.v1 import AppTest

    found = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600)
    for key, value in (("at", "nan"), ("area", "\0"), ("areas", "1")):
        found.query_params[key] = value
    found.run()
    assert not found.exception and "Type into the goggles" in " ".join(h.proto.body for h in found.get("html"))


def with_focal(app, focal_mm):
    """The page after a hand has left the focal slider there."""
    app.session_state["fm_draft"] = changed(app.session_state["fm_draft"], "recording.focal_mm", {"recording.focal_mm": focal_mm})
    return app.run()


def shown_text(app):
    return "\n".join(str(element.proto.body) for element in app.get("html"))


def test_first_visit_shows_the_example_with_a_result(app):
    text = shown_text(app)
    report = report_of(Draft(text=EXAMPLE).pairing)
    assert f"<td>{report.guide.rectangle.left:.0f}</td>" in text
    assert "Glasshouse pane, 18 mm" in text


def test_a_first_visit_does_not_wait_for_pandas(app, monkeypatch):
    """Streamlit reads it, for a second, as soon as it is to tell whether something is a table."""
    asked = []
    monkeypatch.setattr("streamlit.dataframe_util.determine_data_format", asked.append)
    app.run()
    assert not app.exception and not asked


def test_a_focal_length_moved_is_the_guides_and_can_be_undone(app):
    with_focal(app, 24.0)
    assert not app.exception
    assert app.session_state["fm_draft"].pairing.recording.lens.focal_mm == 24
    report = report_of(app.session_state["fm_draft"].pairing)
    assert f"<td>{report.guide.rectangle.left:.0f}</td>" in shown_text(app)
    app.button(key="undo").click().run()
    assert app.session_state["fm_draft"].text == EXAMPLE


def test_two_visitors_see_nothing_of_each_other(app):
    from streamlit.testing.v1 import AppTest

    other = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600).run()
    with_focal(app, 24.0)
    with_focal(other.run(), 31.0)
    assert [visitor.run().session_state["fm_draft"].pairing.recording.lens.focal_mm for visitor in (app, other)] == [24.0, 31.0]
    other.button(key="undo").click().run()
    assert app.run().session_state["fm_draft"].pairing.recording.lens.focal_mm == 24.0
    assert other.session_state["fm_draft"].text == EXAMPLE


def test_every_area_opens_and_cautions_stand_where_flying_is_planned(app):
    cautions = {"Gap": "Spinning propellers cut", "Flight day": "Never fly over people", "Print": "Propellers off"}
    for name in ("Pairing", "Gap", "Print", "Exchange", "Measure", "Flight day", "Foretold", "Guide"):
        app.session_state["area"] = name
        app.run()
        assert not app.exception, name
        assert cautions.get(name, "") in shown_text(app), name
        assert name not in ("Guide", "Gap", "Flight day") or said_in(METRIC, app), name  # which the next test looks for in vain
    assert "not what is safe" in shown_text(app)


METRIC = re.compile(r"\d(?: |&nbsp;)(?:m|cm|km|kg|m/s|km/h)\b|, (?:± )?(?:m|cm|kg|m/s|m²|°C)$|\bin m$", re.M)


def said_in(units, app):
    """Where figures or labels of the page are in these units; pictures and files are left out."""
    labels = [each.label for kind in (app.number_input, app.text_input) for each in kind]
    return [found[0] for found in units.finditer("\n".join([re.sub(r'"data:[^"]*"', "", shown_text(app)), *labels]))]


def test_one_choice_makes_the_whole_page_imperial_and_travels_in_the_address(app):
    app.checkbox(key="view:imperial").check().run()
    assert app.query_params["units"] == "imperial"
    for name in ("Guide", "Gap", "Flight day"):
        app.session_state["area"] = name
        app.run()
        assert not app.exception and said_in(METRIC, app) == [], name
        assert said_in(re.compile(r"\d ft\b|, ft$", re.M), app), name
    app.session_state["area"] = "Guide"
    app.run()
    near = app.number_input(key="field:shot.distance_m:0")
    assert near.label == "Nearest, ft" and near.value == pytest.approx(1.5 / 0.3048, abs=1e-6)
    near.set_value(10.0).run()
    assert app.session_state["fm_draft"].file.shot.distance_m[0] == 3.048 and app.number_input(key="field:shot.distance_m:0").value == 10.0
    app.checkbox(key="view:imperial").uncheck().run()
    assert "units" not in app.query_params and app.number_input(key="field:shot.distance_m:0").value == 3.048


def test_a_frame_outside_the_goggles_is_said_and_the_page_stays(app):
    app.session_state["area"] = "Pairing"
    app.run()
    app.number_input(key="field:mount.aim_deg.pan").set_value(170.0).run()
    assert not app.exception
    assert "wholly outside the monitoring picture" in shown_text(app)
    assert app.session_state["fm_draft"].can_undo


def test_words_of_a_hostile_address_are_shown_as_they_are():
    """Streamlit's messages are Markdown; CommonMark 0.31, 2.4: any ASCII punctuation may be escaped by a backslash."""
    from streamlit.testing.v1 import AppTest

    focal = next(line for line in EXAMPLE.splitlines() if line.startswith("focal_mm"))
    text = EXAMPLE.replace(focal, 'focal_mm = "![x](//elsewhere.invalid/x.png) :red[now] `a` $b$ <b>"', 1)
    app = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600)
    app.query_params["p"] = packed(text)
    app.run()
    assert not app.exception
    (told,) = app.error
    assert "elsewhere.invalid" in told.value
    assert not re.search(r"(?<!\\)[\[\]`$<>]", told.value)
    assert app.session_state["fm_draft"].text == EXAMPLE


BAD = ("<img src=x onerror=x()>", "</style></div><script>x()</script>")  # together as long as a propeller may be called


def test_names_that_people_type_are_never_markup(app):
    """Title, person, prop and subject are each called both."""
    said = json.dumps("".join(BAD))
    lines = [f"{key[0]}{said}" if (key := re.match("(title|name) = ", line)) else line for line in EXAMPLE.splitlines()]
    assert sum(said in line for line in lines) > 3
    app.session_state["fm_draft"] = Draft(text="\n".join(lines) + "\n")
    for area in sample(("Guide", "Pairing", "Flight day"), AREAS):
        app.session_state["area"] = area
        app.run()
        assert not app.exception, area
        assert "&lt;" in shown_text(app) and not [bad for bad in BAD if bad in shown_text(app)], area


ODD = {
    "the horizon alone": (r"distance_m = .*", "distance_m = [inf, inf]"),
    "goggles of a few rows": (r"raster_px = \[1280, 720\]", "raster_px = [20, 16]"),
    "goggles as tall as a tower": (r"raster_px = \[1280, 720\]", "raster_px = [16, 32768]"),
    "goggles as wide as a street": (r"raster_px = \[1280, 720\]", "raster_px = [32768, 16]"),
    "a frame of three rows": (r"aspect = .*\n((?:.*\n)*?)align = .*", r"area_px = [0.5, 1500, 5759.5, 3]\n\1"),
}


@pytest.mark.parametrize("odd", ODD)
def test_figures_that_are_allowed_but_odd_end_no_area_and_fill_no_memory(app, odd):
    """The largest picture of any area stays small: a frame of three rows was drawn 1 000 000 pixels wide."""
    text, count = re.subn(*ODD[odd], EXAMPLE, count=1)
    assert count == 1
    app.session_state["fm_draft"] = Draft(text=text)
    for area in ("Guide", "Exchange"):
        app.session_state["area"] = area
        app.run()
        assert not app.exception, area
        assert app.session_state["fm_draft"].text == text


def test_pictures_of_any_shape_are_of_a_bounded_size(draft):
    pairing = draft.pairing
    row = replace(pairing, frame=replace(pairing.frame, top=pairing.frame.bottom - 3))
    usual, wide = frame_camera(pairing, height_px=540), frame_camera(row, height_px=540)
    assert wide.raster_px == (8 * 540, 540)
    assert usual.raster_px[0] == round(540 * pairing.frame.width / pairing.frame.height)
    for camera, frame in ((usual, pairing.frame), (wide, row.frame)):  # the picture's own edges are the frame's, whatever its pixels
        corner = camera.unproject([camera.raster_px])[0]
        assert pairing.recording.project(corner)[0] == pytest.approx(np.array([[frame.right, frame.bottom]]), abs=1e-6)
    assert size_within((5760, 3036), 480) == (480, 253)
    assert size_within((16, 32768), 480) == (2, 1920)


def test_what_an_area_can_t_do_is_one_line_and_the_page_goes_on(app, monkeypatch):
    def refuses(*_):
        raise InputError("<b>no</b> such lens", field="recording.focal_mm")

    monkeypatch.setattr("framematch.page.areas.gap.area", refuses)
    app.session_state["area"] = "Gap"
    with_focal(app, 24.0)
    assert not app.exception
    assert "recording.focal_mm: &lt;b&gt;no&lt;/b&gt; such lens" in shown_text(app)
    assert app.query_params["area"] == "gap"  # the run came to its end


def test_a_fault_nobody_foresaw_is_one_line_where_it_happened(app, monkeypatch, caplog):
    from framematch.page import views

    def breaks(*_, **__):
        raise KeyError("<b>no</b> such thing")

    monkeypatch.delenv("FRAMEMATCH_FAULTS")
    monkeypatch.setattr("framematch.page.areas.gap.area", breaks)
    app.session_state["area"] = "Gap"
    app.run()
    assert not app.exception
    assert "Not all of this area can be shown: a fault of ours (KeyError)." in shown_text(app) and "no such" not in shown_text(app)
    assert app.query_params["area"] == "gap"
    assert "breaks" in caplog.text and "Traceback" in caplog.text
    for part, says in (("note_of", "No guide"), ("rig_of", "No pictures")):
        with monkeypatch.context() as patched:
            patched.setattr(views, part, breaks)
            app.session_state["area"] = "Pairing"
            app.run()
            assert not app.exception
            assert f"{says}: a fault of ours (KeyError)." in shown_text(app)


def test_a_change_that_trips_a_fault_leaves_the_draft(draft, monkeypatch):
    from framematch.page import draft as drafts

    monkeypatch.delenv("FRAMEMATCH_FAULTS")
    monkeypatch.setattr(drafts, "checked", lambda *_, **__: 1 / 0)
    after = changed(draft, "mount.offset_mm.up", {"mount.offset_mm.up": 12.125})
    assert after.text == draft.text and "a fault of ours (ZeroDivisionError)" in after.faults["mount.offset_mm.up"]


def test_loaded_keeps_the_old_pairing_for_undo(draft):
    other = loaded(draft, STARTER)
    assert other.text == STARTER and undone(other).text == draft.text


def test_areas_are_drawn_in_the_goggles_when_asked_for(app):
    assert "always in shot: at every distance</span>" not in shown_text(app)
    app.checkbox(key="view:areas").check().run()
    assert not app.exception
    assert "always in shot: at every distance</span>" in shown_text(app) and "may be in shot: at some distance</span>" in shown_text(app)
