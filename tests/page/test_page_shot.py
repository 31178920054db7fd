"""The page's shot: its pictures, tables and files are those of one value, and its text is read once."""

from __future__ import annotations

import io
import tomllib
from dataclasses import replace

import pytest
import tomlkit
from at_length import sample
from browser import ROOT
from PIL import Image

from framematch.errors import InputError
from framematch.files.starter import STARTER
from framematch.page import scans
from framematch.page.areas.where import scene_changes
from framematch.page.draft import Draft, changed
from framematch.page.pictures import Wanted, _jpeg, frame_picture, pictures
from framematch.page.session import EXAMPLE
from framematch.page.work import comparison_of
from framematch.render.lens_view import lens_view


@pytest.fixture
def app():
    from streamlit.testing.v1 import AppTest

    return AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=120)


@pytest.fixture
def parses(monkeypatch):
    """Every text that is parsed as TOML, by either reader."""
    found: list[str] = []

    def counted(real):
        return lambda text: (found.append(text), real(text))[1]

    monkeypatch.setattr(tomllib, "loads", counted(tomllib.loads))
    monkeypatch.setattr(tomlkit, "parse", counted(tomlkit.parse))
    return found


def _tilted() -> Draft:
    text = EXAMPLE.replace("tilt_deg = 0  ", "tilt_deg = -15  ").replace("right = 0.0, up = 0.0", "right = 0.3, up = 0.0")
    draft = Draft(text=text)
    assert (draft.shot.run.tilt_deg, draft.shot.run.right_m) == (-15.0, 0.3)
    return draft


def test_the_gaps_pictures_are_the_lens_sheets() -> None:
    """Tilted, beside the middle, with the subject: what the table counts, as the command line's sheet draws it."""
    draft = _tilted()
    found = comparison_of(draft.pairing, draft.shot)
    sheet = lens_view()
    for row in found.rows:
        pairing = replace(draft.pairing, recording=row.camera)
        for distance in (5.0, 2.0):
            mine = frame_picture(Wanted(pairing=pairing, shot=found.shot, distance_m=distance, height_px=120))
            assert mine == _jpeg(sheet(found, row, distance, Image.open(io.BytesIO(mine)).width))
    level = Draft(text=EXAMPLE)
    assert mine != frame_picture(Wanted(pairing=pairing, shot=level.shot, distance_m=2.0, height_px=120))
    assert all(exit.leaves_m is None for exit in found.rows[1].exits if exit.side == "top")  # and what the pictures show is what the table says


def test_a_gap_with_only_a_size_has_views() -> None:
    draft = Draft(text=STARTER + "\n[gap]\nsize_m = [1.4, 1.0]\n")
    assert draft.shot.opening.thickness_m == 0
    made = pictures(Wanted(pairing=draft.pairing, shot=draft.shot, distance_m=3.0, height_px=60))
    assert made.wide[:2] == made.frame[:2] == b"\xff\xd8"


def test_a_text_without_a_gap_has_our_scenes_and_a_change_writes_all_of_it() -> None:
    draft = Draft(text=STARTER)
    assert (draft.shot.opening.width_m, draft.shot.opening.sill_m, draft.shot.opening.thickness_m) == (1.2, 1.1, 0.06)
    wider = changed(draft, "gap.size_m", {"gap.size_m": [1.5, 0.9]})
    assert not wider.faults
    assert (wider.shot.opening.width_m, wider.shot.opening.sill_m, wider.shot.opening.thickness_m) == (1.5, 1.1, 0.06)


def test_the_first_of_several_openings_is_changed_in_place() -> None:
    draft = Draft(text=STARTER + "\n[[opening]]\nsize_m = [1.2, 0.9]\n[[opening]]\nsize_m = [2, 2]\nmiddle_m = [0, 2, -9]\n")
    after = changed(draft, "gap.sill_m", {"gap.sill_m": 0.8})
    assert not after.faults and [o.sill_m for o in after.shot.openings] == [0.8, 1.0]


def test_no_mesh_is_read_but_those_that_were_uploaded() -> None:
    for name in ("/etc/passwd.glb", "../../etc/passwd.glb"):
        after = changed(Draft(text=EXAMPLE), "place.file", {"place.file": name})
        assert "leads outside" in after.faults["place.file"]


