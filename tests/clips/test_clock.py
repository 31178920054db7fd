"""Two clips brought together by their turns alone, against flights whose clocks are known; rendered by ``tests/helpers/flown_clips.py``, which
shares nothing with framematch."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flown_clips import Flight, turned
from scipy.spatial.transform import Rotation

from framematch.clips.clock import match_clocks
from framematch.measure.check import NotSuitable

pytest.importorskip("cv2")


def test_offset_and_aim_are_those_that_were_flown(flight, both):
    found = match_clocks(*both, np.eye(3))
    true = flight.offset_s + 1e-6 * flight.rate_ppm * found.middle_s
    assert abs(found.offset_s - true) < 0.001
    assert abs(found.offset_s - true) < 2 * found.offset_95_s < 0.003
    assert abs(found.rate_ppm - flight.rate_ppm) < 2 * found.rate_95_ppm
    assert found.recording_s(found.middle_s) == pytest.approx(found.middle_s + found.offset_s)
    # the monitoring camera is swung by the turns too: what stands at a distance seems aimed otherwise by offset over distance
    apart = np.degrees(np.linalg.norm(flight.offset_mm) / 1000 / 8.0)
    off = found.recording_from_monitoring @ turned(*np.radians(flight.aim_deg)).T
    assert np.degrees(np.arccos((np.trace(off) - 1) / 2)) < 0.1 + apart


def test_repeated_and_missing_frames_are_counted(flight, both):
    assert 3 <= len(both[1].repeated_s) <= 14  # 3 in 100 of 189
    assert both[1].gaps >= 2
    assert both[0].gaps == 0 and not len(both[0].repeated_s)


def test_what_tells_no_clock_is_refused(both):
    recording, monitoring = both
    with pytest.raises(NotSuitable, match="turns by only"):
        match_clocks(recording, replace(monitoring, turn_rad=monitoring.turn_rad * 0.01), np.eye(3))
    with pytest.raises(NotSuitable, match="do not turn alike"):  # a flight of its own: the same one flown backwards
        match_clocks(recording, replace(monitoring, turn_rad=monitoring.turn_rad[::-1]), np.eye(3))
    short = {name: getattr(monitoring, name)[:60] for name in ("start_s", "end_s", "turn_rad", "sigma_rad", "row", "details", "move_rad_s")}
    with pytest.raises(NotSuitable, match="overlap"):
        match_clocks(recording, replace(monitoring, **short), np.eye(3))


def test_a_clip_that_was_stabilised_is_refused(both):
    recording, monitoring = both
    window = np.hanning(17) / np.hanning(17).sum()
    smooth = np.stack([np.convolve(recording.turn_rad[:, i], window, mode="same") for i in range(3)], axis=1)
    with pytest.raises(NotSuitable, match=r"stabilised"):
        match_clocks(replace(recording, turn_rad=smooth), monitoring, np.eye(3))


def test_frames_missing_without_a_word_are_refused(both):
    """Five frames taken out and the time stamps closed up, as a recorder does that counts its own frames only."""
    recording, monitoring = both
    keep = np.r_[0:80, 85 : len(monitoring.start_s)]
    gone = monitoring.start_s[85] - monitoring.start_s[80]
    fields = {name: getattr(monitoring, name)[keep] for name in ("turn_rad", "sigma_rad", "row", "details", "move_rad_s")}
    later = np.where(np.arange(len(keep)) >= 80, gone, 0.0)
    cut = replace(monitoring, start_s=monitoring.start_s[keep] - later, end_s=monitoring.end_s[keep] - later, **fields)
    with pytest.raises(NotSuitable, match=r"part by about [12]\d\d ms near [23] s"):
        match_clocks(recording, cut, np.eye(3))


def test_a_minute_tells_the_rate_twenty_seconds_apart_though_the_mount_flexes(both):
    """Turns worked out by the flight's own rotations with noise besides, as clips of a minute would give them: pictures of as much are in the long runs."""
    flown = Flight(seed=9, length_s=80.0, offset_s=20.0, rate_ppm=150.0, flex_deg=1.0, flex_hz=8.7)
    rng = np.random.default_rng(4)

    def clip(turns, fps, seconds, *, monitoring):
        own = np.arange(round(seconds * fps) + 1) / fps
        at = flown.offset_s + own * (1 + 1e-6 * flown.rate_ppm) if monitoring else own
        pose = flown.attitude(at) @ flown.aim(at) if monitoring else flown.attitude(at)
        turn = Rotation.from_matrix(np.swapaxes(pose[:-1], 1, 2) @ pose[1:]).as_rotvec() + rng.normal(scale=np.radians(0.3) / fps, size=(len(own) - 1, 3))
        count, none = len(turn), np.zeros((len(turn), 3))
        empty = {"row": none[:, 0], "details": np.full(count, 100), "move_rad_s": none, "repeated_s": none[:0, 0]}
        return replace(turns, start_s=own[:-1], end_s=own[1:], turn_rad=turn, sigma_rad=none + 1e-4, **empty)

    found = match_clocks(clip(both[0], 25.0, 80.0, monitoring=False), clip(both[1], 30.0, 60.0, monitoring=True), np.eye(3))
    true = flown.offset_s + 1e-6 * flown.rate_ppm * found.middle_s
    assert abs(found.offset_s - true) < min(0.001, 1.5 * found.offset_95_s)
    assert abs(found.rate_ppm - flown.rate_ppm) < min(20.0, 1.5 * found.rate_95_ppm)
    assert found.rate_95_ppm < 25.0
