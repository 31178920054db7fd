"""The tables of a gap: read from the pairing's file or their own, with one line for each fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from framematch.compare import Prop
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.shot import parse_lens, parse_shot, read_shot
from framematch.files.starter import STARTER, STARTER_PLAN
from framematch.shot.place import Place

PAIRING = parse_pairing(STARTER)


def test_every_key_of_the_starter_arrives() -> None:
    shot = parse_shot(PAIRING, STARTER_PLAN)
    assert (shot.opening.width_m, shot.opening.height_m, shot.opening.sill_m, shot.opening.thickness_m) == (1.2, 0.9, 1.1, 0.1)
    assert (shot.run.speed_m_s, shot.run.distances_m) == (8.0, (10.0, 5.0, 2.0))
    assert shot.aircraft is not None and shot.aircraft.camera_tilt_deg == 25 and shot.aircraft.uncertainty_cm == 15
    assert shot.aircraft.props[0] == Prop(name="front left", right_mm=-130, up_mm=45, forward_mm=60, radius_mm=64)
    assert (shot.aircraft.right_m, shot.aircraft.up_m, shot.aircraft.forward_m) == (0.0, 0.05, 0.12)
    assert shot.subjects[0].name == "dancer" and shot.subjects[0].right_m == 0.6
    assert [c.name for c in shot.candidates] == ["12 mm", "18 mm"]
    assert shot.candidates[0].weight_g == 180 and shot.candidates[1].lens.k == (-0.02, 0.004)
    assert shot.second is not None and shot.second.at_m == 2.0
    assert shot.second.frame.width / shot.second.frame.height == pytest.approx(2.39)
    assert shot.second.camera.sensor_mm == pytest.approx((13.2, 13.2 * 9 / 16))  # a 16:9 mode of a 3:2 area


def test_one_file_for_both(tmp_path: Path) -> None:
    both = tmp_path / "both.toml"
    both.write_text(STARTER + "\n" + STARTER_PLAN)
    assert read_pairing(both).recording == PAIRING.recording
    assert read_shot(read_pairing(both), both) == parse_shot(PAIRING, STARTER_PLAN)


def test_changes_take_the_files_place() -> None:
    shot = parse_shot(PAIRING, STARTER_PLAN, changes={"gap": {"size_m": (2.0, 1.5)}, "run": {"speed_m_s": 3.0}})
    assert (shot.opening.width_m, shot.opening.height_m, shot.opening.sill_m) == (2.0, 1.5, 1.1)
    assert shot.run.speed_m_s == 3.0 and shot.run.rate_fps == 24.0
    assert parse_shot(PAIRING, STARTER, changes={"gap": {"size_m": (2.0, 1.5)}}).opening.width_m == 2.0


def test_a_lens_file() -> None:
    lens = parse_lens(PAIRING, 'name = "old wide"\nfocal_mm = 12\nclosest_m = 0.4\ndistortion = { model = "brown-conrady", k = [-0.1] }\n')
    assert lens.name == "old wide" and lens.lens.k == (-0.1,) and lens.notes == ()
    round_one = parse_lens(PAIRING, 'focal_mm = 8\nprojection = "equisolid"\n')
    assert round_one.lens.projection == "equisolid"
    with pytest.raises(InputError, match="closest_m"):
        parse_lens(PAIRING, "focal_mm = 12\nclosests_m = 1\n")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("size_m = [1.2, 0.9] ", "size_m = [1.2] ", "gap.size_m"),
        ("size_m = [1.2, 0.9] ", "size_m = [-1.2, 0.9] ", "gap.size_m"),
        ('"rectangle"', '"oval"', "gap.shape"),
        ("sill_m = 1.1", "sil_m = 1.1", "did you mean 'sill_m'|Did you mean 'sill_m'"),
        ("speed_m_s = 8.0", "speed_m_s = nan", "run.speed_m_s"),
        ("speed_m_s = 8.0", "speed_m_s = inf", "run.speed_m_s"),
        ("tilt_deg = 0 ", "tilt_deg = 95 ", "run.tilt_deg"),
        ("[10.0, 5.0, 2.0]", "[]", "run.distances_m"),
        ("[10.0, 5.0, 2.0]", "[10.0, 0.0]", "run.distances_m"),
        ("shutter_deg = 180", "shutter_deg = 400", "run.shutter_deg"),
        ("right = -130, up = 45", "right = 20, up = 0", "inside front left"),
        ("radius_mm = 64", "radius = 64", "radius_mm"),
        ("widest_f = 2.0", "widest_f = 22.0", "lens"),
        ("focal_mm = 12", "focal_mm = 0.012", "looks like metres"),
        ('format = "1-inch"', 'format = "huge"', "second.format"),
        ('format = "1-inch"', "", "second.sensor_mm"),
        ("[gap]", "[gap", "not TOML"),
        ("[gap]", "[gop]", "gap"),
        ("[run]", "[[run]]", "run"),
    ],
)
def test_faults_are_one_line_with_file_and_key(old: str, new: str, says: str) -> None:
    assert old in STARTER_PLAN
    with pytest.raises(InputError, match=says) as caught:
        parse_shot(PAIRING, STARTER_PLAN.replace(old, new, 1), name="pane.toml")
    assert str(caught.value).startswith("pane.toml: ") and "\n" not in str(caught.value)


def test_no_gap_at_all() -> None:
    with pytest.raises(InputError, match="--gap"):
        parse_shot(PAIRING, STARTER, named=True)
    own = parse_shot(PAIRING, STARTER).opening  # where it need not be named, our scene's own
    assert (own.width_m, own.height_m, own.sill_m, own.thickness_m) == (1.2, 0.9, 1.1, 0.06)


SCAN = '[place]\nfile = "scan.ply"\nscale_m = 0.001\nup = "z"\nat_m = [1, 0, 0]\nturned_deg = 90\n'
GATES = """
[[opening]]
size_m = [1.2, 0.9]
middle_m = [0, 1.5, 0]
[[opening]]
size_m = [2, 2]
shape = "circle"
middle_m = [0, 1.5, -8]
heading_deg = 20
"""


def _scan(folder: Path) -> None:
    import trimesh

    trimesh.creation.box(extents=(4000, 6000, 3000)).export(folder / "scan.ply")


def test_a_place_of_ones_own_with_several_openings(tmp_path: Path) -> None:
    _scan(tmp_path)
    (tmp_path / "shot.toml").write_text(SCAN + GATES)
    shot = read_shot(PAIRING, tmp_path / "shot.toml")
    assert shot.place == Place(file=(tmp_path / "scan.ply").resolve(), scale_m=0.001, up="z", at_m=(1.0, 0.0, 0.0), turned_deg=90.0)
    assert [o.heading_deg for o in shot.openings] == [0.0, 20.0]
    assert shot.opening.sill_m == pytest.approx(1.5 - 0.45 + 1.5)  # over the mesh's lowest point
    assert shot.scene_from_recording(3.0).translation_m == pytest.approx((0, 1.5, 3.0))
    wider = read_shot(PAIRING, tmp_path / "shot.toml", changes={"gap": {"size_m": (1.6, 0.9)}})
    assert [o.width_m for o in wider.openings] == [1.6, 2.0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (SCAN + "[gap]\nsize_m = [1, 1]\n", "gap: a mesh has the openings that it has"),
        (SCAN + "[gap]\nmiddle_m = [0, 1, 0]\n", "gap.size_m: is missing"),
        (SCAN + "ground_m = 2.0\n[gap]\nsize_m = [1, 1]\nmiddle_m = [0, 1, 0]\n", "gap.sill_m: its lowest point is 1.5 m below the ground"),
        (SCAN.replace("scan.ply", "../scan.ply"), "place.file: '../scan.ply' leads outside"),
        (SCAN + 'scene = "window"\n', "place.file: give either"),
        ('[place]\nscene = "moon"\n', "place.scene: no scene 'moon'"),
        ('[place]\nscene = "window"\nscale_m = 2\n', "place.scale_m: only a mesh"),
        ("[gap]\nsize_m = [1, 1]\n" + GATES, "gap: give either"),
        (GATES.replace("circle", "star"), "opening.2.shape"),
        ("[gap]\nsize_m = [1, 1]\nmiddle_m = [0, 0.2, 0]\n", "gap.sill_m: its lowest point is 0.3 m below the ground"),
    ],
)
def test_faults_of_place_and_openings_are_one_line(tmp_path: Path, text: str, says: str) -> None:
    _scan(tmp_path)
    (tmp_path / "shot.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        read_shot(PAIRING, tmp_path / "shot.toml")
    assert says in str(caught.value) and "shot.toml" in str(caught.value) and "\n" not in str(caught.value)


def test_another_place_keeps_its_own_openings(tmp_path: Path) -> None:
    """A file's opening is of the file's place; a mesh named instead is looked at from its front, or flown where options say."""
    _scan(tmp_path)
    mesh = Place(file=tmp_path / "scan.ply", scale_m=0.001)
    assert parse_shot(PAIRING, STARTER_PLAN, place=mesh).openings == ()
    assert parse_shot(PAIRING, STARTER_PLAN, place=mesh, changes={"gap": {"middle_m": (0, 0, 0)}}).opening.width_m == 1.2
    assert parse_shot(PAIRING, STARTER_PLAN, place=Place(scene="window")).opening.width_m == 1.2


def test_text_alone_names_no_mesh() -> None:
    with pytest.raises(InputError, match="can't be read from here"):
        parse_shot(PAIRING, SCAN)
