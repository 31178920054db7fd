"""What a worked-out flight day holds: values that the card, the screen and the page show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.compare.props import PropsReport
from framematch.day.given import Day
from framematch.flight import attitude, fall, ground, power, shots
from framematch.guide.report import Report
from framematch.optics import exposure

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class AtSpeed:
    """Pitch and horizon at one speed with the tilt that was chosen."""

    speed_m_s: float
    pitch_deg: float
    recording_percent: float
    monitoring_percent: float


@dataclass(frozen=True, kw_only=True)
class Tilts:
    """The tilt for the planned speed, the horizon over the speed range and with the tilt that is there now,
    and what of the airframe shows in the frame."""

    planned: attitude.Tilt
    pitch_deg: float
    horizon_percent: float
    over_range: tuple[AtSpeed, ...]
    now: AtSpeed | None
    now_deg: float | None
    props: PropsReport | None


@dataclass(frozen=True, kw_only=True)
class Endurance:
    """Power and minutes down to the reserve; ``now`` is all up with the day's pack."""

    rig: power.Rig
    pack: power.Pack
    density_kg_m3: float
    hover: power.Power
    minutes: tuple[tuple[str, float], ...]
    fitted: bool


@dataclass(frozen=True, kw_only=True)
class Light:
    """Stop and filter, and what the picture is like with them. Distances in metres from the recording lens."""

    found: exposure.Exposure
    chosen: exposure.Setting | None
    wanted_f_number: float
    t_stop: float
    shutter_deg: float
    rate_fps: float
    flicker: exposure.FlickerFree | None
    sharp_from_m: float
    sharp_to_m: float
    circle_um: float
    airy_um: float
    blur_percent: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True)
class PersonAt:
    """One person or camera: where in the fall areas, how far from the run, where in shot."""

    name: str
    at_m: tuple[float, float]
    in_picture: bool
    in_straight: bool
    in_round: bool
    clear_m: float
    seen: ground.InShot | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Distances:
    """Fall areas, people and walls in plan."""

    run_m: Floats
    points: tuple[fall.FallPoint, ...]
    areas: ground.FallAreas
    people: tuple[PersonAt, ...]
    walls: tuple[Floats, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class DayPlan:
    """All that the card says. A part is None where the day file does not give what it needs.

    ``impossible``: why the day can't be flown as written. ``warnings``: what to look at first.
    ``unknown``: what was not worked out, and which table would.
    """

    day: Day
    report: Report
    tilts: Tilts | None
    endurance: Endurance | None
    flights: shots.FlightPlan | None
    runs_out: tuple[str, int] | None
    card_minutes: float | None
    light: Light | None
    distances: Distances | None
    impossible: tuple[str, ...]
    warnings: tuple[str, ...]
    unknown: tuple[str, ...]
