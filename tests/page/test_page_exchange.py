"""The Exchange area without a browser: downloads are the command line's bytes, the frame comes from an FDL and keeps its numbers, bad uploads, the wiring."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browser import ROOT
from fdl_files import numbers, production
from paper_rigs import glasshouse
from typer.testing import CliRunner

from framematch.cli import app as command_line
from framematch.errors import InputError
from framematch.files import fdl as ours
from framematch.files.pairing import changed_text, parse_pairing
from framematch.geometry.camera import Rect
from framematch.output.drawing import Inks
from framematch.output.fdl_drawing import framing_drawing, framing_rows, framing_words
from framematch.output.lens_map import bent_picture, straight_picture, straightened
from framematch.output.svg import drawing_svg
from framematch.page.areas.exchange import CAMERA_FILES, GIVEN, camera_bytes, framings_in, map_bytes, scene_bytes, short_name, usd_zip
from framematch.page.draft import Draft, changed, text_from_upload, undone
from framematch.page.film import film_bytes
from framematch.page.lens_map_preview import Preview, lens_map_preview, source
from framematch.page.session import EXAMPLE
from framematch.progress import heard

fdl = ours.library()
INKS = Inks(ground="#ffffff", ink="#000000", quiet="#444444", accent="#006666", second="#883300")


@pytest.fixture
def draft() -> Draft:
    return Draft(text=EXAMPLE)


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(EXAMPLE, encoding="utf-8")
    return path


def by_command(*words: object) -> None:
    result = CliRunner().invoke(command_line, [str(w) for w in words])
    assert result.exit_code == 0, result.output + repr(result.exception)


# Out: the command line's bytes.


def test_the_fdl_is_the_command_lines(draft, rig: Path, tmp_path: Path) -> None:
    by_command("fdl", rig, "--out", tmp_path / "a.fdl")
    assert ours.fdl_text(draft.pairing).encode() == (tmp_path / "a.fdl").read_bytes()


@pytest.mark.parametrize(
    ("kind", "options", "given"),
    [("exr", [], {}), pytest.param("tiff", ["--top-left", "--angle", "100"], {"top_left": True, "angle_deg": 100.0}, marks=pytest.mark.at_length)],
)
def test_lens_maps_are_the_command_lines(draft, rig: Path, tmp_path: Path, kind: str, options: list[str], given: dict) -> None:
    by_command("lens-map", rig, "--out", tmp_path, "--format", kind, *options)
    for way in ("straight", "bent"):
        made = map_bytes(draft.pairing, which="display", kind=kind, way=way, **{"top_left": False, "angle_deg": None, **given})
        assert made == (tmp_path / f"display-{way}.{kind}").read_bytes()


def test_a_map_of_the_recorded_picture_is_the_command_lines(rig: Path, tmp_path: Path) -> None:
    small = changed_text(EXAMPLE, {"recording.raster_px": [576, 304], "recording.centre_px": None})
    rig.write_text(small, encoding="utf-8")
    by_command("lens-map", rig, "--out", tmp_path, "--format", "exr", "--picture", "recording")
    made = map_bytes(parse_pairing(small), which="recording", kind="exr", way="bent", top_left=False, angle_deg=None)
    assert made == (tmp_path / "recording-bent.exr").read_bytes()


def test_cameras_are_the_command_lines(draft, rig: Path, tmp_path: Path) -> None:
    by_command("opencv", rig, "--out", tmp_path)
    for name in CAMERA_FILES:
        assert camera_bytes(draft.pairing, name) == (tmp_path / f"{name}.yml").read_bytes()


@pytest.mark.at_length
def test_the_scene_is_the_command_lines(draft, rig: Path, tmp_path: Path) -> None:
    words = ("--gap", "1.4x1", "--shape", "arch", "--sill", 0.9, "--speed", 6, "--tilt", 10)
    by_command("run", rig, *words, "--out", tmp_path / "run.glb")
    typed = {"gap.size_m": [1.4, 1.0], "gap.shape": "arch", "gap.sill_m": 0.9, "run.speed_m_s": 6.0, "run.tilt_deg": 10.0}
    shot = changed(draft, "gap.size_m", typed).shot
    assert scene_bytes(draft.pairing, shot) == (tmp_path / "run.glb").read_bytes()
    by_command("run", rig, *words, "--out", tmp_path / "run.usda")
    with zipfile.ZipFile(io.BytesIO(usd_zip(draft.pairing, shot))) as packed:
        assert packed.namelist() == ["run.usda", "run_texture.png"]
        for name in packed.namelist():
            assert packed.read(name) == (tmp_path / name).read_bytes()


@pytest.mark.at_length
def test_the_film_is_the_command_lines_and_says_which_frame_it_is_at(rig: Path, tmp_path: Path) -> None:
    text = changed_text(EXAMPLE, {"run.speed_m_s": 80.0})
    rig.write_text(text, encoding="utf-8")
    by_command("run", rig, "--out", tmp_path / "run.mp4")
    said: list[str] = []
    with heard(said.append):
        made = film_bytes(parse_pairing(text), Draft(text=text).shot, 1)
    assert made == (tmp_path / "run.mp4").read_bytes()
    assert [words for words in said if words] == [f"Frame {i} of 4" for i in (1, 2, 3, 4, 4)]


# In: a production's FDL, made with the standard body's own library.


def upload(text: str, name: str = "a.fdl"):
    return framings_in(text.encode(), name=name)


def test_every_number_of_a_production_s_frame_is_kept(draft) -> None:
    """Off the middle, of no usual shape: in, into the pairing's text, out again; rectangles as the standard's library reads them."""
    given = production(frames=((300.0, 400.5, 4800.0, 2000.0),), protection=(180.0, 350.5, 5040.0, 2100.0))
    framing = next(f for f in upload(given) if f.raster_px == (5760, 3036))
    after = changed(draft, "recording.frame.area_px", ours.frame_changes(framing))
    assert not after.faults and undone(after).text == EXAMPLE
    assert "# what the stabiliser leaves" in after.text  # comments stay
    again = fdl.read_from_string(ours.fdl_text(after.pairing)).contexts[0].canvases[0].framing_decisions[0]
    first = fdl.read_from_string(given).contexts[0].canvases[0].framing_decisions[0]
    assert tuple(again.get_rect()) == tuple(first.get_rect())
    assert tuple(again.get_protection_rect()) == pytest.approx(tuple(first.get_protection_rect()), abs=1e-6)
    reread = text_from_upload(after.text.encode(), name="saved.toml")
    assert parse_pairing(reread).frame == after.pairing.frame


@pytest.mark.parametrize(("squeeze", "aspect", "keep"), [(s, a, k) for s in (1.0, 1.33, 2.0) for a in (2.39, 16 / 9, 2.0) for k in (100.0, 92.0, 87.3)])
def test_our_own_fdl_in_and_out_again_keeps_the_numbers(squeeze: float, aspect: float, keep: float) -> None:
    pairing = glasshouse(squeeze=squeeze, aspect=aspect, keep=keep, align="top")
    text = ours.fdl_text(pairing)
    changes = ours.frame_changes(ours.parse_framings(text)[0])
    left, top, width, height = changes["recording.frame.area_px"]
    again = replace(pairing, frame=Rect(left=left, top=top, right=left + width, bottom=top + height), keep_percent=changes["recording.frame.keep_percent"])
    first, second = json.loads(text), json.loads(ours.fdl_text(again))
    assert numbers(second) == pytest.approx(numbers(first), abs=2e-6)  # pixels; the file itself has six decimals


def test_a_frame_at_the_rasters_edge_still_goes_out(draft) -> None:
    """What the stabiliser may use ends with the canvas; enlarged about the frame's middle it would reach beyond, which the standard refuses."""
    framing = upload(production(frames=((960.0, 36.0, 4800.0, 2000.0),), protection=(480.0, 0.0, 5280.0, 2200.0)))[0]
    after = changed(draft, "recording.frame.area_px", ours.frame_changes(framing)).pairing
    out = ours.parse_framings(ours.fdl_text(after))[0]
    assert out.frame == framing.frame
    assert out.protection.right == 5760 and out.protection.top == 0 and out.protection.left < framing.frame.left


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (production(raster=(4096, 2160), frames=((0.0, 0.0, 4096.0, 1716.0),)), "no framing on a canvas of 5760 x 3036"),
        (production(squeeze=1.5), "squeeze is 1.5 there and 1 in the pairing"),
        (production(frames=((2000.0, 1000.0, 400.0, 160.0),), protection=(0.0, 0.0, 5760.0, 2304.0)), "of its protection"),
    ],
)
def test_a_frame_that_does_not_fit_says_why(draft, given: str, says: str) -> None:
    framing = upload(given)[0]
    with pytest.raises(InputError, match=says):
        ours.framed(draft.pairing, ours.chosen([framing], draft.pairing, name="a.fdl"), name="a.fdl")


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "is not JSON"),
        (b"{", "is not JSON"),
        (b"\xff\xfe\x00", "is not UTF-8"),
        (b"[" * 200_000, "is not JSON"),
        (b'"text"', "is not valid ASC FDL"),
        (b"null", "is not valid ASC FDL"),
        (b"1e999", "is not valid ASC FDL"),
        (b"{}", "is not valid ASC FDL"),
        (json.dumps({"uuid": "x", "version": {"major": 2, "minor": 0}}).encode(), "no framing decision"),
        (production().replace("4800.0", "1e308").encode(), ""),
        (production().replace("4800.0", '"wide"').encode(), "is not valid ASC FDL"),
        (production(protection=(100.0, 100.0, 200.0, 100.0)).encode(), "exceeds"),
        (EXAMPLE.encode(), "is not JSON"),
    ],
)
def test_what_is_no_fdl_is_one_plain_line(draft, raw: bytes, says: str) -> None:
    with pytest.raises(InputError) as refused:
        for framing in framings_in(raw, name="shot.fdl"):
            ours.framed(draft.pairing, ours.chosen([framing], draft.pairing, name="shot.fdl"), name="shot.fdl")
    line = str(refused.value)
    assert line.startswith("shot.fdl: ") and says in line and "\n" not in line and len(line) < 500 and "Traceback" not in line


