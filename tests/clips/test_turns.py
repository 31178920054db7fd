"""Reading turns where frames come twice and where a mount flexes nearly as fast as frames follow: against closed forms and a flight that is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from clip_rigs import pairing_of
from flown_clips import Eye, Flight, write_monitoring

from framematch.clips.turns import rate_of, read_turns

cv2 = pytest.importorskip("cv2")
FLIGHT = Flight(
    seed=8,
    length_s=3.6,
    offset_s=0.0,
    turning=1.2,
    speed_m_s=0.5,
    monitoring=Eye(straight=False, view_deg=110.0, size_px=(320, 180), fps=25.0, readout_s=0.0126, exposure_s=0.012),
    flex_deg=1.0,
    flex_hz=8.35,
    repeated=0.12,
    mbit=1.0,
    noise=3.2,
)


def test_a_rate_is_not_its_mean_over_a_step():
    hz, step_s = 16.7, 0.02
    ends = np.arange(200) * step_s
    angle = 0.01 * np.sin(2 * np.pi * hz * ends[:, None] + np.array([0.3, 1.0, 2.0]))
    rate = rate_of(ends[:-1], ends[1:], np.zeros(199), np.diff(angle, axis=0))
    at = np.linspace(0.5, 3.5, 997)
    true = 0.01 * 2 * np.pi * hz * np.cos(2 * np.pi * hz * at[:, None] + np.array([0.3, 1.0, 2.0]))
    assert np.sqrt(((rate(at) - true) ** 2).mean()) < 0.08 * np.sqrt((true**2).mean())  # taken as it is: 0.23


def test_frames_that_come_twice_and_rows_are_read_though_the_mount_flexes_quickly(tmp_path):
    clip = write_monitoring(FLIGHT, tmp_path)
    camera = pairing_of(FLIGHT).monitoring
    turns = read_turns(clip, lambda size: replace(camera.resized(size), readout_ms=None))
    own = np.arange(90) / 25
    again = np.random.default_rng((FLIGHT.seed, 6)).random((2, 90))[1] < FLIGHT.repeated
    again[0] = False
    assert again.sum() > 5
    assert turns.repeated_s == pytest.approx(own[again], abs=1e-4)
    assert turns.readout_told
    assert abs(turns.readout_s - FLIGHT.monitoring.readout_s) < turns.readout_95_s
