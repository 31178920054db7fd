"""The TOML tables of a gap: in the pairing file, or in a file of their own.

``[gap]``, ``[run]``, ``[aircraft]``, ``[[subject]]``, ``[[lens]]`` and ``[second]``. A pairing file may
carry them; its own reader passes over them, as this one passes over the pairing's tables.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from framematch.errors import InputError
from framematch.files.pairing_tables import DistortionTable, Focal, Number, PairingFile, Pixels, Projection, Side, parse_aspect
from framematch.geometry.camera import FORMATS_MM, Camera, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing
from framematch.optics.motion import shutter_s
from framematch.shot.aircraft import Aircraft, Part, Prop
from framematch.shot.lenses import candidate_of, own_lens
from framematch.shot.opening import Gap
from framematch.shot.run import Run
from framematch.shot.values import Candidate, Plan, Second, Subject
from framematch.text.toml import Table, nearest_word, parse_toml, validated
from framematch.text.whole import read_text

Metres = Annotated[Number, Field(gt=0, le=1000)]
Millimetres = Annotated[Number, Field(ge=-5000, le=5000)]
Text = Annotated[str, Field(min_length=1, max_length=60)]


class GapTable(Table):
    size_m: tuple[Metres, Metres] = Field(description="[width, height] of the opening, metres")
    shape: Literal["rectangle", "arch", "circle"] = Field(default="rectangle", description="rectangle, arch or circle")
    thickness_m: Annotated[Number, Field(ge=0, le=100)] = Field(default=0.0, description="the thickness of the wall around it, metres")
    sill_m: Annotated[Number, Field(ge=0, le=1000)] = Field(default=1.0, description="the height of its lowest point above the ground, metres")


class OffsetTable(Table):
    right: Annotated[Number, Field(ge=-100, le=100)] = Field(default=0.0, description="metres")
    up: Annotated[Number, Field(ge=-100, le=100)] = Field(default=0.0, description="metres")
    forward: Annotated[Number, Field(ge=-100, le=100)] = Field(default=0.0, description="metres")


class PlaceTable(Table):
    right: Millimetres = Field(default=0.0, description="mm")
    up: Millimetres = Field(default=0.0, description="mm")
    forward: Millimetres = Field(default=0.0, description="mm")


class RunTable(Table):
    speed_m_s: Annotated[Number, Field(gt=0, le=100)] = Field(default=8.0, description="metres per second")
    offset_m: OffsetTable = Field(default_factory=OffsetTable, description="{ right, up } from the opening's middle where the camera passes")
    heading_deg: Number = Field(default=0.0, description="flight direction from straight through, + right")
    climb_deg: Number = Field(default=0.0, description="flight direction, + up")
    pan_deg: Number = Field(default=0.0, description="where the recording camera looks from the heading, + right")
    tilt_deg: Number = Field(default=0.0, description="of the recording camera above the horizon, in flight")
    bank_deg: Number = Field(default=0.0, description="of the recording camera, + clockwise seen from behind")
    distances_m: Annotated[tuple[Metres, ...], Field(min_length=1, max_length=12)] = Field(default=(10.0, 5.0, 2.0), description="before the gap, metres")
    shutter_deg: Number = Field(default=180.0, description="shutter angle, degrees")
    rate_fps: Number = Field(default=24.0, description="frames per second")


class PropTable(Table):
    name: Text = Field(default="prop", description="what it is called")
    at_mm: PlaceTable = Field(description="{ right, up, forward } of its hub from the recording camera, in the airframe's own axes")
    radius_mm: Annotated[Number, Field(gt=0, le=2000)] = Field(description="the radius of the disc it sweeps, mm")
    blade_mm: Annotated[Number, Field(gt=0, le=200)] = Field(default=12.0, description="the thickness of the disc it sweeps, mm")


class PartTable(Table):
    name: Text = Field(default="part", description="what it is called")
    at_mm: PlaceTable = Field(description="{ right, up, forward } of its middle from the recording camera, in the airframe's own axes")
    size_mm: tuple[Annotated[Number, Field(gt=0)], Annotated[Number, Field(gt=0)], Annotated[Number, Field(gt=0)]] = Field(
        description="[width, height, length], mm"
    )


class AircraftTable(Table):
    size_m: tuple[Metres, Metres, Metres] = Field(description="[width, height, length] with props, metres")
    camera_m: OffsetTable = Field(default_factory=OffsetTable, description="{ right, up, forward } of the recording camera from the middle of that")
    camera_tilt_deg: Number = Field(default=0.0, description="of the recording camera against the airframe, + up")
    uncertainty_cm: Annotated[Number, Field(ge=0, le=1000)] = Field(default=0.0, description="how far off the flown path may be, 95 %")
    prop: Annotated[tuple[PropTable, ...], Field(max_length=16)] = Field(default=(), description="the props")
    part: Annotated[tuple[PartTable, ...], Field(max_length=32)] = Field(default=(), description="parts of the airframe")


class SubjectTable(Table):
    name: Text = Field(default="subject", description="what it is called")
    height_m: Metres = Field(default=1.75, description="feet to head, metres")
    beyond_m: Number = Field(default=5.0, description="past the gap's near face, - for before it, metres")
    right_m: Number = Field(default=0.0, description="from the opening's middle, metres")
    stands_m: Number = Field(default=0.0, description="of its feet above the ground, metres")


class LensTable(Table):
    name: Text | None = Field(default=None, description="what it is called")
    focal_mm: Focal = Field(description="focal length in mm")
    projection: Projection | None = Field(default=None, description="how the lens maps angles to the picture")
    distortion: DistortionTable | None = Field(default=None, description="{ model, k, p } of a measured lens")
    weight_g: Annotated[Number, Field(gt=0)] | None = Field(default=None, description="grams")
    closest_m: Metres | None = Field(default=None, description="closest focus, metres")
    widest_f: Annotated[Number, Field(ge=0.5, le=128)] | None = Field(default=None, description="widest stop")
    deepest_f: Annotated[Number, Field(ge=0.5, le=128)] | None = Field(default=None, description="deepest stop")

    def candidate(self, pairing: Pairing) -> Candidate:
        """The lens on the pairing's camera; with only a focal length, as :func:`candidate_of` takes it."""
        plain = replace(
            candidate_of(pairing, self.focal_mm, name=self.name or ""),
            weight_g=self.weight_g,
            closest_m=self.closest_m,
            widest_f=self.widest_f,
            deepest_f=self.deepest_f,
        )
        if self.projection is None and self.distortion is None:
            return plain
        model = self.distortion.model if self.distortion else self.projection or "rectilinear"
        k, p = (self.distortion.k, self.distortion.p) if self.distortion else ((), (0.0, 0.0))
        lens = Lens(projection=model, focal_mm=self.focal_mm, k=k, p=p, squeeze=own_lens(pairing).squeeze)
        return replace(plain, lens=lens, notes=())


