"""Reading turns where frames come twice and where a mount flexes nearly as fast as frames follow: against closed forms and a flight that is known."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from clip_rigs import pairing_of
from flown_clips import Eye, Flight, write_monitoring
from scipy.spatial.transform import Rotation

from framematch.clips.bearings import turn_of
from framematch.clips.frames import ClipFacts
from framematch.clips.rates import rate_of
from framematch.clips.reader import _Reader, read_turns
from framematch.clips.step import Step, noise_rad

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


def test_a_turn_that_rows_hide_is_read_once_their_rate_is_known():
    """Far details seen by rows of 15 ms while the pan swings by 12 degrees at 1.6 Hz: SciPy's rotations, and the textbook's straight lens."""
    reader, readout_s, rng = _Reader(replace(pairing_of(FLIGHT).recording.resized((640, 360)), readout_ms=None)), 0.015, np.random.default_rng(3)
    camera = reader.camera

    def attitude(t):
        return Rotation.from_rotvec(np.multiply.outer(np.radians(12) * np.sin(2 * np.pi * 1.6 * t), (0.0, 1.0, 0.2)))

    def seen(far, t):
        at = np.full((len(far), 2), 180.0)
        for _ in range(8):
            at, ok = camera.project(attitude(t + (at[:, 1] / 360 - 0.5) * readout_s).inv().apply(far))
        return at + rng.normal(scale=0.05, size=at.shape), ok & camera.picture.contains(at)

    times = np.arange(60) / 25
    for first, last in itertools.pairwise(times):
        far = attitude(first + 0.02).apply(camera.unproject(rng.uniform((40, 20), (600, 340), (160, 2)))[0])
        (a, good), (b, too) = seen(far, first), seen(far, last)
        a, b = a[good & too], b[good & too]
        before, after = (camera.unproject(each)[0] for each in (a, b))
        rows = np.stack([a[:, 1], b[:, 1]]) / 360 - 0.5
        turn = turn_of(before, after, noise_rad=noise_rad(camera), extra=np.zeros(before.shape))
        before, after, rows = (v.astype(np.float32) for v in (before, after, rows))
        reader.steps.append(Step(start_s=first, end_s=last, before=before, after=after, rows=rows, turn=turn))
    assert sum(step.turn is None for step in reader.steps) > 5
    turns = reader.turns("made", ClipFacts(size_px=(640, 360), frames_per_s=25.0, frames=60))
    assert turns.read[:-4].all()  # beyond the last rate that was read nothing is known
    assert turns.readout_s == pytest.approx(readout_s, abs=5e-4)
    true = np.array([(attitude(a).inv() * attitude(b)).as_rotvec() for a, b in itertools.pairwise(times)])
    assert np.degrees(np.abs(turns.at_frames_rad - true))[2:-4].max() < 0.05
