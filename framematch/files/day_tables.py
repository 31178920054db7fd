"""The tables of a day file: every figure a number in its key's own unit, or text with another unit of the same kind.

``mass_kg = "7 lb 4 oz"``, ``speed_m_s = "25 mph"``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator
from pydantic_core import CoreSchema, core_schema

from framematch.errors import InputError
from framematch.files.shot import PartTable, PropTable
from framematch.optics import exposure
from framematch.text import units
from framematch.text.toml import Table, nearest_word


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
        raise InputError(f"{value!r} is not a light known here", fix=nearest_word(value, exposure.LIGHT_EV100, "use one of"))
    return value


def _density(value: Any) -> float:
    if isinstance(value, str):
        found = re.fullmatch(r"\s*+(\d++(?:\.\d*+)?+|\.\d++)\s*+stops?+\s*+", value)
        if found is None:
            raise InputError(f"{value!r} is not a filter", fix='give a density such as 0.6, or "2 stops"')
        return float(exposure.density_of_stops(float(found[1])))
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 10:
        raise InputError(f"{value!r} is not a density", fix='give a density such as 0.6, or "2 stops"')
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


class LoggedPitch(Table):
    speed_m_s: Speed = Field(description="level airspeed, m/s")
    pitch_deg: Degrees = Field(description="nose-down pitch at that speed, degrees")


class LoggedFlight(Table):
    minutes: Annotated[float, _In("min", 0.1, 600)] = Field(description="from take-off to landing")
    mass_kg: Mass = Field(description="all up, pack included, kg")
    used_percent: Percent = Field(default=80.0, description="share of the pack that it took")
    energy_wh: Energy | None = Field(default=None, description="of the pack flown, if another than [pack]")
    speed_m_s: Speed = Field(default=0.0, description="usual airspeed of that flight, m/s")
    style: Style = Field(default="light", description='"light" or "hard" flying')
    altitude_m: Altitude | None = Field(default=None, description="above sea level, if not today's")
    temperature_c: Temperature | None = Field(default=None, description="of the air, if not today's")


class AircraftTable(Table):
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
    prop: tuple[PropTable, ...] = Field(default=(), max_length=16, description="the propellers, as in a gap's [[aircraft.prop]]")
    part: tuple[PartTable, ...] = Field(default=(), max_length=32, description="parts of the airframe, as in a gap's [[aircraft.part]]")


class PackTable(Table):
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


class AirTable(Table):
    altitude_m: Altitude = Field(default=0.0, description="of the place above sea level, m")
    temperature_c: Temperature | None = Field(default=None, description="of the air; the standard one for the altitude if left out")
    headwind_m_s: Annotated[float, _In("m/s", -40, 40)] = Field(default=0.0, description="along the run, + against it, m/s")
    gust_m_s: Annotated[float, _In("m/s", 0, 60)] = Field(default=0.0, description="strongest wind from any side, m/s")


class RunTable(Table):
    speed_m_s: Speed = Field(description="over ground on the run, m/s")
    speed_range_m_s: tuple[Speed, Speed] | None = Field(default=None, description="slowest and fastest on the run, m/s")
    slope_deg: Degrees = Field(default=0.0, description="of the path, + climbing; from points_m if they are given")
    horizon_percent: Percent = Field(default=50.0, description="height of the horizon in the frame, 0 bottom edge, 100 top edge")
    points_m: tuple[tuple[Metres, Metres, Metres], ...] = Field(default=(), max_length=200, description="[right, ahead, height above ground] along the run")


class ExposureTable(Table):
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


class CardTable(Table):
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


class FlightsTable(Table):
    transit_s: Seconds = Field(default=40.0, description="out to the start and back to land, together, s")


class ShotTable(Table):
    name: Name = Field(description="what the crew calls it")
    takes: Annotated[int, _Plain(1, 200, whole=True)] = Field(default=1, description="how many")
    take_s: Seconds = Field(description="length of one take, s")
    reset_s: Seconds = Field(default=20.0, description="back to the start for the next take, s")
    style: Style = Field(default="light", description='"light" or "hard" flying')
    speed_m_s: Speed | None = Field(default=None, description="if not the run's, m/s")

    @model_validator(mode="after")
    def _takes_time(self) -> ShotTable:
        if self.take_s <= 0:
            raise InputError("0 s is not a take", field="take_s", fix="give seconds above 0")
        return self


class PersonTable(Table):
    name: Name = Field(description="who, or which camera")
    at_m: Place = Field(description="[right, ahead] in plan")
    height_m: Annotated[float, _In("m", 0.2, 5)] = Field(default=1.75, description="feet to head, m")
    in_picture: bool = Field(default=False, description="true if meant to be in shot")


class WallTable(Table):
    name: Annotated[str, Field(max_length=80)] = Field(default="", description="written beside it")
    line_m: tuple[Place, ...] = Field(min_length=2, max_length=500, description="[right, ahead] along it")


class PlaceTable(Table):
    scene: str | None = Field(default=None, min_length=1, description="a scene by name or a mesh file beside this one; drawn where the run's height cuts it")
    walls: tuple[WallTable, ...] = Field(default=(), max_length=200, description="drawn in the plan")
    ground_m: Annotated[float, _In("m", -500, 0)] = Field(default=0.0, description="height of the lowest ground nearby, 0 or below, m")
    margin_m: Annotated[float, _In("m", 0, 200)] = Field(default=2.0, description="added around where it could come down, m")


class DayFile(Table):
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
