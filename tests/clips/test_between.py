"""The mean aim of a flight whose mount swings between the moments that are looked at: a made-up swing, whose mean over all its time is known."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from framematch.clips.between import over_the_flight
from framematch.clips.flex import Flex
from framematch.clips.flown import Flown

RECORDING_FROM_MONITORING = Rotation.from_euler("yxz", [3.0, -5.0, 80.0], degrees=True).as_matrix()
STEP_S, LATE_S, MOMENTS = 1 / 30, 2.0, 30


def _swing(times: np.ndarray) -> np.ndarray:
    """(n, 3) degrees by recording times, about one axis, 0.55 Hz and slowing."""
    return np.sin(2 * np.pi * (0.55 * times - 0.002 * times**2) + 0.7)[:, None] * (0.8, -0.5, 0.1)


def _flight(seed: int, *, swings: bool = True) -> tuple[Flown, np.ndarray, SimpleNamespace, Flex]:
    """Moments of the swing, and turns between frames with it, which drift by a twentieth of a degree in a second; else a mount that only seems to swing."""
    rng = np.random.default_rng(seed)
    own = STEP_S * np.arange(30 * 30 + 1)
    drift = np.cumsum(rng.normal(scale=0.05 * np.sqrt(STEP_S), size=(len(own), 3)), axis=0)
    alias = 0.3 * np.sin(2 * np.pi * 1.3 * own + rng.uniform(0, 6))[:, None] * (0.6, 0.8, 0.0)
    turned = np.radians((_swing(own + LATE_S) @ RECORDING_FROM_MONITORING if swings else alias) + drift)
    clocks = SimpleNamespace(
        used=np.ones(len(own) - 1, dtype=bool),
        residual_rad=np.diff(turned, axis=0),
        recording_from_monitoring=RECORDING_FROM_MONITORING,
        recording_s=lambda t: np.asarray(t) + LATE_S,
    )
    flex = Flex(clocks, SimpleNamespace(start_s=own[:-1], end_s=own[1:], step_s=STEP_S))
    times = LATE_S + np.arange(MOMENTS) + rng.uniform(0.2, 0.8, MOMENTS)
    aims = np.radians(swings * _swing(times) + rng.normal(scale=0.02, size=(MOMENTS, 3)))
    mean = aims.mean(axis=0)
    covariance = np.zeros((14, 14))
    covariance[:3, :3] = np.cov(aims.T) / MOMENTS
    solved = Flown(
        values=np.concatenate([mean, np.zeros(11)]), covariance=covariance, turns_rad=aims - mean, apart_rad=0.01, sights=(), typical=(), joint=np.eye(0)
    )
    return solved, times, clocks, flex


def _mean(solved: Flown) -> tuple[np.ndarray, np.ndarray]:
    """By how much the mean aim misses that of all the time, and its standard deviation; degrees."""
    true = _swing(LATE_S + np.linspace(0, 30, 20001)).mean(axis=0)
    return np.degrees(solved.values[:3]) - true, np.degrees(np.sqrt(np.diag(solved.covariance)[:3]))


def test_a_swing_between_moments_is_counted():
    before, after, stated = [], [], []
    for seed in range(12):
        solved, *rest = _flight(seed)
        found = over_the_flight(solved, *rest)
        assert found.turns_rad + found.values[:3] == pytest.approx(solved.turns_rad + solved.values[:3])
        before.append(_mean(solved)[0])
        after.append(_mean(found)[0])
        stated.append(_mean(found)[1])
    rms = [float(np.sqrt((np.array(v) ** 2).mean())) for v in (before, after)]
    assert rms[1] < 0.35 * rms[0]
    assert (np.abs(after) < 1.96 * np.array(stated)).mean() > 0.9
    assert np.mean(stated) < 2.5 * rms[1]


def test_shaking_that_only_looks_slow_is_not():
    solved, *rest = _flight(3, swings=False)
    found = over_the_flight(solved, *rest)
    assert np.abs(found.values - solved.values).max() < np.radians(0.01)
    still = replace(solved, turns_rad=np.zeros_like(solved.turns_rad))
    assert over_the_flight(still, *rest).values == pytest.approx(still.values)
