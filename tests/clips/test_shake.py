"""Turns read from a recorded clip and what smoothing them takes, against flights whose every turn is known.

Outside truth: clips rendered by ``tests/helpers/flown_clips.py``, which shares nothing with framematch; the margin is worked out again from the
known attitudes with SciPy's own mean rotation and the textbook's straight lens.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from clip_rigs import pairing_of, pairing_text
from command import framematch
from flown_clips import Flight, turn_between, turned, write_clips
from scipy.spatial.transform import Rotation

from framematch.clips.bearings import rotated, turn_of
from framematch.clips.frames import frames_of
from framematch.clips.shake import shake_of
from framematch.clips.shake_report import rows_said
from framematch.clips.steadied import steadied
from framematch.errors import InputError

cv2 = pytest.importorskip("cv2")


@pytest.fixture(scope="module")
def turns(both):
    return both[0]


@pytest.fixture(scope="module")
def steady(flight, tmp_path_factory):
    """A flight whose recorded clip a stabiliser has been over, and that clip."""
    one = replace(flight, seed=4, length_s=3.4, offset_s=3.3, smoothed_s=0.5, speed_m_s=0.0, recording=replace(flight.recording, readout_s=0.0))
    return one, write_clips(one, tmp_path_factory.mktemp("steady"))[0]


def test_turns_are_those_that_were_flown(flight, turns):
    true = np.array([turn_between(flight, *span) for span in zip(*turns.moments_s(flight.recording.readout_s), strict=True)])
    off = np.degrees(turns.turn_rad - true)
    assert turns.read.all()
    assert np.sqrt((off**2).mean(axis=0)).max() < 0.02
    assert np.degrees(np.abs(true).max(axis=0)).min() > 0.5  # there was something to read


def test_what_moves_and_stands_near_does_not_draw_the_turn_aside():
    """Two in five details of a forward move with depths from 2 to 40 m, and one in ten on something that moves by itself."""
    rng = np.random.default_rng(3)
    rays = rng.normal(size=(260, 3)) * (0.5, 0.35, 0) + (0, 0, 1)
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    depth = np.where(rng.random(260) < 0.4, rng.uniform(2, 40, 260), 500.0)[:, None]
    turn = np.radians([0.9, -1.4, 0.7])
    after = rotated(-turn, rays * depth - (0.05, 0.02, 0.3))
    after[:26] += 0.05 * depth[:26]
    after = after / np.linalg.norm(after, axis=1, keepdims=True) + rng.normal(scale=2e-4, size=(260, 3))
    after /= np.linalg.norm(after, axis=1, keepdims=True)
    found = turn_of(rays, after, noise_rad=2e-4)
    assert found is not None
    assert np.degrees(np.abs(found.turn_rad - turn)).max() < 0.02


def test_bearings_of_nothing_tell_nothing():
    rng = np.random.default_rng(1)
    first, second = (v / np.linalg.norm(v, axis=1, keepdims=True) for v in rng.normal(size=(2, 100, 3)))
    assert turn_of(first, second, noise_rad=1e-3) is None
    assert turn_of(first[:5], first[:5], noise_rad=1e-3) is None


def _serves(flight: Flight, times: np.ndarray, smooth_s: float, *, aspect: float) -> np.ndarray:
    """Largest kept percentage for each time, from the known attitudes alone; SciPy's mean rotation, a straight lens, the frame centred."""
    width, height = flight.recording.size_px
    focal = flight.recording.focal_px
    out = []
    for t, actual in zip(times, flight.attitude(times), strict=True):
        near = t + np.linspace(-3, 3, 61) * smooth_s
        wanted = Rotation.from_matrix(flight.attitude(near)).mean(weights=np.exp(-(((near - t) / smooth_s) ** 2) / 2)).as_matrix()
        fits = 0.0
        for keep in np.arange(30.0, 100.01, 0.1):
            w, h = width * keep / 100 / 2, min(height * keep / 100, width * keep / 100 / aspect) / 2
            border = np.array([(x, y, focal) for x in (-w, 0, w) for y in (-h, 0, h)])
            seen = border @ wanted.T @ actual
            if (np.abs(seen[:, 0] / seen[:, 2]) * focal > width / 2).any() or (np.abs(seen[:, 1] / seen[:, 2]) * focal > height / 2).any():
                break
            fits = keep
        out.append(fits)
    return np.array(out)


def test_margin_and_percentage_are_those_of_the_known_turns(flight, turns):
    """In the middle of the clip: at its ends a filter has less to look at. A tenth of a degree is half a percent of this picture."""
    found = shake_of(turns, pairing_of(flight), smooth_s=0.3)
    inside = (found.times_s > 1.0) & (found.times_s < flight.length_s - 1.0)
    known = _serves(flight, found.times_s[inside], 0.3, aspect=1.85)
    assert np.abs(found.serves_percent[inside] - known).max() < 0.8
    kept = found.keep_for(0.95)
    assert (found.serves_percent >= kept).mean() >= 0.95
    assert (known >= kept - 0.6).mean() > 0.9
    assert found.beyond_percent == pytest.approx(100 * (found.serves_percent < 80).mean())
    assert found.keep_for(1.0) <= kept
    assert found.wander_percent > 0.5


