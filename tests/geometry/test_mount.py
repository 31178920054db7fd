"""The mount: SciPy's rotations beside ours, the sense of every +, the way back to pan, tilt and roll."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from framematch.errors import InputError
from framematch.geometry.mount import Mount, aim_from_rotation, rotation_from_aim


def test_rotations_as_scipy() -> None:
    """SciPy's intrinsic Y, X, Z angles: panned, then tilted, then rolled, each about the axes as they now lie."""
    random = np.random.default_rng(3)
    for pan, tilt, roll in random.uniform(-180, 180, (1000, 3)):
        ours = rotation_from_aim(pan_deg=pan, tilt_deg=tilt, roll_deg=roll)
        theirs = Rotation.from_euler("YXZ", [pan, tilt, roll], degrees=True).as_matrix()
        assert np.abs(ours - theirs).max() <= 1e-12
        mount = Mount(pan_deg=pan, tilt_deg=tilt, roll_deg=roll)
        assert np.array_equal(mount.recording_from_monitoring, ours)


def test_aims_as_scipy() -> None:
    random = np.random.default_rng(4)
    for rotation in Rotation.random(500, random_state=random):
        assert aim_from_rotation(rotation.as_matrix()) == pytest.approx(rotation.as_euler("YXZ", degrees=True), abs=1e-9)


@given(pan=st.floats(-179.99, 179.99), tilt=st.floats(-89.9, 89.9), roll=st.floats(-179.99, 179.99))
@settings(max_examples=300, deadline=None)
def test_aim_there_and_back(pan: float, tilt: float, roll: float) -> None:
    assert aim_from_rotation(rotation_from_aim(pan_deg=pan, tilt_deg=tilt, roll_deg=roll)) == pytest.approx((pan, tilt, roll), abs=1e-9)


@pytest.mark.parametrize("tilt", [90.0, -90.0])
def test_straight_up_or_down_gives_the_same_rotation_with_no_roll(tilt: float) -> None:
    for pan, roll in ((0.0, 0.0), (30.0, 0.0), (30.0, 50.0), (-120.0, 75.0)):
        rotation = rotation_from_aim(pan_deg=pan, tilt_deg=tilt, roll_deg=roll)
        found = aim_from_rotation(rotation)
        assert found[1:] == pytest.approx((tilt, 0.0), abs=1e-6)
        assert rotation_from_aim(pan_deg=found[0], tilt_deg=found[1], roll_deg=found[2]) == pytest.approx(rotation, abs=1e-12)


def test_plus_is_right_up_and_clockwise() -> None:
    """+x right, +y down, +z out: where the aimed camera's axes point in those of the recording camera."""
    out, right, down = np.eye(3)[2], np.eye(3)[0], np.eye(3)[1]
    panned = rotation_from_aim(pan_deg=10) @ out
    assert panned == pytest.approx([math.sin(math.radians(10)), 0, math.cos(math.radians(10))])  # out to the right
    tilted = rotation_from_aim(tilt_deg=10) @ out
    assert tilted == pytest.approx([0, -math.sin(math.radians(10)), math.cos(math.radians(10))])  # up is -y
    rolled = rotation_from_aim(roll_deg=10)
    # Seen from behind (right to the right, down below), clockwise takes the right-hand side down.
    assert rolled @ right == pytest.approx([math.cos(math.radians(10)), math.sin(math.radians(10)), 0])
    assert (rolled @ down)[0] < 0
    assert rolled @ out == pytest.approx(out)


def test_panned_first_then_tilted_then_rolled() -> None:
    # Panned 90 right and then tilted up 30: still up in the recording camera's axes, whatever the roll.
    for roll in (0.0, 40.0):
        out = rotation_from_aim(pan_deg=90, tilt_deg=30, roll_deg=roll) @ [0, 0, 1]
        assert out == pytest.approx([math.cos(math.radians(30)), -0.5, 0])


def test_offset_is_right_up_forward_in_mm() -> None:
    mount = Mount(right_mm=20, up_mm=58, forward_mm=31)
    assert mount.translation_m == pytest.approx([0.020, -0.058, 0.031], rel=1e-15)
    # A point at the monitoring camera's pupil is there in rig axes; one ahead of it is farther ahead.
    assert mount.recording_from_monitoring @ [0, 0, 2] + mount.translation_m == pytest.approx([0.020, -0.058, 2.031])
    # X_r = R X_m + t with an aim: 1 m ahead of a camera panned 90 to the right lies 1 m to the right.
    turned = Mount(up_mm=58, pan_deg=90)
    assert turned.recording_from_monitoring @ [0, 0, 1] + turned.translation_m == pytest.approx([1, -0.058, 0], abs=1e-15)


@pytest.mark.parametrize("name", ["right_mm", "up_mm", "forward_mm", "pan_deg", "tilt_deg", "roll_deg"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_figures_that_are_none(name: str, value: float) -> None:
    with pytest.raises(InputError) as caught:
        Mount(**{name: value})
    assert caught.value.field == name and caught.value.fix
