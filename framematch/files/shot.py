"""The TOML tables of a shot: in the pairing file, or in a file of their own.

``[place]``, ``[gap]`` or ``[[opening]]``, ``[run]``, ``[aircraft]``, ``[[subject]]``, ``[[lens]]``, ``[second]``, ``[path]``
with ``[[path.point]]``, and ``[flying]``. A pairing
file may carry them; its own reader passes over them, as this one passes over the pairing's tables.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from framematch.errors import InputError
from framematch.files.course import Far, FlyingTable, PathTable, Text, beside, course_of, flying_of
from framematch.files.pairing_tables import DistortionTable, Focal, Number, PairingFile, Pixels, Projection, Side, parse_aspect
from framematch.geometry.camera import FORMATS_MM, RENAMED_FORMATS, Camera, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing
from framematch.optics.motion import shutter_s
from framematch.scene.load import ground_of
from framematch.scene.registry import setting
from framematch.shot.aircraft import Aircraft, Part, Prop
from framematch.shot.lean import Flying
from framematch.shot.lenses import candidate_of, own_lens
from framematch.shot.opening import Opening
from framematch.shot.place import Place
from framematch.shot.run import Run
from framematch.shot.shot import Shot
from framematch.shot.values import Candidate, Second, Subject
from framematch.text.toml import Table, nearest_word, parse_toml, validated
from framematch.text.whole import read_text

Metres = Annotated[Number, Field(gt=0, le=1000)]
Millimetres = Annotated[Number, Field(ge=-5000, le=5000)]


class OpeningTable(Table):
    size_m: tuple[Metres, Metres] | None = Field(default=None, description="[width, height] of the opening, metres")
    shape: Literal["rectangle", "arch", "circle"] = Field(default="rectangle", description="rectangle, arch or circle")
    thickness_m: Annotated[Number, Field(ge=0, le=100)] = Field(default=0.0, description="the thickness of the wall around it, metres")
    sill_m: Annotated[Number, Field(ge=0, le=1000)] | None = Field(default=None, description="the height of its lowest point above the ground, metres")
    middle_m: tuple[Far, Far, Far] | None = Field(default=None, description="[x, y, z] of the middle of its near face in the scene, metres")
    heading_deg: Number = Field(default=0.0, description="the way it is flown: 0 is -Z, 90 is +X")


class PlaceTable(Table):
    scene: Text | None = Field(default=None, description="one of our scenes by name")
    file: Annotated[str, Field(min_length=1, max_length=300)] | None = Field(default=None, description="a mesh file of one's own, beside this one")
    scale_m: Annotated[Number, Field(gt=0)] = Field(default=1.0, description="metres for each of the mesh's units")
    up: Literal["y", "z"] = Field(default="y", description="the mesh's upward axis, y or z")
    at_m: tuple[Far, Far, Far] = Field(default=(0.0, 0.0, 0.0), description="[x, y, z] where the mesh's origin goes, metres")
    turned_deg: Number = Field(default=0.0, description="the mesh turned to the right, seen from above")
    ground_m: Far | None = Field(default=None, description="y of the ground; the mesh's lowest point if left out")


class OffsetTable(Table):
    right: Annotated[Number, Field(ge=-100, le=100)] = Field(default=0.0, description="metres")
    up: Annotated[Number, Field(ge=-100, le=100)] = Field(default=0.0, description="metres")
    forward: Annotated[Number, Field(ge=-100, le=100)] = Field(default=0.0, description="metres")


class AtTable(Table):
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
    at_mm: AtTable = Field(description="{ right, up, forward } of its hub from the recording camera, in the airframe's own axes")
    radius_mm: Annotated[Number, Field(gt=0, le=2000)] = Field(description="the radius of the disc it sweeps, mm")
    blade_mm: Annotated[Number, Field(gt=0, le=200)] = Field(default=12.0, description="the thickness of the disc it sweeps, mm")


class PartTable(Table):
    name: Text = Field(default="part", description="what it is called")
    at_mm: AtTable = Field(description="{ right, up, forward } of its middle from the recording camera, in the airframe's own axes")
    size_mm: tuple[Annotated[Number, Field(gt=0)], Annotated[Number, Field(gt=0)], Annotated[Number, Field(gt=0)]] = Field(
        description="[width, height, length], mm"
    )


class AircraftTable(Table):
    size_m: tuple[Metres, Metres, Metres] = Field(description="[width, height, length] with propellers, metres")
    camera_m: OffsetTable = Field(default_factory=OffsetTable, description="{ right, up, forward } of the recording camera from the middle of that")
    camera_tilt_deg: Number = Field(default=0.0, description="of the recording camera against the airframe, + up")
    uncertainty_cm: Annotated[Number, Field(ge=0, le=1000)] = Field(default=0.0, description="how far off the flown path may be, 95 %")
    prop: Annotated[tuple[PropTable, ...], Field(max_length=16)] = Field(default=(), description="the propellers")
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
    deepest_f: Annotated[Number, Field(ge=0.5, le=128)] | None = Field(default=None, description="minimum aperture")

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
    aspect: Annotated[float, BeforeValidator(parse_aspect)] | None = Field(default=None, description="delivery aspect ratio; the pairing's if left out")
    keep_percent: Annotated[Number, Field(ge=10, le=100)] = Field(default=100.0, description="what its stabiliser leaves")
    shutter_deg: Number = Field(default=180.0, description="shutter angle, degrees")
    rate_fps: Number = Field(default=24.0, description="frames per second")
    at_m: Metres | None = Field(default=None, description="distance before the gap of the cut; the nearest of the run's if left out")


#: What flies a shot, its path not yet known.
Flies = Callable[[Shot], Flying]


class ShotFile(Table):
    """The tables of a shot; field descriptions are what errors show."""

    place: PlaceTable | None = Field(default=None, description="where it is flown")
    gap: OpeningTable | None = Field(default=None, description="the opening")
    opening: Annotated[tuple[OpeningTable, ...], Field(max_length=12)] = Field(default=(), description="the openings in the order flown")
    run: RunTable = Field(default_factory=RunTable, description="the flight through it")
    aircraft: AircraftTable | None = Field(default=None, description="what flies")
    subject: Annotated[tuple[SubjectTable, ...], Field(max_length=12)] = Field(default=(), description="who the run passes")
    lens: Annotated[tuple[LensTable, ...], Field(max_length=40)] = Field(default=(), description="lenses that could be taken")
    second: SecondTable | None = Field(default=None, description="another camera for a hidden cut")
    path: PathTable | None = Field(default=None, description="the flight through points, or as it was logged, in place of a straight run")
    flying: FlyingTable = Field(default_factory=FlyingTable, description="what the aircraft's lean along the path comes from")

    @property
    def names_opening(self) -> bool:
        """Whether it says which opening, or which place with one of its own."""
        return self.gap is not None or bool(self.opening) or self.place is not None


def read_shot(
    pairing: Pairing,
    path: Path | str,
    *,
    place: Place | None = None,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    named: bool = False,
    flies: Flies | None = None,
) -> Shot:
    """The shot in a TOML file, its own or a pairing's, with some values changed.

    Args:
        place: in place of the file's; openings that the file does not place in a mesh are then left out.
        changes: tables with the keys to put in place of the file's; ``gap`` is the first opening.
        named: refuse a file that says nothing of the opening, in place of taking our scene's own.
        flies: what flies it in place of the file's own mass, drag, air and limits, found from the shot without its path.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it.
    """
    path = Path(path)
    return parse_shot(pairing, read_text(path), name=str(path), folder=path.parent, place=place, changes=changes, named=named, flies=flies)


def parse_shot(
    pairing: Pairing,
    text: str,
    *,
    name: str = "shot",
    folder: Path | None = None,
    place: Place | None = None,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    named: bool = False,
    flies: Flies | None = None,
) -> Shot:
    """The shot in TOML text; without a folder it can't name a mesh file."""
    data, changes = parse_toml(text, name=name), dict(changes or {})
    told = None  # what options say of an opening that the file does not have
    if "gap" in changes and not data.keys() & {"gap", "opening"}:
        told = validated(ShotFile, {"gap": changes.pop("gap")}, name=name).gap
    file = shot_file(data, name=name, changes=changes)
    if named and place is None and not file.names_opening and (told is None or told.size_m is None):
        raise InputError("no gap given", field="gap", file=name, fix="add [gap] with size_m = [1.2, 0.9], or --gap 1.2x0.9")
    try:
        return shot_of(pairing, file, folder=folder, place=place, told=told, flies=flies)
    except InputError as error:
        raise error if error.file else error.within(file=name) from None


