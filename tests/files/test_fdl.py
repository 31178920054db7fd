"""ASC FDL in and out, judged by the standard body's own library (PyPI asc-fdl, ASC FDL 2.0)."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import pytest
from fdl_files import numbers
from paper_rigs import glasshouse

from framematch.errors import InputError
from framematch.files import fdl as ours
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.starter import STARTER
from framematch.geometry.camera import Camera, Rect, frame_in
from framematch.text.toml import changed_text

fdl = ours.library()
ASPECTS = {"2.39:1": (239, 100), "16:9": (16, 9), "2:1": (2, 1)}
RASTERS = {1.0: (5760, 3036), 1.33: (4320, 3240), 2.0: (2880, 3240)}


def rig(squeeze: float, aspect: str, protection: float, raster: tuple[int, int], align: str = "centre"):
    wide, high = ASPECTS[aspect]
    keep = 100 * (1 - protection)
    base = glasshouse(squeeze=squeeze)
    camera = Camera(lens=base.recording.lens, sensor_mm=(24.0, 24.0 * raster[1] / raster[0]), raster_px=raster)
    return replace(base, recording=camera, frame=frame_in(raster, squeeze=squeeze, aspect=wide / high, keep_percent=keep, align=align), keep_percent=keep)


def near(a, b, tolerance):
    return a == pytest.approx(b, abs=tolerance)


@pytest.mark.parametrize("squeeze,aspect,protection", list(itertools.product(RASTERS, ASPECTS, (0.0, 0.08))))
def test_the_librarys_own_framing_from_intent_returns_our_frame(squeeze: float, aspect: str, protection: float) -> None:
    """To the library's rounding: it rounds protection and frame to whole pixels, half a pixel each."""
    pairing = rig(squeeze, aspect, protection, RASTERS[squeeze])
    text = json.loads(ours.fdl_text(pairing))
    document = fdl.read_from_string(json.dumps(text))
    canvas = document.contexts[0].canvases[0]
    intent = document.framing_intents[0]
    assert (intent.aspect_ratio.width, intent.aspect_ratio.height) == ASPECTS[aspect]
    ours_rect = canvas.framing_decisions[0].get_rect()
    made = canvas.add_framing_decision("recording-again", "again", intent.id, fdl.DimensionsFloat(width=1, height=1), fdl.PointFloat(x=0, y=0))
    made.populate_from_intent(canvas, intent, fdl.RoundStrategy(even=fdl.RoundingEven.WHOLE, mode=fdl.RoundingMode.ROUND))
    theirs = made.get_rect()
    assert near(tuple(ours_rect), tuple(theirs), 1.0)
    if protection:
        assert near(tuple(canvas.framing_decisions[0].get_protection_rect()), tuple(made.get_protection_rect()), 0.5)


@pytest.mark.parametrize("squeeze,aspect,protection", list(itertools.product(RASTERS, ASPECTS, (0.0, 0.08))))
def test_the_same_on_a_de_squeezed_canvas_of_any_shape(squeeze: float, aspect: str, protection: float) -> None:
    """On wide squeezed rasters the library's call leaves the canvas; fed the de-squeezed picture it agrees."""
    raster = (5760, 3036)
    pairing = rig(squeeze, aspect, protection, raster)
    wide = fdl.DimensionsFloat(width=raster[0] * squeeze, height=raster[1])
    whole = fdl.RoundStrategy(even=fdl.RoundingEven.WHOLE, mode=fdl.RoundingMode.ROUND)
    got = fdl.compute_framing_from_intent(wide, wide, 1.0, fdl.DimensionsInt(width=ASPECTS[aspect][0], height=ASPECTS[aspect][1]), protection, whole)
    f = pairing.frame
    assert near((got.dimensions.width / squeeze, got.dimensions.height), (f.width, f.height), 1.0)
    assert near((got.anchor_point.x / squeeze, got.anchor_point.y), (f.left, f.top), 1.0)


def test_spec_example() -> None:
    """4448 x 3096, 2:1 intent, protection 0.05: 4225.6 x 2112.8 (ASC FDL specification)."""
    pairing = rig(1.0, "2:1", 0.05, (4448, 3096))
    rect = fdl.read_from_string(ours.fdl_text(pairing)).contexts[0].canvases[0].framing_decisions[0].get_rect()
    assert near((rect.width, rect.height), (4225.6, 2112.8), 1e-6)


@pytest.mark.parametrize("squeeze,align", list(itertools.product(RASTERS, ("centre", "top", "bottom", "left", "right"))))
def test_out_in_out_keeps_every_number(tmp_path: Path, squeeze: float, align: str) -> None:
    pairing = rig(squeeze, "16:9", 0.1, (5760, 3036), align)
    file = tmp_path / "a.fdl"
    ours.write_fdl(file, pairing)
    fdl.read_from_file(file)  # validates
    blank = replace(pairing, frame=pairing.recording.picture, keep_percent=100.0)
    again = ours.framed(blank, ours.chosen(ours.read_framings(file), blank))
    assert near(again.frame.as_tuple(), pairing.frame.as_tuple(), 1e-6)
    assert again.keep_percent == pytest.approx(90.0, abs=1e-6)
    first, second = json.loads(ours.fdl_text(pairing)), json.loads(ours.fdl_text(again))
    for each in (first, second):
        each.pop("uuid")  # a digest of the exact figures
    assert numbers(second) == pytest.approx(numbers(first), abs=1e-5)


