"""The tables of a gap: read from the pairing's file or their own, with one line for each fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from framematch.compare import Prop
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.shot import parse_lens, parse_plan, read_plan
from framematch.files.starter import STARTER, STARTER_PLAN

PAIRING = parse_pairing(STARTER)


def test_every_key_of_the_starter_arrives() -> None:
    plan = parse_plan(PAIRING, STARTER_PLAN)
    assert (plan.gap.width_m, plan.gap.height_m, plan.gap.sill_m, plan.gap.thickness_m) == (1.2, 0.9, 1.1, 0.1)
    assert (plan.run.speed_m_s, plan.run.distances_m) == (8.0, (10.0, 5.0, 2.0))
    assert plan.aircraft is not None and plan.aircraft.camera_tilt_deg == 25 and plan.aircraft.uncertainty_cm == 15
    assert plan.aircraft.props[0] == Prop(name="front left", right_mm=-130, up_mm=45, forward_mm=60, radius_mm=64)
    assert (plan.aircraft.right_m, plan.aircraft.up_m, plan.aircraft.forward_m) == (0.0, 0.05, 0.12)
    assert plan.subjects[0].name == "dancer" and plan.subjects[0].right_m == 0.6
    assert [c.name for c in plan.candidates] == ["12 mm", "18 mm"]
    assert plan.candidates[0].weight_g == 180 and plan.candidates[1].lens.k == (-0.02, 0.004)
    assert plan.second is not None and plan.second.at_m == 2.0
    assert plan.second.frame.width / plan.second.frame.height == pytest.approx(2.39)
    assert plan.second.camera.sensor_mm == pytest.approx((13.2, 13.2 * 9 / 16))  # a 16:9 mode of a 3:2 area


def test_one_file_for_both(tmp_path: Path) -> None:
    both = tmp_path / "both.toml"
    both.write_text(STARTER + "\n" + STARTER_PLAN)
    assert read_pairing(both).recording == PAIRING.recording
    assert read_plan(read_pairing(both), both) == parse_plan(PAIRING, STARTER_PLAN)


def test_changes_take_the_files_place() -> None:
    plan = parse_plan(PAIRING, STARTER_PLAN, changes={"gap": {"size_m": (2.0, 1.5)}, "run": {"speed_m_s": 3.0}})
    assert (plan.gap.width_m, plan.gap.height_m, plan.gap.sill_m) == (2.0, 1.5, 1.1)
    assert plan.run.speed_m_s == 3.0 and plan.run.rate_fps == 24.0
    assert parse_plan(PAIRING, STARTER, changes={"gap": {"size_m": (2.0, 1.5)}}).gap.width_m == 2.0


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
        parse_plan(PAIRING, STARTER_PLAN.replace(old, new, 1), name="pane.toml")
    assert str(caught.value).startswith("pane.toml: ") and "\n" not in str(caught.value)


def test_no_gap_at_all() -> None:
    with pytest.raises(InputError, match="--gap"):
        parse_plan(PAIRING, STARTER)
