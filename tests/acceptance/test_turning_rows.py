"""The error while turning against the simulated rows, over random rigs, turns of all signs and both cameras rolling."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import rigs
import turning_truth

from framematch.geometry.pairing import Turn
from framematch.guide.best import best_rectangle, errors_at
from framematch.guide.transfer import EDGES
from framematch.guide.turning import edge_error_curve_turning


@pytest.mark.parametrize("seed", range(16))
def test_every_side_is_off_as_the_rows_say(seed: int) -> None:
    rng = np.random.default_rng(700 + seed)
    rig = rigs.random_pairing(rng)
    signs = [1 if seed >> bit & 1 else -1 for bit in range(3)]
    pan, tilt, roll = (s * float(rng.uniform(20, 250)) for s in signs)
    rig = replace(
        rig,
        recording=replace(rig.recording, readout_ms=float(rng.uniform(2, 30))),
        monitoring=replace(rig.monitoring, readout_ms=float(rng.uniform(2, 30))),
        turn=Turn(pan_deg_s=pan, tilt_deg_s=tilt, roll_deg_s=roll),
    )
    rectangle = best_rectangle(rig)
    worst, compared = 0.0, 0
    for distance in (rig.near_m, 3 * rig.near_m, math.inf):
        found = errors_at(edge_error_curve_turning(rig, rectangle, [distance]))[0]
        if any(math.isnan(getattr(found, edge)) for edge in EDGES):
            continue
        try:
            truth = turning_truth.rectangle_errors(rig, rectangle, distance, count=33)
        except (AssertionError, ValueError):  # a row that the lens does not image: the simulation can't look for it
            continue
        compared += 1
        worst = max([worst, *(abs(getattr(found, edge) - truth[edge]) for edge in EDGES)])
    print(f"rig {seed}: pan {pan:+.0f}, tilt {tilt:+.0f}, roll {roll:+.0f} deg/s: off by {worst:.5f} points at {compared} distances")
    assert compared and worst <= 0.02
