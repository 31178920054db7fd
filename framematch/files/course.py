"""The tables of a flight that leans: ``[path]`` with ``[[path.point]]`` or a log, and ``[flying]``."""

from __future__ import annotations

import pathlib
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from framematch.errors import InputError
from framematch.files.flight_log import read_flight_log
from framematch.files.pairing_tables import Number
from framematch.flight.attitude import drag_area_from_log
from framematch.shot.flown import Course
from framematch.shot.lean import GRAVITY_M_S2, Flying, wind_from
from framematch.shot.path import Heading, Path
from framematch.shot.place import FARTHEST_M
from framematch.shot.shot import Shot
from framematch.shot.timing import refuse_beyond, timed
from framematch.text.toml import Table, nearest_word

Far = Annotated[Number, Field(ge=-FARTHEST_M, le=FARTHEST_M)]
Text = Annotated[str, Field(min_length=1, max_length=60)]


class LoggedPitchTable(Table):
    speed_m_s: Annotated[Number, Field(gt=0, le=100)] = Field(description="level airspeed, metres per second")
    pitch_deg: Annotated[Number, Field(gt=0, lt=80)] = Field(description="nose-down pitch seen at it, degrees")


class FlyingTable(Table):
    mass_kg: Annotated[Number, Field(gt=0, le=200)] = Field(default=1.0, description="all up, kg")
    drag_area_m2: Annotated[Number, Field(ge=0, le=5)] | None = Field(default=None, description="drag coefficient times area, m2; 0 if left out")
    logged_pitch: LoggedPitchTable | None = Field(default=None, description="one speed and the pitch seen at it, in place of drag_area_m2")
    density_kg_m3: Annotated[Number, Field(ge=0.3, le=1.6)] = Field(default=1.225, description="of the air")
    wind_m_s: Annotated[Number, Field(ge=0, le=60)] = Field(default=0.0, description="level wind, metres per second")
    wind_from_deg: Number = Field(default=0.0, description="where it comes from, degrees right of -Z")
    off_percent: dict[Literal["mass", "drag"], Annotated[Number, Field(ge=0, le=100)]] = Field(
        default_factory=dict, description="{ mass, drag } 95 % half-widths in percent, where they are guesses"
    )
    tilt_off_deg: Annotated[Number, Field(ge=0, le=30)] = Field(default=0.0, description="95 % half-width of the camera's tilt on the airframe")
    wind_off_m_s: Annotated[Number, Field(ge=0, le=30)] = Field(default=0.0, description="95 % half-width of the wind, each way")
    lean_deg: Annotated[Number, Field(ge=1, lt=90)] = Field(default=45.0, description="the most it is to lean")
    acceleration_m_s2: Annotated[Number, Field(gt=0, le=100)] = Field(default=8.0, description="the most it is to speed up, brake or turn by")
    jerk_m_s3: Annotated[Number, Field(gt=0, le=1000)] = Field(default=30.0, description="the most that may change by in a second")
    max_lift_kg: Annotated[Number, Field(gt=0, le=1000)] | None = Field(default=None, description="thrust of all rotors at full throttle, kg")
    turn_deg_s: Annotated[Number, Field(gt=0, le=3600)] | None = Field(default=None, description="the most it is to turn by in a second")


class PointTable(Table):
    at_m: tuple[Far, Far, Far] | None = Field(default=None, description="[x, y, z] in the scene, metres")
    opening: Annotated[int, Field(ge=1, le=12)] | None = Field(default=None, description="the number of an opening, whose middle is flown through")
    speed_m_s: Annotated[Number, Field(ge=0, le=100)] | None = Field(default=None, description="metres per second there; 0 for a stop")
    time_s: Annotated[Number, Field(ge=0, le=3600)] | None = Field(default=None, description="when it is there, in place of speeds")


class PathTable(Table):
    point: Annotated[tuple[PointTable, ...], Field(max_length=200)] = Field(default=(), description="the points in the order flown")
    log: Annotated[str, Field(min_length=1, max_length=300)] | None = Field(default=None, description="a flight log (CSV) beside this file, in place of points")
    heading_deg: Number | None = Field(default=None, description="held; along the path if left out")
    towards: Text | None = Field(default=None, description="name of a subject that the nose is turned to")