def test_titles_in_any_script_and_the_same_text_each_time() -> None:
    pairing = replace(glasshouse(), title="温室 оранжерея " + "x" * 300)
    assert ours.fdl_text(pairing) == ours.fdl_text(pairing)
    assert "温室" in ours.parse_framings(ours.fdl_text(pairing))[0].label


def test_protection_never_leaves_the_raster() -> None:
    for align in ("centre", "top", "bottom", "left", "right"):
        for squeeze in RASTERS:
            p = ours.protection_of(rig(squeeze, "2.39:1", 0.2, (5760, 3036), align))
            assert p.left > -1e-6 and p.top > -1e-6 and p.right < 5760 + 1e-6 and p.bottom < 3036 + 1e-6


@pytest.mark.parametrize(
    "text,says",
    [
        ("{", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ("{}", "is not valid ASC FDL"),
        ("[]", "is not valid ASC FDL"),
        (json.dumps({"uuid": "x", "version": {"major": 2, "minor": 0}}), "no framing decision"),
    ],
)
def test_bad_files_are_one_plain_line(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        ours.parse_framings(text, name="shot.fdl")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "place", [("version", "major"), ("framing_intents", 0, "aspect_ratio", "width"), ("contexts", 0, "canvases", 0, "dimensions", "height")]
)
@pytest.mark.parametrize("value", [2**64, -(10**30), 10**400])
def test_numbers_at_which_the_library_would_end_the_process_are_refused_before(place: tuple[str | int, ...], value: int) -> None:
    document = json.loads(ours.fdl_text(glasshouse()))
    *outer, last = place
    inner = document
    for key in outer:
        inner = inner[key]
    inner[last] = value
    with pytest.raises(InputError, match="more than 15 digits"):
        ours.parse_framings(json.dumps(document), name="shot.fdl")


def test_other_camera_or_squeeze_is_named() -> None:
    framings = ours.parse_framings(ours.fdl_text(glasshouse()))
    other = rig(2.0, "16:9", 0.0, (2880, 3240))
    with pytest.raises(InputError, match="5760 x 3036"):
        ours.chosen(framings, other)
    squeezed = glasshouse(squeeze=1.33)
    with pytest.raises(InputError, match=r"squeeze is 1 there and 1\.33"):
        ours.framed(squeezed, ours.chosen(framings, squeezed))
    with pytest.raises(InputError, match="2 framings"):
        ours.chosen(framings * 2, glasshouse())


def two_cameras() -> str:
    """Two bodies of one kind, each with two framings that are labelled alike."""
    document = fdl.FDL(uuid="6f3f8c1e-7f0e-4b52-9d0b-0c9d2c1a5f01", fdl_creator="production", default_framing_intent="wide")
    document.add_framing_intent("wide", "2.39:1", fdl.DimensionsInt(width=239, height=100), 0.1)
    document.add_framing_intent("tall", "9:16", fdl.DimensionsInt(width=9, height=16), 0.0)
    for number, unit in enumerate(("drone unit", "ground unit")):
        canvas = document.add_context(unit, "production").add_canvas(
            f"c{number}", f"body {'AB'[number]}", f"c{number}", fdl.DimensionsInt(width=5760, height=3036), 1.0
        )
        left = 300.0 + number
        wide = canvas.add_framing_decision(f"c{number}-wide", "wide", "wide", fdl.DimensionsFloat(width=4780.0, height=2000.0), fdl.PointFloat(x=left, y=400.0))
        wide.set_protection(fdl.DimensionsFloat(width=5300.0, height=2250.0), fdl.PointFloat(x=100.0, y=200.0))
        canvas.add_framing_decision(f"c{number}-tall", "tall", "tall", fdl.DimensionsFloat(width=1125.0, height=2000.0), fdl.PointFloat(x=left, y=400.0))
    return str(document.as_json())


@pytest.mark.parametrize(
    ("wanted", "left"),
    [("body A", 300.0), ("BODY B", 301.0), ("ground unit", 301.0), ("body B / wide", 301.0), ("drone unit / body A / wide", 300.0), ("#3", 301.0)],
)
def test_of_two_cameras_with_one_raster_and_label_one_can_be_named(tmp_path: Path, wanted: str, left: float) -> None:
    (tmp_path / "shot.fdl").write_text(two_cameras())
    with pytest.raises(InputError, match=r"framings of 2 cameras for 5760 x 3036.*#1 drone unit / body A / wide; .*#3 ground unit / body B / wide"):
        read_pairing(starter_with(tmp_path, 'fdl = "shot.fdl"'))
    with pytest.raises(InputError, match="framings of 2 cameras"):
        read_pairing(starter_with(tmp_path, 'fdl = "shot.fdl"\nframing = "wide"'))
    with pytest.raises(InputError, match="no framing 'body C' on a canvas of 5760 x 3036"):
        read_pairing(starter_with(tmp_path, 'fdl = "shot.fdl"\nframing = "body C"'))
    pairing = read_pairing(starter_with(tmp_path, f'fdl = "shot.fdl"\nframing = "{wanted}"'))
    assert pairing.frame.left == left
    assert [f.name for f in pairing.frames][1:] == (["tall"] if " / " not in wanted and "#" not in wanted else [])


def test_what_came_in_goes_out_unchanged_until_it_is_changed(tmp_path: Path) -> None:
    """Shape in whole numbers and an off-centre protection, through a pairing that names the file and through one that holds its figures."""
    (tmp_path / "shot.fdl").write_text(two_cameras())
    given = ours.read_framings(tmp_path / "shot.fdl")[0]
    named = read_pairing(starter_with(tmp_path, 'fdl = "shot.fdl"\nframing = "body A / wide"'))
    held = parse_pairing(changed_text(STARTER, ours.frame_changes(given)))
    both = parse_pairing(changed_text(STARTER, ours.all_frame_changes(ours.fitting(ours.read_framings(tmp_path / "shot.fdl"), named, wanted="body A"))))
    for pairing in (named, held, both):
        out = ours.parse_framings(ours.fdl_text(pairing))[0]
        assert (out.aspect, out.frame, out.protection) == ((239, 100), given.frame, given.protection)
        document = fdl.read_from_string(ours.fdl_text(pairing))
        assert document.framing_intents[0].aspect_ratio.width == 239
    tighter = replace(held, keep_percent=80.0)
    out = ours.parse_framings(ours.fdl_text(tighter))[0]
    assert out.aspect == (239, 100) and out.protection != given.protection and out.keep_percent == pytest.approx(80.0, abs=0.01)
    squarer = replace(held, frame=replace(given.frame, right=given.frame.left + 4000.0))
    assert ours.parse_framings(ours.fdl_text(squarer))[0].aspect == (2, 1)
    with pytest.raises(InputError, match="goes with area_px"):
        read_pairing(starter_with(tmp_path, 'aspect = "16:9"\nintent = "239:100"'))
    with pytest.raises(InputError, match='write "239:100"'):
        read_pairing(starter_with(tmp_path, 'area_px = [0, 0, 100, 100]\nintent = "2.39:1"'))


def starter_with(tmp_path: Path, frame: str) -> Path:
    before, _, after = STARTER.partition("[recording.frame]")
    path = tmp_path / "pane.toml"
    path.write_text(before + "[recording.frame]\n" + frame + "\n[monitoring]" + after.partition("[monitoring]")[2])
    return path


def test_a_pairing_takes_its_frame_from_a_file_and_gives_it_back(tmp_path: Path) -> None:
    odd = replace(glasshouse(), frame=Rect(left=401.25, top=300.5, right=5000.75, bottom=2400.0), keep_percent=88.0)
    ours.write_fdl(tmp_path / "shot.fdl", odd)
    pairing = read_pairing(starter_with(tmp_path, 'fdl = "shot.fdl"'))
    assert near(pairing.frame.as_tuple(), odd.frame.as_tuple(), 1e-6)
    assert pairing.keep_percent == pytest.approx(88.0, abs=1e-6)
    ours.write_fdl(tmp_path / "again.fdl", pairing)
    first, second = ours.read_framings(tmp_path / "shot.fdl")[0], ours.read_framings(tmp_path / "again.fdl")[0]
    assert near(second.frame.as_tuple(), first.frame.as_tuple(), 1e-5) and near(second.protection.as_tuple(), first.protection.as_tuple(), 1e-5)
    assert second.aspect == first.aspect


@pytest.mark.parametrize(
    "frame,says",
    [
        ('fdl = "none.fdl"', "there is no file"),
        ('fdl = "../shot.fdl"', "leads outside"),
        ('fdl = "shot.fdl"\naspect = "16:9"', "leave the other keys out"),
        ('framing = "A"', "no FDL file"),
        ('fdl = "shot.fdl"\nframing = "nobody"', "no framing 'nobody'"),
        ('fdl = "pane.toml"', "is not JSON"),
    ],
)
def test_a_wrong_frame_file_is_one_plain_line(tmp_path: Path, frame: str, says: str) -> None:
    ours.write_fdl(tmp_path / "shot.fdl", glasshouse())
    with pytest.raises(InputError, match=says) as caught:
        read_pairing(starter_with(tmp_path, frame))
    assert "\n" not in str(caught.value)
