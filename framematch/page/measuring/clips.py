"""A flight judged from its two clips: how far the guide was off over time, with the pictures of every moment."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from framematch.clips.shake import Shake, shake_of
from framematch.clips.shake_report import shake_sentences
from framematch.clips.take import NAMES, clip_values
from framematch.clips.together import Together, check_clips
from framematch.clips.together_report import AXES, clip_csv, clip_sentences
from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres, signed
from framematch.output.clips_chart import off_chart
from framematch.output.svg import drawing_svg
from framematch.page.long_work import awaited
from framematch.page.look import CHART, Colours, block, drawing, paragraph
from framematch.page.measuring.found import jpeg
from framematch.page.measuring.show import fault, held_with, lines, plain, remembered, use, whole
from framematch.page.measuring.uploads import Given, clip
from framematch.page.patience import Pulse
from framematch.progress import step
from framematch.render.clips_film import moment_pictures
from framematch.render.keep import Kept

_TAKES = {"aim": "aim", "tolerance": "tolerance, flex in it", "wander": "wander of the stabiliser", "keep": "kept percentage"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """What came of two clips: the flight with each moment's two frames as a JPEG file, or a fault."""

    found: Together | None = None
    shake: Shake | None = None
    pictures: tuple[bytes, ...] = ()
    fault: str = ""


_kept: Kept[Outcome] = Kept(limit_bytes=48_000_000, size=lambda o: 200_000 + sum(map(len, o.pictures)))


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """Two clips in, the curve of the flight out."""
    st.html(
        block(
            paragraph(
                "Both clips of one flight, uncut, half a minute or so in which the rig pans, tilts and rolls: the recording camera's with its "
                "stabiliser off, and the goggles' recording or the monitoring camera's own. They are read here and kept nowhere. "
                "Longer ones: framematch check.",
                "quiet",
            )
        )
    )
    left, right = st.columns(2)
    with left:
        recording = clip("Recorded clip", "measure:rc", "As the camera wrote it, its stabiliser off.")
    with right:
        monitoring = clip("Monitoring clip", "measure:mc", "The goggles' recording, or the monitoring camera's own.")
    if recording is None or monitoring is None:
        return
    mine = (recording.digest, monitoring.digest)
    before = held_with("clips", mine, pairing)
    key = (recording.name, monitoring.name, *mine, before)
    outcome = awaited(("clips", key), lambda: _kept.get(key, lambda: _check(before, recording, monitoring)), pulse)
    if outcome.found is None:
        fault(f"Can't tell: {outcome.fault}")
        return
    _say(outcome.found, outcome.shake, outcome.pictures, colours, mine=recording.digest + monitoring.digest)


def _check(pairing: Pairing, recording: Given, monitoring: Given) -> Outcome:
    from PIL import Image

    def told(what: str, done: int, expected: int) -> None:
        step(f"{what}: {done} of {expected}" if expected else f"{what}: {done}")

    with tempfile.TemporaryDirectory(prefix="framematch-") as folder:
        paths = []
        for side, given in (("r", recording), ("m", monitoring)):
            (Path(folder) / side).mkdir()
            paths.append(Path(folder) / side / Path(given.name).name)
            paths[-1].write_bytes(given.content())
        try:
            found = check_clips(pairing, paths[0], paths[1], told=told)
            step("Drawing every moment")
            pictures = tuple(jpeg(Image.fromarray(picture)) for picture in moment_pictures(found, (paths[0], paths[1])))
        except InputError as error:
            return Outcome(fault=str(error).replace(f"{folder}/r/", "").replace(f"{folder}/m/", ""))
    try:
        return Outcome(found=found, shake=shake_of(found.recording, found.rig), pictures=pictures)
    except InputError:
        return Outcome(found=found, pictures=pictures)


def _say(found: Together, shake: Shake | None, pictures: tuple[bytes, ...], colours: Colours, *, mine: str) -> None:
    first, *rest = dict.fromkeys([*clip_sentences(found), *(shake_sentences(shake) if shake else [])])
    st.html(block(paragraph(first, "big") + lines([plain(line) for line in found.checked.warnings])))
    moments = found.moments
    worst = max(range(len(moments)), key=lambda i: moments[i].off_percent)
    times = [f"{m.instant.recording_s:.2f} s" for m in moments]
    chosen = remembered(f"measure:clips:{mine}", times[worst], lambda key: st.select_slider("Moment", times, key=key))
    index = times.index(chosen)
    m = moments[index]
    says = f"{m.instant.recording_s:.1f} s: off by {m.off_percent:.1f} ± {m.off_95_percent:.1f} % at {metres(m.distance_m)}; " + ", ".join(
        f"{name} {signed(value, 2)}°" for name, value in zip(AXES, m.aim_deg, strict=True)
    )
    chart = drawing_svg(off_chart(found, look=colours.chart, size=CHART, at=index, colour=colours.series[0]))
    st.html(
        block(
            drawing(chart, f"How far the guide was off over the flight: at most {moments[worst].off_percent:.1f} %, at {times[worst]}")
            + whole(pictures[index], says, "The monitoring frame with the guide as flown and the true frame, beside the recorded frame")
            + "".join(paragraph(line, "quiet") for line in rest)
        )
    )
    st.download_button("Every moment's figures (CSV)", clip_csv(found), "flight.csv", "text/csv", key="measure:clips:csv")
    names = st.multiselect("Take over", NAMES, ("aim", "tolerance"), format_func=_TAKES.__getitem__, key="measure:clips:take")
    if names:
        try:
            use("Use these in the pairing", "measure:clips:use", "mount.aim_deg", clip_values(found, shake, tuple(names)))
        except InputError as error:
            fault(error)