def flying_of(table: FlyingTable) -> Flying:
    """Mass, drag, wind and limits as a value."""
    logged, drag = table.logged_pitch, table.drag_area_m2 or 0.0
    if logged is not None:
        if table.drag_area_m2 is not None:
            raise InputError("give either drag_area_m2 or logged_pitch", field="logged_pitch", fix="leave one of them out")
        drag = drag_area_from_log(mass_kg=table.mass_kg, density_kg_m3=table.density_kg_m3, airspeed_m_s=logged.speed_m_s, pitch_deg=logged.pitch_deg)
    return Flying(
        mass_kg=table.mass_kg,
        drag_area_m2=drag,
        density_kg_m3=table.density_kg_m3,
        wind_m_s=wind_from(speed_m_s=table.wind_m_s, from_deg=table.wind_from_deg),
        mass_percent=table.off_percent.get("mass", 0.0),
        drag_percent=table.off_percent.get("drag", 0.0),
        tilt_deg=table.tilt_off_deg,
        wind_off_m_s=table.wind_off_m_s,
        lean_deg=table.lean_deg,
        acceleration_m_s2=table.acceleration_m_s2,
        jerk_m_s3=table.jerk_m_s3,
        thrust_n=None if table.max_lift_kg is None else table.max_lift_kg * GRAVITY_M_S2,
        turn_deg_s=table.turn_deg_s,
    )


def course_of(table: PathTable, shot: Shot, *, folder: pathlib.Path | None = None) -> Course:
    """The path through the points, or the log.

    Args:
        shot: whose openings, subjects and aircraft it is for.
        folder: where a log has to be.
    """
    if (table.log is None) == (not table.point):
        raise InputError("give either points or a log", field="point", fix='add [[path.point]] tables, or log = "FILE.csv"')
    if table.log is not None:
        return read_flight_log(beside(table.log, folder, field="log"))
    heading = Heading(held_deg=table.heading_deg, towards_m=None if table.towards is None else _subject_m(shot, table.towards))
    points = [_point_m(shot, i, each) for i, each in enumerate(table.point, 1)]
    times, speeds = [p.time_s for p in table.point], [p.speed_m_s for p in table.point]
    if any(t is not None for t in times):
        if any(t is None for t in times):
            raise InputError("some points have a time and some have none", field="point", fix="give time_s for every point, or for none")
        start, end = speeds[0] or 0.0, speeds[-1] or 0.0
        if any(s is not None for s in speeds[1:-1]):
            raise InputError("points between the ends have a speed and a time", field="point", fix="give one of them")
        path = Path(points_m=np.array(points), times_s=np.array(times, dtype=np.float64), start_m_s=start, end_m_s=end, heading=heading)
        return refuse_beyond(path, shot.flying)
    usual = shot.run.speed_m_s
    return timed(points, [usual if s is None else s for s in speeds], flying=shot.flying, heading=heading)


def _point_m(shot: Shot, number: int, point: PointTable) -> tuple[float, float, float]:
    if (point.at_m is None) == (point.opening is None):
        raise InputError("give either at_m or opening", field=f"point.{number}", fix="at_m = [x, y, z], or the number of an opening")
    if point.at_m is not None:
        return point.at_m
    assert point.opening is not None
    if point.opening > len(shot.openings):
        raise InputError(f"there is no opening {point.opening}", field=f"point.{number}.opening", fix=f"give 1 to {len(shot.openings)}")
    opening = shot.openings[point.opening - 1]
    x, y, z = opening.scene_from_opening.points([0.0, 0.0, opening.thickness_m / 2])
    return float(x), float(y), float(z)


def _subject_m(shot: Shot, name: str) -> tuple[float, float, float]:
    for subject in shot.subjects:
        if subject.name == name:
            x, y, z = shot.opening.scene_from_opening.points(subject.points_m(shot.opening)[1])
            return float(x), float(y), float(z)
    raise InputError(f"there is no subject {name!r}", field="towards", fix=nearest_word(name, [s.name for s in shot.subjects], "use one of"))


def beside(name: str, folder: pathlib.Path | None, *, field: str) -> pathlib.Path:
    """A file that a table names, in the table's own folder or below it.

    Raises:
        InputError: it leads elsewhere, or there is no folder to look in.
    """
    if folder is None:
        raise InputError("names a file, which can't be read from here", field=field, fix="use one of our scenes here, or the command line with the file")
    path = (folder / name).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise InputError(f"{name!r} leads outside the file's folder", field=field, fix="keep the file beside this one")
    return path
