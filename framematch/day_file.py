"""Day files: TOML that names a pairing and says what is flown, on what, in what light.

Every figure is a number in its key's own unit, or text with another unit of the same kind:
``mass_kg = "7 lb 4 oz"``, ``speed_m_s = "25 mph"``. Every table but the pairing's name may be left
out; the card then says what it can't know.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import CoreSchema, core_schema

from framematch import exposure, units
from framematch.errors import InputError
from framematch.files import read_text
from framematch.gap.values import Plan
from framematch.gap_file import PartTable, PropTable, read_plan
from framematch.pairing import Pairing
from framematch.pairing_file import parse_pairing, parse_toml, read_pairing, validated
from framematch.scene.registry import FILES as SCENES


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True)
class _In:
    """A figure in a unit, or text with a unit of the same kind, from low to high."""

    unit: str
    low: float
    high: float

    def read(self, value: Any) -> float:
        figure = units.read(value, unit=self.unit)
        if not self.low <= figure <= self.high:
            raise InputError(f"{figure:g} {self.unit} is out of range", fix=f"give {self.low:g} to {self.high:g} {self.unit}")
        return figure

    def __get_pydantic_core_schema__(self, _source: Any, _handler: Any) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)


@dataclass(frozen=True)
class _Plain:
    """A plain number from low to high; text is refused, since it has no unit to bring."""

    low: float
    high: float
    whole: bool = False

    def read(self, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{value!r} is not a number", fix=f"give {self.low:g} to {self.high:g}")
        if not self.low <= value <= self.high:
            raise InputError(f"{value:g} is out of range", fix=f"give {self.low:g} to {self.high:g}")
        if self.whole and value != int(value):
            raise InputError(f"{value:g} is not a whole number", fix=f"give {self.low:g} to {self.high:g}")
        return int(value) if self.whole else float(value)

    def __get_pydantic_core_schema__(self, _source: Any, _handler: Any) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)


def _light(value: str) -> str:
    if value not in exposure.LIGHT_EV100:
        close = difflib.get_close_matches(value, exposure.LIGHT_EV100, n=1, cutoff=0.5)
        raise InputError(f"{value!r} is no light known here", fix=f"use {close[0]!r}" if close else f"use one of {', '.join(exposure.LIGHT_EV100)}")
    return value


def _density(value: Any) -> float:
    if isinstance(value, str):
        found = re.fullmatch(r"\s*(\d+\.?\d*|\.\d+)\s*stops?\s*", value)
        if found is None:
            raise InputError(f"{value!r} is no filter", fix='give a density such as 0.6, or "2 stops"')
        return float(exposure.density_of_stops(float(found[1])))
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 10:
        raise InputError(f"{value!r} is no density", fix='give a density such as 0.6, or "2 stops"')
    return float(value)


Metres = Annotated[float, _In("m", -10_000, 10_000)]
Millimetres = Annotated[float, _In("mm", -2000, 2000)]
Mass = Annotated[float, _In("kg", 0.01, 200)]
Speed = Annotated[float, _In("m/s", 0, 100)]
Seconds = Annotated[float, _In("s", 0, 7200)]
Degrees = Annotated[float, _In("deg", -90, 90)]
Altitude = Annotated[float, _In("m", -500, 9000)]
Temperature = Annotated[float, _In("C", -50, 55)]
Energy = Annotated[float, _In("Wh", 0.5, 20_000)]
Percent = Annotated[float, _Plain(0, 100)]
Count = Annotated[int, _Plain(0, 999, whole=True)]
FNumber = Annotated[float, _Plain(0.5, 128)]
Style = Literal["light", "hard"]
Name = Annotated[str, Field(min_length=1, max_length=80)]
Place = tuple[Metres, Metres]


class LoggedPitch(_Table):
    speed_m_s: Speed = Field(description="level airspeed, m/s")
    pitch_deg: Degrees = Field(description="nose-down pitch at that speed, degrees")


class LoggedFlight(_Table):
    minutes: Annotated[float, _In("min", 0.1, 600)] = Field(description="from take-off to landing")
    mass_kg: Mass = Field(description="all up, pack included, kg")
    used_percent: Percent = Field(default=80.0, description="share of the pack that it took")
    energy_wh: Energy | None = Field(default=None, description="of the pack flown, if another than [pack]")
    speed_m_s: Speed = Field(default=0.0, description="usual airspeed of that flight, m/s")
    style: Style = Field(default="light", description='"light" or "hard" flying')
    altitude_m: Altitude | None = Field(default=None, description="above sea level, if not today's")
    temperature_c: Temperature | None = Field(default=None, description="of the air, if not today's")


class AircraftTable(_Table):
    mass_kg: Mass = Field(description="ready to fly, without the pack, kg")
    rotors: Annotated[int, _Plain(1, 32, whole=True)] = Field(default=4, description="how many")
    coaxial: bool = Field(default=False, description="true if they sit in pairs, one above the other")
    prop_diameter_m: Annotated[float, _In("m", 0.02, 3)] = Field(description="of a propeller, m")
    span_m: Annotated[float, _In("m", 0.05, 10)] = Field(default=0.6, description="tip to tip, m")
    drag_area_m2: Annotated[float, _In("m2", 0.0001, 5)] = Field(default=0.05, description="drag coefficient times area, m2; a logged pitch is better")
    logged_pitch: LoggedPitch | None = Field(default=None, description="one speed and the pitch seen at it")
    max_lift_kg: Mass | None = Field(default=None, description="thrust of all rotors at full throttle, kg")
    figure_of_merit: Annotated[float, _Plain(0.1, 1)] = Field(default=0.65, description="ideal over real rotor power")
    drive_efficiency: Annotated[float, _Plain(0.1, 1)] = Field(default=0.8, description="shaft over battery power")
    interference: Annotated[float, _Plain(1, 2)] | None = Field(default=None, description="kappa of coaxial pairs, 1 to 2")
    accessories_w: Annotated[float, _In("W", 0, 5000)] = Field(default=0.0, description="camera, video link, lights, W")
    camera_tilt_deg: Degrees | None = Field(default=None, description="of the recording camera on the airframe as it is now, + up")
    logged_flight: LoggedFlight | None = Field(default=None, description="one flight as logged")
    prop: tuple[PropTable, ...] = Field(default=(), max_length=16, description="the props, as in a gap's [[aircraft.prop]]")
    part: tuple[PartTable, ...] = Field(default=(), max_length=32, description="parts of the airframe, as in a gap's [[aircraft.part]]")


class PackTable(_Table):
    cells: Annotated[int, _Plain(1, 60, whole=True)] | None = Field(default=None, description="in series")
    capacity_ah: Annotated[float, _In("Ah", 0.05, 500)] | None = Field(default=None, description="amp hours")
    cell_v: Annotated[float, _Plain(1, 5)] = Field(default=3.7, description="nominal volts of a cell")
    energy_wh: Energy | None = Field(default=None, description="watt hours, in place of cells and capacity")
    mass_kg: Mass = Field(description="of one pack, kg")
    owned: Count | None = Field(default=None, description="how many charged packs are there")
    reserve_percent: Percent = Field(default=20.0, description="what stays in the pack at landing")
    max_discharge_c: Annotated[float, _Plain(1e-6, 500)] = Field(default=50.0, description="discharge rating, C")

    @model_validator(mode="after")
    def _energy_given(self) -> PackTable:
        by_cells = self.cells is not None and self.capacity_ah is not None
        if by_cells == (self.energy_wh is not None) or (self.cells is None) != (self.capacity_ah is None):
            raise InputError("give either cells and capacity_ah, or energy_wh", field="cells", fix="for example cells = 6 and capacity_ah = 4.5")
        return self


class AirTable(_Table):
    altitude_m: Altitude = Field(default=0.0, description="of the place above sea level, m")
    temperature_c: Temperature | None = Field(default=None, description="of the air; the standard one for the altitude if left out")
    headwind_m_s: Annotated[float, _In("m/s", -40, 40)] = Field(default=0.0, description="along the run, + against it, m/s")
    gust_m_s: Annotated[float, _In("m/s", 0, 60)] = Field(default=0.0, description="strongest wind from any side, m/s")


class RunTable(_Table):
    speed_m_s: Speed = Field(description="over ground on the run, m/s")
    speed_range_m_s: tuple[Speed, Speed] | None = Field(default=None, description="slowest and fastest on the run, m/s")
    slope_deg: Degrees = Field(default=0.0, description="of the path, + climbing; from points_m if they are given")
    horizon_percent: Percent = Field(default=50.0, description="height of the horizon in the frame, 0 bottom edge, 100 top edge")
    points_m: tuple[tuple[Metres, Metres, Metres], ...] = Field(default=(), max_length=200, description="[right, ahead, height above ground] along the run")


class ExposureTable(_Table):
    light: Annotated[str, AfterValidator(_light)] | None = Field(default=None, description="the light by name; ev100 from a meter is better")
    ev100: Annotated[float, _Plain(-10, 20)] | None = Field(default=None, description="the scene's EV at ISO 100, from a meter")
    iso: Annotated[float, _Plain(1, 1_000_000)] = Field(description="exposure index")
    rate_fps: Annotated[float, _Plain(1, 2000)] = Field(default=24.0, description="frames a second")
    shutter_deg: Annotated[float, _Plain(1, 360)] = Field(default=180.0, description="shutter angle")
    f_number: FNumber | None = Field(default=None, description="wanted stop; the pairing's if left out")
    f_number_range: tuple[FNumber, FNumber] = Field(description="widest and smallest opening of the lens; twice the same if it is fixed")
    loss_stops: Annotated[float, _Plain(0, 4)] = Field(default=0.0, description="T-stop over f-number, in stops")
    nd: tuple[Annotated[float, BeforeValidator(_density)], ...] = Field(default=(), max_length=24, description='filters owned: densities, or "2 stops"')
    most_filters: Annotated[int, _Plain(0, 3, whole=True)] = Field(default=1, description="how many may be stacked")
    mains_hz: Literal[50, 60] | None = Field(default=None, description="of lamps in the scene, 50 or 60")

    @model_validator(mode="after")
    def _light_given(self) -> ExposureTable:
        if (self.light is None) == (self.ev100 is None):
            raise InputError("give either light or ev100", field="light", fix=f"ev100 from a meter, or one of {', '.join(exposure.LIGHT_EV100)}")
        return self


class CardTable(_Table):
    capacity_gb: Annotated[float, _Plain(1e-6, 100_000)] = Field(description="as printed on the card")
    data_rate_mbit_s: Annotated[float, _Plain(1e-6, 100_000)] | None = Field(default=None, description="of the recording mode")
    bits_per_pixel: Annotated[float, _Plain(1e-6, 96)] | None = Field(default=None, description="in place of a data rate")
    usable_percent: Annotated[float, _Plain(1e-6, 100)] = Field(default=95.0, description="what is left for pictures")
    owned: Count | None = Field(default=None, description="how many empty cards are there")
    before_takeoff_s: Seconds = Field(default=60.0, description="the camera runs so long before take-off")

    @model_validator(mode="after")
    def _rate_given(self) -> CardTable:
        if (self.data_rate_mbit_s is None) == (self.bits_per_pixel is None):
            raise InputError("give either data_rate_mbit_s or bits_per_pixel", field="data_rate_mbit_s", fix="for example data_rate_mbit_s = 800")
        return self


class FlightsTable(_Table):
    transit_s: Seconds = Field(default=40.0, description="out to the start and back to land, together, s")


class ShotTable(_Table):
    name: Name = Field(description="what the crew calls it")
    takes: Annotated[int, _Plain(1, 200, whole=True)] = Field(default=1, description="how many")
    take_s: Seconds = Field(description="length of one take, s")
    reset_s: Seconds = Field(default=20.0, description="back to the start for the next take, s")
    style: Style = Field(default="light", description='"light" or "hard" flying')
    speed_m_s: Speed | None = Field(default=None, description="if not the run's, m/s")

    @model_validator(mode="after")
    def _takes_time(self) -> ShotTable:
        if self.take_s <= 0:
            raise InputError("0 s is no take", field="take_s", fix="give seconds above 0")
        return self


class PersonTable(_Table):
    name: Name = Field(description="who, or which camera")
    at_m: Place = Field(description="[right, ahead] in plan")
    height_m: Annotated[float, _In("m", 0.2, 5)] = Field(default=1.75, description="feet to head, m")
    in_picture: bool = Field(default=False, description="true if meant to be in shot")


class WallTable(_Table):
    name: Annotated[str, Field(max_length=80)] = Field(default="", description="written beside it")
    line_m: tuple[Place, ...] = Field(min_length=2, max_length=500, description="[right, ahead] along it")


class PlaceTable(_Table):
    scene: str | None = Field(default=None, min_length=1, description="a scene by name or a mesh file beside this one; drawn where the run's height cuts it")
    walls: tuple[WallTable, ...] = Field(default=(), max_length=200, description="drawn in the plan")
    ground_m: Annotated[float, _In("m", -500, 0)] = Field(default=0.0, description="height of the lowest ground nearby, 0 or below, m")
    margin_m: Annotated[float, _In("m", 0, 200)] = Field(default=2.0, description="added around where it could come down, m")


class DayFile(_Table):
    title: Annotated[str, Field(max_length=200)] = Field(default="", description="what the day is called")
    pairing: str = Field(min_length=1, description="the pairing's file, beside this one")
    gap: str | None = Field(default=None, min_length=1, description="a file with the gap's tables, if they are not in the pairing's")
    units: Literal["metric", "imperial"] = Field(default="metric", description="what the card shows")
    aircraft: AircraftTable | None = Field(default=None, description="what flies")
    pack: PackTable | None = Field(default=None, description="the battery pack")
    air: AirTable = Field(default_factory=AirTable, description="altitude, temperature, wind")
    run: RunTable | None = Field(default=None, description="the run")
    exposure: ExposureTable | None = Field(default=None, description="light, camera, filters")
    card: CardTable | None = Field(default=None, description="the memory card")
    flights: FlightsTable = Field(default_factory=FlightsTable, description="out and back")
    shots: tuple[ShotTable, ...] = Field(default=(), max_length=100, description="the takes in their order")
    people: tuple[PersonTable, ...] = Field(default=(), max_length=200, description="who stands where")
    place: PlaceTable = Field(default_factory=PlaceTable, description="walls, ground, margin")

    @model_validator(mode="after")
    def _names_differ(self) -> DayFile:
        names = [s.name for s in self.shots]
        for name in names:
            if names.count(name) > 1:
                raise InputError(f"two shots are called {name!r}", field="shots", fix="give each its own name")
        return self


@dataclass(frozen=True, kw_only=True)
class Day:
    """A day file's contents, the pairing it names, and the gap's tables where there are any; mesh files are looked for in its folder."""

    file: DayFile
    pairing: Pairing
    gap: Plan | None = None
    folder: Path | None = None

    @property
    def title(self) -> str:
        """The day's, or else the pairing's."""
        return self.file.title or self.pairing.title

    def shown_in(self, system: str | None) -> Day:
        """The same day shown in ``metric`` or ``imperial`` units; None leaves it as the file says.

        Raises:
            InputError: another word.
        """
        if system is None:
            return self
        if system not in ("metric", "imperial"):
            raise InputError(f"{system!r} is no system of units", field="units", fix="use metric or imperial")
        return replace(self, file=self.file.model_copy(update={"units": system}))


def read_day(path: Path | str, *, kit: Path | str | None = None) -> Day:
    """The day in a TOML file; a pairing's own file is a day of which nothing else is known.

    Args:
        kit: a folder that the pairing may also take shared files from.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it.
    """
    path = Path(path)
    text = read_text(path)
    data = parse_toml(text, name=str(path))
    if "pairing" not in data and ("recording" in data or "monitoring" in data):
        pairing = parse_pairing(text, name=str(path), folder=path.parent, kit=Path(kit) if kit else None)
        return Day(file=DayFile(pairing=path.name), pairing=pairing, gap=_gap(pairing, path))
    file = validated(DayFile, data, name=str(path))
    named = _beside(path, file.pairing, "pairing")
    pairing = read_pairing(named, kit=kit)
    gap = read_plan(pairing, _beside(path, file.gap, "gap")) if file.gap else _gap(pairing, named)
    return Day(file=file, pairing=pairing, gap=gap, folder=path.parent)


def _gap(pairing: Pairing, path: Path) -> Plan | None:
    """The gap that a pairing's file carries, if it does."""
    return read_plan(pairing, path) if "gap" in parse_toml(read_text(path), name=str(path)) else None


