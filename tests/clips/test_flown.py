"""One rig through many moments, on details whose places are worked out by NumPy and SciPy alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from clip_rigs import Known, pairing_of
from flown_clips import Flight
from scipy.spatial.transform import Rotation

from framematch.clips.distances import middle_of, shares_of
from framematch.clips.flown import flown
from framematch.clips.placed import Relative
from framematch.clips.sights import Details
from framematch.clips.typed import TypedAt, parse_typed_at
from framematch.errors import InputError
from framematch.measure.aim import AimSolve
from framematch.measure.features import Matches
from framematch.measure.known import Typed
from framematch.measure.unknowns import OFFSET

FLIGHT = Flight(aim_deg=(1.2, -3.0, 0.8), offset_mm=(40.0, 30.0, 20.0))


def _scene(rng, count=240):
    """(N, 3) points ahead of the recording camera, 8 to 25 m."""
    across = rng.uniform((-0.36, -0.2), (0.36, 0.2), (count, 2))
    return np.column_stack([across, np.ones(count)]) * rng.uniform(8, 25, (count, 1))


def _matches(rng, points, there, noise_px=0.06):
    """Details where both cameras see points (N, 3) in their own axes, with noise, and the recorded places without."""
    angle, eyes = np.arctan2(np.hypot(there[:, 0], there[:, 1]), there[:, 2]), (FLIGHT.recording, FLIGHT.monitoring)
    places = [
        points[:, :2] / points[:, 2:] * eyes[0].focal_px + (240, 135),
        there[:, :2] * (angle / np.hypot(there[:, 0], there[:, 1]))[:, None] * eyes[1].focal_px + (240, 135),
    ]
    recording_px, monitoring_px = (p + rng.normal(scale=noise_px, size=p.shape) for p in places)
    noise = np.full(len(points), 5e-4)
    return Matches(recording_px=recording_px, monitoring_px=monitoring_px, noise_rad=noise, details=(len(points),) * 2), places[0]


def _relative(rng, points):
    """Inverse distances in units of 7 m, each off by a fiftieth, and those of a moment together by a hundredth."""
    w = 7 / points[:, 2]
    off = 1 + 0.02 * rng.normal(size=len(w)) + 0.01 * rng.normal()
    return Relative(w=w * off, sigma=0.02 * w, unit_share=0.01)


def _flight(rng, moments=8, skew_deg=0.0, offset_mm=FLIGHT.offset_mm, noise_px=0.06):
    """Details of moments of a flight whose aim swings by a tenth of a degree, without relative distances and with them.

    ``skew_deg``: by how much the monitoring camera turns while its rows are read, another way in each moment.
    """
    right, up, forward = np.array(offset_mm) / 1000
    out, swings = [], []
    for i in range(moments):
        swing = np.radians(0.1) * np.array([np.sin(i), np.cos(i), 0])
        pan, tilt, roll = np.radians(FLIGHT.aim_deg)
        aim = Rotation.from_euler("YXZ", [pan, tilt, roll])
        points = _scene(rng)
        there = (Rotation.from_rotvec(swing) * aim).inv().apply(points - (right, -up, forward))
        rows = np.clip(there[:, 1:2] / there[:, 2:] * FLIGHT.monitoring.focal_px / 270, -0.5, 0.5)
        there = Rotation.from_rotvec(np.radians(skew_deg) * rows * rng.normal(size=3)).apply(there) if skew_deg else there
        matches, recorded_px = _matches(rng, points, there, noise_px)
        out.append((Details(matches=matches, relative=None), Details(matches=matches, relative=_relative(rng, points))))
        swings.append((swing, middle_of(1 / points[:, 2], shares_of(pairing_of(FLIGHT), recorded_px))))
    return out, swings


def test_a_rig_flown_is_found_and_distances_or_a_tape_make_its_aim_surer():
    details, swings = _flight(np.random.default_rng(2))
    rig = pairing_of(FLIGHT)
    start = np.zeros(14)
    start[:3] = Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg)).as_rotvec() + np.radians(0.2)
    times = 0.5 * np.arange(len(details))
    pan_tilt = Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg))
    sure = []
    for which, typed in ((0, ()), (1, ()), (0, ((2, Typed(distance_m=900.0)),))):
        found = flown(rig, [each[which] for each in details], times, start=start, unread_rad=1e-4, typed=typed)
        aims = [Rotation.from_rotvec(found.values_at(i)[:3]) for i in range(len(details))]
        off = np.array([(a * (Rotation.from_rotvec(s) * pan_tilt).inv()).as_rotvec() for a, (s, _) in zip(aims, swings, strict=True)])
        half = 1.96 * np.sqrt(np.diag(found.covariance_at(3))[:3])
        assert (np.abs(off[3]) < 1.5 * half + 1e-5).all()
        assert np.degrees(off.std(axis=0)).max() < 0.035  # one moment against another
        sure.append(max(abs(found.typical[i].w - w) for i, (_, w) in enumerate(swings)))
        assert len(found.words) == (which == 0 and len(typed))  # 900 m in a hall of 25 does not go with the rest
    assert sure[1] < 0.01
    assert sure[1] < 0.5 * sure[0]


def test_by_what_share_an_inverse_distance_changes_with_the_offset():
    """Of details without noise it is the slope over the inverse distance, as the solve differentiates it."""
    details, _ = _flight(np.random.default_rng(4), moments=1, noise_px=0.0)
    solve = AimSolve(pairing=pairing_of(FLIGHT), matches=[details[0][0].matches])
    values = np.zeros(14)
    swing = Rotation.from_rotvec(np.radians((0.0, 0.1, 0.0)))
    values[:3] = (swing * Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg))).as_rotvec()
    seen = solve.seen(values)
    np.testing.assert_allclose(seen.w[:, None] * solve.by_offset(values), seen.w_slope[:, OFFSET], rtol=0.002, atol=2e-4)


def _along_the_view(noise_px):
    """Six flights with an offset that points into the picture, checked with files that have it a millimetre off: by how many stated standard deviations
    the offset across is missed, and by what share everything is too near."""
    true, misses, nearer = (3.0, -9.0, 47.0), [], []
    for seed in range(6):
        rng = np.random.default_rng((7, seed))
        details, swings = _flight(rng, moments=16, offset_mm=true, noise_px=noise_px)
        said = np.array(true) + (1.0, 1.0, 0.0) * rng.normal(size=3)
        start = np.append(Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg)).as_rotvec(), np.zeros(11))
        rig = pairing_of(replace(FLIGHT, offset_mm=tuple(said)), known=Known(offset_mm=2.0))
        found = flown(rig, [d for _, d in details], 0.5 * np.arange(16), start=start, unread_rad=1e-4)
        off = found.values[OFFSET] - (np.array(true) - said) * (1, -1, 1) / 1000
        misses.append(off[:2] / np.sqrt(np.diag(found.covariance)[OFFSET][:2]))
        nearer.append(np.mean([each.w / w - 1 for each, (_, w) in zip(found.typical, swings, strict=True)]))
    return np.array(misses), np.array(nearer)


def test_an_offset_along_the_view_is_stated_no_surer_than_it_is():
    """Beside the place that it points at a detail's distance is all noise, and so is its slope with the offset: taken as it is, six times too sure."""
    misses, _ = _along_the_view(0.12)
    assert np.sqrt((misses**2).mean()) < 2


