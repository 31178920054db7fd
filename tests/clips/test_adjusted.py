"""Key frames and their adjustment: details where the flight is known to have had them, and attitudes of a made-up way that the chain had lost."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from flown_clips import depths
from scipy.spatial.transform import Rotation, Slerp

from framematch.clips.adjusted import Seen, _Normal, _Solve, adjusted
from framematch.clips.bearings import tangents
from framematch.clips.held import Shown
from framematch.clips.placed import around
from framematch.clips.steadied import steadied

pytest.importorskip("cv2")
FOCAL_PX = 700.0


def test_details_stay_where_they_are_for_a_second(flight, both):
    """Each where its first frame has it in the hall, against where the hall's point is seen from the place and attitude that were flown."""
    keyed = both[0].keyed
    eye = flight.recording
    times = keyed.times_s[keyed.key] + (keyed.places_px[:, 1] / eye.size_px[1] - 0.5) * eye.readout_s
    attitude, place = flight.attitude(times), flight.place(times)
    _, first, track = np.unique(keyed.track, return_index=True, return_inverse=True)
    ahead = np.array([depths(flight, times[i], *keyed.places_px[i]) for i in first])
    out = (keyed.places_px - np.array(eye.size_px) / 2) / eye.focal_px
    rays = np.column_stack([out, np.ones(len(out))])
    points = place[first] + np.einsum("nij,nj->ni", attitude[first], rays[first] * ahead[:, None])
    seen = np.einsum("nji,nj->ni", attitude, points[track] - place)
    off = np.hypot(*((seen[:, :2] / seen[:, 2:] - out) * eye.focal_px).T)
    age = times - times[first][track]
    old = age > 0.9
    assert old.sum() > 300
    assert np.median(off[old]) < 0.2
    assert np.median(off[old]) < 2.0 * np.median(off[(age > 0.1) & (age < 0.3)])


def _place(times: np.ndarray) -> np.ndarray:
    return np.column_stack([0.8 * np.sin(0.8 * times), 0.1 * np.sin(times), 0.7 * times])


def _flown(
    rng: np.random.Generator,
    *,
    rate_rad_s: np.ndarray | None = None,
    far_m: tuple[float, float] = (6.0, 14.0),
    wall_m: float | None = None,
    together_px: float = 0.0,
    drift_deg: float = 0.15,
) -> tuple[Seen, np.ndarray]:
    """Five seconds past points some metres away, seen to a tenth of a pixel; the chain of turns has drifted, and its way is far off.

    ``rate_rad_s``: (25, 3) that the chain lacks, with rows read up to 8 ms before and after their frame. ``together_px``: by which, besides, each
    sixth by fifth of each picture is off as one, as compression has it. ``wall_m``: how far ahead a wall stands that all points lie on.
    """
    drifts = np.random.default_rng(rng.integers(1 << 30))
    count = 25
    times = 0.2 * np.arange(count)
    attitude = Rotation.from_euler("yxz", np.column_stack([0.25 * np.sin(times), 0.08 * np.sin(1.7 * times), 0.1 * np.sin(1.3 * times)])).as_matrix()
    place = _place(times)
    keys, tracks, rays, later = [], [], [], []
    blocks = rng.normal(scale=together_px / FOCAL_PX, size=(count, 6, 5, 2))
    for first in range(0, count - 3, 2):
        out = np.column_stack([rng.uniform(-0.4, 0.4, (70, 2)) * (1, 0.56), np.ones(70)])
        ahead = rng.uniform(*far_m, (70, 1)) if wall_m is None else (wall_m - place[first, 2]) / (out @ attitude[first].T)[:, 2:]
        points = place[first] + (out * ahead) @ attitude[first].T
        for key in range(first, min(first + 7, count)):
            after = np.zeros(70) if rate_rad_s is None else rng.uniform(-0.008, 0.008, 70)
            seen = (points - _place(times[key] + after)) @ attitude[key]
            if rate_rad_s is not None:
                seen = Rotation.from_rotvec(-after[:, None] * rate_rad_s[key]).apply(seen)
            there = seen[:, :2] / seen[:, 2:] + rng.normal(scale=0.1 / FOCAL_PX, size=(70, 2))
            across, down = (np.clip(((v / half + 1) / 2 * n).astype(int), 0, n - 1) for v, half, n in zip(there.T, (0.42, 0.24), (6, 5), strict=True))
            there += blocks[key, across, down]
            inside = np.flatnonzero((np.abs(there) < (0.42, 0.24)).all(axis=1))
            keys.append(np.full(len(inside), key))
            tracks.append(70 * first + inside)
            rays.append(np.column_stack([there, np.ones(70)])[inside])
            later.append(after[inside])
    order = np.argsort(np.concatenate(keys), kind="stable")
    unit = np.concatenate(rays)[order]
    drift = np.cumsum(np.radians(drift_deg) * drifts.normal(size=(count, 3)), axis=0)
    seen = Seen(
        times_s=times,
        key=np.concatenate(keys)[order],
        track=np.concatenate(tracks)[order],
        rays=unit / np.linalg.norm(unit, axis=1, keepdims=True),
        later_s=np.concatenate(later)[order],
        attitude=attitude @ Rotation.from_rotvec(drift).as_matrix(),
        way=place / 7.0,
        noise_rad=0.02 / FOCAL_PX,
    )
    return seen, attitude


