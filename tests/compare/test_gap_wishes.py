"""The inverse questions: put the answer back, get the wish; and plain answers where there is none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from at_length import crossed
from gap_truth import LENSES, pairing_of
from hypothesis import given, settings
from hypothesis import strategies as st

from framematch.compare import (
    Candidate,
    Opening,
    Run,
    Subject,
    curves,
    distance_for_subject,
    exits,
    focal_for_edges,
    focal_for_fill,
    focal_for_subject,
    stop_for_near,
    wished_camera,
)
from framematch.errors import InputError
from framematch.geometry.lens import Lens
from framematch.optics import sharpness as optics

PANE = Opening(width_m=1.2, height_m=0.9, sill_m=1.1)
RUN = Run(speed_m_s=8, right_m=0.1, tilt_deg=2)
SUBJECT = Subject(beyond_m=4.0, right_m=0.3)
PAIRINGS = {name: pairing_of(lens) for name, lens in LENSES.items()} | {
    "focused": pairing_of(Lens(projection="rectilinear", focal_mm=18).focused(2.0), focus_m=2.0)
}


@pytest.mark.parametrize(("pairing", "wish"), crossed(PAIRINGS, [("width", 45.0), ("area", 5.0), ("height", 80.0), ("area", 60.0), ("width", 150.0)]))
def test_focal_length_for_a_fill(pairing, wish: tuple[str, float]) -> None:  # type: ignore[no-untyped-def]
    of, percent = wish
    answer = focal_for_fill(pairing, PANE, RUN, percent=percent, at_m=2.5, of=of)
    assert answer.value is not None and answer.unit == "mm"
    found = curves(wished_camera(pairing, answer.value), pairing.frame, PANE, RUN, distance_m=2.5, per_edge=200)
    given_back = {"area": found.fill_percent, "width": found.width_percent, "height": found.height_percent}[of][0]
    assert given_back == pytest.approx(percent, rel=1e-3)


@pytest.mark.parametrize(("pairing", "percent"), crossed(PAIRINGS, [20.0, 75.0, 140.0]))
def test_focal_length_for_a_subject(pairing, percent: float) -> None:  # type: ignore[no-untyped-def]
    answer = focal_for_subject(pairing, PANE, RUN, SUBJECT, percent=percent, at_m=3.0)
    assert answer.value is not None
    camera = wished_camera(pairing, answer.value)
    found = curves(camera, pairing.frame, PANE, RUN, distance_m=3.0, subjects=(SUBJECT,))
    assert found.subject_percent[0, 0] == pytest.approx(percent, rel=1e-3)


@pytest.mark.parametrize(("pairing", "until"), crossed(PAIRINGS, [0.8, 2.0]))
def test_focal_length_that_keeps_the_edges(pairing, until: float) -> None:  # type: ignore[no-untyped-def]
    answer = focal_for_edges(pairing, PANE, RUN, until_m=until)
    assert answer.value is not None
    found = exits(wished_camera(pairing, answer.value), pairing.frame, PANE, RUN, far_m=30.0)
    assert max(e.whole_until_m or math.inf for e in found) == pytest.approx(until, rel=1e-3)
    one = focal_for_edges(pairing, PANE, RUN, until_m=until, side="left")
    assert one.value is not None and one.value >= answer.value
    by_side = {e.side: e for e in exits(wished_camera(pairing, one.value), pairing.frame, PANE, RUN, far_m=30.0)}
    assert by_side["left"].whole_until_m == pytest.approx(until, rel=1e-3)


@settings(max_examples=25, deadline=None)
@given(percent=st.floats(12, 70), right=st.floats(-1, 1), heading=st.floats(-15, 15))
def test_distance_for_a_subject(percent: float, right: float, heading: float) -> None:
    pairing, run = PAIRINGS["distorted"], Run(heading_deg=heading, right_m=0.1)
    subject = Subject(beyond_m=4.0, right_m=right)
    camera = pairing.recording
    answer = distance_for_subject(camera, pairing.frame, PANE, run, subject, percent=percent)
    assert answer.value is not None
    found = curves(camera, pairing.frame, PANE, run, distance_m=answer.value, subjects=(subject,))
    assert found.subject_percent[0, 0] == pytest.approx(percent, rel=1e-3)
    earlier = curves(camera, pairing.frame, PANE, run, distance_m=np.linspace(answer.value * 1.001 + 0.01, 80, 100), subjects=(subject,))
    assert (earlier.subject_percent[:, 0] < percent).all()


@given(near=st.floats(0.6, 3.0), focal=st.floats(8, 20), focus=st.floats(4, 50) | st.just(math.inf))
def test_stop_for_a_near_limit(near: float, focal: float, focus: float) -> None:
    lens = Candidate(name="lens", lens=Lens(projection="rectilinear", focal_mm=focal), deepest_f=128)
    answer = stop_for_near(lens, circle_mm=0.0166, focus_m=focus, near_m=near)
    assert answer.value is not None and answer.unit == "f"
    depth = optics.depth_of_field(focal_mm=focal, f_number=answer.value, circle_mm=0.0166, focus_m=focus)
    assert depth.near_m == pytest.approx(near, rel=1e-3)


def test_wishes_that_no_lens_grants() -> None:
    pairing = PAIRINGS["straight"]
    off_line = Run(right_m=3.0)  # the axis meets the wall, not the gap: longer lenses lose it
    answer = focal_for_fill(pairing, PANE, off_line, percent=50, at_m=4.0)
    assert answer.value is None and "no lens does" in answer.says and "at most" in answer.says
    whole = focal_for_fill(pairing, PANE, RUN, percent=100, at_m=4.0)
    assert whole.value is None and "less than 100" in whole.says
    hidden = focal_for_edges(pairing, PANE, Run(right_m=3.0, pan_deg=60), until_m=1.0)
    assert hidden.value is None and "no lens" in hidden.says
    fisheye = focal_for_subject(PAIRINGS["fisheye"], PANE, RUN, SUBJECT, percent=0.5, at_m=3.0)
    assert fisheye.value is None and "at least" in fisheye.says


def test_a_subject_behind_the_camera() -> None:
    pairing, behind = PAIRINGS["straight"], Subject(name="grip", beyond_m=-8.0)
    answer = focal_for_subject(pairing, PANE, RUN, behind, percent=50, at_m=3.0)
    assert answer.value is None and "behind the camera" in answer.says and "grip" in answer.says
    where = distance_for_subject(pairing.recording, pairing.frame, PANE, RUN, behind, percent=50, far_m=5.0)
    assert where.value is None and "behind the camera" in where.says
    never = distance_for_subject(pairing.recording, pairing.frame, PANE, RUN, Subject(beyond_m=4.0, right_m=4.0), percent=300)
    assert never.value is None and "at most" in never.says
    beside = distance_for_subject(pairing.recording, pairing.frame, PANE, RUN, Subject(beyond_m=4.0, right_m=40.0), percent=50, far_m=30.0)
    assert beside.value is None and "never in the frame" in beside.says
    off = focal_for_subject(pairing, PANE, RUN, Subject(beyond_m=4.0, right_m=6.0), percent=60, at_m=3.0)
    assert off.value is not None and "outside the frame" in off.says
    already = distance_for_subject(pairing.recording, pairing.frame, PANE, RUN, SUBJECT, percent=1, far_m=10.0)
    assert already.value is None and "already" in already.says


def test_a_stop_that_does_not_exist() -> None:
    long = Candidate(name="50 mm", lens=Lens(projection="rectilinear", focal_mm=50))
    answer = stop_for_near(long, circle_mm=0.0166, focus_m=math.inf, near_m=1.0)
    assert answer.value is None and "smaller than f/22" in answer.says and "infinity" in answer.says
    inside = stop_for_near(long, circle_mm=0.0166, focus_m=math.inf, near_m=0.04)
    assert inside.value is None and "no stop" in inside.says
    fast = Candidate(name="8 mm", lens=Lens(projection="rectilinear", focal_mm=8), widest_f=2.8, deepest_f=16)
    easy = stop_for_near(fast, circle_mm=0.0166, focus_m=math.inf, near_m=5.0)
    assert easy.value == 2.8 and "any stop" in easy.says
    capped = stop_for_near(fast, circle_mm=0.0166, focus_m=math.inf, near_m=0.2)
    assert capped.value is None and "f/16" in capped.says
    beyond = stop_for_near(Candidate(name="x", lens=fast.lens), circle_mm=0.0166, focus_m=3.0, near_m=4.0)
    assert beyond.value is None and "any stop" in beyond.says


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_what_can_not_be_asked(bad: float) -> None:
    pairing = PAIRINGS["straight"]
    with pytest.raises(InputError):
        focal_for_fill(pairing, PANE, RUN, percent=bad, at_m=2.0)
    with pytest.raises(InputError):
        focal_for_edges(pairing, PANE, RUN, until_m=bad)
    with pytest.raises(InputError):
        focal_for_subject(pairing, PANE, RUN, SUBJECT, percent=bad, at_m=2.0)
    with pytest.raises(InputError):
        distance_for_subject(pairing.recording, pairing.frame, PANE, RUN, SUBJECT, percent=bad)
    with pytest.raises(InputError, match="measure"):
        focal_for_fill(pairing, PANE, RUN, percent=10, at_m=2.0, of="volume")
