"""A film of the run, made while the visitor waits, who may stop it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import streamlit as st

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.page import lines, session
from framematch.page.files_made import made, stem
from framematch.page.long_work import awaited
from framematch.page.look import block, paragraph
from framematch.page.measuring.show import ask
from framematch.page.patience import Pulse
from framematch.page.pictures import built
from framematch.progress import step
from framematch.render.keep import Kept
from framematch.scene.model import Scene
from framematch.shot.shot import Shot
from framematch.shot.way import Straight

RUN_FROM_M, RUN_TO_M = 8.0, -3.0
_films: Kept[bytes] = Kept(limit_bytes=32_000_000, size=len, name="films of the run")


def show(pairing: Pairing, pulse: Pulse) -> None:
    """The button that makes it, and the film itself once it is there."""
    about = "For whoever is not at the location: both views side by side with the guide, true to time."
    st.html(block("<h2>Film of the run (MP4)</h2>" + paragraph(about, "quiet")))
    if importlib.util.find_spec("av") is None:
        st.html(block(paragraph("A film needs the package av beside framematch.", "quiet")))
        return
    shot, sets = session.draft().shot, lines.sets_chosen(pairing)
    key = ("film", pairing, shot, sets)
    if ask("film", key, "Make the film", about="Some seconds for a short run; it can be stopped.", now=True) is None:
        return
    try:
        film = awaited(key, lambda: _films.get(key, lambda: film_bytes(pairing, shot, sets)), pulse)
    except InputError as error:
        st.html(block(paragraph(f"No film: {error}", "fault")))
        return
    st.video(film, format="video/mp4")
    st.download_button("Film (MP4)", film, f"{stem(pairing)}-run.mp4", "video/mp4", key="exchange:film", on_click="ignore")


def film_bytes(pairing: Pairing, shot: Shot, sets: int) -> bytes:
    """The film: the command line's own."""
    from framematch.compare.along import first_touch
    from framematch.render.run_frames import Filming, frame_times, run_frames
    from framematch.render.video import write_video
    from framematch.shot.contact import Surfaces

    scene, filming = built(shot), Filming(sets=sets)
    flown, surface = shot.flown, scene.surface
    way = flown or straight(scene, shot)
    touches = None if flown is None else first_touch(flown, shot.aircraft, Surfaces(vertices_m=surface.vertices, faces=surface.faces))
    count = len(frame_times(way, filming.frames_per_s))
    step(f"Frame 1 of {count}")

    def write(path: Path) -> None:
        frames = run_frames(scene, pairing, way, filming, touches=touches)
        write_video(path, frames, frames_per_s=filming.frames_per_s, progress=lambda n: step(f"Frame {min(n + 1, count)} of {count}"))

    return made(write, "run.mp4")


def straight(scene: Scene, shot: Shot) -> Straight:
    """The straight run as the page films and exports it."""
    return Straight(scene_from_opening=scene.scene_from_opening, run=shot.run, from_m=RUN_FROM_M, to_m=RUN_TO_M)