def test_a_huge_file_is_refused() -> None:
    with pytest.raises(InputError, match="larger than 1 MB"):
        framings_in(bytes(1_000_001), name="a.fdl")


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\rigs\\a.fdl", "a.fdl"),
        ("a\nb\x1b[31m.fdl", "ab[31m.fdl"),
        ("", "upload"),
        ("x" * 300 + ".fdl", "x" * 80),
        ("..", ".."),
    ],
)
def test_names_are_only_shown(name: str, shown: str) -> None:
    assert short_name(name) == shown


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"area_px": [0, 0, 100, 100]}, "stands beside"),
        ({"aspect": None, "align": None, "area_px": [0, 0, 6000, 100]}, "reaches outside the raster of 5760 x 3036"),
        ({"aspect": None, "align": None, "area_px": [-1, 0, 100, 100]}, "reaches outside"),
        ({"aspect": None, "align": None, "area_px": [0, 0, 0, 100]}, "reaches outside"),
        ({"aspect": None, "align": None, "area_px": [0, 0, 100]}, "area_px"),
        ({"aspect": None, "align": None, "keep_percent": None, "fdl": "/etc/passwd"}, "take the FDL file in under Exchange"),
        ({"aspect": None, "align": None, "keep_percent": None, "fdl": "../a.fdl"}, "take the FDL file in under Exchange"),
    ],
)
def test_a_frame_in_pixels_is_checked(changes: dict, says: str) -> None:
    with pytest.raises(InputError, match=says):
        text_from_upload(changed_text(EXAMPLE, {f"recording.frame.{key}": value for key, value in changes.items()}).encode(), name="rig.toml")