def test_details_that_noise_has_behind_draw_nothing_nearer():
    """What the recorded clip has in front stays where it is; bound to lie in front of infinity all of it came out a quarter too near."""
    _, nearer = _along_the_view(0.4)
    assert abs(np.median(nearer)) < 0.12


def _flat(rng, moments=12, flex=None):
    """Moments that each show one wall, nearer and farther, without how far away these are to each other and with it.

    ``flex``: (moments, 3) rotation vectors that the aim is turned by.
    """
    aim = Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg))
    right, up, forward = np.array(FLIGHT.offset_mm) / 1000
    out, distances = [], rng.uniform(5, 15, moments)
    flex = np.zeros((moments, 3)) if flex is None else flex
    for distance, swing in zip(distances, flex, strict=True):
        points = np.column_stack([rng.uniform((-0.36, -0.2), (0.36, 0.2), (200, 2)), np.ones(200)]) * distance
        there = (Rotation.from_rotvec(swing) * aim).inv().apply(points - (right, -up, forward))
        matches, _ = _matches(rng, points, there)
        out.append([Details(matches=matches, relative=relative) for relative in (None, _relative(rng, points))])
    return out, distances


def test_a_way_known_along_the_flight_parts_aim_from_distance():
    details, distances = _flat(np.random.default_rng(5))
    start = np.append(Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg)).as_rotvec() + np.radians(0.2), np.zeros(11))
    off = []
    for which in (0, 1):
        found = flown(pairing_of(FLIGHT), [each[which] for each in details], 2.0 * np.arange(len(details)), start=start, unread_rad=1e-4)
        off.append(max(abs(found.typical[i].w - 1 / d) for i, d in enumerate(distances)))
    assert off[1] < 0.015
    assert off[1] < 0.5 * off[0]


