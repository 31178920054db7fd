"""Room for the aircraft, against a box that is really flown through the opening."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from framematch.compare import Aircraft, Opening, Run, clearance
from framematch.errors import InputError

AIRCRAFT = Aircraft(width_m=0.4, height_m=0.2, length_m=0.5, right_m=0.02, up_m=-0.03, forward_m=0.15, camera_tilt_deg=20, uncertainty_cm=10)
RUNS = {
    "straight": Run(tilt_deg=20),
    "level camera": Run(tilt_deg=0),
    "aslant": Run(heading_deg=20, climb_deg=10, pan_deg=-5, tilt_deg=8, bank_deg=15, right_m=0.05, up_m=0.04),
}


def flown(gap: Opening, run: Run, aircraft: Aircraft) -> np.ndarray:
    """Places (n, 2) where a grid on the box's surface is while inside the wall, step by step along the run."""
    share = np.linspace(0, 1, 9)
    a, b = np.meshgrid(share, share)
    faces = []
    for axis in range(3):
        for end in (0.0, 1.0):
            place = np.empty((a.size, 3))
            place[:, axis], place[:, (axis + 1) % 3], place[:, (axis + 2) % 3] = end, a.ravel(), b.ravel()
            faces.append(place)
    low, high = aircraft.box_m.min(axis=0), aircraft.box_m.max(axis=0)
    box = (low + np.concatenate(faces) * (high - low)) @ aircraft.opening_from_airframe(run).T
    found = []
    for distance in np.linspace(-0.9, 0.9, 361):
        at = run.camera_m(distance) + box
        found.append(at[(at[:, 2] >= 0) & (at[:, 2] <= gap.thickness_m)][:, :2])
    return np.concatenate(found)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
def test_rectangle_against_a_flown_box(run: Run) -> None:
    gap = Opening(width_m=1.2, height_m=0.9, thickness_m=0.3)
    x, y = flown(gap, run, AIRCRAFT).T
    expected = {"left": x.min() + 0.6, "right": 0.6 - x.max(), "top": y.min() + 0.45, "bottom": 0.45 - y.max()}
    found = clearance(gap, run, AIRCRAFT)
    for side, room in found.side_cm:
        assert room == pytest.approx(100 * expected[side], abs=0.6), side
    assert found.closest_cm == min(room for _, room in found.side_cm)


@pytest.mark.parametrize("shape", ["arch", "circle"])
@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
def test_curved_openings_against_a_flown_box(run: Run, shape: str) -> None:
    gap = Opening(width_m=1.2, height_m=1.2, shape=shape, thickness_m=0.3)
    places = flown(gap, run, AIRCRAFT)
    ring = shapely.LinearRing(gap.outline(400)[:, :2])
    nearest = float(shapely.distance(shapely.points(places), ring).min())
    found = clearance(gap, run, AIRCRAFT)
    assert shapely.contains_xy(shapely.Polygon(ring), places).all()
    assert found.closest_cm == pytest.approx(100 * nearest, abs=0.6)


def test_straight_through_by_hand() -> None:
    box = Aircraft(width_m=0.4, height_m=0.2, length_m=0.5)
    found = clearance(Opening(width_m=1.0, height_m=0.6), Run(right_m=0.1, up_m=0.05), box)
    assert dict(found.side_cm) == pytest.approx({"left": 40, "right": 20, "top": 15, "bottom": 25})
    assert "was not given" in found.says and "licensed remote pilot" in found.caution


def test_a_strike_is_negative_and_said() -> None:
    box = Aircraft(width_m=0.4, height_m=0.2, length_m=0.5)
    found = clearance(Opening(width_m=1.0, height_m=0.6), Run(right_m=0.4), box)
    assert dict(found.side_cm)["right"] == pytest.approx(-10)
    assert "strikes the right edge by 10 cm" in found.says and found.fits
    round_one = clearance(Opening(width_m=0.8, height_m=0.8, shape="circle"), Run(right_m=0.3), box)
    assert round_one.closest_cm < 0 and "strikes" in round_one.says


def test_less_room_than_the_path_may_be_off() -> None:
    found = clearance(Opening(width_m=0.55, height_m=0.6), Run(), Aircraft(width_m=0.4, height_m=0.2, length_m=0.5, uncertainty_cm=12))
    assert found.says.startswith("No margin by these figures: 7 cm")


def test_a_gap_smaller_than_the_aircraft_gets_a_plain_answer() -> None:
    found = clearance(Opening(width_m=0.35, height_m=0.9), Run(), Aircraft(width_m=0.4, height_m=0.2, length_m=0.5))
    assert not found.fits and "does not pass" in found.says and "40 x 20 cm" in found.says
    # Both sizes fit, but aslant it is too long for it.
    aslant = clearance(Opening(width_m=0.5, height_m=0.9, thickness_m=0.3), Run(heading_deg=40), Aircraft(width_m=0.4, height_m=0.2, length_m=0.5))
    assert not aslant.fits


def test_a_corner_decides_in_a_round_opening() -> None:
    """0.6 x 0.5 m is less than 0.75 both ways, but its diagonal is 0.78."""
    box = Aircraft(width_m=0.6, height_m=0.5, length_m=0.5)
    assert not clearance(Opening(width_m=0.75, height_m=0.75, shape="circle"), Run(), box).fits
    assert clearance(Opening(width_m=0.80, height_m=0.80, shape="circle"), Run(), box).fits


def test_what_no_aircraft_has() -> None:
    with pytest.raises(InputError, match="width_m"):
        Aircraft(width_m=0, height_m=0.2, length_m=0.5)
    with pytest.raises(InputError, match="arch"):
        Opening(width_m=2.0, height_m=0.8, shape="arch")