# What is drawn.


def test_the_drawing_has_the_file_s_areas_in_their_places() -> None:
    framing = upload(production(squeeze=2.0, protection=(180.0, 350.5, 5040.0, 2100.0), effective=(10, 20, 5740, 2996)))[0]
    assert [name for name, _ in framing_rows(framing)] == ["canvas", "effective area", "protection", "framing decision"]
    assert framing_words(framing).startswith("canvas 5760 x 3036 at 0, 0; effective area 5740 x 2996 at 10, 20; protection 5040 x 2100 at 180, 350.5;")
    drawing = framing_drawing(framing, inks=INKS)
    canvas, effective, protection, frame = (np.array([s.points.min(axis=0), s.points.max(axis=0)]) for s in drawing.shapes if hasattr(s, "dash"))
    assert (canvas[1] - canvas[0])[0] / (canvas[1] - canvas[0])[1] == pytest.approx(2 * 5760 / 3036)  # de-squeezed
    share = (frame - canvas[0]) / (canvas[1] - canvas[0])
    assert share == pytest.approx(np.array([(300 / 5760, 400.5 / 3036), (5100 / 5760, 2400.5 / 3036)]))
    assert (effective[0] >= canvas[0]).all() and (protection[0] < frame[0]).all()
    assert "framing decision" in drawing_svg(drawing)


