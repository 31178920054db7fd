"""Guides while the rig turns: against a simulation that projects every row at its own time."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import rigs
import turning_truth

from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing, Turn
from framematch.guide.best import best_rectangle, errors_at, outline_points, rectangle_errors
from framematch.guide.report import guide_report, report_json
from framematch.guide.transfer import EDGES
from framematch.guide.turning import edge_error_curve_turning, to_recorded_turning, turning_errors

SIGNS = [Turn(pan_deg_s=p * 90.0, tilt_deg_s=t * 60.0, roll_deg_s=r * 120.0) for p, t, r in itertools.product((-1, 1), repeat=3)]
READOUTS = ((16.0, 8.0), (0.0, 20.0), (25.0, 0.0), (12.0, 12.0))


def turning_rig(pairing: Pairing, turn: Turn, recording_ms: float | None, monitoring_ms: float | None) -> Pairing:
    recording, monitoring = replace(pairing.recording, readout_ms=recording_ms), replace(pairing.monitoring, readout_ms=monitoring_ms)
    return replace(pairing, recording=recording, monitoring=monitoring, turn=turn)


@pytest.mark.parametrize(("turn", "readouts"), list(zip(SIGNS, READOUTS * 2, strict=True)))
def test_a_rectangle_is_off_as_the_simulated_rows_say(turn: Turn, readouts: tuple[float, float]) -> None:
    rig = turning_rig(rigs.glasshouse(mount=Mount(right_mm=30, up_mm=58, forward_mm=31, pan_deg=2, tilt_deg=-3, roll_deg=1)), turn, *readouts)
    rectangle = best_rectangle(rig)
    for distance in (1.5, math.inf):
        found, truth = errors_at(edge_error_curve_turning(rig, rectangle, [distance]))[0], turning_truth.rectangle_errors(rig, rectangle, distance)
        assert [getattr(found, edge) for edge in EDGES] == pytest.approx([truth[edge] for edge in EDGES], abs=0.02)


def test_what_turning_alone_does_is_what_the_simulation_says() -> None:
    rig = turning_rig(rigs.glasshouse(near_m=3.0, far_m=3.0), Turn(pan_deg_s=-150, roll_deg_s=90), 20.0, 6.0)
    points = outline_points(rig, 3.0, 65)
    truth = [turning_truth.side_error(rig, edge, points[i, ::4], 3.0) for i, edge in enumerate(EDGES)]
    found = turning_errors(rig)
    assert found is not None and found.worst > 0.5
    assert [getattr(found, edge) for edge in EDGES] == pytest.approx(truth, abs=0.02)


def test_the_closed_form_for_rows_read_while_panning() -> None:
    """Definition (checks.md): rows read over 16 ms at 180 deg/s: top and bottom 1.44 degrees from the middle one, each way."""
    rig = turning_rig(rigs.straight(mount=Mount()), Turn(pan_deg_s=180), 16.0, 0.0)
    middle = rig.display.from_source(np.array([[800.0, 600.0]]))
    assert to_recorded_turning(rig, middle, 0.0)[0][0] == pytest.approx((960.0, 540.0), abs=1e-6)  # no delay, no turn
    above, _ = rig.recording.unproject([[960.0, 0.0]])
    column, row = to_recorded_turning(rig, rig.display.from_source(rig.monitoring.project(above)[0]), 0.0)[0][0]
    turned = math.degrees(math.atan2(column - 960.0, 20.0 * 80.0))
    assert row == pytest.approx(0.0, abs=0.5) and turned == pytest.approx(1.44, abs=2e-3)


def test_alike_shutters_in_one_place_see_no_turn() -> None:
    rig = rigs.straight(mount=Mount())
    assert turning_errors(turning_rig(rig, Turn(pan_deg_s=200, tilt_deg_s=100), 0.0, 0.0)).worst < 1e-9
    still = turning_rig(rig, Turn(), 16.0, 8.0)
    assert turning_errors(still).worst < 1e-9
    rectangle = best_rectangle(still)
    at_rest, turning = rectangle_errors(still, rectangle, 2.0), errors_at(edge_error_curve_turning(still, rectangle, [2.0]))[0]
    assert [getattr(turning, e) for e in EDGES] == pytest.approx([getattr(at_rest, e) for e in EDGES], abs=1e-6)


def test_the_report_says_it_and_says_when_it_cant() -> None:
    rig = turning_rig(rigs.glasshouse(), Turn(pan_deg_s=60), 12.0, 8.0)
    report = guide_report(rig)
    assert report.turning is not None
    assert report_json(report)["turning"] == {
        "worst_error_percent": pytest.approx(report.turning.worst, abs=1e-6),
        **{edge: pytest.approx(getattr(report.turning, edge), abs=1e-6) for edge in EDGES},
    }
    assert all(each.error_turning is not None for each in report.at)
    unknown = guide_report(turning_rig(rigs.glasshouse(), Turn(pan_deg_s=60), 12.0, None))
    assert unknown.turning is None and report_json(unknown)["turning"] is None
    assert "give readout_ms of the monitoring camera" in " ".join(unknown.warnings)