def shot_file(data: Mapping[str, Any], *, name: str, changes: Mapping[str, Mapping[str, Any]] | None = None) -> ShotFile:
    """The tables of a shot in a file's data, a pairing's tables passed over."""
    tables = {key: value for key, value in data.items() if key not in PairingFile.model_fields}
    if isinstance(tables.get("run"), dict) and "readout_ms" in tables["run"]:
        kept = tables["run"]["readout_ms"]
        raise InputError("has moved to the recording camera", field="run.readout_ms", file=name, fix=f"write readout_ms = {kept} under [recording] instead")
    for table, values in (changes or {}).items():
        if table == "gap" and isinstance(tables.get("opening"), list) and tables["opening"] and isinstance(tables["opening"][0], dict):
            tables["opening"] = [{**tables["opening"][0], **values}, *tables["opening"][1:]]
            continue
        held = tables.get(table, {})
        tables[table] = {**held, **values} if isinstance(held, dict) else held
    return validated(ShotFile, tables, name=name)


def parse_lens(pairing: Pairing, text: str, *, name: str = "lens") -> Candidate:
    """A candidate lens in TOML text: the keys of ``[[lens]]``."""
    table = validated(LensTable, parse_toml(text, name=name), name=name)
    try:
        return table.candidate(pairing)
    except InputError as error:
        raise error.within(file=name) from None


