"""Drawing ahead of the hand: what is begun when, and that what comes of it is what would have been drawn anyway."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from browser import ROOT
from framematch.page.ahead import Ahead, Visitor

from framematch.page.draft import Draft, changed
from framematch.page.pictures import COARSE_PX, Wanted, at_hand, built, pictures
from framematch.page.session import EXAMPLE
from framematch.page.views import DISTANCES_M, STEPS_AT_REST, _by_nearness
from framematch.render import render
from framematch.render.faces import plan
from framematch.render.keep import Kept
from framematch.render.pixels import frame_camera
from framematch.render.views import wide_camera_and_bars
from framematch.shot.run import Run
from framematch.shot.shot import Shot


def test_newer_wishes_take_the_place_of_older_ones_and_visitors_take_turns():
    found, ahead, one, two, go = [], Ahead(), Visitor(), Visitor(), threading.Event()
    ahead.wish(one, [go.wait, *(lambda n=n: found.append(("old", n)) for n in range(50))])
    ahead.wish(two, [lambda n=n: found.append(("two", n)) for n in range(3)])
    ahead.wish(one, [lambda n=n: found.append(("one", n)) for n in range(3)])
    go.set()
    assert ahead.idle(10)
    assert [who for who, _ in found if who != "old"] in (["two", "one"] * 3, ["one", "two"] * 3)
    assert not any(who == "old" for who, _ in found)


def test_nothing_is_begun_ahead_while_somebody_waits_and_a_failure_stops_nothing():
    found, ahead, visitor = [], Ahead(), Visitor()
    with ahead.waiting():
        ahead.wish(visitor, [lambda: 1 / 0, lambda: found.append(1)])
        assert not ahead.idle(0.2) and not found
    assert ahead.idle(10) and found == [1]


def test_of_two_callers_at_once_one_makes_and_a_failure_is_told_to_both_and_not_kept():
    kept, made = Kept(limit_bytes=100, size=len), []

    def slow(what):
        made.append(what)
        time.sleep(0.2)
        if what == b"fails":
            raise LookupError
        return what

    with ThreadPoolExecutor(4) as pool:
        assert {f.result() for f in [pool.submit(kept.get, 1, lambda: slow(b"a")) for _ in range(4)]} == {b"a"}
        failures = [pool.submit(kept.get, 2, lambda: slow(b"fails")) for _ in range(4)]
        assert all(isinstance(f.exception(), LookupError) for f in failures)
    assert made == [b"a", b"fails"] and kept.peek(1) == b"a" and kept.peek(2) is None
    assert kept.get(2, lambda: b"b") == b"b"
    kept.get(3, lambda: b"x" * 99)
    assert kept.peek(1) is None and kept.peek(2) == b"b"  # the longest unused goes
    assert kept.get(4, lambda: b"x" * 101) and kept.peek(4) is None


def test_steps_by_nearness():
    assert list(_by_nearness(4)) == [1, 2, -1, 3, 4, -2]


@pytest.fixture(scope="module")
def pairing():
    return Draft(text=EXAMPLE).pairing


@pytest.mark.parametrize("which", ["wide", "frame"])
def test_a_quick_picture_shows_what_the_whole_one_shows(pairing, which):
    """Same field, same place: it differs by its softness only, and by far less than a picture from one step away does."""
    scene = built(Shot())
    camera = frame_camera(pairing, height_px=180) if which == "frame" else wide_camera_and_bars(pairing, height_px=180)[0]

    def drawn(distance_m, quick):
        return render(scene, camera, scene.scene_from_recording(Run(), distance_m), quick=quick).colour.astype(float)

    quick, whole, next_step = drawn(3.0, True), drawn(3.0, False), drawn(3.3, False)
    off, step = np.abs(quick - whole).mean(), np.abs(next_step - whole).mean()
    assert off < 5 and off < 0.5 * step
    soft = [np.abs(np.roll(quick, by, axis) - whole).mean() for by, axis in ((1, 0), (-1, 0), (1, 1), (-1, 1))]
    assert off < min(soft)  # it is not shifted by half a pixel either


def test_a_quick_picture_does_not_depend_on_what_was_drawn_before(pairing, monkeypatch):
    from framematch.render import gl

    if gl.missing():
        pytest.skip("the other renderer keeps nothing")
    scene = built(Shot())
    pose = scene.scene_from_recording(Run(), 2.2)
    longer = [changed(Draft(text=EXAMPLE), "recording.focal_mm", {"recording.focal_mm": f}).pairing for f in (20.0, 20.5, 21.0)]
    cameras = [frame_camera(p, height_px=180) for p in longer]
    assert len({tuple(f.key for f in plan(c, quick=True).faces) for c in cameras}) == 1  # one face does for all of them
    one_after_the_other = [render(scene, c, pose, renderer="gl", quick=True).colour for c in cameras]
    monkeypatch.setattr(gl, "_sheets", Kept(limit_bytes=0, size=lambda kept: kept[1].nbytes))
    alone = [render(scene, c, pose, renderer="gl", quick=True).colour for c in cameras]
    assert all((a == b).all() for a, b in zip(one_after_the_other, alone, strict=True))
    assert (alone[0] != alone[1]).any()


def test_after_a_step_the_next_ones_stand_ready():
    """Both sliders: once the page rests, the next step's pictures are there before the hand asks for them."""
    from framematch.page.ahead import ahead
    from streamlit.testing.v1 import AppTest

    app = AppTest.from_file(str(ROOT / "framematch" / "page" / "script.py"), default_timeout=600).run()
    for slider, value in ((app.select_slider(key="view:distance"), 5.0), (app.slider(key="view:focal"), 33.0)):
        slider.set_value(value).run()
        assert not app.exception
        assert ahead.idle(60)
        draft = app.session_state["fm_draft"]
        coarse = Wanted(pairing=draft.pairing, shot=draft.shot, distance_m=5.0, height_px=COARSE_PX)
        onwards = DISTANCES_M[DISTANCES_M.index(5.0) + 1]
        assert at_hand(Wanted(pairing=draft.pairing, shot=coarse.shot, distance_m=onwards, height_px=COARSE_PX))
        for focal in (33.5, 32.5) if value == 33.0 else (18.5, 17.5):
            after = changed(draft, "recording.focal_mm", {"recording.focal_mm": focal})
            assert at_hand(Wanted(pairing=after.pairing, shot=coarse.shot, distance_m=5.0, height_px=COARSE_PX))
    far = DISTANCES_M.index(5.0) + STEPS_AT_REST + 5
    assert at_hand(Wanted(pairing=draft.pairing, shot=coarse.shot, distance_m=DISTANCES_M[far], height_px=COARSE_PX)) is None
    assert pictures(coarse).height_px == COARSE_PX


def test_what_left_runs_held_is_collected_at_rest_but_not_at_every_rest(monkeypatch):
    import gc
    import weakref

    from framematch.page import tidy

    class Held:
        pass

    def cycle():
        held = Held()
        held.itself = held
        return weakref.ref(held)

    monkeypatch.setattr(tidy, "_last", [-1e9])
    gc.disable()
    try:
        one = cycle()
        tidy.tidy()
        assert one() is None
        two = cycle()
        tidy.tidy()
        assert two() is not None
    finally:
        gc.enable()