def _off_mean_deg(times: np.ndarray, attitude: np.ndarray, smooth_s: float) -> np.ndarray:
    """Off SciPy's mean rotation."""
    out = []
    for t, own in zip(times, attitude, strict=True):
        mean = Rotation.from_matrix(attitude).mean(weights=np.exp(-(((times - t) / smooth_s) ** 2) / 2))
        out.append((mean.inv() * Rotation.from_matrix(own)).as_rotvec(degrees=True))
    return np.array(out)


def test_what_the_chain_has_lost_is_found_again_and_known_as_well_as_it_says():
    misses, stated, before = [], [], []
    for seed in range(3):
        seen, attitude = _flown(np.random.default_rng(seed))
        found = adjusted(seen)
        assert found is not None
        true = _off_mean_deg(seen.times_s, attitude, 0.5)
        misses.append(_off_mean_deg(seen.times_s, found.attitude, 0.5) - true)
        before.append(_off_mean_deg(seen.times_s, seen.attitude, 0.5) - true)
        stated.append(np.degrees(found.off_mean_rad(0.5)))
        assert found.scatter_rad * FOCAL_PX == pytest.approx(0.1, rel=0.4)
    size, was, said = (float(np.sqrt((np.concatenate(v).reshape(-1, n) ** 2).sum(axis=1).mean())) for v, n in ((misses, 3), (before, 3), (stated, 1)))
    assert was > 0.2
    assert size < 0.06
    assert 0.5 * size < said < 2 * size


def test_rows_that_turned_otherwise_than_was_read_do_not_bend_the_chain():
    """Rates that are three degrees a second off, each key frame's by itself: found with the attitudes, against taken as they were read."""
    misses = {"found": [], "as read": []}
    for seed in range(3):
        rng = np.random.default_rng(seed)
        rate = np.radians(3.0) * rng.normal(size=(25, 3))
        seen, attitude = _flown(rng, rate_rad_s=rate)
        true = _off_mean_deg(seen.times_s, attitude, 0.5)
        for name, each in (("found", seen), ("as read", replace(seen, later_s=np.zeros_like(seen.later_s)))):
            found = adjusted(each)
            assert found is not None
            misses[name].append(_off_mean_deg(seen.times_s, found.attitude, 0.5) - true)
            if name == "found":
                assert np.degrees(np.sqrt(((found.rate_rad_s - rate)[2:-2] ** 2).mean())) < 1.0
    size = {name: float(np.sqrt((np.concatenate(each) ** 2).sum(axis=1).mean())) for name, each in misses.items()}
    assert size["found"] < 0.02
    assert size["found"] < 0.5 * size["as read"]


def test_with_the_way_known_the_turn_is_known_better():
    seen, attitude = _flown(np.random.default_rng(7))
    true = _off_mean_deg(seen.times_s, attitude, 0.5)
    alone, beside = (adjusted(seen, shown=shown) for shown in (None, _shown(1e-4)))
    misses = [np.sqrt(((_off_mean_deg(seen.times_s, found.attitude, 0.5) - true) ** 2).sum(axis=1).mean()) for found in (alone, beside)]
    assert misses[1] < misses[0]


def _shown(noise: float, lever: np.ndarray | None = None) -> Shown:
    return Shown(steps=np.ones(24, dtype=bool), noise=noise, lever=np.zeros((24, 3)) if lever is None else lever, jerk=1.0)


def test_a_camera_that_is_carried_round_tells_how_large_things_are():
    """Half a metre beside, on a rig that turns while it flies: its way, in units of 7 m, is another by the turn times half a metre, which is known."""
    off, stated = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        seen, attitude = _flown(rng, drift_deg=0.02)
        lever = np.diff(attitude @ (0.5, 0.1, 0.0), axis=0)
        theirs = seen.way + np.cumsum(np.concatenate([np.zeros((1, 3)), lever / 7.0 + rng.normal(scale=1e-3, size=(24, 3))]), axis=0)
        found = adjusted(replace(seen, way=theirs), shown=_shown(1e-3, lever))
        assert found is not None
        off.append(found.unit_w[0] - 1 / 7.0)
        stated.append(found.unit_w[1])
    assert np.max(stated) < 0.03
    assert 0.4 < np.sqrt(np.mean(np.square(np.array(off) / stated))) < 1.6
    alone = adjusted(seen)
    assert alone is not None
    assert alone.unit_w[1] > 0.3


def test_what_a_way_shows_of_another_is_smoothed_as_it_is():
    """A slow wave is shown, and a shake from frame to frame less."""
    seen, _ = _flown(np.random.default_rng(3), together_px=0.3)
    found = adjusted(seen)
    assert found is not None
    wave, quick = (1e-3 * np.cos(rate * np.arange(25))[:, None] * (1.0, 0.0, 0.0) for rate in (0.4, np.pi))
    shown = [np.std(np.diff(found.shows(each)[:, 0])) / np.std(np.diff(each[:, 0])) for each in (wave, quick)]
    assert shown[0] > 0.9
    assert shown[1] < 0.5 * shown[0]