class SecondTable(Table):
    sensor_mm: tuple[Side, Side] | None = Field(default=None, description="area read out, [width, height] in mm")
    format: str | None = Field(default=None, description="a generic format's name in place of sensor_mm")
    raster_px: tuple[Pixels, Pixels] = Field(default=(3840, 2160), description="[width, height] in pixels")
    projection: Projection = Field(default="rectilinear", description="how its lens maps angles to the picture")
    aspect: Annotated[float, BeforeValidator(parse_aspect)] | None = Field(default=None, description="delivery shape; the pairing's if left out")
    keep_percent: Annotated[Number, Field(ge=10, le=100)] = Field(default=100.0, description="what its stabiliser leaves")
    shutter_deg: Number = Field(default=180.0, description="shutter angle, degrees")
    rate_fps: Number = Field(default=24.0, description="frames per second")
    at_m: Metres | None = Field(default=None, description="distance before the gap of the cut; the nearest of the run's if left out")


class GapFile(Table):
    """The tables of a gap; field descriptions are what errors show."""

    gap: GapTable = Field(description="the opening")
    run: RunTable = Field(default_factory=RunTable, description="the flight through it")
    aircraft: AircraftTable | None = Field(default=None, description="what flies")
    subject: Annotated[tuple[SubjectTable, ...], Field(max_length=12)] = Field(default=(), description="who the run passes")
    lens: Annotated[tuple[LensTable, ...], Field(max_length=40)] = Field(default=(), description="lenses that could be taken")
    second: SecondTable | None = Field(default=None, description="another camera for a hidden cut")


def read_plan(pairing: Pairing, path: Path | str, *, changes: Mapping[str, Mapping[str, Any]] | None = None) -> Plan:
    """The plan in a TOML file, its own or a pairing's, with some values changed.

    Args:
        changes: tables with the keys to put in place of the file's.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it.
    """
    path = Path(path)
    return parse_plan(pairing, read_text(path), name=str(path), changes=changes)