def test_the_look_at_a_lens_map_is_what_the_map_does(draft) -> None:
    """A dot where the bent lens puts a ray comes out where a straight lens of the same angle puts it (x = f X/Z)."""
    pairing = draft.pairing
    bent = bent_picture(pairing, "display")
    for ray in ([0.5, 0.2, 1.0], [-0.7, -0.3, 1.0], [0.0, 0.0, 1.0]):
        (x, y), seen = bent.project(ray)
        assert seen
        colour = np.zeros((720, 1280, 3), dtype=np.uint8)
        colour[int(y) - 2 : int(y) + 3, int(x) - 2 : int(x) + 3] = 255
        out = straightened(colour, pairing, "display", width_px=640, angle_deg=100.0)
        rows, columns = np.nonzero(out[..., 0] > 100)
        focal = 320 / np.tan(np.radians(50))
        assert (columns.mean() + 0.5, rows.mean() + 0.5) == pytest.approx((320 + focal * ray[0], out.shape[0] / 2 + focal * ray[1]), abs=1.0)
    assert out.shape[:2] == (round(640 * 720 / straight_picture(bent, angle_deg=100.0).raster_px[0]), 640)


def test_the_look_is_kept_and_does_not_wait_for_what_it_does_not_show(draft) -> None:
    def look(pairing):
        return Preview(pairing=source(pairing), which="display", angle_deg=None, shot=draft.shot, distance_m=3.0)

    assert look(replace(draft.pairing, title="other", frame=draft.pairing.recording.picture)) == look(draft.pairing)
    before, after = lens_map_preview(look(draft.pairing))
    assert before[0] != after[0] and before[1] == (960, 540) and after[1][0] == 480
    assert lens_map_preview(look(draft.pairing))[0] is before


# The wiring, by Streamlit's own tester.


@pytest.fixture
def app():
    from streamlit.testing.v1 import AppTest

    found = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600)
    found.session_state["area"] = "Exchange"
    found.run()
    assert not found.exception
    return found


def text_of(app) -> str:
    return "\n".join(str(element.proto.body) for element in app.get("html"))


def test_the_area_says_what_each_file_is_for(app) -> None:
    text = text_of(app)
    for words in (
        "For the camera crew, dailies and post",
        "For compositing",
        "For trackers",
        "For 3D and post",
        "framing decision 5299.2 x 2217.24 at 230.4, 409.38",
    ):
        assert words in text
    assert 'alt="After: the goggles' in text and "not a safe path" in text
    app.button(key="exchange:print").click().run()
    assert not app.exception
    assert "As it will be printed" in text_of(app)


def test_a_frame_is_looked_at_chosen_taken_over_and_undone(app) -> None:
    before = app.session_state["fm_draft"].pairing
    given = production(frames=((300.0, 400.5, 4800.0, 2000.0), (0.0, 0.0, 5760.0, 2400.0)), protection=(290.0, 390.5, 5000.0, 2050.0))
    app.session_state[GIVEN] = ("a.fdl", upload(given))
    app.run()
    assert not app.exception
    text = text_of(app)
    assert "What it would change" in text and "4800 x 2000 at 300, 400.5" in text and "2.400:1" in text and "<td>96 %</td>" in text
    assert app.session_state["fm_draft"].pairing == before  # only looked at
    app.selectbox(key="exchange:decision").select(2).run()
    assert "no framing on a canvas of 5760 x 3036" in text_of(app)
    with pytest.raises(KeyError):
        app.button(key="exchange:use")
    app.selectbox(key="exchange:decision").select(0).run()
    app.button(key="exchange:use").click().run()
    assert not app.exception
    pairing = app.session_state["fm_draft"].pairing
    assert pairing.frame == Rect(left=300.0, top=400.5, right=5100.0, bottom=2400.5) and pairing.keep_percent == 96
    assert "framing decision 4800 x 2000 at 300, 400.5" in text_of(app)
    app.session_state["area"] = "Pairing"
    app.run()
    assert "Frame by its pixels, as an FDL file gave it: 4800 x 2000 at 300, 400.5; the stabiliser keeps 96 %." in text_of(app)
    app.button(key="drop:area_px").click().run()
    assert not app.exception
    assert app.session_state["fm_draft"].file.recording.frame[0].aspect == pytest.approx(2.4)
    app.button(key="undo").click().run()
    app.button(key="undo").click().run()
    assert app.session_state["fm_draft"].pairing == before


def test_settings_of_the_lens_map_are_followed(app) -> None:
    first = text_of(app)
    app.selectbox(key="exchange:picture").select("recording").run()
    assert not app.exception
    assert "5760 x 3036 pixels" in text_of(app) and text_of(app) != first
    app.checkbox(key="exchange:own-angle").check().run()
    app.number_input(key="exchange:angle").set_value(60.0).run()
    assert not app.exception
