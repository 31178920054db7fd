"""Where the shot is flown and who stands there: our places by name, an own scan, its opening, subjects, the points of a path."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from framematch.page import fields, handed, placing, scans, session
from framematch.page.look import block, paragraph
from framematch.scene.mesh_checks import SUFFIXES
from framematch.scene.places import FILES
from framematch.shot.shot import Shot

UPLOAD, OWN = "where:upload", "own scan"
SUBJECT: dict[str, Any] = {"name": "Subject", "height_m": 1.75, "beyond_m": 4.0, "right_m": 0.0}


def place() -> None:
    """Our places by name, or a scan with its opening."""
    file = session.draft().shot_file.place
    own = file is not None and file.file is not None
    scenes, upload = st.columns([1, 1.6])
    with scenes:
        now = OWN if own else (file.scene if file and file.scene else session.draft().shot.place.scene)
        fields.choice(
            "place.scene",
            "Place",
            {**{name: name for name in FILES}, **({OWN: OWN} if own else {})},
            now,
            "Each of ours has an opening of its own; its size can be changed below.",
            scene_changes,
        )
    with upload:
        st.file_uploader(
            f"Or your own scan ({', '.join(s[1:].upper() for s in SUFFIXES)}, up to {scans.MOST_MB} MB)",
            type=[s[1:] for s in SUFFIXES],
            key=UPLOAD,
            max_upload_size=scans.MOST_MB,
            on_change=_uploaded,
            help="Metres and +Y up unless you say otherwise below. It is kept while this page is served, and only for whoever has it.",
        )
    fields.fault("place.file")
    if own:
        _opening()


def scene_changes(name: str) -> dict[str, Any]:
    """What one of our places means in a pairing's text: its own opening too."""
    return {} if name == OWN else {"place": {"scene": name}, "gap": None, "opening": None}


def _uploaded() -> None:
    def use(held: UploadedFile) -> str:
        session.change("place.file", scans.changes(scans.kept(held.name, held.getvalue())))
        return f"Loaded {held.name}. Say where its opening is: look from outside and click two of its corners, or type its middle."

    handed.take(UPLOAD, use)


def _opening() -> None:
    key = placing.opening_key()
    opening, file = session.draft().shot.opening, session.draft().shot_file.place
    middle, heading, scale, up = st.columns([1.6, 1, 1, 1])
    with middle:
        now = _with_commas(opening.middle_m or (0.0, 0.0, 0.0))
        about = "In the scene: x right, y up, z back. Or look from outside and click two opposite corners; or move it in the plan."
        fields.numbers(f"{key}.middle_m", "Middle of the opening: x, y, z in", now, about, count=3, unit="m")
    with heading:
        fields.number(fields.HEADING)
    with scale:
        fields.number(fields.SCALE)
    with up:
        fields.choice("place.up", "Scan's upward axis", {"y": "y", "z": "z"}, file.up if file else "y", "z in many scanners' files.", lambda v: {"place.up": v})


def subjects() -> None:
    """Who the run passes."""
    found = session.draft().shot_file.subject
    for i, subject in enumerate(found):
        name, *rest = st.columns([1.4, 1, 1, 1])
        with name:
            fields.text(f"subject.{i}.name", f"Subject {i + 1}", subject.name, "Who, as the tables call them.", most=60)
        for column, field in zip(rest, _of_subject(i), strict=True):
            with column:
                fields.number(field)
    _more("subject", "subject", [each.model_dump(exclude_unset=True) for each in found], lambda n: {**SUBJECT, "name": f"Subject {n}"})


def _of_subject(i: int) -> tuple[fields.Field, ...]:
    def one(name: str, label: str, low: float, high: float, about: str) -> fields.Field:
        def read(shot: Shot) -> float:
            value: float = getattr(shot.subjects[i], name)
            return value

        return fields.Field(key=f"subject.{i}.{name}", read=read, label=label, about=about, low=low, high=high, step=0.1, of_shot=True)

    return (
        one("height_m", f"Height of subject {i + 1}, m", 0.1, 1000, "Feet to head."),
        one("beyond_m", f"Beyond the gap, subject {i + 1}, m", -1000, 1000, "Past its near face; minus for before it."),
        one("right_m", f"Right of middle, subject {i + 1}, m", -1000, 1000, "From the opening's middle; minus for left."),
    )


def path() -> None:
    """The points of a flown path, in place of a straight run."""
    course = session.draft().shot_file.path
    points = [each.model_dump(exclude_none=True) for each in course.point] if course else []
    if not points:
        st.html(block(paragraph("A straight run through the gap. Points make it a path: the aircraft then leans as it is flown.", "quiet")))
    for i, point in enumerate(points):
        where, speed = st.columns([2, 1])
        with where:
            if "opening" in point:
                st.html(block(paragraph(f"Point {i + 1}: through the middle of opening {point['opening']}")))
            else:
                now = _with_commas(point.get("at_m", (0, 0, 0)))
                fields.numbers(f"path.point.{i}.at_m", f"Point {i + 1}: x, y, z in", now, "In the scene: x right, y up, z back.", count=3, unit="m")
        with speed:
            fields.number(_speed_of(i))
    fields.fault("path.point")
    if points:
        _more("path.point", "point", points, lambda n: _beyond(points))
    else:
        st.button("Fly a path of points", key="where:path", on_click=session.change, args=("path", {"path": {"point": first_points()}}))


def first_points() -> list[dict[str, Any]]:
    """A path that flies the run at hand: from rest before the opening, through it, to rest behind it."""
    shot = session.draft().shot
    start, end = (shot.scene_from_recording(at).translation_m.tolist() for at in (8.0, -6.0))
    still: dict[str, Any] = {"speed_m_s": 0.0}
    return [{"at_m": _short(start), **still}, {"opening": 1, "speed_m_s": min(shot.run.speed_m_s, 4.0)}, {"at_m": _short(end), **still}]


def _with_commas(figures: Sequence[float]) -> str:
    return ", ".join(f"{value:g}" for value in figures)


def _short(point: Sequence[float]) -> list[float]:
    return [round(float(v), 2) for v in point]


def _beyond(points: Sequence[dict[str, Any]]) -> dict[str, Any]:
    x, y, z = points[-1].get("at_m", (0.0, 1.5, 0.0))
    return {"at_m": [x, y, z - 3.0], "speed_m_s": 0.0}


def _speed_of(i: int) -> fields.Field:
    def read(_shot: Shot) -> float | None:
        shot_file = session.draft().shot_file
        return shot_file.path.point[i].speed_m_s if shot_file.path and i < len(shot_file.path.point) else None

    label, about = f"Speed at point {i + 1}, m/s", "0 for a stop; the run's if empty."
    return fields.Field(key=f"path.point.{i}.speed_m_s", read=read, label=label, about=about, low=0, high=100, step=0.5, of_shot=True)


def _more(key: str, what: str, now: list[dict[str, Any]], entry: Callable[[int], dict[str, Any]]) -> None:
    article = "an" if what[0] in "aeiou" else "a"
    with st.container(horizontal=True):
        st.button(f"Add {article} {what}", key=f"where:add:{key}", on_click=session.change, args=(key, {key: [*map(_plain, now), entry(len(now) + 1)]}))
        if now:
            left = {key: list(map(_plain, now))[:-1]} if len(now) > 1 else {key.partition(".")[0]: None}
            st.button(f"Take the last {what} out", key=f"where:drop:{key}", on_click=session.change, args=(key, left))


def _plain(table: dict[str, Any]) -> dict[str, Any]:
    return {key: list(value) if isinstance(value, tuple) else value for key, value in table.items()}