def test_how_far_away_things_are_is_known_as_well_as_it_says():
    """Inverse distances along rays at a moment, in units of 7 m, against a wall; to a hundredth, and all together as well as is said."""
    single, whole, time_s = [], [], 2.13
    for seed in range(8):
        seen, attitude = _flown(np.random.default_rng(seed), wall_m=12.0)
        now = Slerp(seen.times_s, Rotation.from_matrix(attitude))
        path = SimpleNamespace(between=lambda a, b, now=now: (now(a).inv() * now(b)).as_matrix())
        found = adjusted(seen, shown=_shown(1e-4))
        assert found is not None
        there = around(found, path, time_s)
        assert there is not None
        rays = np.column_stack([np.stack(np.meshgrid(np.linspace(-0.3, 0.3, 13), np.linspace(-0.16, 0.16, 7)), axis=-1).reshape(-1, 2), np.ones(91)])
        ahead = (12.0 - _place(np.array([time_s]))[0, 2]) / now(time_s).apply(rays)[:, 2]
        rays /= np.linalg.norm(rays, axis=1)[:, None]
        relative = there.relative(rays)
        assert np.isfinite(relative.w).mean() > 0.95
        share = (relative.w * ahead / 7.0)[np.isfinite(relative.w)]
        single.append(np.abs(share / np.median(share) - 1))
        whole.append((np.median(share) - 1) / relative.unit_share)
        moved = there.moved_rad_s(rays, relative)[45]
        speed = now(time_s).inv().apply(_place(np.array([time_s + 0.01])) - _place(np.array([time_s - 0.01])))[0] / 0.02
        assert np.allclose(moved[:2], -speed[:2] / ahead[45], atol=0.01)
    assert np.percentile(np.concatenate(single), 90) < 0.01
    assert 0.4 < np.sqrt(np.mean(np.square(whole))) < 1.8
    far = replace(found, places=replace(found.places, track=found.places.track[:5], key=found.places.key[:5]))
    assert around(far, path, time_s) is None
    assert around(found, path, 4.9) is None  # after the last key frame


def _size(misses: list[np.ndarray]) -> float:
    return float(np.sqrt((np.concatenate(misses) ** 2).sum(axis=1).mean()))


def test_details_that_are_off_together_count_as_fewer():
    """Among things that lie almost in one plane, where a turn looks like a step aside, seen by a compressed clip."""
    misses, stated = [], []
    for seed in range(4):
        seen, attitude = _flown(np.random.default_rng(seed), far_m=(9.6, 10.4), together_px=0.15)
        found = adjusted(seen)
        assert found is not None
        misses.append(_off_mean_deg(seen.times_s, found.attitude, 0.5) - _off_mean_deg(seen.times_s, attitude, 0.5))
        stated.append(np.degrees(found.off_mean_rad(0.5)))
    size, said = float(np.sqrt((np.concatenate(misses) ** 2).sum(axis=1).mean())), float(np.sqrt((np.concatenate(stated) ** 2).mean()))
    assert size < 0.031
    assert 0.8 * size < said < 1.25 * size


def test_slopes_are_those_of_what_is_made_least():
    """Against differences: with slopes a little wrong it ends beside the least, and steps are refused on the way."""
    rng = np.random.default_rng(2)
    seen, _ = _flown(rng, rate_rad_s=np.radians(3.0) * rng.normal(size=(25, 3)))
    solve = _Solve(seen, np.bincount(seen.track)[seen.track] >= 3, None)
    state, scale = solve.state, 10 * seen.noise_rad
    state = solve.moved(state, 0.002 * rng.normal(size=(25, 9)), 0.02 * rng.normal(size=(solve.tracks, 3)), tangents(state.direction))
    normal = _Normal(solve, state, solve.look(state), scale)
    for which in range(4):
        frames, details = np.zeros((25, 9)), np.zeros((solve.tracks, 3))
        if which < 3:
            frames[:, 3 * which : 3 * which + 3] = rng.normal(size=(25, 3))
            frames[0, :6] = 0.0
        else:
            details = rng.normal(size=details.shape)
        ends = []
        for sign in (1e-6, -1e-6):
            moved = solve.moved(state, sign * frames, sign * details, normal.directions)
            ends.append(solve.cost(solve.look(moved), moved, scale))
        assert 2 * (normal.toward @ frames.ravel() + (normal.pull * details).sum()) == pytest.approx((ends[0] - ends[1]) / 2e-6, rel=0.02)


def test_too_little_is_left_as_it_was(both):
    seen, _ = _flown(np.random.default_rng(0))
    few = seen.track < 50
    rows = {name: getattr(seen, name)[few] for name in ("key", "track", "rays", "later_s")}
    assert adjusted(replace(seen, **rows)) is None
    bare = replace(both[0], keyed=None)
    assert steadied(bare) is bare