def test_turns_off_the_smooth_path_are_within_a_tenth_of_a_degree_and_within_what_is_said(flight, turns):
    found = shake_of(steadied(turns), pairing_of(flight))
    inside = (found.times_s > 1.5) & (found.times_s < flight.length_s - 1.5)
    misses = []
    for t, off in zip(found.times_s[inside], found.off_deg[inside], strict=True):
        near = t + np.linspace(-3, 3, 61) * found.smooth_s
        smooth = Rotation.from_matrix(flight.attitude(near)).mean(weights=np.exp(-(((near - t) / found.smooth_s) ** 2) / 2)).as_matrix()
        true = smooth.T @ flight.attitude(np.array([t]))[0]
        misses.append(np.degrees(Rotation.from_matrix(turned(*np.radians(off)) @ true.T).magnitude()))
    assert np.percentile(misses, 95) < min(0.1, found.sure_deg)


def _grey_clip(path, *, seconds, size=(96, 54), spread=3.0):
    import av

    rng = np.random.default_rng(2)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=25, options={"preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        for _ in range(round(25 * seconds)):
            grey = np.clip(120 + rng.normal(scale=spread, size=size[::-1]), 0, 255).astype(np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")))
        out.mux(stream.encode())
    return path


def test_what_can_not_be_read_is_refused_in_words(tmp_path, flight):
    (tmp_path / "rig.toml").write_text(pairing_text(flight))
    (tmp_path / "words.mp4").write_text("not a video")
    for clip, words in (
        (_grey_clip(tmp_path / "blurred.mp4", seconds=4), "too blurred"),
        (_grey_clip(tmp_path / "short.mp4", seconds=1), "lasts 1.0 s"),
        (_grey_clip(tmp_path / "square.mp4", seconds=1, size=(64, 64)), "uncropped"),
        (tmp_path / "words.mp4", "not a video"),
        (tmp_path / "none.mp4", "no such file"),
        (tmp_path, "is a folder"),
    ):
        done = framematch("shake", "rig.toml", clip, "--json", "out.json", cwd=tmp_path)
        assert done.returncode == 2
        assert words in done.stderr
        assert not (tmp_path / "out.json").exists()


@pytest.mark.at_length
def test_a_clip_that_was_stabilised_is_refused_unless_it_was_not(tmp_path, steady):
    flight, clip = steady
    (tmp_path / "rig.toml").write_text(pairing_text(flight))
    words = ("shake", "rig.toml", clip, "--smooth", "0.3", "--json", "out.json", "--out", "out.png")
    refused = framematch(*words, cwd=tmp_path)
    assert refused.returncode == 2 and "stabilised already" in refused.stderr and "--as-shot" in refused.stderr
    assert not (tmp_path / "out.json").exists() and not (tmp_path / "out.png").exists()
    done = framematch(*words, "--as-shot", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    data = json.loads((tmp_path / "out.json").read_text())
    assert len(data["per_frame"]) == data["frames"] == round(flight.length_s * 25)
    assert f"{data['keep_percent_for']['95_percent']:g} % would have served 95 %" in done.stdout
    assert cv2.imread(str(tmp_path / "out.png")).shape[0] > 1500
    assert math.isclose(data["kept_margin_deg"]["pan"], 4.166, abs_tol=0.01)


def test_a_smoothing_time_out_of_range_is_refused(turns, flight):
    with pytest.raises(InputError, match=r"0\.05 to 3"):
        shake_of(turns, pairing_of(flight), smooth_s=9.0)


def test_the_read_out_is_read_from_the_rows(turns, flight):
    assert turns.readout_told
    assert abs(turns.readout_s - flight.recording.readout_s) < min(2 * turns.readout_95_s, 0.002)
    assert "reads its rows in 12 ms by the file; its rows show 1" in rows_said(turns, "recording")
    assert "is not in the file; its rows show 1" in rows_said(replace(turns, given_readout_ms=None), "recording")
    assert "look at readout_ms again" in rows_said(replace(turns, given_readout_ms=25.0), "recording")
    assert "taken as read at once" in rows_said(replace(turns, given_readout_ms=None, readout_95_s=math.inf), "recording")


def test_frames_come_with_the_times_that_the_file_states(flight, clips):
    times = [frame.time_s for frame in frames_of(clips[1], width_px=64)]
    own = np.arange(round((flight.length_s - flight.offset_s) * 30)) / 30
    assert len(times) < len(own)
    assert np.abs(np.array(times)[:, None] - own).min(axis=1).max() < 1e-4
