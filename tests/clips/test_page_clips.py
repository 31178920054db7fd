"""Two clips on the page: what comes of files handed over, and a scrubber that shows each moment."""

from __future__ import annotations

from dataclasses import replace

import pytest
from clip_rigs import pairing_of
from flown_clips import Flight

from framematch.page.measuring.clips import Outcome, _check
from framematch.page.measuring.uploads import Given
from framematch.progress import Stopped, heard


def _given(path, name):
    return Given(name=name, digest=name, content=path.read_bytes)


def _shown():
    import streamlit as st

    from framematch.page import session
    from framematch.page.look import LIGHT
    from framematch.page.measuring import clips

    session.begin()
    clips._say(st.session_state["found"], None, st.session_state["pictures"], LIGHT, mine="two")


def test_files_are_checked_and_every_moment_is_shown(flight: Flight, clips, found):
    from streamlit.testing.v1 import AppTest

    from framematch.render.clips_film import moment_pictures

    pictures = moment_pictures(found, clips, height_px=90)
    assert len(pictures) == len(found.moments) and pictures[0].shape[1] == 320
    page = AppTest.from_function(_shown, default_timeout=60)
    page.session_state["found"], page.session_state["pictures"] = found, tuple(b"\xff\xd8" for _ in pictures)
    page.run()
    assert not page.exception
    worst = max(found.moments, key=lambda m: m.off_percent)
    slider = page.select_slider[0]
    assert slider.value == f"{worst.instant.recording_s:.2f} s" and len(slider.options) == len(found.moments)
    slider.set_value(slider.options[0]).run()
    first = found.moments[0]
    said = " ".join(each.proto.body for each in page.get("html"))
    assert f"{first.instant.recording_s:.1f} s: off by {first.off_percent:.1f} ± " in said
    assert f"at most {worst.off_percent:.1f} %, at {worst.instant.recording_s:.2f} s" in said


def test_what_does_not_tell_is_said_without_the_folder_it_was_read_in(flight: Flight, clips):
    once = _given(clips[0], "flight.mp4")
    outcome = _check(pairing_of(flight), once, replace(once, content=lambda: b"no clip"))
    assert isinstance(outcome, Outcome) and outcome.found is None
    assert outcome.fault.startswith("flight.mp4: is not a video that can be read")


def test_it_can_be_stopped(flight: Flight, clips):
    def stop(words: str) -> None:
        if "Reading" in words:
            raise Stopped

    with pytest.raises(Stopped), heard(stop):
        _check(pairing_of(flight), *(_given(path, path.name) for path in clips))