def _beside(path: Path, name: str, field: str) -> Path:
    try:
        return beside(path.parent, name, field=field)
    except InputError as error:
        raise error.within(file=str(path)) from None


def beside(folder: Path, name: str, *, field: str) -> Path:
    """A file that a day file names, in its own folder.

    Raises:
        InputError: it leads outside, or is not there.
    """
    named = (folder / name).resolve()
    if Path(name).is_absolute() or not named.is_relative_to(folder.resolve()):
        raise InputError(f"{name!r} leads outside the day file's folder", field=field, fix="keep the file beside the day file")
    if not named.exists():
        raise InputError(f"there is no file {name!r}", field=field, fix="check its name; it is looked for beside the day file")
    return named


def parse_day(text: str, *, pairing: Pairing, name: str = "day") -> Day:
    """The day in TOML text, with a pairing that is at hand already (its ``pairing`` key is not followed)."""
    data = parse_toml(text, name=name)
    data.setdefault("pairing", "at hand")
    return Day(file=validated(DayFile, data, name=name), pairing=pairing)


#: What ``framematch init-day`` writes: a day that works as it stands, with every key explained.
STARTER = """# A day of flying. Lines that start with # are remarks. Leave out any table you don't need but "pairing".
# Every figure is in the unit of its key, or text with its own: "40 ft", "25 mph", "7 lb 4 oz", "59 F", "4500 mAh".
title = "Glasshouse, morning"
pairing = "PAIRING"               # the pairing's file, beside this one
# gap = "gap.toml"                # the gap's tables, if they are not in the pairing's file
units = "metric"                  # what the card shows: metric or imperial

[aircraft]
mass_kg = 3.3                     # ready to fly, without the pack
rotors = 8
coaxial = true                    # in pairs, one above the other
prop_diameter_m = 0.18
span_m = 0.62                     # tip to tip
drag_area_m2 = 0.05               # a guess; better: logged_pitch = { speed_m_s = 14, pitch_deg = 16 }
accessories_w = 25                # camera, video link, lights
# max_lift_kg = 11                # thrust of all rotors at full throttle, from the bench
# camera_tilt_deg = 12            # how the recording camera sits on the airframe now, + up
# logged_flight = { minutes = 3.7, mass_kg = 4.0, used_percent = 80, style = "light" }  # one flight beats every default

# [[aircraft.prop]]               # to see whether a prop comes into the frame; one table each
# name = "front left"
# at_mm = { right = -150, up = 20, forward = 110 }   # hub from the recording lens
# radius_mm = 90

[pack]
cells = 6
capacity_ah = 4.5                 # or energy_wh = 100
mass_kg = 0.7
owned = 6                         # charged and here
reserve_percent = 20              # stays in the pack at landing

[air]
altitude_m = 120                  # above sea level
temperature_c = 16
headwind_m_s = 0                  # + against the run
gust_m_s = 4                      # strongest wind from any side

[run]
speed_m_s = 12
speed_range_m_s = [9, 15]         # slowest and fastest
horizon_percent = 50              # height of the horizon in the frame: 0 bottom edge, 100 top edge
points_m = [[0, -18, 1.6], [0, 0, 1.6], [1, 12, 2.2]]  # right, ahead, height above ground; here the gap is at 0, 0

[exposure]
light = "overcast"                # LIGHTS; or ev100 = 12.7 from a meter
iso = 800
rate_fps = 24
shutter_deg = 180
f_number_range = [2.8, 16]        # widest and smallest opening of the lens
loss_stops = 0.3                  # T-stop over f-number
nd = [0.3, 0.6, 0.9, 1.2, 1.8]    # filters in the case: densities, or "2 stops"
# most_filters = 2                # may be stacked
# mains_hz = 50                   # lamps in the scene: 50 or 60

[card]
capacity_gb = 512
data_rate_mbit_s = 1200           # or bits_per_pixel = 3
owned = 2
before_takeoff_s = 60             # the camera is started by hand and runs so long before take-off

[flights]
transit_s = 40                    # out to the start and back to land, together

[[shots]]
name = "Through the pane"
takes = 4
take_s = 25
reset_s = 20                      # back to the start for the next take
style = "hard"                    # light or hard flying

[[shots]]
name = "Long nave"
takes = 3
take_s = 40
reset_s = 25

[[people]]
name = "Spotter"
at_m = [-18, -10]                 # right, ahead

[place]
margin_m = 2                      # added around where it could come down
scene = "glasshouse"              # SCENES, or a mesh file beside this one; the gap is at 0, 0
# walls = [ { name = "wall", line_m = [[-6, 0], [-0.6, 0]] } ]   # or drawn by hand
"""


def starter(pairing: str) -> str:
    """A commented day file for a pairing's file."""
    name = pairing.replace("\\", "/").replace('"', "")
    return STARTER.replace("PAIRING", name).replace("LIGHTS", ", ".join(exposure.LIGHT_EV100)).replace("SCENES", ", ".join(SCENES))
