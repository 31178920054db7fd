"""One row per lens: its figures are those of the rooms it is made from, in text, JSON and CSV alike."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from gap_truth import LENSES, pairing_of, pixel_grid, seen_wall

from framematch.compare import Aircraft, Candidate, Opening, Part, Run, Second, Shot, Subject, candidate_of, compare
from framematch.compare.report import comparison_csv, comparison_json, plain_lines, safety_lines, text_tables
from framematch.compare.table import Comparison
from framematch.errors import InputError
from framematch.geometry.camera import Camera, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing
from framematch.optics import sharpness as optics

PANE = Opening(width_m=1.2, height_m=0.9, sill_m=1.1, thickness_m=0.1)
RUN = Run(speed_m_s=8, right_m=0.1, distances_m=(10.0, 3.0, 1.2))
SHOT = Shot(openings=(PANE,), run=RUN)
SUBJECTS = (Subject(name="dancer", beyond_m=4.0, right_m=0.6), Subject(name="=2+2", beyond_m=-4.0, right_m=-1.0))
AIRCRAFT = Aircraft(
    width_m=0.4,
    height_m=0.2,
    length_m=0.4,
    camera_tilt_deg=10,
    uncertainty_cm=12,
    parts=(Part(name="arm", right_mm=60, up_mm=20, forward_mm=120, size_mm=(60, 8, 8)),),
)


@pytest.fixture(scope="module")
def pairing() -> Pairing:
    rig = pairing_of(Lens(projection="brown-conrady", focal_mm=18, k=(-0.02, 0.004)))
    return replace(rig, recording=replace(rig.recording, readout_ms=12.0))


@pytest.fixture(scope="module")
def found(pairing: Pairing) -> Comparison:
    lenses = (*(candidate_of(pairing, f) for f in (10, 18, 35)), Candidate(name="round", lens=LENSES["fisheye"], weight_g=95, closest_m=0.5, widest_f=9))
    return compare(pairing, replace(SHOT, subjects=SUBJECTS, aircraft=AIRCRAFT), lenses, guide=True)


def test_focal_lengths_alone_and_with_their_distortion(pairing: Pairing) -> None:
    own, other = candidate_of(pairing, 18.0), candidate_of(pairing, 25.0)
    assert own.lens.k == (-0.02, 0.004) and own.notes == ()
    assert other.lens.projection == "rectilinear" and "distortion not known" in other.notes[0]
    fisheye = candidate_of(pairing_of(LENSES["kannala"]), 20.0)
    assert fisheye.lens.projection == "equidistant"
    squeezed = candidate_of(pairing_of(Lens(projection="rectilinear", focal_mm=40, squeeze=2.0)), 50.0)
    assert squeezed.lens.squeeze == 2.0 and squeezed.notes == ()


def test_the_pairings_own_row_is_the_pairing(found: Comparison, pairing: Pairing) -> None:
    row = found.rows[1]
    assert row.camera == pairing.recording
    assert row.angles == pairing.angles["frame"]
    assert row.equivalent_135_mm == pytest.approx(pairing.equivalent_135_mm)


def test_a_focused_pairing_keeps_its_focus() -> None:
    focused = pairing_of(Lens(projection="rectilinear", focal_mm=18).focused(1.0), focus_m=1.0)
    found = compare(focused, SHOT, (candidate_of(focused, 18.0),))
    assert found.rows[0].candidate.lens.focal_mm == pytest.approx(18)
    assert found.rows[0].camera.lens.focal_mm == pytest.approx(focused.recording.lens.focal_mm)


def test_shown_at_the_wall_meets_the_ray_caster(found: Comparison, pairing: Pairing) -> None:
    frame = pairing.frame
    y, x = (frame.top + frame.bottom) / 2, (frame.left + frame.right) / 2
    blind = Opening(width_m=0.001, height_m=0.001)
    for row in found.rows[:3]:
        for at in row.at:
            ends = np.array([(frame.left, y), (frame.right, y), (x, frame.top), (x, frame.bottom)])
            wall = seen_wall(row.camera, blind, RUN, ends, at.distance_m)
            assert at.shown_m == pytest.approx((np.linalg.norm(wall[1] - wall[0]), np.linalg.norm(wall[3] - wall[2])), rel=1e-4)


def test_fill_of_the_table_meets_the_ray_caster(found: Comparison, pairing: Pairing) -> None:
    for row in found.rows:
        for at in row.at:
            through = np.isnan(seen_wall(row.camera, PANE, RUN, pixel_grid(pairing.frame, 400, 167), at.distance_m)[:, 0])
            assert at.fill_percent == pytest.approx(100 * through.mean(), abs=0.12)


def test_blur_and_lean_follow_from_the_speed(found: Comparison, pairing: Pairing) -> None:
    for row in found.rows:
        for at in row.at:
            if math.isnan(at.gap_speed):
                assert math.isnan(at.blur_px) and at.edges_in_frame == ()
                continue
            assert at.blur_percent == pytest.approx(100 * at.gap_speed / 48)
            assert at.blur_px == pytest.approx(at.blur_percent / 100 * pairing.frame.width)
    # A straight lens, the edge at x going out at x v / d^2: the lean over the whole raster's height.
    straight = found.rows[0]
    d, x = 3.0, 0.7
    across = 10 * x * 8 / d**2 * 0.012
    assert straight.at[1].lean_deg == pytest.approx(math.degrees(math.atan(across / 13.12)), rel=1e-6)


def test_sharpness_is_that_of_the_optics(found: Comparison, pairing: Pairing) -> None:
    row = found.rows[0]
    assert row.sharp is not None
    circle = math.hypot(*pairing.frame_mm) / 1500
    depth = optics.depth_of_field(focal_mm=10, f_number=8, circle_mm=circle, focus_m=math.inf)
    assert (row.sharp.near_m, row.sharp.far_m) == (depth.near_m, math.inf)
    nearest = {n.name: n for n in row.sharp.nearest}
    leaves = min(e.leaves_m for e in row.exits if e.leaves_m is not None)
    assert nearest["gap"].depth_m == pytest.approx(leaves, rel=1e-4)  # straight ahead: depth is the distance
    blur = optics.blur_disk_mm(focal_mm=10, f_number=8, focus_m=math.inf, depth_m=leaves)
    assert nearest["gap"].spot_um == pytest.approx(1000 * math.hypot(float(blur), optics.airy_disk_mm(f_number=8)), rel=1e-4)
    assert nearest["gap"].circles == pytest.approx(nearest["gap"].spot_um / 1000 / circle)
    assert nearest["dancer"].depth_m == pytest.approx(4.1, abs=0.01)


def test_notes_say_what_a_lens_can_not(found: Comparison) -> None:
    assert any("opens to f/9" in note for note in found.rows[3].notes)
    near_focus = pairing_of(Lens(projection="rectilinear", focal_mm=18).focused(0.4), focus_m=0.4)
    row = compare(near_focus, SHOT, (Candidate(name="a", lens=Lens(projection="rectilinear", focal_mm=18), closest_m=0.8, deepest_f=5.6),)).rows[0]
    assert any("0.8 m" in note for note in row.notes) and any("stops down to f/5.6" in note for note in row.notes)
    assert row.sharp is not None and row.sharp.focus_m == 0.8
    dark = compare(near_focus, SHOT, (Candidate(name="b", lens=Lens(projection="orthographic", focal_mm=8)),)).rows[0]
    assert any("outside the image circle" in note for note in dark.notes)
    no_stop = compare(replace(near_focus, f_number=None), SHOT, (candidate_of(near_focus, 18.0),)).rows[0]
    assert no_stop.sharp is None and any("no stop" in note for note in no_stop.notes)


def test_json_has_every_figure_and_no_nan(found: Comparison) -> None:
    data = json.loads(json.dumps(comparison_json(found), allow_nan=False))
    assert [lens["name"] for lens in data["lenses"]] == ["10 mm", "18 mm", "35 mm", "round"]
    first = data["lenses"][0]
    assert first["edges"]["left"]["leaves_m"] == pytest.approx(found.rows[0].exits[0].leaves_m, abs=1e-6)
    assert first["sharp"]["far_m"] == "inf"
    assert first["at"][1]["subjects"][0]["height_percent"] == pytest.approx(found.rows[0].at[1].subject_percent[0], abs=1e-6)
    assert first["at"][2]["subjects"][1]["height_percent"] is None  # passed by then
    assert set(first["guide"]) == {"rectangle_worst_percent", "outline_worst_percent", "unseen_percent"}
    assert found.clearance is not None
    assert data["clearance"]["closest_cm"] == pytest.approx(found.clearance.closest_cm, abs=1e-6)


def test_csv_reads_back_and_holds_no_formula(found: Comparison) -> None:
    lines = list(csv.DictReader(io.StringIO(comparison_csv(found))))
    assert len(lines) == 4 * 3
    assert float(lines[4]["gap_fill_percent"]) == pytest.approx(found.rows[1].at[1].fill_percent, rel=1e-5)
    head = comparison_csv(found).splitlines()[0].split(",")
    assert not any(cell[:1] in "=+-@" for cell in head)


def test_every_lens_is_in_every_table(found: Comparison) -> None:
    tables = text_tables(found)
    assert len(tables) == 8
    for table in tables:
        named = {cell for row in table.rows for cell in row[: table.keys]}
        assert {"10 mm", "18 mm", "35 mm", "round"} <= named, table.title
        assert all(len(row) == len(table.headings) for row in table.rows)
    assert any(line.startswith("10 mm, 35 mm: distortion") for line in plain_lines(found))
    assert "Never fly over people" in safety_lines(found)[-1]


def test_runs_that_can_not_be_compared(pairing: Pairing) -> None:
    with pytest.raises(InputError, match="no lens"):
        compare(pairing, SHOT)
    with pytest.raises(InputError, match="looks away"):
        compare(pairing, replace(SHOT, run=Run(pan_deg=120)), (candidate_of(pairing, 18.0),))


def test_second_camera_of_each_lens(pairing: Pairing) -> None:
    second = Second(
        camera=Camera(lens=Lens(projection="orthographic", focal_mm=20), sensor_mm=(13.2, 7.425), raster_px=(3840, 2160)),
        frame=frame_in((3840, 2160), aspect=2.39),
        shutter_s=1 / 48,
        at_m=1.5,
    )
    lenses = (candidate_of(pairing, 18.0), Candidate(name="very wide", lens=Lens(projection="equidistant", focal_mm=6.5)))
    found = compare(pairing, replace(SHOT, second=second), lenses)
    first, none = found.matches
    assert first is not None and none is None
    rows = next(t for t in text_tables(found) if t.title.startswith("Another camera")).rows
    assert rows[0][1] == f"{first.focal_mm:.2f} mm" and rows[1][1] == "none matches"
    assert comparison_json(found)["second_camera"][1] is None
