"""What a flight day is worked out from, as plain values; ``files/day.py`` fills them from a day file.

Whatever is None or empty was not told; the card then says what it can't know.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.shot.aircraft import Part, Prop
from framematch.shot.shot import Shot

Style = Literal["light", "hard"]


@dataclass(frozen=True, kw_only=True)
class LoggedPitch:
    """Nose-down pitch seen at one level airspeed."""

    speed_m_s: float
    pitch_deg: float


@dataclass(frozen=True, kw_only=True)
class LoggedFlight:
    """One flight from take-off to landing; ``mass_kg`` all up, what is None as it is today."""

    minutes: float
    mass_kg: float
    used_percent: float = 80.0
    energy_wh: float | None = None
    speed_m_s: float = 0.0
    style: Style = "light"
    altitude_m: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True, kw_only=True)
class DayAircraft:
    """What flies; ``mass_kg`` without the pack, ``span_m`` tip to tip, ``camera_tilt_deg`` as it is now, + up."""

    mass_kg: float
    rotors: int = 4
    coaxial: bool = False
    prop_diameter_m: float
    span_m: float = 0.6
    drag_area_m2: float = 0.05
    logged_pitch: LoggedPitch | None = None
    max_lift_kg: float | None = None
    figure_of_merit: float = 0.65
    drive_efficiency: float = 0.8
    interference: float | None = None
    accessories_w: float = 0.0
    camera_tilt_deg: float | None = None
    logged_flight: LoggedFlight | None = None
    props: tuple[Prop, ...] = ()
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DayPack:
    """The battery pack: its energy, or its cells (in series) and capacity."""

    mass_kg: float
    cells: int | None = None
    capacity_ah: float | None = None
    cell_v: float = 3.7
    energy_wh: float | None = None
    owned: int | None = None
    reserve_percent: float = 20.0
    max_discharge_c: float = 50.0


@dataclass(frozen=True, kw_only=True)
class DayAir:
    """Height above sea level, air, wind; ``headwind_m_s`` + against the run, ``temperature_c`` None for the standard one."""

    altitude_m: float = 0.0
    temperature_c: float | None = None
    headwind_m_s: float = 0.0
    gust_m_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class DayRun:
    """The run over ground; ``points_m`` are (right, ahead, height above ground), ``horizon_percent`` 0 at the frame's bottom."""

    speed_m_s: float
    speed_range_m_s: tuple[float, float] | None = None
    slope_deg: float = 0.0
    horizon_percent: float = 50.0
    points_m: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, kw_only=True)
class DayExposure:
    """Light (by name, or metered as ``ev100``), camera and filters (``nd``: densities owned)."""

    iso: float
    f_number_range: tuple[float, float]
    light: str | None = None
    ev100: float | None = None
    rate_fps: float = 24.0
    shutter_deg: float = 180.0
    f_number: float | None = None
    loss_stops: float = 0.0
    nd: tuple[float, ...] = ()
    most_filters: int = 1
    mains_hz: Literal[50, 60] | None = None


@dataclass(frozen=True, kw_only=True)
class DayCard:
    """The camera's card: its size, and the recording mode's rate or bits for each pixel."""

    capacity_gb: float
    data_rate_mbit_s: float | None = None
    bits_per_pixel: float | None = None
    usable_percent: float = 95.0
    owned: int | None = None
    before_takeoff_s: float = 60.0


@dataclass(frozen=True, kw_only=True)
class Takes:
    """Takes of one shot, in a row; ``speed_m_s`` None for the run's."""

    name: str
    take_s: float
    takes: int = 1
    reset_s: float = 20.0
    style: Style = "light"
    speed_m_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Person:
    """A person or camera at (right, ahead) in plan; ``in_picture`` if meant to be in shot."""

    name: str
    at_m: tuple[float, float]
    height_m: float = 1.75
    in_picture: bool = False


@dataclass(frozen=True, kw_only=True)
class Wall:
    """A line of (right, ahead) drawn in the plan."""

    line_m: tuple[tuple[float, float], ...]
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class DayPlace:
    """What stands there: a place known by name or a mesh file; the lowest ground nearby; what is added where it could come down."""

    scene: str | None = None
    mesh: Path | None = None
    walls: tuple[Wall, ...] = ()
    ground_m: float = 0.0
    margin_m: float = 2.0


@dataclass(frozen=True, kw_only=True)
class Day:
    """A flight day with the rig's pairing, and the shot where there is one.

    Args:
        units: ``metric`` or ``imperial``, as the card shows them.
        transit_s: out to the start and back to land, together.
    """

    pairing: Pairing
    shot: Shot | None = None
    name: str = ""
    units: str = "metric"
    aircraft: DayAircraft | None = None
    pack: DayPack | None = None
    air: DayAir = field(default_factory=DayAir)
    run: DayRun | None = None
    exposure: DayExposure | None = None
    card: DayCard | None = None
    transit_s: float = 40.0
    shots: tuple[Takes, ...] = ()
    people: tuple[Person, ...] = ()
    place: DayPlace = field(default_factory=DayPlace)

    @property
    def title(self) -> str:
        """The day's, or else the pairing's."""
        return self.name or self.pairing.title

    def flown_as(self, shot: Shot) -> Day:
        """The same day with a shot: its speed, the camera's tilt on its aircraft, its place and opening go before what the day says of them."""
        craft = self.aircraft
        if craft is not None and shot.aircraft is not None:
            craft = replace(craft, camera_tilt_deg=shot.aircraft.camera_tilt_deg)
        run = replace(self.run, speed_m_s=shot.run.speed_m_s) if self.run else DayRun(speed_m_s=shot.run.speed_m_s)
        return replace(self, shot=shot, run=run, aircraft=craft)

    def shown_in(self, system: str | None) -> Day:
        """The same day shown in ``metric`` or ``imperial`` units; None leaves it as the file says.

        Raises:
            InputError: another word.
        """
        if system is None:
            return self
        if system not in ("metric", "imperial"):
            raise InputError(f"{system!r} is not a system of units", field="units", fix="use metric or imperial")
        return replace(self, units=system)