def parse_plan(pairing: Pairing, text: str, *, name: str = "gap", changes: Mapping[str, Mapping[str, Any]] | None = None) -> Plan:
    """The plan in TOML text."""
    data = {key: value for key, value in parse_toml(text, name=name).items() if key not in PairingFile.model_fields}
    for table, values in (changes or {}).items():
        held = data.get(table, {})
        data[table] = {**held, **values} if isinstance(held, dict) else held
    if "gap" not in data:
        raise InputError("no gap given", field="gap", file=name, fix="add [gap] with size_m = [1.2, 0.9], or --gap 1.2x0.9")
    if isinstance(data.get("run"), dict) and "readout_ms" in data["run"]:
        kept = data["run"]["readout_ms"]
        raise InputError("has moved to the recording camera", field="run.readout_ms", file=name, fix=f"write readout_ms = {kept} under [recording] instead")
    file = validated(GapFile, data, name=name)
    try:
        return _plan(pairing, file)
    except InputError as error:
        raise error.within(file=name) from None


def parse_lens(pairing: Pairing, text: str, *, name: str = "lens") -> Candidate:
    """A candidate lens in TOML text: the keys of ``[[lens]]``."""
    table = validated(LensTable, parse_toml(text, name=name), name=name)
    try:
        return table.candidate(pairing)
    except InputError as error:
        raise error.within(file=name) from None


def _plan(pairing: Pairing, file: GapFile) -> Plan:
    g, r = file.gap, file.run
    return Plan(
        gap=_made("gap", Gap, width_m=g.size_m[0], height_m=g.size_m[1], **g.model_dump(exclude={"size_m"})),
        run=_made("run", Run, right_m=r.offset_m.right, up_m=r.offset_m.up, **r.model_dump(exclude={"offset_m"})),
        aircraft=None if file.aircraft is None else _aircraft(file.aircraft),
        subjects=tuple(_made(f"subject.{i}", Subject, **s.model_dump()) for i, s in enumerate(file.subject, 1)),
        candidates=tuple(_made(f"lens.{i}", table.candidate, pairing=pairing) for i, table in enumerate(file.lens, 1)),
        second=None if file.second is None else _second(pairing, file),
    )


def airframe(prop: Sequence[PropTable], part: Sequence[PartTable]) -> tuple[tuple[Prop, ...], tuple[Part, ...]]:
    """Props and parts as values, from the tables that a gap's and a day's aircraft share."""
    props = tuple(_made(f"aircraft.prop.{i}", Prop, **_place(t.at_mm), **t.model_dump(exclude={"at_mm"})) for i, t in enumerate(prop, 1))
    parts = tuple(_made(f"aircraft.part.{i}", Part, **_place(t.at_mm), **t.model_dump(exclude={"at_mm"})) for i, t in enumerate(part, 1))
    return props, parts


def _aircraft(a: AircraftTable) -> Aircraft:
    props, parts = airframe(a.prop, a.part)
    out: Aircraft = _made(
        "aircraft",
        Aircraft,
        width_m=a.size_m[0],
        height_m=a.size_m[1],
        length_m=a.size_m[2],
        right_m=a.camera_m.right,
        up_m=a.camera_m.up,
        forward_m=a.camera_m.forward,
        camera_tilt_deg=a.camera_tilt_deg,
        uncertainty_cm=a.uncertainty_cm,
        props=props,
        parts=parts,
    )
    return out


def _second(pairing: Pairing, file: GapFile) -> Second:
    s = file.second
    assert s is not None
    if (s.sensor_mm is None) == (s.format is None):
        raise InputError("give either sensor_mm or format", field="second.sensor_mm", fix="sensor_mm = [width, height] of the area read out")
    if s.format is not None and s.format not in FORMATS_MM:
        raise InputError(f"{s.format!r} is not known", field="second.format", fix=nearest_word(s.format, FORMATS_MM, "use one of"))
    whole = s.sensor_mm or FORMATS_MM[s.format or ""]
    # A format names the whole area; the mode reads the largest part of it with the raster's shape.
    shape = s.raster_px[0] / s.raster_px[1]
    sensor = (min(whole[0], whole[1] * shape), min(whole[1], whole[0] / shape))
    aspect = s.aspect or pairing.frame_aspect
    camera = Camera(lens=Lens(projection=s.projection, focal_mm=20.0), sensor_mm=sensor, raster_px=s.raster_px)
    return Second(
        camera=camera,
        frame=frame_in(s.raster_px, aspect=aspect, keep_percent=s.keep_percent),
        shutter_s=_made("second", shutter_s, shutter_deg=s.shutter_deg, rate_fps=s.rate_fps),
        at_m=s.at_m or min(file.run.distances_m),
    )


def _place(at: PlaceTable) -> dict[str, float]:
    return {"right_mm": at.right, "up_mm": at.up, "forward_mm": at.forward}


def _made(prefix: str, make: Any, **figures: Any) -> Any:
    try:
        return make(**figures)
    except InputError as error:
        raise error.within(prefix=prefix) from None