def test_a_mount_that_flexes_one_way_tells_by_what_goes_across_the_offset_what_goes_along_it():
    """Slow flex about a slanted axis: a roll that stays and a turn that goes with the other are sure, where each axis by itself would be as loose."""
    rng = np.random.default_rng(8)
    flex = np.radians(1.0) * rng.normal(size=(24, 1)) * np.array([0.8, 0.6, 0.0])
    details, distances = _flat(rng, 24, flex)
    start = np.append(Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg)).as_rotvec(), np.zeros(11))
    found = flown(pairing_of(FLIGHT), [each[1] for each in details], 2.0 * np.arange(24), start=start, unread_rad=1e-4)
    assert max(abs(found.typical[i].w - 1 / d) for i, d in enumerate(distances)) < 0.01
    true = Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg))
    off = np.array([(Rotation.from_rotvec(found.values_at(i)[:3]) * (Rotation.from_rotvec(s) * true).inv()).as_rotvec() for i, s in enumerate(flex)])
    assert np.degrees(np.abs(off - off.mean(axis=0))).max() < 0.012
    assert np.degrees(found.apart_rad) == pytest.approx(np.degrees(np.sqrt((flex[:, :2] ** 2).mean())), rel=0.1)


def test_flex_too_quick_for_the_frames_bends_a_moment_and_not_its_aim():
    details, swings = _flight(np.random.default_rng(3), skew_deg=0.5)
    rig, true = pairing_of(FLIGHT), Rotation.from_euler("YXZ", np.radians(FLIGHT.aim_deg))
    off = []
    for bent_deg in (0.0, 0.5):
        found = flown(
            rig,
            [d for d, _ in details],
            0.5 * np.arange(8),
            start=np.append(true.as_rotvec() + 1e-3, np.zeros(11)),
            unread_rad=1e-4,
            bent_rad=np.radians(bent_deg),
        )
        each = [(Rotation.from_rotvec(found.values_at(i)[:3]) * (Rotation.from_rotvec(s) * true).inv()).as_rotvec() for i, (s, _) in enumerate(swings)]
        off.append(np.degrees(np.std(each, axis=0)).max())
    assert off[1] < 0.1
    assert off[1] < 0.3 * off[0]


def test_what_a_frame_typically_shows_is_not_what_has_most_details():
    rig = pairing_of(FLIGHT)
    f = rig.frame
    x, y = np.meshgrid(np.linspace(f.left + 4, f.right - 4, 24), np.linspace(f.top + 4, f.bottom - 4, 15))
    even = np.stack([x.ravel(), y.ravel()], axis=1)
    crowd = np.random.default_rng(1).uniform((f.left + 5, f.top + 5), (f.left + 40, f.top + 30), (900, 2))
    beside = np.full((500, 2), (f.left - 3, f.top - 3))
    w = np.concatenate([0.1 + 1e-4 * even[:, 0], np.full(1400, 0.5)])
    assert abs(middle_of(w, shares_of(rig, np.concatenate([even, crowd, beside]))) - np.median(w[: len(even)])) < 0.002
    assert np.median(w) == 0.5


def test_a_frame_goes_with_the_pictures_size(flight):
    from types import SimpleNamespace

    from framematch.clips.together import _at_sizes

    rig = pairing_of(flight)
    small = _at_sizes(rig, SimpleNamespace(recording=SimpleNamespace(size_px=(240, 135)), monitoring=SimpleNamespace(size_px=(480, 270))))
    assert np.allclose(
        (small.frame.left, small.frame.top, small.frame.right, small.frame.bottom),
        np.array([rig.frame.left, rig.frame.top, rig.frame.right, rig.frame.bottom]) / 2,
    )


def test_a_distance_says_when_and_where():
    assert parse_typed_at("12.5:14@310,204") == TypedAt(time_s=12.5, typed=Typed(distance_m=14.0, at_px=(310.0, 204.0)))
    assert parse_typed_at("3:inf").typed == Typed(distance_m=float("inf"))
    for wrong in ("14", "@3", "x:14", "9" * 400 + ":14", "2:far"):
        with pytest.raises(InputError, match="--distance"):
            parse_typed_at(wrong)


def test_a_place_in_a_frame_that_is_not_used_is_refused():
    from framematch.clips.together import _placed

    times = np.array([1.0, 2.0])
    at = TypedAt(time_s=2.05, typed=Typed(distance_m=9.0, at_px=(300.0, 200.0)))
    assert _placed([at], times, 0.5) == [(1, replace(at.typed, at_px=(150.0, 100.0)))]
    with pytest.raises(InputError, match=r"near 1\.5 s"):
        _placed([replace(at, time_s=1.5)], times, 0.5)


@pytest.mark.parametrize(("mean", "sigma"), [(0.07, 0.01), (-0.026, 0.064), (0.0, 0.1), (-0.3, 0.05)])
def test_what_is_never_below_zero_is_as_scipy_has_it(mean, sigma):
    from scipy.stats import truncnorm

    from framematch.clips.distances import above_zero

    scipy = truncnorm(-mean / sigma, np.inf, loc=mean, scale=sigma)
    assert above_zero(mean, sigma) == pytest.approx((scipy.mean(), scipy.std()), rel=1e-3)