def shot_of(
    pairing: Pairing,
    file: ShotFile,
    *,
    folder: Path | None = None,
    place: Place | None = None,
    told: OpeningTable | None = None,
    flies: Flies | None = None,
) -> Shot:
    """The shot that the tables describe.

    Args:
        folder: where a mesh file that they name has to be; without one they can't name any.
        place: in place of theirs; openings that they do not place in a mesh are then left out.
        told: changes to our scene's own opening, or a mesh's opening, where the tables have none.
        flies: as :func:`read_shot` has it.
    """
    r = file.run
    own = _made("place", _place, table=file.place or PlaceTable(), folder=folder) if place is None else place
    openings = _openings(file, own, told, elsewhere=place is not None)
    flying: Flying = _made("flying", flying_of, table=file.flying)
    shot = Shot(
        place=own,
        openings=openings,
        run=_made("run", Run, right_m=r.offset_m.right, up_m=r.offset_m.up, **r.model_dump(exclude={"offset_m"})),
        aircraft=None if file.aircraft is None else _aircraft(file.aircraft),
        subjects=tuple(_made(f"subject.{i}", Subject, **s.model_dump()) for i, s in enumerate(file.subject, 1)),
        candidates=tuple(_made(f"lens.{i}", table.candidate, pairing=pairing) for i, table in enumerate(file.lens, 1)),
        second=None if file.second is None else _second(pairing, file),
        flying=flying,
    )
    if flies is not None:
        shot = replace(shot, flying=flies(shot))
    return shot if file.path is None else replace(shot, course=_made("path", course_of, table=file.path, shot=shot, folder=folder))