def _box(kind: str) -> bytes:
    """A wall of 4 x 3 x 0.2 m whose lowest point is at 0.5 m, by trimesh."""
    import trimesh

    wall = trimesh.creation.box((4.0, 3.0, 0.2))
    wall.apply_translation((1.0, 2.0, -5.0))
    made = wall.export(file_type=kind)
    return made if isinstance(made, bytes) else made.encode()


@pytest.mark.parametrize("kind", ["glb", "ply", "stl", "obj"])
def test_an_own_scan_becomes_the_shots_place(kind: str) -> None:
    name = scans.kept(f"C:\\wall.{kind}", _box(kind))
    after = changed(Draft(text=EXAMPLE), "place.file", scans.changes(name))
    assert not after.faults
    assert after.shot.place.file == scans.folder() / name and after.shot.place.ground_m == 0.5
    assert after.shot.opening.middle_m == pytest.approx((1.0, 2.0, -5.0), abs=1e-3)
    assert scans.kept(f"wall.{kind}", _box(kind)) == name  # the same again takes no second place
    frame_picture(Wanted(pairing=after.pairing, shot=after.shot, distance_m=3.0, height_px=90))
    back = changed(after, "place.scene", scene_changes("window"))
    assert not back.faults and back.shot.place.file is None and back.shot.opening.middle_m is None


@pytest.mark.parametrize(
    ("name", "raw", "says"),
    [
        ("scan.exe", b"MZ", "not a kind of mesh"),
        ("scan", b"", "not a kind of mesh"),
        ("scan.glb", b"", "not a GLB"),
        ("scan.glb", b"glTF" + b"\0" * 30, "."),
        ("scan.glb", _box("glb")[:-40], "."),
        ("scan.ply", b"ply\nformat ascii 1.0\nelement vertex 900000000\nend_header\n", "."),
        ("scan.stl", b"solid nothing\nendsolid\n", "."),
        ("scan.obj", b"v 0 0 0\nmtllib ../../secret.mtl\nf 1 1 1\n", "."),
        ("scan.gltf", b'{"asset": {"version": "2.0"}, "buffers": [{"uri": "http://elsewhere.invalid/x.bin", "byteLength": 4}]}', "."),
        ("scan.stl", b"x" * 33_000_000, "larger than 32 MB"),
        ("<b>scan.glb", b"nothing", "not a GLB"),
    ],
)
def test_what_is_no_scan_is_said_in_one_line_and_not_kept(name: str, raw: bytes, says: str) -> None:
    before = {path for path in scans.folder().rglob("*") if path.is_file()}
    with pytest.raises(InputError, match=says) as refused:
        scans.kept(name, raw)
    assert "\n" not in str(refused.value) and str(scans.folder()) not in str(refused.value)
    assert {path for path in scans.folder().rglob("*") if path.is_file()} == before


def test_a_step_of_a_slider_parses_once(parses) -> None:
    draft = Draft(text=EXAMPLE.replace("18 mm", "counted"))
    draft = changed(draft, "run.tilt_deg", {"run.tilt_deg": 1.5})
    for focal in (18.5, 19.0, 19.5):
        parses.clear()
        draft = changed(draft, "recording.focal_mm", {"recording.focal_mm": focal})
        said = draft.pairing, draft.file, draft.shot, draft.shot_file, draft.text
        assert said[0].recording.lens.focal_mm == focal
        assert len(parses) == 1


@pytest.mark.at_length
def test_the_whole_page_parses_no_text_twice(app, parses) -> None:
    """Whatever area is open: what both sliders move and a figure typed in the Gap area."""
    app.session_state["area"] = "Gap"
    app.run()
    first = len(parses)
    app.session_state["fm_distance_m"] = 4.5
    app.run()
    assert not app.exception
    before = set(parses)
    for focal in sample((23.0,), (23.0, 23.5)):
        app.session_state["fm_draft"] = changed(app.session_state["fm_draft"], "recording.focal_mm", {"recording.focal_mm": focal})
        app.run()
        assert not app.exception
    new = [text for text in parses[first:] if text not in before]
    assert new and len(new) == len(set(new))


def test_the_hidden_cut_stands_in_the_gap_area(app) -> None:
    app.session_state["area"] = "Gap"
    app.run()
    assert not app.exception
    shown = "\n".join(str(element.proto.body) for element in app.get("html"))
    assert "Another camera for a hidden cut 2 m before the gap: 13.2 x 7.425 mm" in shown
