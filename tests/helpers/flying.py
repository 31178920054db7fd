"""Random paths, and the equations of motion integrated: the outside truth for the lean."""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp

from framematch.errors import InputError
from framematch.shot.flown import Flown
from framematch.shot.lean import Flying
from framematch.shot.timing import timed

GRAVITY = 9.80665


def random_flight(seed: int) -> Flown:
    """A path of about ten seconds through random points, rests and speeds, with drag and wind."""
    rng = np.random.default_rng(seed)
    flying = Flying(
        mass_kg=float(rng.uniform(0.3, 3)), drag_area_m2=float(rng.uniform(0.005, 0.03)), wind_m_s=tuple(rng.uniform(-4, 4, 3) * (1, 0.2, 1)), lean_deg=60.0
    )
    while True:
        turn = np.cumsum(rng.uniform(-0.6, 0.6, 5))
        steps = np.stack([np.sin(turn), rng.uniform(-0.15, 0.15, 5), -np.cos(turn)], axis=-1) * rng.uniform(14, 22, (5, 1))
        points = np.concatenate([[[0.0, 10.0, 0.0]], np.cumsum(steps, axis=0) + (0.0, 10.0, 0.0)])
        speeds = rng.uniform(4, 10, 6) * np.append(rng.uniform(size=1) < 0.5, np.ones(5))
        try:
            return Flown(course=timed(points, speeds.tolist(), flying=flying), flying=flying)
        except InputError:
            continue


def integrated_m(flown: Flown, times: np.ndarray) -> np.ndarray:
    """Where the aircraft gets to (T, 3), flown by nothing but the attitude and the size of the thrust that were found.

    Newton's second law, written here once more: thrust along the airframe's own up axis, weight, drag.
    """
    flying, start = flown.flying, flown.at(0.0)
    thrust_n = lambda t: flying.mass_kg * np.linalg.norm(flown.thrust_m_s2(t))  # noqa: E731

    def falls(t: float, state: np.ndarray) -> np.ndarray:
        up = -flown.airframe(t).rotation[:, 1]
        air = state[3:] - np.array(flying.wind_m_s)
        drag_n = -0.5 * flying.density_kg_m3 * flying.drag_area_m2 * np.linalg.norm(air) * air
        return np.concatenate([state[3:], (thrust_n(t) * up + drag_n) / flying.mass_kg - (0.0, GRAVITY, 0.0)])

    state = np.concatenate([start.position_m, start.velocity_m_s])
    return solve_ivp(falls, (0.0, times[-1]), state, t_eval=times, rtol=1e-8, atol=1e-8, method="DOP853").y[:3].T