def _place(table: PlaceTable, folder: Path | None) -> Place:
    if table.scene is not None and table.file is not None:
        raise InputError("give either a scene or a file", field="file", fix="leave one of them out")
    figures: dict[str, Any] = table.model_dump(exclude={"scene", "file"})
    if table.file is None:
        setting(table.scene or Place().scene)
        return Place(scene=table.scene or Place().scene, **figures)
    return Place(file=beside(table.file, folder, field="file"), **figures)


def _openings(file: ShotFile, place: Place, told: OpeningTable | None, *, elsewhere: bool) -> tuple[Opening, ...]:
    if file.gap is not None and file.opening:
        raise InputError("give either [gap] or [[opening]]", field="gap", fix="write the first opening as [[opening]] too")
    named = [(f"opening.{i}", table) for i, table in enumerate(file.opening, 1)] if file.opening else [("gap", file.gap)] if file.gap else []
    if place.file is None:
        own = setting(place.scene).opening
        if not named and told is not None:
            table = told if told.size_m else told.model_copy(update={"size_m": (own.width_m, own.height_m)})
            return (_made("gap", _opening, table=table, place=place, own=own),)
        return tuple(_made(prefix, _opening, table=table, place=place) for prefix, table in named) or (own,)
    tables = [each for each in (*named, *([("gap", told)] if told else [])) if each[1].middle_m is not None or not elsewhere or each[1] is told]
    return tuple(_made(prefix, _opening, table=table, place=place) for prefix, table in tables)


def _opening(table: OpeningTable, place: Place, own: Opening | None = None) -> Opening:
    """An opening of a place; what the table leaves out is as in ``own`` if that is given."""
    if table.size_m is None:
        raise InputError("is missing", field="size_m", fix="give [width, height] of the opening, metres")
    if place.file is not None and table.middle_m is None:
        raise InputError("a mesh has the openings that it has", fix="say where this one is: middle_m = [x, y, z], or --gap-at X,Y,Z")
    given = {"width_m": table.size_m[0], "height_m": table.size_m[1], **table.model_dump(exclude={"size_m"}, exclude_unset=True)}
    if table.middle_m is not None and table.sill_m is None:
        given["sill_m"] = table.middle_m[1] - table.size_m[1] / 2 - ground_of(place)
        if given["sill_m"] < 0:
            below = f"its lowest point is {-given['sill_m']:.3g} m below the ground"
            raise InputError(below, field="sill_m", fix="give its sill_m, or the place's ground_m")
    return Opening(**given) if own is None else replace(own, **given)


def airframe(prop: Sequence[PropTable], part: Sequence[PartTable]) -> tuple[tuple[Prop, ...], tuple[Part, ...]]:
    """Props and parts as values, from the tables that a gap's and a day's aircraft share."""
    props = tuple(_made(f"aircraft.prop.{i}", Prop, **_at(t.at_mm), **t.model_dump(exclude={"at_mm"})) for i, t in enumerate(prop, 1))
    parts = tuple(_made(f"aircraft.part.{i}", Part, **_at(t.at_mm), **t.model_dump(exclude={"at_mm"})) for i, t in enumerate(part, 1))
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


def _second(pairing: Pairing, file: ShotFile) -> Second:
    s = file.second
    assert s is not None
    if (s.sensor_mm is None) == (s.format is None):
        raise InputError("give either sensor_mm or format", field="second.sensor_mm", fix="sensor_mm = [width, height] of the area read out")
    if s.format is not None and s.format not in FORMATS_MM:
        now = RENAMED_FORMATS.get(s.format, s.format)
        raise InputError(f"{s.format!r} is not known", field="second.format", fix=nearest_word(now, FORMATS_MM, "use one of"))
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


def _at(at: AtTable) -> dict[str, float]:
    return {"right_mm": at.right, "up_mm": at.up, "forward_mm": at.forward}


def _made(prefix: str, make: Any, **figures: Any) -> Any:
    try:
        return make(**figures)
    except InputError as error:
        if error.field.startswith(f"{prefix}."):  # a path's own errors name its table already
            raise
        raise error.within(prefix=prefix) from None
